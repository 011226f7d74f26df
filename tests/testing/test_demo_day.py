"""The demo's day to its end, on a clock that is moved: every truck arrives, and chains that are on count."""

import asyncio
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import pytest

from alertd.notices.model import Audience, Notice, NoticeKind
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.planning.planner import create_planner
from alertd.route.model import Route
from alertd.service.cycle import run_cycle
from alertd.service.scheduled_notices import ActiveTrip, send_scheduled
from alertd.settings.model import Settings
from alertd.settings.read import read_settings
from alertd.sources.files.trips import read_trips
from alertd.store.store import Store
from alertd.testing.clock import ManualClock
from alertd.testing.fake_open_meteo import FakeOpenMeteo
from alertd.testing.trucks import Trucks

pytestmark = pytest.mark.slow  # 14 hours in steps of 3 minutes
DEMO = Path(__file__).resolve().parents[2] / "fixtures" / "demo"
BEGINS = datetime(2027, 1, 14, 11, 40, tzinfo=UTC)
LASTS = timedelta(hours=14)
STEP = timedelta(minutes=3)  # trucks report as often
EVERY = timedelta(minutes=30)  # a third as often as the daemon plans, so that the test is short
ASKS_TO_HANG = ("PLAN TO CHAIN", "CHAIN UP at", "BE READY TO CHAIN at", "LOOK FOR SIGNS")


@dataclass
class Day:
    """What came of it: the plans of each trip in their order, the notices, and the reports of chains by trip."""

    plans: dict[str, list[Plan]] = field(default_factory=dict)
    notices: dict[str, list[Notice]] = field(default_factory=dict)
    on: dict[str, list[datetime]] = field(default_factory=dict)
    off: dict[str, list[datetime]] = field(default_factory=dict)

    def was_on(self, trip_id: str, at: datetime) -> bool:
        """Whether chains were reported on at a moment, and the daemon had time to hear of it."""
        ons = [t for t in self.on[trip_id] if t + EVERY <= at]
        return bool(ons) and not any(ons[-1] <= t <= at for t in self.off[trip_id])


async def lived(settings: Settings, sky: FakeOpenMeteo, store: Store, clock: ManualClock) -> Day:
    """What the served demo does with its fast clock, in steps."""
    day, trucks, ends = Day(), Trucks(store), clock() + LASTS
    names = {trip.id: trip.route for trip in read_trips(DEMO / "trips.csv")}
    async with create_planner(settings, clock) as planning:
        routes: dict[str, Route] = {id_: await planning.route(name, id_) for id_, name in names.items()}
        standing: tuple[ActiveTrip, ...] = ()
        while clock() < ends and not (day.plans and all(plans[-1].arrived_at for plans in day.plans.values())):
            sky.now_utc = clock()
            if (clock() - BEGINS) % EVERY == timedelta(0):
                outcome = await run_cycle(planning, store, clock())
                assert outcome.not_planned == ()
                standing = outcome.active
                for plan in outcome.plans:
                    day.plans.setdefault(plan.trip_id, []).append(plan)
            send_scheduled(standing, store, settings, clock())
            for trip_id, route in routes.items():
                trucks.move(trip_id, route, clock())
            clock.advance(STEP)
    for trip_id in day.plans:
        day.notices[trip_id] = [n for n in store.notices(trip_id) if n.audience is not Audience.FLEET]
        day.on[trip_id] = [e.at for e in store.events(trip_id, "chains_on")]
        day.off[trip_id] = [e.at for e in store.events(trip_id, "chains_off")]
    return day


@pytest.fixture(scope="module")
def settings(tmp_path_factory: pytest.TempPathFactory) -> Settings:
    """The demo's, with few members and no comparison of departures, so that a plan takes little time."""
    folder = tmp_path_factory.mktemp("day")
    read = read_settings(DEMO / "alertd.toml")
    return replace(
        read,
        forecast=replace(read.forecast, members=5),
        plan=replace(read.plan, compare_h=0.0),
        store=folder / "alertd.db",
        cache=folder / "http",
        archive=None,
    )


@pytest.fixture(scope="module")
def day(settings: Settings) -> Day:
    with FakeOpenMeteo(now_utc=BEGINS) as sky, Store(settings.store) as store:
        served = replace(settings, forecast=settings.forecast.with_keys(open_meteo_url=sky.base_url))
        return asyncio.run(lived(served, sky, store, ManualClock(BEGINS)))


def test_every_truck_arrives_or_is_told_to_hold(day: Day) -> None:
    """Within an hour of the window of the first plan, plus the time for chains that it only had them be ready for."""
    assert sorted(day.plans) == ["QT-1041", "QT-1042", "QT-1043", "QT-1044"]
    for trip_id, plans in day.plans.items():
        first, last = plans[0], plans[-1]
        if last.arrived_at is None:
            output = [n for n in day.notices[trip_id] if n.text.find("HOLD at") >= 0]
            assert last.advice is Advice.HOLD, trip_id
            assert output, trip_id
            continue
        maybe_s = sum(s.hang_s + s.remove_s + s.slow_s for s in first.stretches if s.advice is Advice.READY)
        assert last.arrived_at >= first.arrive_early, trip_id
        assert last.arrived_at <= first.arrive_late + timedelta(hours=1, seconds=maybe_s), trip_id
    assert sum(plans[-1].arrived_at is not None for plans in day.plans.values()) >= 3


def test_no_message_asks_to_hang_chains_that_are_on(day: Day) -> None:
    """A hold ahead, its relief, wind or poor sight, or the order to stay chained may come at any time."""
    for trip_id, notices in day.notices.items():
        assert day.on[trip_id], trip_id
        while_on = [n for n in notices if day.was_on(trip_id, n.created_at)]
        asks = [n.text for n in while_on if any(words in n.text for words in ASKS_TO_HANG)]
        assert asks == [], trip_id
        may_come = ("HOLD", "STAY CHAINED", "STRONG GUSTS", "POOR SIGHT")
        others = [n for n in while_on if not any(words in n.text for words in may_come)]
        assert {n.kind for n in others} <= {NoticeKind.RECHECK, NoticeKind.OFF}, [n.text for n in others]
        assert any(n.kind is NoticeKind.OFF and n.created_at >= day.on[trip_id][0] for n in notices), trip_id


def test_each_hanging_is_reported_once_and_taken_off(day: Day) -> None:
    for trip_id in day.plans:
        assert len(day.on[trip_id]) == len(day.off[trip_id]) <= 2, trip_id
        for on, off in zip(day.on[trip_id], day.off[trip_id], strict=True):
            assert timedelta(0) < off - on < timedelta(hours=3), trip_id


def test_no_truck_goes_back_and_no_arrival_is_undone(day: Day) -> None:
    for trip_id, plans in day.plans.items():
        at_m = [0.0 if p.position is None else p.position.distance_m for p in plans]
        assert at_m == sorted(at_m), trip_id
        arrived = [p.arrived_at for p in plans if p.arrived_at is not None]
        assert len(set(arrived)) <= 1, trip_id
        assert all(p.arrived_at is not None for p in plans[len(plans) - len(arrived) :]), trip_id


def test_a_chained_truck_keeps_its_arrival_from_plan_to_plan(day: Day) -> None:
    """Between two plans with chains on the arrival moves by minutes, not by another hanging of 30 minutes or more."""
    for trip_id, plans in day.plans.items():
        pairs = [(a, b) for a, b in pairwise(plans) if a.chains is not None and b.chains is not None]
        for before, after in pairs:
            if before.chains is not None and after.chains is not None and before.chains.off == after.chains.off:
                assert abs(after.arrive_at - before.arrive_at) < timedelta(minutes=25), trip_id
            assert all(s.hang_s == 0.0 for s in after.stretches if s.chained), trip_id
