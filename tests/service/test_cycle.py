"""One cycle and the brief: what is said, said once, and kept when something fails."""

import json
import random
import shutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from alertd.daemon.channels import open_channels
from alertd.delivery.worker import DeliveryWorker
from alertd.notices.model import Audience, NoticeKind
from alertd.planning.planner import Planner
from alertd.planning.weather import WeatherSources
from alertd.records.positions import load_positions, save_position
from alertd.route.model import Route
from alertd.service.cycle import BRIEF_GRACE, brief_slot, due_trips, load_trip_file, run_cycle, send_brief
from alertd.settings.model import Settings
from alertd.settings.reference_data import ReferenceData
from alertd.sources.files.trips import TripRequest
from alertd.sources.requests.positions import PositionRequest
from alertd.store.rows import StoredEvent, StoredTrip
from alertd.store.store import Store
from alertd.testing.clock import ManualClock
from alertd.testing.fake_open_meteo import ApiFault, FakeOpenMeteo, FaultKind
from alertd.testing.weather.storm import Storm
from alertd.testing.webhook_receiver import ReceiverFault, WebhookReceiver

DENVER = ZoneInfo("America/Denver")
TRIPS = ("QT-1041", "QT-1042", "QT-1043", "QT-1044")
WORSE = Storm(warmer_k=-4.0, wetter=2.5)


@pytest.fixture
def clock(morning: datetime) -> ManualClock:
    return ManualClock(morning)


@pytest.fixture
def api(morning: datetime) -> Iterator[FakeOpenMeteo]:
    with FakeOpenMeteo(now_utc=morning) as server:
        yield server


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "alertd.db") as opened:
        yield opened


@pytest.fixture
def settings(make_settings: Callable[..., Settings], api: FakeOpenMeteo) -> Settings:
    """With every message alone and at once, so that one cycle has all of them."""
    made = make_settings(forecasts=api.base_url)
    at_once = replace(made.notices, before_rolling=timedelta(days=1), digest_every=timedelta(0))
    return replace(made, notices=at_once)


def kinds(store: Store, trip_id: str) -> list[NoticeKind]:
    return [notice.kind for notice in store.notices(trip_id)]


async def test_cycle_plans_every_trip_of_the_file_and_notifies_once(
    settings: Settings, store: Store, clock: ManualClock, open_planner: Callable
) -> None:
    async with open_planner(settings, clock) as planning:
        first = await run_cycle(planning, store, clock())
        clock.advance(timedelta(minutes=5))
        second = await run_cycle(planning, store, clock())
    assert tuple(p.trip_id for p in first.plans) == TRIPS
    assert len(first.new_notices) == len(set(first.new_notices)) > len(TRIPS)
    assert second.new_notices == ()
    for trip in TRIPS:
        assert set(kinds(store, trip)) == {NoticeKind.PLAN}
        assert {n.audience for n in store.notices(trip)} == set(Audience)


async def test_a_worse_storm_is_said_as_worse_and_only_once(
    settings: Settings, store: Store, clock: ManualClock, api: FakeOpenMeteo, open_planner: Callable
) -> None:
    async with open_planner(settings, clock) as planning:
        await run_cycle(planning, store, clock())
        clock.advance(timedelta(minutes=61))  # past the hour for which the forecast counts as fresh
        api.now_utc, api.storm = clock(), WORSE
        worse = await run_cycle(planning, store, clock())
        again = await run_cycle(planning, store, clock())
    assert worse.new_notices
    assert again.new_notices == ()
    assert any(NoticeKind.WORSE in kinds(store, trip) for trip in TRIPS)


async def test_a_late_delivery_is_sent_to_the_fleet_once(
    settings: Settings, store: Store, clock: ManualClock, open_planner: Callable, morning: datetime
) -> None:
    leaves, due = (morning + timedelta(hours=h) for h in (2.0, 2.5))
    body = {"id": "T-9", "route": "i90-west", "rig": "quillback-17", "depart": leaves.isoformat()}
    body["deliver_by"] = due.isoformat()
    store.put_trip(StoredTrip(id="T-9", body=json.dumps(body), created_at=clock()))
    async with open_planner(replace(settings, trips=None), clock) as planning:
        for _ in range(3):
            await run_cycle(planning, store, clock())
            clock.advance(timedelta(minutes=5))
    events = [n for n in store.notices("T-9") if json.loads(n.body)["type"] == "trip.delivery"]
    assert [json.loads(n.body)["data"]["status"] for n in events] == ["late"]
    assert [n.audience for n in events] == [Audience.FLEET]
    assert json.loads(events[0].body)["data"]["delivery"]["closes_at"] == due.strftime("%Y-%m-%dT%H:%M:%SZ")


async def test_no_relief_on_a_forecast_that_could_not_be_refreshed(
    settings: Settings, store: Store, clock: ManualClock, api: FakeOpenMeteo, open_planner: Callable
) -> None:
    async with open_planner(settings, clock) as planning:
        await run_cycle(planning, store, clock())
        clock.advance(timedelta(minutes=61))
        api.set_fault(ApiFault(kind=FaultKind.DOWN))
        await run_cycle(planning, store, clock())
    assert all(NoticeKind.EASED not in kinds(store, trip) for trip in TRIPS)


async def test_broken_trips_file_loses_no_trip_and_is_in_the_brief(
    settings: Settings, store: Store, clock: ManualClock, open_planner: Callable, tmp_path: Path
) -> None:
    trips = tmp_path / "trips.csv"
    shutil.copy(str(settings.trips), trips)
    settings = replace(settings, trips=trips)
    async with open_planner(settings, clock) as planning:
        await run_cycle(planning, store, clock())
        trips.write_text("id,route\nQT-9,i90-west\n", encoding="utf-8")
        outcome = await run_cycle(planning, store, clock())
        slot = brief_slot(clock(), planning)
        assert slot is not None
        await send_brief(planning, store, clock(), slot)
    assert tuple(p.trip_id for p in outcome.plans) == TRIPS
    brief = sent_briefs(store, clock())[0]
    assert "trips.csv: trips.csv: rig: this column is missing" in " ".join(brief.split())


async def test_unplannable_trip_is_be_ready_to_the_office_once_a_day(
    settings: Settings, store: Store, clock: ManualClock, open_planner: Callable
) -> None:
    body = json.dumps({"id": "T-9", "route": "gone", "rig": "quillback-17", "depart": "2027-01-14T05:00:00-07:00"})
    store.put_trip(StoredTrip(id="T-9", body=body, created_at=clock()))
    async with open_planner(replace(settings, trips=None), clock) as planning:
        outcomes = [await run_cycle(planning, store, clock()) for _ in range(2)]
    assert [len(o.new_notices) for o in outcomes] == [2, 0]
    by_audience = {n.audience: n for n in store.notices("T-9")}
    assert len(store.notices("T-9")) == 2
    assert {n.kind for n in by_audience.values()} == {NoticeKind.DATA}
    office, driver = by_audience[Audience.DISPATCHER], by_audience[Audience.DRIVER]
    assert "should be ready to chain" in office.text
    assert '"gone" is not in' in office.text
    # The driver is told as well, within 12 h of departure.
    assert "no plan could be made for trip T-9" in driver.text


async def test_unreadable_stored_trip_is_reported_and_costs_no_other(
    settings: Settings, store: Store, clock: ManualClock, open_planner: Callable, caplog: pytest.LogCaptureFixture
) -> None:
    store.put_trip(StoredTrip(id="old", body='{"id":"old","pass":"x"}', created_at=clock()))
    async with open_planner(settings, clock) as planning:
        outcome = await run_cycle(planning, store, clock())
    assert tuple(p.trip_id for p in outcome.plans) == TRIPS
    assert [r.getMessage() for r in caplog.records if "trip old" in r.getMessage()] == [
        "not planned: trip old: pass: unknown key; known keys are id, route, rig, depart, driver, dispatcher, "
        "language, drive_hours_used, driven_since_break_h, on_duty_since, cycle_hours_used, cycle_limit_h, "
        "week_drive_hours_used, fortnight_drive_hours_used, short_rests_used, long_days_used, weekly_rest_ended, "
        "weekly_rest_reduced, deliver_from, deliver_by, routes, stops"
    ]


async def test_cancelled_trip_stays_cancelled_though_still_in_the_file(
    settings: Settings, store: Store, clock: ManualClock, open_planner: Callable
) -> None:
    async with open_planner(settings, clock) as planning:
        await run_cycle(planning, store, clock())
        store.cancel_trip("QT-1042")
        outcome = await run_cycle(planning, store, clock())
    assert tuple(p.trip_id for p in outcome.plans) == ("QT-1041", "QT-1043", "QT-1044")


async def test_receiver_outage_delays_notices_with_same_ids_and_bytes(
    settings: Settings, store: Store, clock: ManualClock, open_planner: Callable
) -> None:
    with WebhookReceiver(settings.channels[0].secret("secret_file"), clock=clock) as receiver:
        settings = replace(settings, channels=tuple(c.with_keys(url=receiver.url) for c in settings.channels))
        async with open_planner(settings, clock) as planning, open_channels(settings) as ways_out:
            await run_cycle(planning, store, clock())
            dispatcher = DeliveryWorker(store.outbox, ways_out, owner="test", rng=random.Random(1))
            decided = {n.id: n.body.encode() for trip in TRIPS for n in store.notices(trip)}
            receiver.set_fault(ReceiverFault(status=503))
            await dispatcher.deliver_due(clock())
            assert receiver.received == []
            health = store.outbox.health(clock())
            assert (health.waiting_n, health.done_n, health.parked_n) == (len(decided), 0, 0)
            receiver.set_fault(None)
            for _ in range(20):
                clock.advance(timedelta(seconds=30))
                await dispatcher.deliver_due(clock())
            assert {r.id: r.body for r in receiver.received} == decided
            assert len(receiver.received) == len(decided)
            assert receiver.refused == []
            assert store.outbox.health(clock()).waiting_n == 0


# The brief


def sent_briefs(store: Store, now: datetime) -> list[str]:
    due = store.outbox.claim_due(now, limit=1000, lease_s=1.0, owner="test")
    return [outgoing.text for outgoing in due if outgoing.kind == "brief"]


@pytest.fixture
def brief_planner(make_settings: Callable[..., Settings], ground: ReferenceData) -> Callable[..., Planner]:
    """A planner that has no source and no trips: for the brief's hour alone."""

    def make(at: time, zone: str = "America/Denver") -> Planner:
        settings = make_settings(brief_at=at, brief_zone=zone, trips=None)
        return Planner(settings, ground, WeatherSources(providers=[], members=5, seed=1, stale_h=6.0), [])

    return make


async def test_the_brief_of_one_local_date_is_sent_once(
    settings: Settings, store: Store, clock: ManualClock, open_planner: Callable
) -> None:
    async with open_planner(settings, clock) as planning:
        slot = brief_slot(clock(), planning)
        assert slot is not None
        sent = [await send_brief(planning, store, clock(), slot) for _ in range(2)]
        clock.advance(timedelta(minutes=30))
        assert brief_slot(clock(), planning) == slot
        sent.append(await send_brief(planning, store, clock(), slot))
    assert [len(ids) for ids in sent] == [1, 0, 0]
    (text,) = sent_briefs(store, clock())
    assert "4 trips" in text
    assert "Posted signs and officers decide" in text


# Clock changes of America/Denver: forward on 14 March 2027 at 02:00, back on 1 November 2026 at 02:00 (tz database).
@pytest.mark.parametrize("changes", [date(2027, 3, 14), date(2026, 11, 1)], ids=["spring", "autumn"])
@pytest.mark.parametrize("at", [time(4, 30), time(2, 30), time(1, 30), time(0, 0), time(23, 45)], ids=str)
async def test_clock_change_gives_each_local_date_exactly_one_brief(
    changes: date, at: time, brief_planner: Callable[..., Planner], store: Store
) -> None:
    planning = brief_planner(at)
    now = datetime.combine(changes - timedelta(days=2), time(20), UTC)  # past the grace of each of these hours
    clock, sent = ManualClock(now), {}
    while clock() < now + timedelta(days=5):
        slot = brief_slot(clock(), planning)
        if slot is not None and await send_brief(planning, store, clock(), slot):
            assert slot.local_date not in sent
            sent[slot.local_date] = clock()
        clock.advance(timedelta(minutes=15))
    days = [min(map(date.fromisoformat, sent)) + timedelta(days=n) for n in range(5)]
    assert list(map(date.fromisoformat, sent)) == days
    assert changes in days
    for day, when in sent.items():
        local = when.astimezone(DENVER)
        skipped = at == time(2, 30) and date.fromisoformat(day) == date(2027, 3, 14)
        assert local.time() == (time(3) if skipped else at)
        assert local.date().isoformat() == day
        assert local.fold == 0


@pytest.mark.parametrize("at", [time(4, 30), time(23, 30)], ids=["morning", "late evening"])
def test_late_start_sends_within_the_grace_and_not_after(at: time, brief_planner: Callable[..., Planner]) -> None:
    planning = brief_planner(at)
    due = datetime(2027, 1, 14, at.hour, at.minute, tzinfo=DENVER).astimezone(UTC)
    minute = timedelta(minutes=1)
    asked = {
        when: None if slot is None else slot.local_date
        for when in (due - minute, due, due + BRIEF_GRACE - minute, due + BRIEF_GRACE)
        for slot in [brief_slot(when, planning)]
    }
    assert list(asked.values()) == [None, "2027-01-14", "2027-01-14", None]


# Trucks under way


def seen_at(store: Store, trip_id: str, route: Route, distance_m: float, at: datetime, north_deg: float = 0.0) -> None:
    """Report a truck of the demo at this distance along its route."""
    lat, lon = (float(np.interp(distance_m, route.distance_m, v)) for v in (route.lat_deg, route.lon_deg))
    save_position(store, trip_id, PositionRequest(at=at.isoformat(), lat=lat + north_deg, lon=lon))


async def test_truck_under_way_is_planned_from_its_place(
    settings: Settings, store: Store, clock: ManualClock, open_planner: Callable, i90_west: Route
) -> None:
    """QT-1041 leaves at 11:45 UTC; past Lookout Pass at 16:00 it has Fourth of July Pass ahead of it alone."""
    async with open_planner(settings, clock) as planning:
        first = await run_cycle(planning, store, clock())
        before = next(p for p in first.plans if p.trip_id == "QT-1041")
        lookout, fourth = before.stretches
        seen = lookout.end_m + 10e3
        clock.advance(timedelta(hours=6))
        seen_at(store, "QT-1041", i90_west, seen, clock() - timedelta(minutes=30))
        second = await run_cycle(planning, store, clock())
    plan = next(p for p in second.plans if p.trip_id == "QT-1041")
    assert plan.position is not None
    assert plan.position.distance_m == pytest.approx(seen, abs=100.0)
    assert [s.place for s in plan.stretches] == [fourth.place]
    # The clock runs from the report, 30 min behind the first plan. That has no chains on there either.
    seen_at_utc = datetime(2027, 1, 14, 16, tzinfo=UTC)
    first_passed = next(x.arrive_at for x in before.along.points if x.distance_m >= seen)
    assert plan.along.points[0].arrive_at == seen_at_utc > first_passed + timedelta(minutes=25)
    assert plan.stretches[0].enter_at >= seen_at_utc
    rest, first_rest = plan.arrive_at - seen_at_utc, before.arrive_at - first_passed
    assert rest > timedelta(hours=1)
    assert abs(rest - first_rest) < timedelta(minutes=5)
    assert not [n for n in store.notices("QT-1041") if n.kind is NoticeKind.EASED or "EASED" in n.text]


async def test_truck_seen_off_its_route_is_planned_with_a_caution(
    settings: Settings, store: Store, clock: ManualClock, open_planner: Callable, i90_west: Route
) -> None:
    async with open_planner(settings, clock) as planning:
        load_trip_file(planning, store, clock())
        clock.advance(timedelta(hours=2))
        seen_at(store, "QT-1041", i90_west, 30e3, clock(), north_deg=0.1)
        outcome = await run_cycle(planning, store, clock())
    plan = next(p for p in outcome.plans if p.trip_id == "QT-1041")
    assert plan.position is None
    assert plan.depart_at == datetime(2027, 1, 14, 11, 45, tzinfo=UTC)
    assert "mi off the route at " in plan.cautions[0]


async def test_trip_a_day_past_departure_ends_unless_truck_reports(
    store: Store, clock: ManualClock, i90_west: Route
) -> None:
    row = {"route": "i90-west", "rig": "quillback-17", "depart": clock().isoformat()}
    for id_ in ("T-1", "T-2"):
        store.put_trip(StoredTrip(id=id_, body=json.dumps(row | {"id": id_}), created_at=clock()))
    clock.advance(timedelta(hours=30))
    seen_at(store, "T-2", i90_west, 200e3, clock() - timedelta(hours=1))
    assert [t.id for t in due_trips(store, clock(), timedelta(hours=36))] == ["T-2"]
    clock.advance(timedelta(hours=6))
    assert due_trips(store, clock(), timedelta(hours=36)) == []


def test_only_a_trip_that_was_stored_again_is_parsed_again(
    store: Store, clock: ManualClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    row = {"route": "i90-west", "rig": "quillback-17", "depart": clock().isoformat()}
    for id_ in ("T-1", "T-2"):
        store.put_trip(StoredTrip(id=id_, body=json.dumps(row | {"id": id_}), created_at=clock()))
    parsed: dict[str, tuple[str, TripRequest]] = {}

    def due() -> dict[str, TripRequest]:
        return {t.id: t for t in due_trips(store, clock(), timedelta(hours=36), parsed=parsed)}

    first = due()
    assert due()["T-1"] is first["T-1"]
    changed = json.dumps(row | {"id": "T-1", "driver": "Another"})
    store.put_trip(StoredTrip(id="T-1", body=changed, created_at=clock()), replace=True)
    second = due()
    assert (first["T-1"].driver, second["T-1"].driver) == ("", "Another")
    assert second["T-2"] is first["T-2"]
    store.cancel_trip("T-1")
    assert list(due()) == list(parsed) == ["T-2"]


async def test_unreadable_stored_position_is_ignored_and_reported(
    store: Store, clock: ManualClock, i90_west: Route, caplog: pytest.LogCaptureFixture
) -> None:
    store.put_trip(StoredTrip(id="T-1", body="{}", created_at=clock()))
    store.put_event(StoredEvent(id="evt_1", trip_id="T-1", kind="position", at=clock(), body='{"lat":1}'))
    seen_at(store, "T-1", i90_west, 10e3, clock())
    assert len(load_positions(store, "T-1")) == 1
    assert "event evt_1: at: missing" in caplog.text
