"""What is decided is kept once, whole or not at all."""

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

import pytest

from alertd.errors import StoreError
from alertd.notices.model import Audience, Notice
from alertd.store.rows import Slot, StoredEvent, StoredPlan, StoredTrip
from alertd.store.store import Store

FLEET = {Audience.FLEET: ["hook"]}


def test_same_trip_again_changes_nothing(store: Store, noon: datetime) -> None:
    again = StoredTrip(id="trip-1", body='{"rig":"van"}', created_at=noon + timedelta(hours=1))
    assert store.put_trip(again) is False
    assert store.trip("trip-1") == StoredTrip(id="trip-1", body='{"rig":"van"}', created_at=noon)


def test_other_trip_under_the_same_id_needs_an_explicit_replace(store: Store, noon: datetime) -> None:
    other = StoredTrip(id="trip-1", body='{"rig":"tank"}', created_at=noon)
    with pytest.raises(StoreError, match="trip trip-1 exists with different content"):
        store.put_trip(other)
    assert store.put_trip(other, replace=True) is True
    assert store.trip("trip-1") == other


def test_cancelled_trips_are_listed_only_when_asked_for(store: Store) -> None:
    assert store.cancel_trip("trip-1") is True
    assert [trip.id for trip in store.trips()] == ["trip-2"]
    assert [trip.id for trip in store.trips(cancelled_too=True)] == ["trip-1", "trip-2"]
    assert store.cancel_trip("no such trip") is False


def test_plan_notices_and_deliveries_are_kept_together(store: Store, noon: datetime, make_notice) -> None:
    notice = make_notice("chain at the summit lot", plan_id="plan-1")
    new = store.record_plan("plan-1", "trip-1", noon, '{"n":1}', [notice], {Audience.FLEET: ["a", "b", "a"]})
    assert new == (notice.id,)
    assert store.latest_plan("trip-1") == StoredPlan(id="plan-1", trip_id="trip-1", made_at=noon, body='{"n":1}')
    assert store.notices("trip-1") == [notice]
    assert [row.target for row in store.outbox.of_notice(notice.id)] == ["a", "b"]


def test_nothing_is_said_twice(store: Store, noon: datetime, make_notice: Callable[..., Notice]) -> None:
    notice = make_notice("chain")
    assert store.record_plan("plan-1", "trip-1", noon, "{}", [notice], FLEET) == (notice.id,)
    assert store.record_plan("plan-2", "trip-1", noon, "{}", [notice, notice], {Audience.FLEET: ["other"]}) == ()
    assert [row.target for row in store.outbox.of_notice(notice.id)] == ["hook"]


def test_a_failure_within_the_transaction_leaves_nothing(store: Store, noon: datetime, make_notice) -> None:
    """The second notice belongs to a trip that is not there: plan and first notice must go with it."""
    good, bad = make_notice("good"), make_notice("bad", trip_id="trip-9")
    with pytest.raises(StoreError, match=r"(?i)foreign key"):
        store.record_plan("plan-1", "trip-1", noon, "{}", [good, bad], FLEET)
    assert store.latest_plan("trip-1") is None
    assert store.notices("trip-1") == []
    assert store.outbox.due_channels(noon) == ()


def test_a_plan_never_changes(store: Store, noon: datetime) -> None:
    store.record_plan("plan-1", "trip-1", noon, '{"n":1}', [], {})
    assert store.record_plan("plan-1", "trip-1", noon, '{"n":1}', [], {}) == ()
    with pytest.raises(StoreError, match="plan plan-1 exists with different content"):
        store.record_plan("plan-1", "trip-1", noon, '{"n":2}', [], {})


def test_latest_plan_is_the_last_recorded(store: Store, noon: datetime) -> None:
    """A clock that was ahead by three years leaves a plan of the future, which must not hide the later ones."""
    ahead, later = noon + timedelta(days=1096), noon + timedelta(minutes=30)
    store.record_plan("plan-a", "trip-1", noon, "{}", [], FLEET)
    store.record_plan("plan-b", "trip-1", ahead, "{}", [], FLEET, settled=False)
    store.record_plan("plan-c", "trip-1", later, "{}", [], FLEET)
    latest = store.latest_plan("trip-1")
    assert latest is not None
    assert (latest.id, latest.made_at) == ("plan-c", later)
    assert [row[0] for row in store.plans_made(noon, ahead)] == ["plan-a", "plan-b", "plan-c"]


def test_clock_that_is_back_gives_no_old_plan_times(store: Store, noon: datetime) -> None:
    """By a doubted clock the new plan follows the newest, so that no record is taken for one of three years ago."""
    back = noon - timedelta(days=1096)
    store.record_plan("plan-a", "trip-1", noon, "{}", [], FLEET)
    store.record_plan("plan-b", "trip-1", back, "{}", [], FLEET, settled=False)
    latest = store.latest_plan("trip-1")
    assert latest is not None
    assert latest.id == "plan-b"
    assert store.plans_made(back, noon) == []


def test_one_brief_a_fleet_and_local_date(store: Store, noon: datetime, make_notice: Callable[..., Notice]) -> None:
    slot = Slot(kind="brief", fleet="north", local_date="2026-01-05")
    first, second = make_notice("brief", trip_id=""), make_notice("brief, told otherwise", trip_id="")
    assert not store.slot_filled(slot)
    assert store.record_notices([first], FLEET, noon, slot=slot) == (first.id,)
    assert store.slot_filled(slot)
    assert store.record_notices([second], FLEET, noon, slot=slot) == ()
    tomorrow = Slot(kind="brief", fleet="north", local_date="2026-01-06")
    assert store.record_notices([second], FLEET, noon, slot=tomorrow) == (second.id,)


def test_times_come_back_in_utc_whatever_zone_they_came_in(store: Store) -> None:
    mountain = datetime(2026, 1, 5, 5, 30, 0, 123456, tzinfo=timezone(timedelta(hours=-7)))
    store.put_trip(StoredTrip(id="trip-3", body="{}", created_at=mountain))
    kept = store.trip("trip-3")
    assert kept is not None
    assert kept.created_at == datetime(2026, 1, 5, 12, 30, 0, 123456, tzinfo=UTC)
    assert kept.created_at.utcoffset() == timedelta(0)


def test_body_leaves_byte_for_byte_as_it_came(store: Store, noon: datetime, make_notice) -> None:
    output = "Col de l’Iseran ❄ \\u2744  two spaces"
    notice = make_notice(output)
    store.record_notices([notice], FLEET, noon)
    [outgoing] = store.outbox.claim_due(noon, 10, 60, "me")
    assert outgoing.body == notice.body.encode()
    assert outgoing.text == output


def position(n: int, at: datetime, trip_id: str = "trip-1") -> StoredEvent:
    return StoredEvent(id=f"evt_{n}", trip_id=trip_id, kind="position", at=at, body=f'{{"n":{n}}}')


def test_report_is_stored_once_and_newest_return_oldest_first(store: Store, noon: datetime) -> None:
    kept = [position(n, noon + timedelta(minutes=minute)) for n, minute in ((1, 30), (2, 10), (3, 20))]
    assert [store.put_event(e) for e in (*kept, kept[0])] == [True, True, True, False]
    store.put_event(position(4, noon, "trip-2"))
    store.put_event(replace(kept[1], id="evt_5", kind="chains on"))
    assert store.events("trip-1", "position", 10) == [kept[1], kept[2], kept[0]]
    assert store.events("trip-1", "position", 2) == [kept[2], kept[0]]
    assert store.events("trip-9", "position", 10) == []
    of_none = replace(kept[1], id="evt_6", trip_id="", kind="closure")
    store.put_event(of_none)
    assert (store.events("", "closure"), store.events("", "position")) == ([of_none], [])
    assert (store.event("evt_6"), store.event("evt_7")) == (of_none, None)


def test_a_report_of_no_known_trip_is_refused(store: Store, noon: datetime) -> None:
    with pytest.raises(StoreError, match=r"(?i)foreign key"):
        store.put_event(position(1, noon, "trip-9"))


def test_a_report_is_there_when_the_store_is_opened_again(store: Store, noon: datetime) -> None:
    store.put_event(position(1, noon))
    with Store(store.place) as again:
        assert again.events("trip-1", "position", 10) == [position(1, noon)]


def test_trips_with_an_event_of_a_kind_are_found_together(store: Store, noon: datetime) -> None:
    for trip_id in ("A", "B", "C"):
        store.put_trip(StoredTrip(id=trip_id, body="{}", created_at=noon))
    for n, (trip_id, kind) in enumerate([("A", "position"), ("A", "position"), ("B", "chains"), ("", "position")]):
        store.put_event(StoredEvent(id=f"evt_{n}", trip_id=trip_id, kind=kind, at=noon, body="{}"))
    assert store.trip_events.trips_with("position") == {"A"}
    assert store.trip_events.trips_with("arrival") == frozenset()
