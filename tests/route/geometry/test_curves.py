"""Speeds in curves: circles of known radius, straight road under noise, sampling, and drive times of mountain roads."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.speeds import elapsed_s, free_speed_mps
from alertd.route.build import build_route
from alertd.route.geometry.clean import clean_line
from alertd.route.model import GpxLine, Route
from alertd.route.project import find_passes
from alertd.sources.files.gpx.read import read_gpx
from alertd.units import GRAVITY_MPS2, KMH_MPS

DEG_M = 111_195.0
LAT, LON = 46.5, 9.0
SHARED = Path(__file__).parents[4] / "shared" / "gpx"


def over(x_m: object, y_m: object, heights: object = 800.0) -> Route:
    x, y = np.asarray(x_m, dtype=float), np.asarray(y_m, dtype=float)
    line = GpxLine(
        name="n",
        lat_deg=LAT + y / DEG_M,
        lon_deg=LON + x / (DEG_M * np.cos(np.radians(LAT))),
        elevation_m=np.array(np.broadcast_to(np.asarray(heights, dtype=float), x.shape)),
        segment_starts=np.array([0], dtype=np.intp),
        sha256="",
        where="t.gpx",
    )
    return build_route(line)


def caps(route: Route) -> np.ndarray:
    assert route.curve_mps is not None
    return route.curve_mps


def bends(radius_m: float, turn_rad: float, times: int, apart_m: float) -> tuple[np.ndarray, np.ndarray]:
    """Bends of one radius, left and right in turn, with half a radius of straight road between."""
    step = 2.0
    arc = np.full(max(int(radius_m * turn_rad / step), 1), step / radius_m)
    gap = np.zeros(max(int(0.5 * radius_m / step), 1))
    turn = np.concatenate([part for i in range(times) for part in (gap, arc if i % 2 else -arc)])
    heading = np.cumsum(turn)
    x, y = (np.concatenate(([0.0], np.cumsum(step * f(heading)))) for f in (np.cos, np.sin))
    every = max(round(apart_m / step), 1)
    return x[::every], y[::every]


@pytest.mark.parametrize("radius_m", [150.0, 250.0, 350.0])
def test_circle_gives_the_speed_of_its_radius(radius_m: float) -> None:
    """v = sqrt(0.18 g R), see the source of the lateral acceleration in alertd.route.geometry.curves."""
    angle = np.linspace(0.0, 1.5 * np.pi, 400)
    inner = caps(over(radius_m * np.cos(angle), radius_m * np.sin(angle)))[1:-1]
    assert np.median(inner) == pytest.approx(np.sqrt(0.18 * GRAVITY_MPS2 * radius_m), rel=0.08)


@pytest.mark.parametrize("radius_m", [700.0, 1_500.0])
@pytest.mark.parametrize("apart_m", [25.0, 250.0])
def test_motorway_curves_are_no_limit(radius_m: float, apart_m: float) -> None:
    """AASHTO's least radius for 70 mph is about 620 m (2,040 ft at 8 % superelevation, from memory)."""
    x, y = bends(radius_m, 0.8, 12, apart_m)
    assert np.isinf(caps(over(x, y))).mean() > 0.97


@pytest.mark.parametrize("apart_m", [25.0, 50.0, 100.0, 250.0])
def test_noise_of_10_m_does_not_slow_a_straight_road(apart_m: float) -> None:
    rng = np.random.default_rng(5)
    x = np.arange(0.0, 40_000.0, apart_m)
    noisy = caps(over(x + rng.normal(0.0, 10.0, x.size), rng.normal(0.0, 10.0, x.size)))
    cruise_mps = 27.7  # 62 mph, the usual cruise speed
    assert (cruise_mps / np.minimum(noisy, cruise_mps)).mean() < 1.01


def test_straight_road_has_no_limit_at_all() -> None:
    x = np.arange(0.0, 20_000.0, 30.0)
    assert np.isinf(caps(over(x, 0.3 * x))).all()


def test_recorder_left_on_at_a_stop_costs_little_time() -> None:
    rng = np.random.default_rng(2)
    x = np.concatenate(
        (np.arange(0.0, 5e3, 20.0), np.full(120, 5e3) + rng.normal(0, 4, 120), np.arange(5e3, 10e3, 20.0))
    )
    y = np.concatenate((np.zeros(250), rng.normal(0, 4, 120), np.zeros(250)))
    route = over(x, y)
    assert caps(route).min() >= 4.5
    assert float((np.gradient(route.distance_m) / np.minimum(caps(route), 27.7)).sum()) < 600.0


def test_curves_slow_both_ways_alike() -> None:
    x, y = bends(60.0, 2.0, 60, 15.0)
    there, back = over(x, y), over(x[::-1], y[::-1])
    assert elapsed_s(there.distance_m, 1.0 / np.minimum(caps(there), 27.0))[-1] == pytest.approx(
        elapsed_s(back.distance_m, 1.0 / np.minimum(caps(back), 27.0))[-1], rel=0.01
    )


def minutes(route: Route) -> float:
    free = free_speed_mps(route.grade, 30_000.0, 300e3, PlanParams())
    return float(elapsed_s(route.distance_m, 1.0 / np.minimum(free, caps(route)))[-1] / 60.0)


@settings(max_examples=25)
@given(
    seed=st.integers(0, 10_000),
    radius_m=st.floats(120.0, 400.0),
    apart_m=st.sampled_from([12.0, 25.0, 40.0]),
    noise_m=st.floats(0.0, 2.0),
)
def test_resampling_and_noise_keep_the_time_within_3_percent(
    seed: int, radius_m: float, apart_m: float, noise_m: float
) -> None:
    rng = np.random.default_rng(seed)
    x, y = bends(radius_m, 1.2, 40, 10.0)
    again_x, again_y = bends(radius_m, 1.2, 40, apart_m)
    shaken = over(again_x + rng.normal(0, noise_m, again_x.size), again_y + rng.normal(0, noise_m, again_y.size))
    plain = over(x, y)
    per_km = minutes(shaken) / shaken.length_m, minutes(plain) / plain.length_m
    assert per_km[0] == pytest.approx(per_km[1], rel=0.03)


# Swiss passes with their ends and a car's usual minutes in summer: common practice, no source. A truck may drive 80
# km/h and is at most a third slower than a car on such roads. A plan is right from a tenth below to a third above.
PASSES = {
    "Furka": ((46.598, 8.502), (46.562, 8.362), 32.0),
    "Fluela": ((46.80, 9.84), (46.75, 10.08), 31.0),
    "Spluegen": ((46.553, 9.32), (46.325, 9.40), 58.0),
    "Nufenen": ((46.506, 8.309), (46.528, 8.600), 45.0),
    "Oberalp": ((46.636, 8.594), (46.703, 8.855), 32.0),
    "Albula": ((46.58, 9.92), (46.63, 9.745), 30.0),
}


@pytest.fixture(scope="module")
def swiss_passes() -> Route:
    return build_route(clean_line(read_gpx(SHARED / "ch_GiroPassiSvizzeri2025.gpx")))


@pytest.mark.needs_shared
@pytest.mark.parametrize(("start", "end", "car_min"), PASSES.values(), ids=PASSES)
def test_mountain_roads_take_their_known_times(
    swiss_passes: Route, start: tuple[float, float], end: tuple[float, float], car_min: float
) -> None:
    route = swiss_passes
    free = np.minimum(free_speed_mps(route.grade, 30_000.0, 300e3, PlanParams()), 80.0 * KMH_MPS)
    reach_s = elapsed_s(route.distance_m, 1.0 / np.minimum(free, caps(route)))
    ends = [[m for m, _ in find_passes(route, *p, max_offset_m=1_500.0)] for p in (start, end)]
    a, b = sorted(min(((x, y) for x in ends[0] for y in ends[1]), key=lambda pair: abs(pair[0] - pair[1])))
    took_min, unlimited_min = (
        float(np.diff(np.interp([a, b], route.distance_m, s))[0] / 60.0)
        for s in (reach_s, elapsed_s(route.distance_m, 1.0 / free))
    )
    assert 0.9 * car_min <= took_min <= 1.35 * car_min
    assert took_min > 1.1 * unlimited_min
