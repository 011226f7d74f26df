"""Where no listed stop serves: a place to look for just outside the snow, never the trip's start far from it."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alertd.i18n import ENGLISH
from alertd.notices.text import driver_parts
from alertd.notices.text.dispatcher import dispatcher_text
from alertd.notices.text.driver_sms import driver_text
from alertd.notices.text.phrases import stop_words
from alertd.plan.chain_up.unlisted_places import places_with_search
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.hourly_need import hourly_need_for
from alertd.road.road_class import RoadClass
from alertd.route.model import BridgeSpan, Route
from alertd.testing.factories import at_hour, make_rig, make_route, make_rules, make_stop, make_weather
from alertd.units import MILE_M, whole_before

FOOT_M = 0.3048
PARAMS = PlanParams(compare_h=0.0)


def profile(miles: list[float], feet: list[float], **more: Any) -> Route:
    d = np.arange(0.0, miles[-1] * MILE_M + 125.0, 250.0)
    height_m = np.interp(d / MILE_M, miles, feet) * FOOT_M
    return make_route(miles[-1] * MILE_M, grade=np.gradient(height_m, d), **more)


def above(route: Route, feet: float, below: RoadClass = RoadClass.WET) -> Any:
    """Snow above a height over the first sample's, in every member at every hour."""
    white = route.elevation_m - route.elevation_m[0] > feet * FOOT_M
    return lambda m, d, h: np.where(white[None, :, None], RoadClass.SNOW, below) + 0 * (m + h)


# Level to mile 30, up to 7,200 ft at mile 80, down to 3,600 at mile 110, level to mile 136.
HIGH_ROAD = profile([0, 30, 80, 110, 136], [0, 0, 7200, 3600, 3600])


def test_long_climb_from_rain_to_snow_is_chained_near_the_snow(planned: Any) -> None:
    """No plan is to have chains hung over 15 miles before the snow, or off far past it (common practice, no source)."""
    plan = planned(HIGH_ROAD, make_weather(HIGH_ROAD, above(HIGH_ROAD, 4000.0), friction=0.9))
    assert plan.advice is Advice.CHAIN
    (stretch,) = plan.stretches
    on, off = stretch.chain_up, stretch.chain_off
    assert stretch.start_m == pytest.approx((30 + 50 * 4000 / 7200) * MILE_M, abs=1_500)
    assert 300.0 <= stretch.start_m - on.distance_m <= 15 * MILE_M
    assert 300.0 <= off.distance_m - stretch.end_m <= 5 * MILE_M
    assert (on.kind, off.kind, on.listed, off.listed) == ("search", "search", False, False)
    assert (on.edge_m, off.edge_m) == (stretch.start_m, stretch.end_m)
    edge, look = (f"mile {m / MILE_M:.0f}" for m in (stretch.start_m, on.distance_m))
    assert on.name == f"first safe place before {edge} of the trip, look from {look} on (none listed)"
    assert off.name == f"first safe place past mile {stretch.end_m / MILE_M:.0f} of the trip (none listed)"
    assert "no listed stop serves: look for a safe place" in on.reason
    bare_m = (off.distance_m - on.distance_m) - (stretch.end_m - stretch.start_m)
    assert bare_m < 10 * MILE_M


@pytest.mark.parametrize(("chance", "advice"), [(0.6, Advice.CHAIN), (0.3, Advice.READY)])
def test_an_even_pass_of_two_and_a_half_percent_is_controlled(planned: Any, chance: float, advice: Advice) -> None:
    """7,202 ft and no sample of 3 %: rules whose estimate asks for that grade hold from foot to foot."""
    miles = 7202 * FOOT_M / 0.025 / MILE_M
    route = profile([0, 20, 20 + miles, 20 + 1.5 * miles, 40 + 1.5 * miles], [0, 0, 7202, 3601, 3601])
    assert np.abs(route.grade).max() < 0.03
    rules = make_rules(chance=chance)
    rules = replace(rules, estimates=(replace(rules.estimates[0], min_abs_grade=0.03),))
    plan = planned(route, make_weather(route, above(route, 1500.0), friction=0.9), rules={"US-XX": rules})
    assert plan.advice is advice
    (stretch,) = plan.stretches
    assert stretch.chain_up.kind == "search"
    assert stretch.end_m - stretch.start_m > 60e3


def test_the_start_is_named_only_where_the_snow_is_near(planned: Any) -> None:
    def snow(from_m: float) -> Any:
        return lambda m, d, h: np.where((d >= from_m) & (d <= 90e3), RoadClass.SNOW, RoadClass.DRY) + 0 * (m + h)

    route = make_route(150e3)
    for from_m in (0.0, 3e3, 15e3, 30e3, 60e3):
        (stretch,) = planned(route, make_weather(route, snow(from_m), friction=0.9), chain_probability=0.3).stretches
        away_m = stretch.start_m - stretch.chain_up.distance_m
        assert 0.0 <= away_m <= 15 * MILE_M
        assert (stretch.chain_up.stop_id == "") is (stretch.chain_up.distance_m == 0.0)
        assert stretch.chain_off.distance_m - stretch.end_m <= 15 * MILE_M
    assert stretch.chain_up.kind == "search"


def test_listed_stops_within_reach_are_kept(planned: Any) -> None:
    stops = [make_stop("a", 20e3), make_stop("b", 48e3), make_stop("d", 105e3), make_stop("e", 140e3)]
    route = make_route(150e3, stops=stops)
    script = lambda m, d, h: np.where((d >= 60e3) & (d <= 90e3), RoadClass.SNOW, RoadClass.DRY) + 0 * (m + h)  # noqa: E731
    (stretch,) = planned(route, make_weather(route, script, friction=0.9), chain_probability=0.3).stretches
    assert (stretch.chain_up.stop_id, stretch.chain_off.stop_id) == ("b", "d")
    assert stretch.chain_up.listed
    assert stretch.chain_up.edge_m is None


def test_no_candidate_lies_in_the_snow_on_a_grade_or_a_bridge() -> None:
    d = np.arange(0.0, 150e3 + 125.0, 250.0)
    grade = np.where((d > 45e3) & (d < 55e3), 0.05, 0.0)
    route = make_route(150e3, grade=grade, bridges=[BridgeSpan(name="", start_m=36e3, end_m=39.9e3)])
    script = lambda m, d, h: np.where((d >= 60e3) & (d <= 90e3), RoadClass.SNOW, RoadClass.DRY) + 0 * (m + h)  # noqa: E731
    corridor = make_weather(route, script, friction=0.9).corridor
    hourly_need = hourly_need_for(route, make_rig(), {"US-XX": make_rules()}, corridor, PARAMS, at_hour(0).timestamp())
    places = places_with_search(hourly_need, at_hour(6).timestamp(), PARAMS)
    at_m = places.at_m[places.unlisted]
    assert at_m.size == pytest.approx(2 * PARAMS.search_reach_m / PARAMS.search_spacing_m, abs=4)
    assert not ((at_m >= 60e3) & (at_m <= 90e3)).any()
    assert not ((at_m > 45e3) & (at_m < 55e3)).any()
    assert not ((at_m >= 36e3) & (at_m <= 39.9e3)).any()
    assert (np.diff(places.at_m) >= 0).all()
    assert places.stops[0] is places.stops[-1] is None


def test_the_texts_say_from_where_to_look_and_before_what(planned: Any) -> None:
    plan = planned(HIGH_ROAD, make_weather(HIGH_ROAD, above(HIGH_ROAD, 4000.0), friction=0.9))
    (stretch,) = plan.stretches
    on, edge = (f"{m / MILE_M:.0f}" for m in (stretch.chain_up.distance_m, stretch.start_m))
    assert driver_text(plan, stretch).startswith(f"PLAN TO CHAIN at safe place from mi {on} on, before mi {edge} (none")
    assert driver_parts.place_short(stretch.chain_up, 20, ENGLISH) == f"safe place mi {on} to mi {edge}"
    office = " ".join(dispatcher_text(plan).split())
    assert f"first safe place before mile {edge} of the trip, look from mile {on} on (none listed)" in office
    assert stop_words(stretch.chain_up) == stretch.chain_up.name


def rough(route: Route, seed: int, sigma_m: float) -> Route:
    heights = route.elevation_m + np.random.default_rng(seed).normal(0.0, sigma_m, route.elevation_m.shape)
    kernel = np.ones(3) / 3
    smooth = np.convolve(np.pad(heights, 1, mode="edge"), kernel, mode="valid")
    return replace(route, elevation_m=smooth, grade=np.gradient(smooth, route.distance_m))


@settings(max_examples=5, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_rough_heights_give_the_same_advice_and_place(planned: Any, seed: int) -> None:
    def of(route: Route) -> Plan:
        weather = make_weather(route, above(HIGH_ROAD, 4000.0), members=5, friction=0.9)
        rules = make_rules()
        rules = replace(rules, estimates=(replace(rules.estimates[0], min_abs_grade=0.03),))
        plan: Plan = planned(route, weather, rules={"US-XX": rules}, compare_h=0.0)
        return plan

    smooth, jittered = of(HIGH_ROAD), of(rough(HIGH_ROAD, seed, 5.0))
    assert jittered.advice is smooth.advice
    assert jittered.stretches[0].chain_up.distance_m == pytest.approx(smooth.stretches[0].chain_up.distance_m, abs=9e3)


def test_texts_never_look_from_the_mile_of_the_snow(planned: Any) -> None:
    """Two positions within a mile must not both read as that mile: there is nothing to search between them."""
    plan = planned(HIGH_ROAD, make_weather(HIGH_ROAD, above(HIGH_ROAD, 4000.0), friction=0.9))
    up = replace(plan.stretches[0].chain_up, distance_m=33.7 * MILE_M, edge_m=34.3 * MILE_M)
    assert driver_parts.place_words(up, ENGLISH) == "safe place from mi 33 on, before mi 34 (none listed)"
    assert driver_parts.place_short(up, 20, ENGLISH) == "safe place mi 33 to mi 34"
    off = replace(up, distance_m=34.4 * MILE_M, edge_m=33.6 * MILE_M)
    assert driver_parts.place_words(off, ENGLISH) == "safe place from mi 34 on (none listed)"
    assert [whole_before(x * MILE_M, 34.3 * MILE_M, MILE_M) for x in (31.4, 33.2, 33.9, 0.0)] == [31, 33, 33, 0]
    assert whole_before(10.0, 30.0, MILE_M) == 0
