"""Stretches and their probability: counted over members, never multiplied."""

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.chain_need import find_stretches, place_laws, stretch_probability
from alertd.plan.road_ahead.hourly_need import HourlyNeed, hourly_need_for
from alertd.plan.road_ahead.sections import Sections, fold
from alertd.road.road_class import RoadClass
from alertd.route.model import Route
from alertd.rules.ruleset import RuleZone
from alertd.testing.factories import MIDNIGHT, make_rig, make_route, make_rules, make_weather

PARAMS = PlanParams()


def test_stretch_probability_is_within_the_bounds_of_its_points() -> None:
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


def test_probability_of_independent_points_is_their_product_rule() -> None:
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


def folded(route: Route, samples_a_column: int = 1) -> Sections:
    """The route's sections when so many samples in a row share a road column."""
    weather = make_weather(route, lambda _, d, h: RoadClass.DRY, hours=1, samples_a_column=samples_a_column)
    return fold(route, weather.corridor.cells)


def test_runs_with_a_short_gap_are_one_stretch() -> None:
    road = folded(make_route(20e3))
    d = road.start_m
    need = np.where(((d >= 2e3) & (d <= 5e3)) | ((d >= 7.5e3) & (d <= 9e3)) | (d >= 13e3), 0.4, 0.0)[None, :]
    spans = [(d[a], d[b]) for a, b in find_stretches(need, road, PARAMS)]
    assert spans == [(2e3, 9e3), (13e3, 20e3)]


@pytest.mark.parametrize("members", range(1, 60))
def test_need_at_the_threshold_counts_for_any_member_count(members: int) -> None:
    """0.15 in each of 21 members averages to 0.14999999999999997."""
    need = np.full((members, 3), PARAMS.ready_probability)
    assert find_stretches(need, folded(make_route(500.0)), PARAMS) == [(0, 2)]


def test_showers_that_every_member_puts_elsewhere_are_a_stretch() -> None:
    """Ten members, each with snow on its own 2 km of 20: 10 % at any point, certain on the way."""
    road = folded(make_route(30e3))
    d = road.start_m
    block = np.floor((d - 5e3) / 2e3)
    need = (block[None, :] == np.arange(10)[:, None]).astype(float)
    assert need.mean(axis=0).max() == pytest.approx(0.1)
    ((first, last),) = find_stretches(need, road, PARAMS)
    assert (d[first], d[last]) == (5e3, 24.75e3)
    assert stretch_probability(need, first, last) == 1.0


def test_small_shared_chance_is_not_added_up_along_the_road() -> None:
    """One in ten that a control is posted stays one in ten over 100 km."""
    need = np.full((10, 401), 0.1)
    assert find_stretches(need, folded(make_route(100e3)), PARAMS) == []


def outlook(route: Route, rules, script) -> HourlyNeed:  # type: ignore[no-untyped-def]
    corridor = make_weather(route, script).corridor
    return hourly_need_for(route, make_rig(), rules, corridor, PARAMS, MIDNIGHT.timestamp())


def test_snow_where_no_rule_is_on_file_is_worth_being_ready() -> None:
    route = make_route(20e3)
    seen = outlook(route, {}, lambda _, d, h: np.where(d > 10e3, RoadClass.SNOW, RoadClass.DRY))
    frac = seen.need[:, :, 0].mean(axis=0)
    assert frac[route.distance_m > 10e3] == pytest.approx(PARAMS.unknown_probability)
    assert (frac[route.distance_m <= 10e3] == 0.0).all()


def test_the_hour_after_the_last_is_not_known_and_reads_as_such() -> None:
    route = make_route(20e3)
    seen = outlook(route, {}, lambda _, d, h: RoadClass.DRY)
    last = MIDNIGHT.timestamp() + 3600.0 * (seen.hours - 1)
    assert seen.hour_at([last, last + 1799.0, last + 1801.0, np.nan]).tolist() == [
        seen.hours - 1, seen.hours - 1, seen.hours, seen.hours,
    ]  # fmt: skip
    assert (seen.need[:, :, :-1] == 0.0).all()
    assert seen.need[:, :, -1] == pytest.approx(PARAMS.unknown_flat_probability)


def test_each_member_meets_the_hour_nearest_to_its_own_arrival() -> None:
    """Snow from hour 9 on: a truck is in it from half past eight, and knows nothing beyond the forecast."""
    seen = outlook(make_route(500.0), {}, lambda _, d, h: np.where(h >= 9, RoadClass.SNOW, RoadClass.DRY))
    minutes = np.array([8 * 60 + 29, 8 * 60 + 31, 9 * 60, 35 * 60 + 31])
    hour = np.broadcast_to(seen.hour_at(MIDNIGHT.timestamp() + 60.0 * minutes)[:, None], (4, 3))
    assert hour[:, 0].tolist() == [8, 9, 9, seen.hours]
    snow = seen.field_values("snow_mmwe", np.vstack([hour, hour[:1].repeat(6, axis=0)]))
    assert snow[:4, 0].tolist() == pytest.approx([0.0, 5.0, 5.0, np.nan], nan_ok=True)


def test_a_section_is_as_steep_as_its_steepest_part_either_way() -> None:
    """Sixteen samples a column: 2 km down at 4 % and 2 km up at 5 % are both, and the ends are those of its samples."""
    d = np.arange(0.0, 20e3 + 1.0, 250.0)
    dip = np.where((d > 4e3) & (d <= 6e3), -0.04, np.where((d > 6e3) & (d <= 8e3), 0.05, 0.0))
    road = folded(make_route(20e3, grade=dip), 16)
    inside = (road.start_m >= 4e3) & (road.end_m < 8e3)
    assert road.down_grade[inside].min() == pytest.approx(-0.04)
    assert road.up_grade[inside].max() == pytest.approx(0.05)
    assert (road.start_m[1], road.end_m[1], road.edge_m[1], road.edge_m[-1]) == (2000.0, 3750.0, 1875.0, 20e3)
    assert road.length_m.sum() == pytest.approx(20e3)


def test_a_steep_sample_is_no_sustained_grade() -> None:
    """A single sample of 9 % is 22 m of height in 250 m of road: a truck crosses it, or the heights are wrong."""
    d = np.arange(0.0, 10e3 + 1.0, 250.0)
    road = folded(make_route(10e3, grade=np.where(d == 5e3, 0.09, 0.0)), 4)
    assert road.up_grade.max() < 0.03


@given(st.integers(1, 40), st.integers(20, 200))
def test_sections_take_up_the_road_once_and_are_never_long(samples_a_column: int, samples: int) -> None:
    route = make_route(samples * 250.0, spans=[("US-AA", 0, 3e3), ("US-BB", 3e3, samples * 250.0)])
    road = folded(route, samples_a_column)
    assert road.start_m.tolist() == route.distance_m[road.first].tolist()
    assert (road.end_m - road.start_m <= 2000.0).all()
    assert (np.diff(road.edge_m) >= 0.0).all()
    assert (road.at(route.distance_m[road.first]) <= np.arange(road.count)).all()
    here = [road.on(span) for span in route.jurisdictions]
    assert (here[0].start, here[-1].stop) == (0, road.count)


def test_zone_outline_is_placed_where_the_route_crosses_it() -> None:
    route = make_route(80e3, start_lon_deg=-116.2)
    lat, lon = float(route.lat_deg[0]), route.lon_deg
    west, east = float(lon[80]), float(lon[160])
    land = RuleZone(
        id="land", name="land", road="all roads", from_point=None, to_point=None,
        outline=((lat - 1, west), (lat + 1, west), (lat + 1, east), (lat - 1, east)),
    )  # fmt: skip
    (law,) = place_laws(folded(route), {"US-XX": replace(make_rules(), zones=(land,))}, make_rig())
    ((start_m, end_m),) = law.zone_spans["land"]
    assert start_m == pytest.approx(route.distance_m[80], abs=300.0)
    assert end_m == pytest.approx(route.distance_m[160], abs=300.0)
