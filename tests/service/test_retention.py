"""Each kind of record goes after its days, and nothing that is still in force or on the road does."""

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from alertd.records.closures import active_closures, save_closure, withdraw
from alertd.service.cycle import FINISHED_AT_LATEST
from alertd.service.retention import apply_retention, finished_trips
from alertd.settings.model import KeepDays
from alertd.sources.requests.closures import parse_closure
from alertd.store.rows import PlanRecord, StoredEvent, StoredTrip
from alertd.store.store import Store

NOW = datetime(2027, 1, 14, 12, tzinfo=UTC)
KEEP = KeepDays(positions=14, plans=14, trips=60, reports=730)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "alertd.db") as opened:
        yield opened


def put_trip(store: Store, id_: str, leaves: datetime, *, posted: datetime) -> None:
    body = {"id": id_, "route": "r", "rig": "van", "depart": leaves.isoformat(), "driver": ""}
    store.put_trip(StoredTrip(id=id_, body=json.dumps(body), created_at=posted))


def days(n: float) -> datetime:
    return NOW - timedelta(days=n)


def test_trip_is_over_by_its_departure_and_not_its_posting_time(store: Store) -> None:
    put_trip(store, "far ahead", NOW + timedelta(days=1), posted=days(300))
    put_trip(store, "past", days(70), posted=days(70))
    put_trip(store, "just not", days(60) - FINISHED_AT_LATEST, posted=days(70))
    assert finished_trips(store, days(60)) == ["past"]
    store.put_trip(StoredTrip(id="unread", body='{"id":"unread"}', created_at=days(300)))
    apply_retention(store, KEEP, NOW)
    assert {t.id for t in store.trips()} == {"far ahead", "just not", "unread"}


def test_positions_go_before_what_happened_on_the_road(store: Store) -> None:
    put_trip(store, "t", days(70), posted=days(71))
    for n, (kind, age) in enumerate(
        [("position", 13), ("position", 15), ("chains_on", 15), ("chains_on", 729), ("chains_on", 731)]
    ):
        store.put_event(StoredEvent(id=f"e{n}", trip_id="t", kind=kind, at=days(age), body="{}"))
    assert apply_retention(store, KEEP, NOW) == 2
    assert [e.id for e in store.events("t", "position")] == ["e0"]
    assert [e.id for e in store.events("t", "chains_on")] == ["e3", "e2"]
    assert [t.id for t in store.trips()] == ["t"]  # what is kept is about it


def test_a_closed_road_stays_closed_however_old_the_word_of_it(store: Store) -> None:
    road = {"from": [47.45, -115.69], "to": [47.49, -115.92], "what": "slide", "source": "telephone"}
    for id_, ends_at in {"stands": None, "over": days(800).isoformat(), "back": None, "just": None}.items():
        row = road | {"id": id_, "begins_at": days(900).isoformat(), "ends_at": ends_at}
        save_closure(store, parse_closure(row, "test"), days(900))
    withdraw(store, "back", days(731))
    withdraw(store, "just", days(729))
    assert apply_retention(store, KEEP, NOW) == 3  # one that is over, one with its taking back
    assert [c.id for c in active_closures(store, NOW)] == ["stands"]
    assert store.event("closure_just") is not None


def test_hourly_plans_are_thinned_after_their_days(store: Store) -> None:
    put_trip(store, "t", days(1), posted=days(16))
    hours = [timedelta(hours=n) for n in reversed(range(15 * 24))]
    store.record_plans([PlanRecord(id=f"plan-{h}", trip_id="t", made_at=NOW - h, kept="{}") for h in hours], {})
    apply_retention(store, KEEP, NOW)
    left = [made_at for _, _, made_at in store.plans_made(days(20), NOW + timedelta(hours=1))]
    assert sum(at >= days(1) for at in left) == 24 + 1
    assert sum(at < days(1) for at in left) == 13 * 4  # one in six hours, for `alertd score`


def test_plans_at_departure_and_at_chain_reports_stay(store: Store) -> None:
    """What was in force when a truck left or was chained is evidence, though nobody was notified of it."""
    put_trip(store, "t", days(3), posted=days(4))
    hours = [timedelta(hours=n) for n in reversed(range(4 * 24))]
    store.record_plans([PlanRecord(id=f"plan-{h}", trip_id="t", made_at=NOW - h, kept="{}") for h in hours], {})
    hung_at = days(3) + timedelta(hours=3, minutes=20)
    store.put_event(StoredEvent(id="hung", trip_id="t", kind="chains_on", at=hung_at, body="{}"))
    apply_retention(store, KEEP, NOW)
    left = {made_at for _, _, made_at in store.plans_made(days(20), days(1))}
    assert {days(3), days(3) + timedelta(hours=3)} <= left
    assert days(3) + timedelta(hours=2) not in left
    assert len(left) == 3 * 4 + 2
