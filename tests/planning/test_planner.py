"""What a plan says when its forecast is missing, late, wrong or old: never that the road is clear."""

import asyncio
import json
from collections.abc import AsyncGenerator, Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from io import StringIO
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

from alertd.cli.plan import show_plan
from alertd.errors import SourceDown
from alertd.forecast.model import Forecast
from alertd.forecast.provider import ForecastRequest
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.planning.corridors.job import NotPlanned, PlannedTrips, RouteJob
from alertd.planning.planner import Planner
from alertd.planning.replays.replay_archive import ReplayWriter
from alertd.planning.weather import WeatherSources
from alertd.route.model import Route
from alertd.route.speed_limits import PostedLimit
from alertd.settings.model import Settings
from alertd.settings.reference_data import ReferenceData, load_reference_data, load_route
from alertd.sources.files.trips import TripRequest
from alertd.store.archive import Archive
from alertd.testing.clock import ManualClock
from alertd.testing.fake_open_meteo import ApiFault, FakeOpenMeteo, FaultKind
from alertd.testing.weather.storm import Storm

FINE = Storm(warmer_k=15.0, wetter=0.0)  # a mild dry day, on which a fault alone can raise the advice
TRIP = TripRequest(id="T-1", route="i90-west", rig="quillback-17", depart="2027-01-14T04:45:00-07:00")


def shown(plan: Plan) -> str:
    out = StringIO()
    show_plan(plan, Console(file=out, width=100, markup=False, emoji=False))
    return out.getvalue()


@pytest.fixture
def plan_on(open_planner: Callable, make_settings: Callable[..., Settings], i90_west: Route) -> Callable:
    async def plan(api: FakeOpenMeteo, clock: ManualClock, deadline_s: float = 20.0) -> Plan:
        async with open_planner(make_settings(forecasts=api.base_url), clock, deadline_s=deadline_s) as planning:
            made = (await planning.plan_trips(await planning.prepare(i90_west, [TRIP], clock()))).outcomes["T-1"]
        assert isinstance(made, Plan)
        return made

    return plan


async def test_listed_bridge_is_on_the_route_and_unknown_without_data(
    open_planner: Callable,
    make_settings: Callable[..., Settings],
    ground: ReferenceData,
    i90_west: Route,
    demo: Path,
    morning: datetime,
    tmp_path: Path,
) -> None:
    bridges = tmp_path / "bridges.geojson"
    ends = [[float(i90_west.lon_deg[k]), float(i90_west.lat_deg[k])] for k in (400, 401)]
    features = [{"type": "Feature", "properties": None, "geometry": {"type": "LineString", "coordinates": ends}}]
    bridges.write_text(json.dumps({"type": "FeatureCollection", "features": features}), encoding="utf-8")
    settings = make_settings()
    listed = load_reference_data(replace(settings.places, bridges=bridges)).bridges
    route = await load_route(demo / "i90-west.gpx", replace(ground, bridges=listed), [])
    (span,) = route.bridges
    assert (span.start_m, span.end_m) == pytest.approx(tuple(i90_west.distance_m[400:402]), abs=20.0)
    with FakeOpenMeteo(now_utc=morning, storm=FINE) as api:
        for fault, partial, advice in ((None, False, Advice.CLEAR), (FaultKind.DOWN, True, Advice.READY)):
            if fault is not None:
                api.set_fault(ApiFault(kind=fault))
            cache = tmp_path / f"{fault}"
            apart = replace(make_settings(forecasts=api.base_url), cache=cache)
            async with open_planner(apart, ManualClock(morning)) as planning:
                plan = (await planning.plan_trips(await planning.prepare(route, [TRIP], morning))).outcomes["T-1"]
            assert isinstance(plan, Plan)
            assert (plan.partial, plan.advice, plan.bridges) == (partial, advice, ())


async def test_mild_dry_day_with_a_sound_forecast_is_clear(plan_on: Callable, morning: datetime) -> None:
    with FakeOpenMeteo(now_utc=morning, storm=FINE) as api:
        plan = await plan_on(api, ManualClock(morning))
    assert (plan.advice, plan.partial) == (Advice.CLEAR, False)
    assert "NO WINTER ROAD EXPECTED" in shown(plan)


async def test_unrequested_units_are_converted_by_their_labels(plan_on: Callable, morning: datetime) -> None:
    with FakeOpenMeteo(now_utc=morning, storm=FINE) as api:
        api.set_fault(ApiFault(kind=FaultKind.WRONG_UNITS))
        plan = await plan_on(api, ManualClock(morning))
    assert (plan.advice, plan.partial) == (Advice.CLEAR, False)


@pytest.mark.parametrize(
    ("fault", "reason"),
    [
        (ApiFault(kind=FaultKind.DOWN), "open-meteo: no forecast ("),
        (ApiFault(kind=FaultKind.SLOW), "no whole answer within 0.5 s"),
        (ApiFault(kind=FaultKind.GARBLED), "open-meteo: no forecast ("),
        (ApiFault(kind=FaultKind.HTML), "answered text/html where json was asked"),
        (ApiFault(kind=FaultKind.TRUNCATED), "open-meteo: no forecast ("),
        (ApiFault(kind=FaultKind.BROKEN_STREAM), "open-meteo: no forecast ("),
        (ApiFault(kind=FaultKind.LIMIT_MINUTE), "limit exceeded"),
        (ApiFault(kind=FaultKind.LIMIT_DAY), "limit exceeded"),
        (ApiFault(kind=FaultKind.OVERLOADED), "open-meteo: no forecast ("),
        (
            ApiFault(kind=FaultKind.NULLS, cells=frozenset(range(1000))),
            "its answer is doubted: it has no hour ahead with a temperature and precipitation",
        ),
    ],
    ids=lambda value: value.kind.name if isinstance(value, ApiFault) else "",
)
async def test_no_usable_answer_is_be_ready_with_source_and_reason(
    fault: ApiFault, reason: str, plan_on: Callable, morning: datetime
) -> None:
    with FakeOpenMeteo(now_utc=morning, storm=FINE) as api:
        api.set_fault(fault)
        plan = await plan_on(api, ManualClock(morning), 0.5 if fault.kind is FaultKind.SLOW else 20.0)
    text = shown(plan)
    assert plan.partial
    assert plan.advice is not Advice.CLEAR
    assert {s.place for s in plan.stretches} == {"Lookout Pass", "Fourth of July Pass"}  # both climbs of this road
    assert any(reason in caution for caution in plan.cautions), plan.cautions
    assert any("be ready to chain" in caution for caution in plan.cautions)
    assert "NO WINTER ROAD" not in text
    assert "CHAIN" in text


@pytest.mark.parametrize(
    "fault", [ApiFault(kind=FaultKind.NULLS), ApiFault(kind=FaultKind.STALE, stale_h=60)], ids=["nulls", "stale"]
)
async def test_missing_part_of_the_forecast_is_be_ready_there(
    fault: ApiFault, plan_on: Callable, morning: datetime
) -> None:
    with FakeOpenMeteo(now_utc=morning, storm=FINE) as api:
        api.set_fault(fault)
        plan = await plan_on(api, ManualClock(morning))
    assert plan.partial
    assert plan.advice is not Advice.CLEAR
    assert any("open-meteo: " in caution for caution in plan.cautions), plan.cautions
    assert any("Road not known for" in caution for caution in plan.cautions), plan.cautions


@pytest.mark.parametrize("stale_h", [12, 36, 48])
async def test_hours_behind_the_clock_are_old_though_just_received(
    stale_h: int, plan_on: Callable, morning: datetime
) -> None:
    """Trap 9 of the source notes: a cache on the way handed out an answer 88 h old with fresh headers."""
    with FakeOpenMeteo(now_utc=morning, storm=FINE) as api:
        api.set_fault(ApiFault(kind=FaultKind.STALE, stale_h=stale_h))
        plan = await plan_on(api, ManualClock(morning))
    assert plan.partial
    assert plan.advice is not Advice.CLEAR or plan.sources[0].stale
    result = ("so it is that old", "too old", "no forecast source")
    assert any(words in caution for words in result for caution in plan.cautions), plan.cautions


async def test_a_flat_road_without_a_forecast_is_not_called_clear(
    open_planner: Callable, make_settings: Callable[..., Settings], i90_west: Route, morning: datetime
) -> None:
    flat = replace(
        i90_west, elevation_m=np.full_like(i90_west.elevation_m, 600.0), grade=np.zeros_like(i90_west.grade), climbs=()
    )
    with FakeOpenMeteo(now_utc=morning, storm=FINE) as api:
        api.set_fault(ApiFault(kind=FaultKind.DOWN))
        async with open_planner(make_settings(forecasts=api.base_url), ManualClock(morning)) as planning:
            plan = (await planning.plan_trips(await planning.prepare(flat, [TRIP], morning))).outcomes["T-1"]
    assert plan.advice is Advice.READY
    assert "NO WINTER ROAD" not in shown(plan)
    assert "BE READY TO CHAIN" in shown(plan)


async def test_last_good_answer_is_used_on_failure_and_marked_old(plan_on: Callable, morning: datetime) -> None:
    clock = ManualClock(morning - timedelta(hours=2))
    with FakeOpenMeteo(now_utc=clock()) as api:
        fresh = await plan_on(api, clock)
        clock.advance(timedelta(hours=2))
        api.now_utc = clock()
        api.set_fault(ApiFault(kind=FaultKind.OVERLOADED))
        old = await plan_on(api, clock)
    assert fresh.advice is Advice.CHAIN or fresh.advice is Advice.HOLD
    assert old.advice.rank >= fresh.advice.rank
    assert old.partial
    assert old.sources[0].stale
    assert old.sources[0].age_h == pytest.approx(2.0)
    assert any("last good answer of 14 08:30 UTC" in c for c in old.cautions), old.cautions


async def test_clear_answer_a_day_old_does_not_clear_a_road(plan_on: Callable, morning: datetime) -> None:
    clock = ManualClock(morning - timedelta(hours=25))
    with FakeOpenMeteo(now_utc=clock(), storm=FINE) as api:
        await plan_on(api, clock)
        clock.advance(timedelta(hours=25))
        api.set_fault(ApiFault(kind=FaultKind.DOWN))
        old = await plan_on(api, clock)
    assert old.partial
    assert old.advice is not Advice.CLEAR
    assert "NO WINTER ROAD" not in shown(old)


async def test_the_same_answers_give_the_same_plan_byte_for_byte(plan_on: Callable, morning: datetime) -> None:
    with FakeOpenMeteo(now_utc=morning) as api:
        first, second = [await plan_on(api, ManualClock(morning)) for _ in range(2)]
    assert first == second


async def test_unplannable_trip_has_its_reason_and_costs_no_other(
    open_planner: Callable, make_settings: Callable[..., Settings], morning: datetime
) -> None:
    bad_rig = TRIP.model_copy(update={"id": "T-2", "rig": "rig-of-nobody"})
    bad_route = TRIP.model_copy(update={"id": "T-3", "route": "../../../etc/passwd"})
    with FakeOpenMeteo(now_utc=morning, storm=FINE) as api:
        async with open_planner(make_settings(forecasts=api.base_url), ManualClock(morning)) as planning:
            good, rig, route = await planning.plan([TRIP, bad_rig, bad_route], morning)
    assert isinstance(good, Plan)
    assert isinstance(rig, NotPlanned)
    assert rig.reason.startswith('trip T-2: rig: "rig-of-nobody" is not known; name one of: quillback-17')
    assert isinstance(route, NotPlanned)
    assert route.reason.startswith('trip T-3: route: "../../../etc/passwd" is not in ')


WAYS = TRIP.model_copy(update={"routes": ["i90-west", "i90-east.gpx"]})


async def test_other_ways_of_a_trip_are_compared_until_it_leaves(
    open_planner: Callable, make_settings: Callable[..., Settings], morning: datetime
) -> None:
    """The way back stands for another way: 300 km too, in the same storm, from the other side."""
    with FakeOpenMeteo(now_utc=morning) as api:
        async with open_planner(make_settings(forecasts=api.base_url), ManualClock(morning)) as planning:
            alone, plan = await planning.plan([TRIP.model_copy(update={"id": "T-0"}), WAYS], morning)
            (back,) = await planning.plan([TRIP.model_copy(update={"id": "T-1", "route": "i90-east"})], morning)
            (left,) = await planning.plan([WAYS], datetime.fromisoformat(TRIP.depart).astimezone(UTC))
    (other,) = plan.other_routes
    assert (other.name, other.advice, other.arrive_at) == ("i90-east", back.advice, back.arrive_at)
    assert other.chain_probability == back.chain_probability >= max(s.probability for s in back.stretches)
    assert plan.stretches == alone.stretches
    assert plan.route_choice.endswith(other.reason)
    assert plan.route_choice in " ".join(shown(plan).split())
    assert (left.other_routes, left.route_choice) == ((), "")


async def test_missing_other_way_is_a_caution_and_the_trip_is_planned(
    open_planner: Callable, make_settings: Callable[..., Settings], morning: datetime
) -> None:
    gone = TRIP.model_copy(update={"routes": ["i90-west", "i15"]})
    with FakeOpenMeteo(now_utc=morning) as api:
        async with open_planner(make_settings(forecasts=api.base_url), ManualClock(morning)) as planning:
            (plan,) = await planning.plan([gone], morning)
    assert plan.cautions[-1].startswith('Other way i15 could not be planned: trip T-1: route: "i15" is not in ')


async def test_without_a_forecast_no_way_is_called_better_or_clear(
    open_planner: Callable, make_settings: Callable[..., Settings], morning: datetime
) -> None:
    with FakeOpenMeteo(now_utc=morning, storm=FINE) as api:
        api.set_fault(ApiFault(kind=FaultKind.DOWN))
        async with open_planner(make_settings(forecasts=api.base_url), ManualClock(morning)) as planning:
            (plan,) = await planning.plan([WAYS], morning)
    assert plan.route_choice.startswith("No other way is known well enough to compare.")
    assert "no chains" not in shown(plan)


async def test_internal_error_leaves_one_trip_unplanned_with_traceback(
    open_planner: Callable, make_settings: Callable[..., Settings], morning: datetime, caplog: pytest.LogCaptureFixture
) -> None:
    """The traceback is in the log."""
    with FakeOpenMeteo(now_utc=morning, storm=FINE) as api:
        async with open_planner(make_settings(forecasts=api.base_url), ManualClock(morning)) as planning:
            planning.reference = replace(planning.reference, rulesets={"US-MT": "no rule set at all"})
            (outcome,) = await planning.plan([TRIP], morning)
    assert isinstance(outcome, NotPlanned)
    assert outcome.reason == "a fault of alertd (AttributeError); its log says more"
    (record,) = [r for r in caplog.records if r.levelname == "ERROR"]
    assert record.exc_info is not None
    assert record.getMessage() == "trip T-1: a fault of alertd"


async def test_a_route_is_loaded_with_the_posted_limits_that_lie_on_it(
    ground: ReferenceData, i90_west: Route, demo: Path
) -> None:
    ends = [(float(i90_west.lat_deg[i]), float(i90_west.lon_deg[i])) for i in (40, 80)]
    limit = PostedLimit(start=ends[0], end=ends[1], both_ways=False, speed_mps=15.0, source="made")
    route = await load_route(demo / "i90-west.gpx", replace(ground, limits=(limit,)), [])
    (span,) = route.limits
    assert (span.start_m, span.end_m) == pytest.approx((i90_west.distance_m[40], i90_west.distance_m[80]), abs=1.0)
    assert (span.speed_mps, span.source) == (15.0, "made")


class Gated:
    """A source that answers once two routes have asked, and for the slow route once the other has been planned."""

    name = "gated"

    def __init__(self, slow_lat_deg: float) -> None:
        self.slow_lat_deg, self.asked, self.planned = slow_lat_deg, asyncio.Barrier(2), asyncio.Event()

    async def fetch(self, request: ForecastRequest) -> Forecast:
        async with asyncio.timeout(60.0):
            await self.asked.wait()
            if request.lat_deg[0] == self.slow_lat_deg:
                await self.planned.wait()
        raise SourceDown("gated", f"no answer for the route from {request.lat_deg[0]:.3f}")


async def test_a_slow_source_delays_no_other_route(
    make_settings: Callable[..., Settings], ground: ReferenceData, i90_west: Route, morning: datetime, tmp_path: Path
) -> None:
    trips = [TRIP, TRIP.model_copy(update={"id": "T-2", "route": "i90-east"})]
    east = await load_route(ground.gpx("i90-east", "test"), ground, [])
    starts_deg = {"i90-west": float(i90_west.lat_deg[0]), "i90-east": float(east.lat_deg[0])}
    kept = []
    for slow, start_deg in starts_deg.items():
        source, order, archive = Gated(start_deg), list[str](), Archive(tmp_path / slow)

        class Watched(Planner):
            async def plan_in_groups(
                self, job: RouteJob, source: Gated = source, order: list[str] = order
            ) -> AsyncGenerator[PlannedTrips, None]:
                async for planned in super().plan_in_groups(job):
                    order.append(job.trips[0].route)
                    source.planned.set()
                    yield planned

        sky = WeatherSources(providers=[source], members=5, seed=1, stale_h=6.0)
        planner = Watched(make_settings(), ground, sky, [], ReplayWriter(archive=archive))
        plans = [p for p in await planner.plan(trips, morning) if isinstance(p, Plan)]
        assert order[-1] == slow
        assert [p.trip_id for p in plans] == ["T-1", "T-2"]
        for plan, trip in zip(plans, trips, strict=True):
            assert any(f"from {starts_deg[trip.route]:.3f}" in c for c in plan.cautions), plan.cautions
        assert sorted(p.id for p in plans) == archive.plans()
        kept.append({p.relative_to(archive.folder): p.read_bytes() for p in archive.folder.rglob("*") if p.is_file()})
    assert kept[0] == kept[1]  # the archive does not depend on which route is ready first
