"""A backup is whole while others write, is checked, and never takes another file's place."""

import threading
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from alertd.errors import StoreError
from alertd.notices.model import Audience, Notice
from alertd.store import backup
from alertd.store.backup import back_up
from alertd.store.rows import StoredTrip
from alertd.store.store import Store
from alertd.testing.postgres import PostgresCluster

HOOK = {Audience.FLEET: ["hook"]}


def test_restored_it_is_the_store_of_that_moment(
    tmp_path: Path, noon: datetime, make_notice: Callable[..., Notice]
) -> None:
    with Store(tmp_path / "a.db") as store:
        store.record_notices([make_notice("before", trip_id="")], HOOK, noon)
        assert back_up(tmp_path / "a.db", tmp_path / "copy.db") == (tmp_path / "copy.db").stat().st_size > 0
        store.record_notices([make_notice("after", trip_id="")], HOOK, noon)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.db", "a.db.lock", "copy.db"]
    with Store(tmp_path / "copy.db") as restored:
        assert [row.text for row in restored.outbox.claim_due(noon, 9, 60, "me")] == ["before"]


def test_a_copy_made_while_others_write_is_sound(tmp_path: Path, noon: datetime) -> None:
    enough = threading.Event()

    def write(store: Store) -> None:
        n = 0
        while not enough.is_set():
            store.put_trip(StoredTrip(id=f"{n:06}", body="x" * 2000, created_at=noon + timedelta(seconds=n)))
            n += 1

    with Store(tmp_path / "a.db") as store:
        writer = threading.Thread(target=write, args=(store,))
        writer.start()
        try:
            for n in range(3):
                back_up(tmp_path / "a.db", tmp_path / f"copy-{n}.db")
        finally:
            enough.set()
            writer.join()
    for n in range(3):
        with Store(tmp_path / f"copy-{n}.db") as restored:
            assert [t.id for t in restored.trips()] == [f"{i:06}" for i in range(len(restored.trips()))]


def test_it_never_writes_over_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    Store(tmp_path / "a.db").close()
    (tmp_path / "copy.db").write_text("precious")
    with pytest.raises(StoreError, match=r"copy\.db: the file exists and is not overwritten; name another file"):
        back_up(tmp_path / "a.db", tmp_path / "copy.db")
    whole = backup._copy

    def another_is_quicker(place: Path, to: Path) -> None:
        whole(place, to)
        (tmp_path / "late.db").write_text("precious")

    monkeypatch.setattr(backup, "_copy", another_is_quicker)
    with pytest.raises(StoreError, match="the file exists"):
        back_up(tmp_path / "a.db", tmp_path / "late.db")
    assert (tmp_path / "copy.db").read_text() == (tmp_path / "late.db").read_text() == "precious"
    assert [path.name for path in tmp_path.glob(".*")] == []


def test_a_damaged_store_gives_no_backup(tmp_path: Path, noon: datetime) -> None:
    with Store(tmp_path / "a.db") as store:
        for n in range(200):
            store.put_trip(StoredTrip(id=f"{n}", body="x" * 3000, created_at=noon))
    with open(tmp_path / "a.db", "r+b") as file:
        file.seek(40 * 4096)
        file.write(b"\xff" * 4096 * 20)
    with pytest.raises(StoreError, match=r"copy\.db: the (store|copy)"):
        back_up(tmp_path / "a.db", tmp_path / "copy.db")
    assert not (tmp_path / "copy.db").exists()


def test_what_cannot_be_copied_is_told_with_the_mend(tmp_path: Path, postgres: PostgresCluster) -> None:
    with pytest.raises(StoreError, match=r"no such file; set daemon\.store"):
        back_up(tmp_path / "none.db", tmp_path / "copy.db")
    assert not (tmp_path / "none.db").exists()
    with Store(postgres.new_store_url()) as store, pytest.raises(StoreError, match="use pg_dump --format=custom"):
        back_up(store.place, tmp_path / "copy.db")
    Store(tmp_path / "a.db").close()
    with pytest.raises(StoreError, match=r"cannot be written \(No such file or directory\); name a writable folder"):
        back_up(tmp_path / "a.db", tmp_path / "nowhere" / "copy.db")


def test_damaged_pages_are_one_line_and_a_backup_restores(tmp_path: Path, noon: datetime) -> None:
    """The steps of the guide: stop, move the file away, copy the backup to its place, start."""
    place, backup = tmp_path / "alertd.db", tmp_path / "backup.db"
    with Store(place) as store:
        for n in range(200):
            store.put_trip(StoredTrip(id=f"trip-{n}", body="b" * 300, created_at=noon))
        before = store.trips()
    back_up(place, backup)
    content = bytearray(place.read_bytes())
    for page in range(4096, len(content), 4096):
        content[page : page + 64] = b"\xff" * 64
    place.write_bytes(bytes(content))
    with pytest.raises(StoreError, match="restore the last backup") as caught, Store(place) as store:
        store.trips()
    assert "\n" not in str(caught.value)
    place.rename(tmp_path / "damaged.db")
    backup.rename(place)
    with Store(place) as store:
        assert store.trips() == before
