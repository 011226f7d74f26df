"""Every kind of event has one declaration with its codec and its retention, and old stores stay readable.

fixtures/store_events.json holds one event of each kind (two of posted controls) as alertd stored them before the
kinds were declared in one place: kinds, ids and texts must never change.
"""

import ast
import importlib
import json
import pkgutil
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

import alertd
from alertd.records.event_stream import EventStream, Retain
from alertd.records.streams import STREAMS
from alertd.service.retention import apply_retention
from alertd.settings.model import KeepDays
from alertd.store.rows import StoredEvent, StoredTrip
from alertd.store.store import Store

NOW = datetime(2027, 1, 14, 12, tzinfo=UTC)
ROWS = json.loads((Path(__file__).parents[2] / "fixtures" / "store_events.json").read_text(encoding="utf-8"))
EVENTS = [StoredEvent(at=NOW, **row) for row in ROWS]
KEEP = KeepDays(positions=10, plans=14, trips=60, reports=730)
PACKAGE = Path(alertd.__file__).parent


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "alertd.db") as opened:
        opened.put_trip(StoredTrip(id="T-1", body='{"id":"T-1"}', created_at=NOW))
        for event in EVENTS:
            opened.put_event(event)
        yield opened


def of_kind(kind: str) -> EventStream[object]:
    (stream,) = (s for s in STREAMS if s.kind == kind)
    return stream


@pytest.mark.parametrize("event", EVENTS, ids=lambda event: event.id)
def test_stored_events_are_read_and_written_alike(event: StoredEvent) -> None:
    stream = of_kind(event.kind)
    (read,) = stream.decode([event])
    assert stream.dump(read.value) == event.body
    assert stream.id_of(read.value, event.trip_id, event.at) == event.id


def test_the_declared_kinds_are_those_of_the_store() -> None:
    assert sorted(s.kind for s in STREAMS) == sorted({e.kind for e in EVENTS})


def test_every_declared_stream_is_in_the_list() -> None:
    """Retention iterates over the list, so a stream that is missing there would be forgotten."""
    modules = [m.name for m in pkgutil.walk_packages([str(PACKAGE)], "alertd.") if not m.name.endswith("__main__")]
    found = [
        value
        for name in modules
        if name.startswith(("alertd.records", "alertd.planning", "alertd.service", "alertd.web", "alertd.daemon"))
        for top in vars(importlib.import_module(name)).values()
        for value in (top.values() if isinstance(top, dict) else [top])
        if isinstance(value, EventStream)
    ]
    assert {id(s) for s in found} == {id(s) for s in STREAMS}


def test_events_are_written_by_streams_only() -> None:
    writers = set()
    for path in PACKAGE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and ast.unparse(node.func).rpartition(".")[2] in ("put_event", "StoredEvent"):
                writers.add(path.relative_to(PACKAGE).as_posix())
    assert writers == {"records/event_stream.py", "store/store.py"}


def test_each_kind_is_removed_after_its_days(store: Store) -> None:
    """A withdrawn closure is removed with its withdrawal; all other kinds are removed by age alone."""
    removed_after: dict[str, int] = {}
    for days in (9, 10, 11, 59, 60, 61, 729, 730, 731):
        apply_retention(store, KEEP, NOW + timedelta(days=days))
        gone = {e.id for e in EVENTS if store.event(e.id) is None}
        removed_after |= dict.fromkeys(gone - removed_after.keys(), days)
    limits = {Retain.POSITIONS: 11, Retain.TRIPS: 61, Retain.REPORTS: 731}
    assert removed_after == {e.id: limits[of_kind(e.kind).retain] for e in EVENTS}
    bulk = {s.kind for s in STREAMS if s.retain is Retain.POSITIONS}
    assert bulk == {"position", "observation", "alert", "signed_out"}
    assert [s.kind for s in STREAMS if s.retain is Retain.TRIPS] == ["dress", "brief_state", "file_trips"]


def test_kinds_of_other_versions_go_with_reports(store: Store) -> None:
    store.put_event(StoredEvent(id="odd", trip_id="", kind="of another version", at=NOW, body="?"))
    apply_retention(store, KEEP, NOW + timedelta(days=729))
    assert store.event("odd") is not None
    apply_retention(store, KEEP, NOW + timedelta(days=731))
    assert store.event("odd") is None


def test_unreadable_events_are_logged_and_skipped(store: Store, caplog: pytest.LogCaptureFixture) -> None:
    for n, body in enumerate(("{}", "not JSON", "[]", '{"control": {}}')):
        store.put_event(StoredEvent(id=f"bad{n}", trip_id="", kind="posted_control", at=NOW, body=body))
    assert len(of_kind("posted_control").load(store)) == 2
    assert [r.getMessage().partition(":")[0] for r in caplog.records] == ["posted_control event skipped"] * 4
