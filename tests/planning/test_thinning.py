"""An archive keeps the inputs of the plans that the store has, and of no others."""

import json
from collections.abc import Callable, Collection, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from alertd.errors import StoreError
from alertd.planning.replays.thinning import thin_archive
from alertd.store.archive import Archive

NOW = datetime(2027, 1, 14, tzinfo=UTC)
DAY = timedelta(days=1)
FIRST, SECOND, WAY, JOINED = ("plan_" + letter * 32 for letter in "abcd")


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    return Archive(tmp_path / "kept")


def file(archive: Archive, plan_ids: Sequence[str], own: str, at: datetime) -> str:
    """File plans made together; returns the digest of the body that only they use."""
    body = archive.put(own.encode(), at)
    files = archive.put(json.dumps({"rig": archive.put(b"the rig", at)}).encode(), at)
    heard = archive.put(json.dumps([{"url": "https://a.example", "body": body}]).encode(), at)
    pack = archive.put(f"pack of {own}".encode(), at)
    record = {"files": files, "heard": heard, "pack": pack, "trips": {one: {"trip": {}} for one in plan_ids}}
    archive.file_plans(plan_ids, archive.put(json.dumps(record).encode(), at), at)
    return body


def compare(archive: Archive, plan_id: str, planned: str, other: str, at: datetime) -> None:
    text = archive.put(f"text of {plan_id}".encode(), at)
    record = {"plan": text, "planned": planned, "others": [["other", other]], "missed": []}
    archive.file_plan(plan_id, archive.put(json.dumps(record).encode(), at), at)


def of_store(*ids: str) -> Callable[[Sequence[str]], Collection[str]]:
    return lambda asked: set(ids) & set(asked)


def readable(archive: Archive, plan_id: str) -> bool:
    """Whether each content that a replay of the plan reads is there."""
    record = json.loads(archive.get(archive.of_plan(plan_id)))
    for digest in json.loads(archive.get(record["files"])).values():
        archive.get(digest)
    return bool(archive.get(record["pack"]) and archive.get(json.loads(archive.get(record["heard"]))[0]["body"]))


def test_inputs_go_with_the_plans_that_the_store_removed(archive: Archive) -> None:
    gone = file(archive, [FIRST], "an hour's forecast", NOW)
    file(archive, [SECOND], "the next hour's", NOW + timedelta(hours=1))
    assert thin_archive(archive, of_store(SECOND), NOW + 3 * DAY) == 5  # plan, record, pack, list of answers, body
    assert archive.plans() == [SECOND]
    assert readable(archive, SECOND)
    with pytest.raises(StoreError, match="missing"):
        archive.get(gone)


def test_a_plan_keeps_what_was_filed_with_it(archive: Archive) -> None:
    file(archive, [FIRST, SECOND], "one road", NOW)
    assert thin_archive(archive, of_store(SECOND), NOW + 3 * DAY) == 1
    assert archive.plans() == [SECOND]
    assert readable(archive, SECOND)


def test_a_comparison_keeps_the_plans_it_was_made_from(archive: Archive) -> None:
    """The store has the joined plan only. The comparison is filed last, here more than an hour later."""
    file(archive, [FIRST, SECOND], "the road", NOW)
    file(archive, [WAY], "the other road", NOW)
    compare(archive, JOINED, FIRST, WAY, NOW + timedelta(hours=2))
    assert thin_archive(archive, of_store(JOINED), NOW + timedelta(hours=25)) == 1
    assert archive.plans() == [FIRST, WAY, JOINED]
    assert thin_archive(archive, of_store(JOINED), NOW + 3 * DAY) == 0
    assert readable(archive, FIRST)
    assert readable(archive, WAY)
    thin_archive(archive, of_store(), NOW + 3 * DAY)
    assert not [path for path in archive.folder.rglob("*") if path.is_file()]


def test_recent_plans_stay_whether_stored_or_not(archive: Archive) -> None:
    file(archive, [FIRST], "an hour's forecast", NOW)
    assert thin_archive(archive, of_store(), NOW) == 0
    assert thin_archive(archive, of_store(), NOW + DAY) == 0
    assert readable(archive, FIRST)


def test_old_contents_of_recent_plans_stay(archive: Archive) -> None:
    """The rig file was stored with the first plan, and each plan since then uses it."""
    file(archive, [FIRST], "an hour's forecast", NOW)
    file(archive, [SECOND], "days later", NOW + 5 * DAY)
    thin_archive(archive, of_store(), NOW + 5 * DAY)
    assert archive.plans() == [SECOND]
    assert readable(archive, SECOND)


def test_nothing_goes_while_a_kept_record_is_damaged(archive: Archive) -> None:
    file(archive, [FIRST], "an hour's forecast", NOW)
    file(archive, [SECOND], "the next hour's", NOW)
    digest = archive.of_plan(SECOND)
    (archive.folder / "contents" / digest[:2] / digest).write_bytes(b"not what was written")
    with pytest.raises(StoreError, match="damaged"):
        thin_archive(archive, of_store(SECOND), NOW + 3 * DAY)
    assert archive.plans() == [FIRST, SECOND]
    assert readable(archive, FIRST)
