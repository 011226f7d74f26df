"""Passes from foot to foot: by hand on made profiles, and the same for a rough, a smooth and a reversed track."""

import numpy as np
import pytest

from alertd.route.model import Route
from alertd.route.passes import on_passes, passes_of
from alertd.testing.factories import make_route

KM = 1000.0


def passes(route: Route) -> tuple[tuple[float, float], ...]:
    return passes_of(route, 0.02, 120.0, 8_000.0)


def profile(*legs: tuple[float, float], length_km: float) -> Route:
    """Legs (from km, grade) on a road that is level before the first."""
    d = np.arange(0.0, length_km * KM + 125.0, 250.0)
    grade = np.zeros(d.shape)
    for from_km, slope in legs:
        grade[d >= from_km * KM] = slope
    return make_route(length_km * KM, grade=grade)


def test_an_even_climb_and_its_descent_are_one_pass() -> None:
    """25 km up and 20 km down at 2.5 %, no sample of 3 %, a level km on top."""
    ((start_m, end_m),) = passes(profile((20, 0.025), (45, 0.0), (46, -0.025), (66, 0.0), length_km=80))
    assert start_m == pytest.approx(20 * KM, abs=1_000)
    assert end_m == pytest.approx(66 * KM, abs=1_000)


def test_a_valley_between_two_passes_belongs_to_neither() -> None:
    legs = (10, 0.03), (20, -0.03), (30, 0.0), (36, 0.03), (46, -0.03), (56, 0.0)
    first, second = passes(profile(*legs, length_km=70))
    assert first[1] == pytest.approx(30 * KM, abs=1_000)
    assert second[0] == pytest.approx(36 * KM, abs=1_000)


def test_a_long_high_plain_is_no_summit() -> None:
    assert len(passes(profile((10, 0.03), (20, 0.0), (40, -0.03), (50, 0.0), length_km=60))) == 2


@pytest.mark.parametrize(("grade", "length_km"), [(0.06, 1.5), (0.01, 40.0)])
def test_a_short_ramp_and_a_gentle_slope_are_no_passes(grade: float, length_km: float) -> None:
    assert passes(profile((10, grade), (10 + length_km, 0.0), length_km=70)) == ()


def test_a_climb_counts_from_a_mean_grade_of_two_percent() -> None:
    assert passes(profile((10, 0.019), (30, 0.0), length_km=40)) == ()
    assert len(passes(profile((10, 0.0225), (30, 0.0), length_km=40))) == 1


@pytest.mark.parametrize("seed", range(5))
def test_rough_heights_move_no_pass_by_much(seed: int) -> None:
    """15 m of error in the heights of a track, at each of its samples, as consumer receivers have it."""
    smooth = profile((20, 0.025), (45, 0.0), (46, -0.025), (66, 0.0), length_km=80)
    heights = smooth.elevation_m + np.random.default_rng(seed).normal(0.0, 15.0, smooth.elevation_m.shape)
    rough = make_route(80 * KM, grade=np.gradient(heights, smooth.distance_m))
    (was,), (now,) = passes(smooth), passes(rough)
    assert now == pytest.approx(was, abs=3_000)


def test_a_reversed_road_has_the_same_pass() -> None:
    legs = (20, 0.025), (45, 0.0), (46, -0.03), (66, 0.0)
    there = profile(*legs, length_km=80)
    back = make_route(80 * KM, grade=-there.grade[::-1])
    (a,), (b,) = passes(there), passes(back)
    assert (80 * KM - b[1], 80 * KM - b[0]) == pytest.approx(a, abs=500)


def test_what_lies_on_a_pass() -> None:
    assert on_passes(np.asarray([0.0, 1.0, 2.0, 3.0]), ((1.0, 2.0),)).tolist() == [False, True, True, False]
    assert on_passes(np.asarray([0.0]), ()).tolist() == [False]


def test_climbs_of_one_ascent_are_one_pass() -> None:
    """Two climbs with 20 km at 1 % between them and a descent; with level road between, two passes."""
    rising = (10, 0.03), (20, 0.01), (40, 0.03), (50, -0.03), (60, 0.0)
    level = (10, 0.03), (20, 0.0), (40, 0.03), (50, -0.03), (60, 0.0)
    assert len(passes(profile(*rising, length_km=70))) == 1
    assert len(passes(profile(*level, length_km=70))) == 2
    back = profile(*rising, length_km=70)
    ((start_m, end_m),) = passes(make_route(70 * KM, grade=-back.grade[::-1]))
    assert (start_m, end_m) == pytest.approx((10 * KM, 60 * KM), abs=1_000)
