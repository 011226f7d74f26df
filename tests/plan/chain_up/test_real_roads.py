"""Real roads without any stops file, under snow by height: where chains go on and come off, in miles.

Roads: `fixtures/roads/roads.csv`, from memory, rounded. Limits are common practice, no source: no more than 20 miles
before the snow, and no more than 10 bare miles chained without a reason.
"""

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice, Stretch
from alertd.road.road_class import RoadClass
from alertd.route.build import build_route
from alertd.route.model import JurisdictionSpan, Route
from alertd.route.stops import StopKind
from alertd.sources.files.gpx.read import parse_gpx
from alertd.testing.factories import make_rules, make_stop, make_weather
from alertd.testing.weather.roads import read_roads

MILE_M = 1609.344
FIXTURE = Path(__file__).parents[3] / "fixtures" / "roads" / "roads.csv"
ROADS = ("us-i80-donner", "us-i70-rockies", "us-us2-stevens", "us-i5-siskiyou", "ca-bc5-coquihalla")
# Snow above this share of the climb, and the members of 20 that have it; the snow line of the members differs by 150 m.
SKIES = {"storm": (0.45, 20), "light snow": (0.75, 8)}


@cache
def road(name: str) -> Route:
    line = parse_gpx(read_roads(FIXTURE)[name].gpx(200.0).encode(), name)
    route = build_route(line)
    span = JurisdictionSpan(code="US-XX", name="Land of US-XX", start_m=0.0, end_m=route.length_m)
    return replace(route, jurisdictions=(span,))


def plan_under(planned: Callable[..., Plan], route: Route, sky: str) -> Plan:
    share, members = SKIES[sky]
    low, high = route.elevation_m.min(), route.elevation_m.max()
    line_m = low + share * (high - low) + np.linspace(-75.0, 75.0, 20)
    white = (route.elevation_m[None, :] > line_m[:, None]) & (np.arange(20) < members)[:, None]

    def script(m: Any, d: Any, h: Any) -> Any:
        return np.where(white[:, :, None], RoadClass.SNOW, RoadClass.WET) + 0 * h

    weather = make_weather(route, script, members=20, friction=0.9)
    return planned(route, weather, rules={"US-XX": make_rules(chance=0.9)}, compare_h=0.0)


def snow_m(plan: Plan, stretch: Stretch) -> tuple[float, float]:
    """Start and end of the snow that one run of chains is for."""
    ends = stretch.chain_up.distance_m, stretch.chain_off.distance_m
    run = [s for s in plan.stretches if (s.chain_up.distance_m, s.chain_off.distance_m) == ends]
    return min(s.start_m for s in run), max(s.end_m for s in run)


@pytest.mark.parametrize("sky", SKIES)
@pytest.mark.parametrize("name", ROADS)
def test_chains_go_on_near_the_snow_and_come_off_past_it(planned: Any, name: str, sky: str) -> None:
    route = road(name)
    plan = plan_under(planned, route, sky)
    assert plan.advice in ((Advice.CHAIN, Advice.HOLD) if sky == "storm" else (Advice.READY,))
    for stretch in plan.stretches:
        start_m, end_m = snow_m(plan, stretch)
        up, off = stretch.chain_up, stretch.chain_off
        assert start_m - up.distance_m <= 15 * MILE_M
        assert off.distance_m - end_m <= 15 * MILE_M
        if up.kind == "search":
            assert start_m - up.distance_m >= 2_000.0
            assert off.kind != "search" or off.distance_m - end_m >= 300.0
            assert not up.listed
            assert "(none listed)" in up.name
        else:
            assert start_m <= 8_000.0, "the trip's start only where the snow is"
        if off.kind != "search":
            assert route.length_m - end_m <= 8_000.0, "the trip's end only where the snow is"
        at = [np.interp(x.distance_m, route.distance_m, route.grade) for x in (up, off) if x.kind == "search"]
        assert np.abs(at).max(initial=0.0) <= 0.035


@pytest.mark.parametrize("name", ROADS)
def test_no_long_bare_road_is_driven_chained_without_a_reason(planned: Any, name: str) -> None:
    plan = plan_under(planned, road(name), "storm")
    along = plan.along
    white = np.asarray(along.winter_frac) > 0.5
    for stretch in plan.stretches:
        inside = (np.asarray(along.distance_m) > stretch.chain_up.distance_m) & (
            np.asarray(along.distance_m) < stretch.chain_off.distance_m
        )
        bare_km = float((inside & ~white).sum())  # a place each km
        told = any("driven chained on bare road" in r or "chains stay on" in r for r in stretch.reasons)
        assert bare_km * 1000.0 <= 11 * MILE_M or told


@pytest.mark.parametrize("name", ROADS)
def test_listed_stops_on_the_same_roads_are_used(planned: Any, name: str) -> None:
    """A chain-up area 2 miles before each run of the plan without stops, one past it, and one 40 miles before."""
    bare = plan_under(planned, road(name), "storm")
    first = next(s for s in bare.stretches if s.advice.rank >= Advice.CHAIN.rank)
    start_m, end_m = snow_m(bare, first)
    at_m = {"far": start_m - 40 * MILE_M, "near": start_m - 2 * MILE_M, "past": end_m + 2 * MILE_M}
    route = road(name)
    stops = [make_stop(n, m, kind=StopKind.CHAIN_UP_AREA) for n, m in at_m.items() if 1e3 < m < route.length_m - 1e3]
    plan = plan_under(planned, replace(route, stops=tuple(stops)), "storm")
    again = next(s for s in plan.stretches if s.advice.rank >= Advice.CHAIN.rank)
    if at_m["near"] > 1e3:
        assert again.chain_up.stop_id == "near"
        assert again.chain_up.listed
    if at_m["past"] < route.length_m - 1e3:
        assert again.chain_off.stop_id == "past" or again.chain_off.distance_m > at_m["past"]
