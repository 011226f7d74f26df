"""Chains for a long descent in snow, whatever is posted: common practice, no source."""

from typing import Any

import numpy as np
import pytest

from alertd.plan.model.stretches import Advice
from alertd.road.road_class import RoadClass
from alertd.route.model import Route
from alertd.testing.factories import make_rig, make_route, make_rules, make_stop, make_weather
from alertd.units import INCH_MM, MILE_M

TOP_M = 30e3
SNOW_MEMBERS, MEMBERS = 29, 30  # 97 %
FEW_RULES = {"US-XX": make_rules(chance=0.02)}


def road(grade: float, miles: float) -> Route:
    d = np.arange(0.0, 80e3 + 125.0, 250.0)
    down = np.where((d > TOP_M) & (d <= TOP_M + miles * MILE_M), -grade, 0.0)
    return make_route(80e3, grade=down, stops=[make_stop("top", 29e3, name="Summit"), make_stop("foot", 60e3)])


def plan_on(planned: Any, route: Route, inches: float, surface: RoadClass = RoadClass.SNOW, **rest: Any) -> Any:
    weather = make_weather(
        route,
        lambda m, d, h: np.where((m < SNOW_MEMBERS) & (d > 28e3) & (d < 50e3), surface, RoadClass.DRY) + 0 * h,
        members=MEMBERS,
        snow_mmwe=inches * INCH_MM / 10.0,
        friction=0.9,
    )
    return planned(route, weather, rules=FEW_RULES, **rest)


@pytest.mark.parametrize("inches", [3.0, 6.0, 10.0])
def test_a_driver_chains_at_the_top(planned: Any, inches: float) -> None:
    """3 to 10 in of snow and six miles down at 6 % with 80,000 lb, no control expected."""
    plan = plan_on(planned, road(0.06, 6.0), inches)
    (stretch,) = plan.stretches
    assert plan.advice is Advice.CHAIN
    assert stretch.chain_up.stop_id == "top"
    assert stretch.postings == ()
    assert any("chain at the top" in r and "common practice, no source" in r for r in stretch.reasons)


@pytest.mark.parametrize(
    ("grade", "miles", "inches"), [(0.06, 6.0, 0.5), (0.03, 6.0, 6.0), (0.06, 0.9, 6.0), (0.0, 6.0, 6.0)]
)
def test_little_snow_or_a_short_or_gentle_descent_asks_nothing(
    planned: Any, grade: float, miles: float, inches: float
) -> None:
    assert plan_on(planned, road(grade, miles), inches).advice is Advice.SLOW


def test_ice_without_snow_is_no_reason_of_a_descent(planned: Any) -> None:
    plan = plan_on(planned, road(0.06, 6.0), 6.0, RoadClass.ICE)
    assert not [r for s in plan.stretches for r in s.reasons if "chain at the top" in r]


def test_neither_depth_nor_length_has_a_step(planned: Any) -> None:
    odds = [plan_on(planned, road(0.06, 6.0), inches).chain_probability for inches in (1.0, 1.5, 2.0, 2.5, 3.0)]
    assert odds == sorted(odds)
    assert np.diff(odds).max() < 0.3
    longer = [plan_on(planned, road(0.06, miles), 4.0).chain_probability for miles in (1.0, 1.5, 2.0, 2.5, 3.0, 6.0)]
    assert longer == sorted(longer)
    assert np.diff(longer).max() < 0.4


def test_the_climb_the_other_way_has_no_such_reason(planned: Any) -> None:
    plan = plan_on(planned, road(-0.06, 6.0), 4.0)
    assert not [r for s in plan.stretches for r in s.reasons if "chain at the top" in r]
    assert make_rig().gross_mass_kg > 30_000.0
