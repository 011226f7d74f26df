"""Stretches and their probability: counted over members, never multiplied."""

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.plan.need import find_need, find_stretches, larger, place_laws, stretch_probability
from alertd.plan.params import PlanParams
from alertd.road.corridor import at_arrival
from alertd.road.state import RoadClass
from alertd.rules.law import Zone
from alertd.testing.made import MIDNIGHT, make_rig, make_route, make_rules, make_weather

PARAMS = PlanParams()


def test_probability_of_a_stretch_lies_within_the_bounds_that_points_allow() -> None:
    """physics.md 11.2, Fréchet bounds (fixtures/physics_checks.csv, union_bounds): p = .2, .3, .25, .1 alone allow

    0.30 (nested) to 0.85 (never together); independence would say 0.622. Members say which it is.
    """
    p = np.array([0.2, 0.3, 0.25, 0.1])
    ranks = (np.arange(20) + 0.5) / 20
    nested = (ranks[:, None] < p).astype(float)
    starts = np.concatenate(([0.0], np.cumsum(p)[:-1]))
    disjoint = ((ranks[:, None] > starts) & (ranks[:, None] < starts + p)).astype(float)
    for need in (nested, disjoint):
        assert need.mean(axis=0) == pytest.approx(p)
    assert stretch_probability(nested, 0, 3) == pytest.approx(0.30)
    assert stretch_probability(disjoint, 0, 3) == pytest.approx(0.85)


def test_probability_of_independent_points_is_the_independent_one() -> None:
    """Every combination of four points as a member, weighed by repetition: 1 - .8 * .7 * .75 * .9 = 0.622."""
    p = (0.2, 0.3, 0.25, 0.1)
    rows = []
    for hits in product((0.0, 1.0), repeat=4):
        weight = np.prod([q if hit else 1 - q for q, hit in zip(p, hits, strict=True)])
        rows += [hits] * round(weight * 2000)
    assert len(rows) == 2000
    assert stretch_probability(np.array(rows), 0, 3) == pytest.approx(0.622, abs=1e-9)


@given(st.integers(1, 40), st.integers(1, 30), st.integers(0, 2**32 - 1))
def test_probability_is_the_share_of_members_with_any_point(members: int, samples: int, seed: int) -> None:
    need = np.random.default_rng(seed).integers(0, 2, (members, samples)).astype(float)
    counted = sum(any(row) for row in need.tolist()) / members
    ours = stretch_probability(need, 0, samples - 1)
    assert ours == pytest.approx(counted)
    assert need.mean(axis=0).max() - 1e-12 <= ours <= min(need.mean(axis=0).sum(), 1.0) + 1e-12


def test_runs_with_a_short_gap_are_one_stretch() -> None:
    d = np.arange(0.0, 20_001.0, 250.0)
    need = np.where(((d >= 2e3) & (d <= 5e3)) | ((d >= 7.5e3) & (d <= 9e3)) | (d >= 13e3), 0.4, 0.0)[None, :]
    spans = [(d[a], d[b]) for a, b in find_stretches(need, d, PARAMS)]
    assert spans == [(2e3, 9e3), (13e3, 20e3)]


@pytest.mark.parametrize("members", range(1, 60))
def test_a_need_at_the_threshold_counts_whatever_the_number_of_members(members: int) -> None:
    """0.15 in each of 21 members averages to 0.14999999999999997."""
    need = np.full((members, 3), PARAMS.ready_probability)
    assert find_stretches(need, np.arange(3) * 250.0, PARAMS) == [(0, 2)]


def test_showers_that_every_member_puts_elsewhere_are_a_stretch() -> None:
    """Ten members, each with snow on its own 2 km of 20: 10 % at any point, certain on the way."""
    d = np.arange(0.0, 30_001.0, 250.0)
    block = np.floor((d - 5e3) / 2e3)
    need = (block[None, :] == np.arange(10)[:, None]).astype(float)
    assert need.mean(axis=0).max() == pytest.approx(0.1)
    ((first, last),) = find_stretches(need, d, PARAMS)
    assert (d[first], d[last]) == (5e3, 24.75e3)
    assert stretch_probability(need, first, last) == 1.0


def test_a_small_chance_that_all_members_share_is_not_added_up_along_the_road() -> None:
    """One in ten that a control is posted stays one in ten over 100 km."""
    need = np.full((10, 401), 0.1)
    assert find_stretches(need, np.arange(401) * 250.0, PARAMS) == []


def test_snow_where_no_rule_is_on_file_is_worth_being_ready() -> None:
    route = make_route(20e3)
    weather = make_weather(route, lambda _, d, h: np.where(d > 10e3, RoadClass.SNOW, RoadClass.DRY))
    state = at_arrival(
        weather.corridor.field, weather.corridor.cells, np.full(route.distance_m.shape, MIDNIGHT.timestamp())
    )
    need = find_need(route, place_laws(route, {}, make_rig()), make_rig(), state, PARAMS)
    assert need.need_frac[route.distance_m > 10e3] == pytest.approx(PARAMS.unknown_probability)
    assert (need.need_frac[route.distance_m <= 10e3] == 0.0).all()


def test_the_larger_need_keeps_each_members_worst() -> None:
    route = make_route(20e3)
    laws = place_laws(route, {"US-XX": make_rules()}, make_rig())

    def need_with(snow_from_m: float, snow_to_m: float):  # type: ignore[no-untyped-def]
        weather = make_weather(
            route,
            lambda _, d, h: np.where((d >= snow_from_m) & (d <= snow_to_m), RoadClass.SNOW, RoadClass.DRY),
        )
        when = np.full(route.distance_m.shape, MIDNIGHT.timestamp())
        state = at_arrival(weather.corridor.field, weather.corridor.cells, when)
        return find_need(route, laws, make_rig(), state, PARAMS)

    a, b = need_with(1e3, 5e3), need_with(4e3, 9e3)
    both = larger(a, b)
    assert (both.need == np.maximum(a.need, b.need)).all()
    assert (both.by_level[0][3] == np.maximum(a.by_level[0][3], b.by_level[0][3])).all()


def test_zone_given_by_an_outline_is_placed_where_the_route_crosses_it() -> None:
    route = make_route(80e3, start_lon_deg=-116.2)
    lat, lon = float(route.lat_deg[0]), route.lon_deg
    west, east = float(lon[80]), float(lon[160])
    land = Zone(
        id="land", name="land", road="all roads", from_point=None, to_point=None,
        outline=((lat - 1, west), (lat + 1, west), (lat + 1, east), (lat - 1, east)),
    )  # fmt: skip
    (law,) = place_laws(route, {"US-XX": replace(make_rules(), zones=(land,))}, make_rig())
    ((start_m, end_m),) = law.zone_spans["land"]
    assert start_m == pytest.approx(route.distance_m[80], abs=300.0)
    assert end_m == pytest.approx(route.distance_m[160], abs=300.0)
