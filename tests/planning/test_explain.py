"""A plan explains itself in its own numbers: what is explained is what was planned, from the source's word on."""

import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import pytest

from alertd.plan.explain.model import Explanation
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.serialize import canonical, to_plain
from alertd.planning.plan_inputs import PlanInputs
from alertd.planning.planner import Planner
from alertd.road.road_class import WINTER_CLASSES, RoadClass
from alertd.route.model import Route
from alertd.settings.model import Settings
from alertd.sources.files.trips import TripRequest
from alertd.sources.http.answer import SourceResponse
from alertd.testing.clock import ManualClock
from alertd.testing.fake_open_meteo import ApiFault, FakeOpenMeteo, FaultKind
from alertd.testing.weather.storm import Storm

TRIP = TripRequest(id="T-1", route="i90-west", rig="quillback-17", depart="2027-01-14T04:45:00-07:00")
STORMS = {
    "as invented": Storm(),
    "warmer": Storm(warmer_k=2.5),
    "late and colder": Storm(front_late_h=3.0, warmer_k=-3.0),
    "mild and dry": Storm(warmer_k=15.0, wetter=0.0),
}

# The nearest whole hour of the road, on a clock of delays by quarters of an hour, and a minute of rounding.
NEAREST = timedelta(minutes=30 + 7.5 + 1)


@dataclass
class ReportedValues:
    plan: Plan
    making: PlanInputs
    received: tuple[SourceResponse, ...]

    def places(self) -> tuple[Explanation, ...]:
        return self.making.explain(self.plan)

    def at(self, distance_m: float) -> Explanation:
        (one,) = self.making.explain(self.plan, distance_m)
        return one


@pytest.fixture
def tell(
    open_planner: Callable, make_settings: Callable[..., Settings], i90_west: Route, morning: datetime
) -> Callable:
    async def result(storm: Storm, fault: ApiFault | None = None) -> ReportedValues:
        with FakeOpenMeteo(now_utc=morning, storm=storm) as api:
            api.set_fault(fault)
            async with open_planner(make_settings(forecasts=api.base_url), ManualClock(morning)) as planning:
                return await _summary(planning, i90_west, morning)

    return result


async def _summary(planning: Planner, route: Route, now: datetime) -> ReportedValues:
    job = await planning.prepare(route, [TRIP], now)
    planned = await planning.plan_trips(job)
    plan = planned.outcomes["T-1"]
    assert isinstance(plan, Plan)
    return ReportedValues(plan=plan, making=planned.inputs[TRIP.id], received=job.responses)


def advised(x: Explanation) -> Advice:
    """The advice that the comparisons shown lead a reader to."""
    reached = {c.threshold for c in x.compared if c.reached}  # two reasons share the threshold of a hold
    if x.barred or "hold_probability" in reached:
        return Advice.HOLD
    ahead = not (x.choice is not None and x.choice.showers) and reached & {"chain_probability", "chain_worth"}
    return Advice.CHAIN if ahead else Advice.READY


@pytest.mark.parametrize("storm", STORMS.values(), ids=STORMS)
async def test_each_stretch_is_explained_in_its_own_numbers(storm: Storm, tell: Callable) -> None:
    result = await tell(storm)
    places = result.places()
    assert len(places) == len(result.plan.stretches)
    for i, (x, stretch) in enumerate(zip(places, result.plan.stretches, strict=True)):
        assert x.stretch == i
        assert stretch.start_m <= x.distance_m <= stretch.end_m
        assert x.advice is stretch.advice is advised(x)
        assert x.stretch_surfaces == stretch.surfaces
        assert x.barred == stretch.barred
        needs = [c.value for c in x.compared if c.what.startswith("need")]
        assert needs == [stretch.probability] * 2
        assert x.compared[2].value == stretch.chain_worth
        assert x.compared[3].value == stretch.grip_short_chained_frac
        assert x.compared[4].value == stretch.snow_closed_frac
        level_names = {(v.jurisdiction, v.level_id): v.stretch_frac for v in x.levels if v.stretch_frac is not None}
        here = {p.jurisdiction for p in stretch.postings if any(v.jurisdiction == p.jurisdiction for v in x.levels)}
        assert level_names == {
            (p.jurisdiction, p.level_id): p.probability for p in stretch.postings if p.jurisdiction in here
        }
        for grip in x.grip:
            assert grip.short_frac <= stretch.grip_short_frac
            assert grip.chained_short_frac <= min(stretch.grip_short_chained_frac, grip.short_frac)


@pytest.mark.parametrize("storm", list(STORMS.values())[:3], ids=list(STORMS)[:3])
async def test_each_place_on_the_road_is_explained_as_in_the_plan(storm: Storm, tell: Callable) -> None:
    result = await tell(storm)
    for point in result.plan.along.points[::15]:
        x = result.at(point.distance_m)
        shares = dict(x.surfaces)
        assert x.need_frac == pytest.approx(point.need_frac, abs=1e-12)
        assert shares[point.surface] == pytest.approx(point.surface_frac)
        # The likeliest of winter road or bare road, whichever is likelier.
        winter = {c.label for c in WINTER_CLASSES}
        alike = [share for name, share in shares.items() if (name in winter) == (point.surface in winter)]
        assert point.surface_frac == pytest.approx(max(alike))
        assert sum(alike) >= 0.5 - 1e-9 or RoadClass.UNKNOWN.label in shares
        assert sum(shares.values()) == pytest.approx(1.0)
        assert abs(x.passing[1] - point.arrive_at) < timedelta(minutes=2)
        # The need is that of the likeliest posting or the grip, member by member: never less than either alone.
        alone = [v.here_frac for v in x.levels] + [x.grip[0].short_frac]
        assert x.need_frac >= max(alone) - 1e-9


async def test_the_sources_own_values_open_the_chain(tell: Callable) -> None:
    """Read off the answer by hand: instants at both ends of the hour averaged, the sum at its end."""
    result = await tell(STORMS["as invented"])
    x = result.at(result.plan.stretches[0].start_m)
    (text,) = x.sources
    (responses,) = (r for r in result.received if "/v1/forecast" in r.url)
    answer = json.loads(responses.body)
    place = min(answer, key=lambda p: abs(p["latitude"] - text.lat_deg) + abs(p["longitude"] - text.lon_deg))
    first = place["hourly"]["time"].index(round(text.hour_start.timestamp()))

    def mean(name: str) -> float:
        return float(np.mean(place["hourly"][name][first : first + 2]))

    assert text.air_temp_c == pytest.approx(mean("temperature_2m"))
    assert text.rh_frac == pytest.approx(mean("relative_humidity_2m") / 100.0)
    assert text.wind_mps == pytest.approx(mean("wind_speed_10m"))
    assert text.cloud_frac == pytest.approx(mean("cloud_cover") / 100.0)
    assert text.precip_mmwe_h == pytest.approx(place["hourly"]["precipitation"][first + 1])
    assert text.away_m < 5_000.0
    assert abs(text.hour_start + timedelta(hours=1) - x.passing[1]) <= NEAREST
    assert (text.age_h, text.fetched_at) == (0.0, result.plan.made_at)


async def test_the_pavement_is_followed_over_the_hours_before(tell: Callable) -> None:
    result = await tell(STORMS["late and colder"])
    both = result.plan.arrivals
    later = timedelta(0) if both is None else both.chained_at - both.unchained_at
    for x in result.places():
        assert [b.at - a.at for a, b in zip(x.column, x.column[1:], strict=False)] == [timedelta(hours=1)] * 6
        # A driver who chains for a "be ready" stretch passes later. The later hour counts where the road is worse then.
        assert -NEAREST <= x.column[-1].at - x.passing[1] <= later + NEAREST
        for hour in x.column:
            for name in ("surface_temp_c", "water_mmwe", "snow_mmwe", "ice_mmwe"):
                spread = getattr(hour, name)
                assert spread.low <= spread.median <= spread.high
        last = x.column[-1]
        assert last.surface_temp_c.low <= last.member_surface_temp_c <= last.surface_temp_c.high
        assert last.snow_mmwe.low <= last.member_snow_mmwe <= last.snow_mmwe.high


@pytest.mark.parametrize("kind", [FaultKind.DOWN, FaultKind.NULLS])
async def test_what_is_not_known_is_explained_as_not_known(kind: FaultKind, tell: Callable) -> None:
    result = await tell(STORMS["mild and dry"], ApiFault(kind=kind, cells=frozenset(range(1000))))
    places = result.places()
    assert places
    for x in places:
        assert x.advice is Advice.READY
        assert x.surfaces == (("unknown", 1.0),)
        assert (x.air.air_temp_c.known_frac, x.air.rules) == (0.0, ())
        assert all(hour.surface_temp_c.known_frac == 0.0 for hour in x.column)

        def refuse(word: str) -> Any:
            raise AssertionError(f"{word} is not JSON")

        json.loads(canonical(to_plain(x)), parse_constant=refuse)


async def test_place_in_no_stretch_has_trip_advice_off_route_refused(tell: Callable) -> None:
    result = await tell(STORMS["mild and dry"])
    assert result.places() == ()
    x = result.at(0.0)
    assert (x.stretch, x.advice, x.stretch_surfaces) == (None, Advice.CLEAR, ())
    (compared,) = x.compared
    assert (compared.threshold, compared.reached) == ("ready_probability", False)
    with pytest.raises(ValueError, match="is off a route of"):
        result.at(result.plan.route_length_m + 1.0)


async def test_the_posting_number_of_a_place_follows_by_hand(tell: Callable) -> None:
    """From the printed rates: each hour of the state, its mean over the habits, and each level's share of it."""
    result = await tell(STORMS["as invented"])
    for x in result.places():
        p = x.posting
        assert p.start_m - 2_000.0 <= x.distance_m <= p.end_m + 2_000.0
        for before, after in zip(p.hours, p.hours[1:], strict=False):
            for name, factor in (("state_rare", 0.29751), ("state_usual", 1.0), ("state_often", 3.36125)):
                on = after.on_per_h * factor
                steady = on / (on + after.off_per_h) if on + after.off_per_h > 0.0 else 0.0
                by_hand = steady + (getattr(before, name) - steady) * np.exp(-(on + after.off_per_h))
                assert getattr(after, name) == pytest.approx(by_hand, abs=2e-4)
        last = p.hours[-1]
        assert last.state == pytest.approx((last.state_rare + 4 * last.state_usual + last.state_often) / 6, abs=1e-5)
        for level in p.levels:
            q = level.ordinary_frac / 0.89029
            share = q * level.odds_factor / (1 - q + q * level.odds_factor)
            assert level.share_frac == pytest.approx(share, abs=1e-4)
            if p.covered and level.ordinary_frac > 0.0 and not x.no_rules:
                assert level.chance_frac == pytest.approx(last.state * share, abs=1e-4)
