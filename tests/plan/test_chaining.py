"""Where chains go on and come off, against an oracle that looks at every stop."""

from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.plan.chaining import Leg, choose_legs, safe_stops
from alertd.plan.params import PlanParams
from alertd.route.line import Route
from alertd.route.stops import RouteStop, StopKind
from alertd.testing.made import make_route, make_stop

PARAMS = PlanParams()
CLEAR_M = PARAMS.stop_clearance_m


def legs_of(route: Route, *snow_m: tuple[float, float], hang_s: float = 3000.0) -> tuple[Leg, ...]:
    """Legs for road that needs chains from a to b metres, at 25 m/s unchained and 9 m/s chained."""
    d = route.distance_m
    need = np.zeros(d.shape)
    stretches = []
    for a, b in snow_m:
        inside = np.flatnonzero((d >= a) & (d <= b))
        need[inside] = 1.0
        stretches.append((int(inside[0]), int(inside[-1])))
    fast, slow = np.full(d.shape, 1 / 25.0), np.full(d.shape, 1 / 9.0)
    return choose_legs(route, stretches, need, fast, slow, lambda _: hang_s, PARAMS)


def ids(legs: tuple[Leg, ...]) -> list[tuple[str | None, str | None]]:
    return [(x.on and x.on.stop.id, x.off and x.off.stop.id) for x in legs]


def test_chains_go_on_at_the_last_stop_before_and_off_at_the_first_after() -> None:
    route = make_route(stops=[make_stop(n, m) for n, m in (("a", 5e3), ("b", 15e3), ("c", 25e3), ("d", 45e3))])
    assert ids(legs_of(route, (20e3, 40e3))) == [("b", "d")]


@pytest.mark.parametrize(
    "poor",
    [
        {"kind": StopKind.TURNOUT, "spaces": 2},
        {"kind": StopKind.TURNOUT, "spaces": None},
        {"kind": StopKind.TRUCK_STOP, "spaces": 0},
    ],
)
def test_a_cramped_place_is_passed_over_when_another_exists(poor: dict[str, Any]) -> None:
    stops = [
        make_stop("a", 5e3),
        make_stop("poor", 15e3, **poor),
        make_stop("poor2", 42e3, **poor),
        make_stop("d", 5e4),
    ]
    assert ids(legs_of(make_route(stops=stops), (20e3, 40e3))) == [("a", "d")]


def test_a_stop_on_a_steep_grade_is_passed_over_when_another_exists() -> None:
    d = np.arange(0.0, 60_001.0, 250.0)
    route = make_route(grade=np.where(d > 12e3, 0.06, 0.01), stops=[make_stop("a", 5e3), make_stop("steep", 15e3)])
    assert ids(legs_of(route, (20e3, 40e3))) == [("a", None)]


def test_snow_from_the_start_is_chained_where_the_trip_starts() -> None:
    (leg,) = legs_of(make_route(stops=[make_stop("in", 3e3), make_stop("d", 50e3)]), (0.0, 40e3))
    assert (leg.on, leg.on_m) == (None, 0.0)
    assert "trip starts" in leg.on_reason


def test_snow_to_the_end_keeps_chains_on_to_the_end() -> None:
    route = make_route(stops=[make_stop("a", 5e3), make_stop("in", 50e3)])
    (leg,) = legs_of(route, (20e3, 60e3))
    assert (leg.off, leg.off_m) == (None, route.length_m)
    assert "take them off there" in leg.off_reason


def test_without_any_stop_the_trip_ends_are_named() -> None:
    route = make_route(120e3)
    (leg,) = legs_of(route, (90e3, 100e3))
    assert (leg.on, leg.off, leg.on_m, leg.off_m) == (None, None, 0.0, route.length_m)


def test_the_only_stop_close_to_the_snow_beats_one_inside_it() -> None:
    """A place 200 m short of the snow is nearer than we like, and still better than one in it."""
    route = make_route(120e3, stops=[make_stop("edge", 79.8e3), make_stop("inside", 85e3)])
    (leg,) = legs_of(route, (80e3, 100e3))
    assert leg.on is not None
    assert leg.on.stop.id == "edge"


def test_a_stop_inside_the_snow_is_named_only_when_there_is_none_before_and_says_so() -> None:
    route = make_route(120e3, stops=[make_stop("inside", 85e3)])
    (leg,) = legs_of(route, (80e3, 100e3))
    assert leg.on is not None
    assert leg.on.stop.id == "inside"
    assert "NO listed stop before the snow" in leg.on_reason


def test_stretches_with_no_stop_between_share_one_hanging() -> None:
    route = make_route(stops=[make_stop("a", 5e3), make_stop("d", 55e3)])
    legs = legs_of(route, (10e3, 15e3), (40e3, 50e3))
    assert ids(legs) == [("a", "d")]
    assert legs[0].parts == 2


def test_a_short_bare_gap_is_driven_chained_when_changing_costs_more() -> None:
    """8 km at 9 instead of 25 m/s loses 569 s; taking off and hanging again takes 1200 + 3000 s."""
    stops = [make_stop(n, m) for n, m in (("a", 5e3), ("b", 21e3), ("c", 29e3), ("d", 55e3))]
    assert ids(legs_of(make_route(stops=stops), (10e3, 20e3), (30e3, 50e3))) == [("a", "d")]


def test_chains_come_off_over_a_gap_longer_than_they_bear() -> None:
    stops = [make_stop(n, m) for n, m in (("a", 5e3), ("b", 21e3), ("c", 38e3), ("d", 55e3))]
    route = make_route(stops=stops)
    assert PARAMS.longest_bare_gap_m < 38e3 - 21e3
    assert ids(legs_of(route, (10e3, 20e3), (40e3, 50e3), hang_s=1e6)) == [("a", "b"), ("c", "d")]


@st.composite
def roads(draw: st.DrawFn) -> tuple[Route, list[tuple[float, float]]]:
    length_km = draw(st.integers(20, 150))
    kinds = st.sampled_from(list(StopKind))
    stops = [
        make_stop(str(i), at_km * 1000.0, kind=draw(kinds), spaces=draw(st.sampled_from([None, 0, 2, 3, 40])))
        for i, at_km in enumerate(draw(st.lists(st.floats(0.0, length_km), max_size=12)))
    ]
    edges = sorted(draw(st.lists(st.integers(0, length_km), min_size=2, max_size=8, unique=True)))
    snow = [(a * 1000.0, b * 1000.0) for a, b in zip(edges[::2], edges[1::2], strict=False)]
    steep = draw(st.lists(st.integers(0, length_km), max_size=3))
    d = np.arange(0.0, length_km * 1000.0 + 125.0, 250.0)
    grade = np.full(d.shape, 0.01)
    for km in steep:
        grade[(d >= km * 1000.0) & (d <= km * 1000.0 + 3000.0)] = -0.05
    return make_route(length_km * 1000.0, grade=grade, stops=stops), snow


def good(stop: RouteStop, route: Route, snow: list[tuple[float, float]]) -> bool:
    """The oracle's own reading: room for a combination, level enough, and off the snow."""
    room = stop.stop.spaces is None and stop.stop.kind is not StopKind.TURNOUT
    room = room or (stop.stop.spaces is not None and stop.stop.spaces >= 3)
    level = abs(float(np.interp(stop.distance_m, route.distance_m, route.grade))) <= 0.035
    return room and level and not any(a <= stop.distance_m <= b for a, b in snow)


@given(roads())
def test_no_leg_hangs_in_the_snow_while_a_stop_lies_before_it(case: tuple[Route, list[tuple[float, float]]]) -> None:
    route, snow = case
    legs = legs_of(route, *snow)
    assert [x for x in legs if x.on_m > x.off_m] == []
    covered = [(a, b) for a, b in snow if any(x.on_m <= a and b <= x.off_m for x in legs)]
    for leg in legs:
        start, end = (float(route.distance_m[i]) for i in (leg.first, leg.last))
        before = [s for s in route.stops if s.distance_m <= start - CLEAR_M and good(s, route, snow)]
        after = [s for s in route.stops if s.distance_m >= end + CLEAR_M and good(s, route, snow)]
        assert leg.off is (after[0] if after else None)
        if before:
            assert leg.on is before[-1]
            assert leg.on_m < start
        elif any(s.distance_m < start for s in route.stops) or leg.on is None:
            assert leg.on_m < start or leg.on_m == 0.0
        else:
            assert start > PARAMS.longest_bare_run_m
            assert "NO listed stop" in leg.on_reason
    inside_only = [x for x in legs if "NO listed stop" in x.on_reason]
    assert inside_only or covered == snow


@given(roads())
def test_legs_follow_one_another_and_cover_every_stretch_once(case: tuple[Route, list[tuple[float, float]]]) -> None:
    route, snow = case
    legs = legs_of(route, *snow)
    assert sum(x.parts for x in legs) == len(snow)
    assert all(a.last < b.first and a.off_m <= b.on_m for a, b in pairwise(legs))


@given(roads())
def test_two_stretches_are_only_parted_where_a_good_stop_lies_between(
    case: tuple[Route, list[tuple[float, float]]],
) -> None:
    route, snow = case
    legs = legs_of(route, *snow)
    for a, b in pairwise(legs):
        assert a.off is not None
        assert b.on is not None
        assert a.off.distance_m < b.on.distance_m or a.off is b.on


def test_a_stop_whose_pavement_needs_chains_is_not_safe() -> None:
    route = make_route(stops=[make_stop("a", 5e3), make_stop("b", 10e3)])
    need = np.where(route.distance_m > 9e3, 0.2, 0.0)
    assert [s.stop.id for s in safe_stops(route, need, PARAMS)] == ["a"]
