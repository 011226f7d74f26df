"""Stops at the edge of the snow, bare road between stretches, and reasons for early or long chaining."""

from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from alertd.plan.model.stretches import Advice
from alertd.road.road_class import RoadClass
from alertd.route.stops import StopKind
from alertd.testing.factories import make_route, make_rules, make_stop, make_weather

MILE_M = 1609.344
SURE = {"US-XX": make_rules(chance=0.9)}


def snow_at(*spans_m: tuple[float, float], other: RoadClass = RoadClass.DRY) -> Any:
    def script(_: Any, d: Any, h: Any) -> Any:
        white = np.logical_or.reduce([(d >= a) & (d <= b) for a, b in spans_m])
        return np.where(white, RoadClass.SNOW, other) + 0 * h

    return script


@pytest.mark.parametrize(("inside_m", "chosen"), [(-500.0, "edge"), (250.0, "edge"), (500.0, "edge"), (1500.0, "far")])
def test_a_stop_just_inside_the_edge_is_not_in_the_snow(planned: Any, inside_m: float, chosen: str) -> None:
    """A few hundred metres are less than the error of the snow line; 25 km more chained on bare road are not."""
    stops = [make_stop("far", 35e3), make_stop("edge", 60e3 + inside_m), make_stop("d", 85e3)]
    route = make_route(100e3, stops=stops)
    (stretch,) = planned(route, make_weather(route, snow_at((60e3, 80e3))), rules=SURE).stretches
    assert stretch.chain_up.stop_id == chosen
    assert "may already be in it" not in stretch.chain_up.reason


@pytest.mark.parametrize("mile", [10, 25])
def test_a_listed_area_near_the_grade_beats_an_early_one(planned: Any, mile: int) -> None:
    """Beside a 6 % grade a chain-up area is level by purpose; other places there are on the grade."""
    d = np.arange(0.0, 100 * MILE_M, 250.0)
    grade = np.where((d > 55 * MILE_M) & (d < 70 * MILE_M), 0.06, 0.0)
    stops = [
        make_stop("early", mile * MILE_M),
        make_stop("area", 56 * MILE_M, kind=StopKind.CHAIN_UP_AREA),
        make_stop("d", 75 * MILE_M),
    ]
    route = make_route(float(d[-1]), grade=grade, stops=stops)
    script = snow_at((60 * MILE_M, 70 * MILE_M))
    (stretch,) = planned(route, make_weather(route, script, friction=0.9), rules=SURE).stretches
    assert stretch.chain_up.stop_id == "area"
    assert stretch.chain_up.reason.startswith("last listed safe stop before")


def test_the_road_between_decides_whether_chains_stay_on(planned: Any) -> None:
    """34 km of slush without a control between two passes: chains bite there and stay on. On dry road they do not."""
    stops = [make_stop(n, m) for n, m in (("a", 15e3), ("b", 45e3), ("c", 65e3), ("d", 105e3))]
    route = make_route(120e3, stops=stops)
    passes = ((20e3, 36e3), (70e3, 100e3))
    snowy = planned(route, make_weather(route, snow_at(*passes, other=RoadClass.SLUSH)), rules=SURE)
    dry = planned(route, make_weather(route, snow_at(*passes)), rules=SURE)
    assert {(s.chain_up.stop_id, s.chain_off.stop_id) for s in snowy.stretches} == {("a", "d")}
    assert [(s.chain_up.stop_id, s.chain_off.stop_id) for s in dry.stretches] == [("a", "b"), ("c", "d")]
    assert not [r for s in snowy.stretches for r in s.reasons if "driven chained on bare road" in r]


@pytest.mark.parametrize("gap_km", [4, 12, 18, 30, 60])
def test_chains_never_come_off_and_on_at_one_stop(planned: Any, gap_km: int) -> None:
    """One stop between two passes, on either side of the longest bare gap; not even when no other place is known."""
    b = (40.0 + gap_km / 2.0) * 1e3
    route = make_route(200e3, grade=0.0, stops=[make_stop("a", 15e3), make_stop("mid", b), make_stop("d", 170e3)])
    weather = make_weather(route, snow_at((20e3, 40e3), (40e3 + gap_km * 1e3, 150e3)))
    for spacing_m in (4e3, 1e9):  # with unlisted places, and with next to none
        spans = planned(route, weather, rules=SURE, search_spacing_m=spacing_m).stretches
        for one, two in pairwise(spans):
            assert one.chain_off.distance_m != two.chain_up.distance_m


def test_early_and_bare_miles_are_never_without_a_reason(planned: Any) -> None:
    """The only level place is 26 miles before the snow, and the next one past it 15 miles behind."""
    d = np.arange(0.0, 130 * MILE_M, 250.0)
    level = (d < 30 * MILE_M) | (d > 85 * MILE_M)
    route = make_route(float(d[-1]), grade=np.where(level, 0.0, 0.04))
    script = snow_at((55 * MILE_M, 70 * MILE_M))
    (stretch,) = planned(route, make_weather(route, script, friction=0.9), rules=SURE).stretches
    assert stretch.advice is Advice.CHAIN
    early_m = stretch.start_m - stretch.chain_up.distance_m
    assert 20 * MILE_M < early_m < 30 * MILE_M
    reasons = " | ".join(stretch.reasons)
    assert f"The chains go on {early_m / MILE_M:.0f} miles before the stretch: no better place is nearer" in reasons
    assert "driven chained on bare road: no better place to hang them is nearer" in reasons


def test_chains_wait_for_the_storm_past_road_that_may_need_them(planned: Any) -> None:
    """Two of ten members have snow at km 25 to 30, all at km 55 to 80; a stop is before each."""
    stops = [make_stop("a", 20e3), make_stop("b", 48e3), make_stop("d", 85e3)]
    route = make_route(100e3, stops=stops)

    def script(m: Any, d: Any, h: Any) -> Any:
        storm, maybe = (d >= 55e3) & (d <= 80e3), (d >= 25e3) & (d <= 30e3) & (m < 2)
        return np.where(storm | maybe, RoadClass.SNOW, RoadClass.SLUSH) + 0 * h

    may, must = planned(route, make_weather(route, script), rules=SURE).stretches
    assert (may.advice, may.chain_up.stop_id) == (Advice.READY, "a")
    assert may.end_m < may.chain_off.distance_m < must.chain_up.distance_m
    assert (must.advice, must.chain_up.stop_id, must.chain_off.stop_id) == (Advice.CHAIN, "b", "d")
