"""Between cycles: each moment once, whatever the daemon does in between, and reports that stop reminders."""

import json
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from alertd.notices.model import Audience, NoticeKind
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.records.driver_reports import chains_on_by_trip, confirmed_notices, load_reports, save_report, truck_reports
from alertd.records.positions import MAX_REPORTS, save_position
from alertd.service.cycle import run_cycle
from alertd.service.scheduled_notices import ActiveTrip, send_scheduled
from alertd.settings.model import Settings
from alertd.sources.requests.driver_reports import parse_report
from alertd.sources.requests.positions import PositionRequest
from alertd.store.store import Store
from alertd.testing.clock import ManualClock
from alertd.testing.fake_open_meteo import FakeOpenMeteo

MINUTE = timedelta(minutes=1)


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
    return make_settings(forecasts=api.base_url)


async def say(standing: tuple[ActiveTrip, ...], store: Store, settings: Settings, now: datetime) -> tuple[str, ...]:
    return send_scheduled(standing, store, settings, now)


def chaining(standing: tuple[ActiveTrip, ...]) -> Plan:
    return next(s.plan for s in standing if s.plan.advice is Advice.CHAIN)


async def test_a_moment_is_said_once_and_after_a_restart_not_again(
    settings: Settings, store: Store, clock: ManualClock, open_planner: Callable
) -> None:
    async with open_planner(settings, clock) as planning:
        standing = (await run_cycle(planning, store, clock())).active
    plan = chaining(standing)
    now = plan.stretches[0].chain_up.arrive_at - 40 * MINUTE
    first = await say(standing, store, settings, now)
    output = [n for n in store.notices(plan.trip_id) if n.id in first and n.kind is NoticeKind.APPROACH]
    assert len(output) == 1, "one message per chain-up place, however many stretches share it"
    assert await say(standing, store, settings, now + MINUTE) == ()
    assert (
        await say(tuple(ActiveTrip(plan=s.plan, facts=s.facts) for s in standing), store, settings, now + 2 * MINUTE)
        == ()
    )


async def test_confirmation_stops_the_reminder_and_dispatcher_notice(
    settings: Settings, store: Store, clock: ManualClock, open_planner: Callable
) -> None:
    async with open_planner(settings, clock) as planning:
        standing = (await run_cycle(planning, store, clock())).active
    plan = chaining(standing)
    result = [n for n in store.notices(plan.trip_id) if n.audience is Audience.DRIVER]
    assert result, "the demo's driver is told of the plan"
    others = tuple(s for s in standing if s.plan.trip_id != plan.trip_id)
    only = tuple(s for s in standing if s.plan.trip_id == plan.trip_id)
    await say(others, store, settings, clock() + 40 * MINUTE)
    report = parse_report({"what": "read", "at": clock().isoformat(), "notice_id": result[-1].id}, "test")
    assert save_report(store, plan.trip_id, report) is True
    assert save_report(store, plan.trip_id, report) is False
    assert confirmed_notices(store, clock() + MINUTE) == {result[-1].id}
    await say(only, store, settings, clock() + 40 * MINUTE)
    assert NoticeKind.UNREAD not in {n.kind for n in store.notices(plan.trip_id)}


async def test_what_nobody_confirmed_comes_to_the_dispatcher(
    settings: Settings, store: Store, clock: ManualClock, open_planner: Callable
) -> None:
    async with open_planner(settings, clock) as planning:
        standing = (await run_cycle(planning, store, clock())).active
    plan = chaining(standing)
    await say(standing, store, settings, clock() + 31 * MINUTE)
    unread = [n for n in store.notices(plan.trip_id) if n.kind is NoticeKind.UNREAD]
    assert Audience.DISPATCHER in {n.audience for n in unread}


def test_the_newest_report_says_whether_chains_are_on(store: Store, morning: datetime) -> None:
    from alertd.store.rows import StoredTrip

    store.put_trip(StoredTrip(id="T", body="{}", created_at=morning))
    for minutes, what in ((0, "chains_on"), (50, "chains_off"), (90, "chains_on")):
        at = (morning + minutes * MINUTE).isoformat()
        save_report(store, "T", parse_report({"what": what, "at": at, "place": "Sled Flats"}, "test"))
    assert chains_on_by_trip(store, morning + 10 * MINUTE)["T"].on_at == morning
    assert chains_on_by_trip(store, morning + 60 * MINUTE)["T"].on_at is None
    assert chains_on_by_trip(store, morning + 100 * MINUTE)["T"].on_at == morning + 90 * MINUTE
    assert [r.what for r in load_reports(store, "T")] == ["chains_on", "chains_off", "chains_on"]


async def test_a_driver_gets_no_more_than_the_limit_whatever_calls(
    settings: Settings, store: Store, clock: ManualClock, open_planner: Callable
) -> None:
    async with open_planner(settings, clock) as planning:
        standing = (await run_cycle(planning, store, clock())).active
    now = clock()
    while now < clock() + timedelta(hours=8):
        await say(standing, store, settings, now)
        now += 5 * MINUTE
    for one in standing:
        at = [n.created_at for n in store.notices(one.plan.trip_id) if n.audience is Audience.DRIVER]
        for moment in at:
            in_the_hour = sum(moment <= other < moment + timedelta(hours=1) for other in at)
            assert in_the_hour <= settings.notices.driver_most_an_hour


async def test_a_report_knows_what_the_plan_of_its_time_asked_for(
    settings: Settings, store: Store, clock: ManualClock, open_planner: Callable
) -> None:
    async with open_planner(settings, clock) as planning:
        standing = (await run_cycle(planning, store, clock())).active
    plan = chaining(standing)
    stretch = next(s for s in plan.stretches if s.advice is Advice.CHAIN)
    at = clock() + MINUTE
    for place in (stretch.chain_up.name.upper(), "a yard that no plan names"):
        at += MINUTE
        row = {"what": "chains_on", "at": at.isoformat(), "place": place}
        save_report(store, plan.trip_id, parse_report(row, "test"))
    named, other = sorted(truck_reports(store, [plan.trip_id], at)[plan.trip_id], key=lambda r: r.at)
    assert named.tires == other.tires == plan.stretches[0].hanging.tires
    assert (named.place_m, other.place_m) == (pytest.approx(stretch.chain_up.distance_m, abs=1e-3), None)
    early = {"what": "chains_on", "at": (clock() - MINUTE).isoformat()}
    save_report(store, plan.trip_id, parse_report(early, "test"))
    assert min(truck_reports(store, [plan.trip_id], at)[plan.trip_id], key=lambda r: r.at).tires is None, (
        "no plan was made by then"
    )


async def test_an_arrival_by_position_is_kept_for_good(
    settings: Settings, store: Store, clock: ManualClock, open_planner: Callable
) -> None:
    """More positions than are looked at follow it; they do not undo it."""
    async with open_planner(settings, clock) as planning:
        plan = (await run_cycle(planning, store, clock())).plans[0]
        stored = store.trip(plan.trip_id)
        assert stored is not None
        route = await planning.route(json.loads(stored.body)["route"], "")
        leaves, ends = plan.depart_at, plan.depart_at + timedelta(hours=6)

        def seen(at: datetime, n: int) -> None:
            lat, lon = float(route.lat_deg[n]), float(route.lon_deg[n])
            save_position(store, plan.trip_id, PositionRequest(at=at.isoformat(), lat=lat, lon=lon))

        seen(leaves + timedelta(hours=2), route.distance_m.size // 2)
        seen(ends, -1)
        clock.advance(ends + MINUTE - clock())
        found = (await run_cycle(planning, store, clock())).plans
        assert next(p for p in found if p.trip_id == plan.trip_id).arrived_at == ends
        for n in range(MAX_REPORTS + 1):
            seen(ends + timedelta(hours=1) + n * MINUTE / 4, route.distance_m.size // 2)
        clock.advance(timedelta(hours=3))
        found = (await run_cycle(planning, store, clock())).plans
        assert next(p for p in found if p.trip_id == plan.trip_id).arrived_at == ends
