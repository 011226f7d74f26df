"""Contents are stored once, come back whole or not at all, and go when nothing has used them for long enough."""

import os
import stat
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from alertd.errors import StoreError
from alertd.store.archive import MAX_BYTES, Archive, is_plan_id

NOW = datetime(2027, 1, 14, tzinfo=UTC)
DAY = timedelta(days=1)
ID, OTHER = "plan_" + "a" * 32, "plan_" + "b" * 32


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    return Archive(tmp_path / "kept")


def files(archive: Archive) -> list[Path]:
    return [path for path in archive.folder.rglob("*") if path.is_file()]


def test_content_is_stored_once_under_its_sha256(archive: Archive) -> None:
    """sha256("abc") is the first example of FIPS 180-2, appendix B.1."""
    assert archive.put(b"abc", NOW) == archive.put(b"abc", NOW + DAY)
    (path,) = files(archive)
    assert path.name == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert archive.get(path.name) == b"abc"


def test_a_plan_leads_to_its_content_and_a_later_word_counts(archive: Archive) -> None:
    for text in (b"first", b"second"):
        archive.file_plan(ID, archive.put(text, NOW), NOW)
    archive.file_plan(OTHER, archive.put(b"third", NOW), NOW)
    assert archive.get(archive.of_plan(ID)) == b"second"
    assert archive.plans() == [ID, OTHER]


def test_recent_content_stays_and_a_plan_never_outlives_its_own(archive: Archive) -> None:
    shared = archive.put(b"shared", NOW)
    for n, plan in enumerate((ID, OTHER)):
        at = NOW + n * 20 * DAY
        archive.put(b"shared", at)
        archive.file_plan(plan, archive.put(plan.encode(), at - timedelta(seconds=5)), at)
    archive.put(b"nobody's", NOW)
    assert archive.prune(unused_since=NOW) == 0
    assert archive.prune(unused_since=NOW + timedelta(seconds=1)) == 1  # the first plan; its contents within the day
    assert archive.prune(unused_since=NOW + 2 * DAY) == 2
    assert archive.plans() == [OTHER]
    assert archive.get(archive.of_plan(OTHER)) == OTHER.encode()
    assert archive.get(shared) == b"shared"


def test_a_file_left_by_a_crash_is_no_plan_and_goes(archive: Archive) -> None:
    archive.file_plan(ID, archive.put(b"x", NOW), NOW)
    left = archive.folder / "plans" / "aa" / "tmp123.tmp"
    left.write_bytes(b"half")
    os.utime(left, (NOW.timestamp(),) * 2)
    assert archive.plans() == [ID]
    archive.prune(unused_since=NOW + DAY)
    assert files(archive) == [archive.folder / "contents" / archive.put(b"x", NOW)[:2] / archive.put(b"x", NOW)]


def test_a_content_that_unpacks_without_end_is_refused(archive: Archive) -> None:
    digest = archive.put(b"\0" * (MAX_BYTES + 1), NOW)
    with pytest.raises(StoreError, match="is damaged or altered"):
        archive.get(digest)


@pytest.mark.parametrize("id_", ["plan_x", "../../etc/passwd", "plan_" + "A" * 32, "plan_" + "a" * 32 + "/..", ""])
def test_what_is_no_plans_id_never_becomes_a_path(id_: str, archive: Archive) -> None:
    assert not is_plan_id(id_)
    with pytest.raises(StoreError, match="is not a plan id; write plan_"):
        archive.of_plan(id_)


def test_missing_plan_or_folder_is_reported_with_a_hint(archive: Archive) -> None:
    with pytest.raises(StoreError, match=rf"^archive \S+kept: {ID} is missing; name the archive that holds it"):
        archive.of_plan(ID)
    archive.file_plan(ID, "../../secret", NOW)
    with pytest.raises(StoreError, match="is damaged or altered"):
        archive.of_plan(ID)
    with pytest.raises(StoreError, match="is not a content digest"):
        archive.get("../../secret")


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_may_not_be_written_is_told(tmp_path: Path) -> None:
    tmp_path.chmod(stat.S_IRUSR | stat.S_IXUSR)
    with pytest.raises(StoreError, match=r"cannot be written \(Permission denied\); check the folder"):
        Archive(tmp_path / "kept").put(b"x", NOW)


def test_files_written_together_appear_at_the_end_or_not_at_all(tmp_path: Path) -> None:
    archive = Archive(tmp_path)
    now = datetime(2027, 1, 14, tzinfo=UTC)
    plan = "plan_" + "0" * 32
    with archive.together() as batch:
        digest = batch.put(b"shared", now)
        assert batch.put(b"shared", now) == digest
        batch.file_plan(plan, digest, now)
        assert archive.plans() == []
    assert archive.get(archive.of_plan(plan)) == b"shared"
    with pytest.raises(ValueError, match="in the middle"), archive.together() as batch:  # noqa: PT012
        batch.put(b"lost", now)
        raise ValueError("in the middle")
    assert sorted(f.name for f in tmp_path.rglob("*") if f.is_file()) == sorted([digest, plan])


def test_plans_filed_together_share_one_file_and_go_alone(archive: Archive) -> None:
    ids = [ID, OTHER, "plan_" + "c" * 32]
    for batch in (archive, None):
        now = NOW if batch is not None else NOW + DAY
        if batch is not None:
            batch.file_plans(ids, batch.put(b"first", now), now)
        else:
            with archive.together() as together:
                together.file_plans(ids[1:], together.put(b"second", now), now)
    assert [archive.get(archive.of_plan(i)) for i in ids] == [b"first", b"second", b"second"]
    assert archive.plans() == ids
    inodes = {path.stat().st_ino for path in archive.folder.glob("plans/*/*")}
    assert len(inodes) == 2
    assert archive.prune(unused_since=NOW + DAY) == 1
    assert archive.plans() == ids[1:]


def test_a_plan_filed_by_an_earlier_version_and_a_damaged_one(archive: Archive) -> None:
    """Earlier versions wrote the digest into a file of its own."""
    digest = archive.put(b"record", NOW)
    path = archive.folder / "plans" / ID[5:7] / ID
    path.parent.mkdir(parents=True)
    path.write_text(digest + "\n", encoding="ascii")
    archive.file_plan(OTHER, digest, NOW)
    assert archive.of_plan(ID) == archive.of_plan(OTHER) == digest
    other = archive.folder / "plans" / OTHER[5:7] / OTHER
    assert other.stat().st_ino == (archive.folder / "contents" / digest[:2] / digest).stat().st_ino
    other.write_bytes(b"\xff" * 80)
    with pytest.raises(StoreError, match="is damaged or altered"):
        archive.of_plan(OTHER)


def test_where_a_disk_knows_no_second_names_a_plan_has_a_copy(
    archive: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*args: object) -> None:
        raise PermissionError("not on this disk")

    monkeypatch.setattr(os, "link", refuse)
    archive.file_plans([ID, OTHER], archive.put(b"x", NOW), NOW)
    assert archive.of_plan(ID) == archive.of_plan(OTHER)
    assert len({path.stat().st_ino for path in archive.folder.glob("plans/*/*")}) == 2
