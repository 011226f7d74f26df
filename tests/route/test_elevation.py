"""Smoothing, grade, climbs, and summits by prominence."""

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from alertd.route.elevation import NamedSummit, find_climbs, find_summits, grade_of, name_summits, smooth_elevation
from alertd.route.model import Array
from alertd.sources.files.places import read_named_summits
from alertd.units import FOOT_M

profiles = arrays(np.float64, st.integers(2, 60), elements=st.integers(0, 12).map(lambda h: 100.0 * h))


def along(n: int, spacing_m: float = 250.0) -> Array:
    return np.arange(n) * spacing_m


@given(grade=st.floats(-0.12, 0.12), n=st.integers(2, 200))
def test_constant_grade_passes_the_smoother_unchanged(grade: float, n: int) -> None:
    s = along(n, 25.0)
    elevation_m = 1000.0 + grade * s
    smooth = smooth_elevation(elevation_m, spacing_m=25.0)
    np.testing.assert_allclose(smooth, elevation_m, atol=1e-8)
    np.testing.assert_allclose(grade_of(smooth, s), grade, atol=1e-10)


def test_smoothing_does_not_move_a_crest_and_lowers_it_as_stated() -> None:
    s = along(401, 25.0)
    crest = 1500.0 - 0.06 * np.abs(s - 5000.0)
    smooth = smooth_elevation(crest, spacing_m=25.0)
    assert int(np.argmax(smooth)) == 200
    # Mean of |x| under a triangle of total length w is w / 6: 0.06 * 750 / 6 = 7.5 m; before that the median takes a
    # little off the top itself.
    assert 1500.0 - float(smooth.max()) == pytest.approx(7.5, abs=1.5)


def test_single_bad_height_does_not_survive_smoothing() -> None:
    elevation_m = np.full(200, 900.0)
    elevation_m[100] = 1400.0
    np.testing.assert_allclose(smooth_elevation(elevation_m, spacing_m=25.0), 900.0, atol=1e-9)


def test_unknown_height_stays_unknown() -> None:
    elevation_m = np.full(200, 900.0)
    elevation_m[100] = np.nan
    smooth = smooth_elevation(elevation_m, spacing_m=25.0)
    assert np.isnan(smooth[100])
    assert np.isfinite(smooth[:80]).all()


def brute_prominence(z: Array, i: int) -> float:
    """By definition: walk each way until higher ground or the end, remember the lowest place passed."""
    lows = []
    for walk in (range(i, -1, -1), range(i, z.size)):
        low = z[i]
        for j in walk:
            if z[j] > z[i]:
                break
            low = min(low, z[j])
        lows.append(low)
    return float(z[i] - max(lows))


def brute_summits(z: Array, least: float) -> dict[tuple[int, int], float]:
    found = {}
    for first in range(1, z.size - 1):
        last = first
        while last + 1 < z.size and z[last + 1] == z[first]:
            last += 1
        top = z[first - 1] < z[first] and last + 1 < z.size and z[last + 1] < z[first]
        if top and brute_prominence(z, first) >= least:
            found[first, last] = brute_prominence(z, first)
    return found


@given(z=profiles, least=st.sampled_from([100.0, 300.0]))
@settings(max_examples=4 * settings().max_examples)
def test_summits_are_those_of_the_definition_walked_by_hand(z: Array, least: float) -> None:
    expected = brute_summits(z, least)
    found = find_summits(along(z.size), z, min_prominence_m=least)
    assert len(found) == len(expected)
    for (i, prominence_m), ((first, last), by_hand_m) in zip(found, expected.items(), strict=True):
        assert first <= i <= last
        assert prominence_m == by_hand_m


def test_small_bump_on_a_climb_is_no_summit() -> None:
    z = np.array([500.0, 900.0, 850.0, 1400.0, 700.0])
    assert find_summits(along(5), z) == ((3, 700.0),)


def test_climb_of_one_grade_is_found_whole() -> None:
    s = along(81)
    z = np.interp(s, [0, 5000, 12000, 20000], [800, 800, 1220, 1220])
    (climb,) = find_climbs(s, z, grade_of(z, s))
    assert (climb.start_m, climb.end_m) == (5000.0, 12000.0)
    assert climb.rise_m == pytest.approx(420.0)
    assert climb.mean_grade == pytest.approx(0.06)
    assert climb.max_grade == pytest.approx(0.06)


def test_small_dip_does_not_break_a_climb_and_a_valley_does() -> None:
    s = along(81)
    dip = np.interp(s, [0, 5000, 5250, 10000, 20000], [800, 1100, 1090, 1400, 1400])
    valley = np.interp(s, [0, 5000, 8000, 13000, 20000], [800, 1100, 950, 1300, 1300])
    assert [(c.start_m, c.end_m) for c in find_climbs(s, dip, grade_of(dip, s))] == [(0.0, 10000.0)]
    assert [(c.start_m, c.end_m) for c in find_climbs(s, valley, grade_of(valley, s))] == [(0, 5000), (8000, 13000)]


def test_rise_under_60_m_or_grade_under_2_percent_is_no_climb() -> None:
    s = along(81)
    short = np.interp(s, [0, 5000, 6000], [800, 800, 859])
    gentle = 800.0 + 0.019 * s
    assert find_climbs(s, short, grade_of(short, s)) == ()
    assert find_climbs(s, gentle, grade_of(gentle, s)) == ()


@given(z=arrays(np.float64, st.integers(2, 80), elements=st.integers(0, 400).map(float)))
@settings(max_examples=3 * settings().max_examples)
def test_climbs_keep_their_definition_and_mirror(z: Array) -> None:
    """Upside down and backwards an upgrade is an upgrade again: the climbs are the same stretches, mirrored."""
    s = along(z.size)
    climbs = find_climbs(s, z, grade_of(z, s))
    for climb in climbs:
        assert climb.rise_m >= 60.0
        assert climb.mean_grade >= 0.02
        assert climb.end_m > climb.start_m
    assert all(a.end_m <= b.start_m for a, b in pairwise(climbs))
    turned = (500.0 - z)[::-1]
    mirrored = find_climbs(s, turned, grade_of(turned, s))
    assert [c.rise_m for c in mirrored[::-1]] == [c.rise_m for c in climbs]


def test_summit_takes_the_nearest_published_name_within_3_km() -> None:
    near = NamedSummit(name="Near", road="R", lat_deg=47.0, lon_deg=-115.01, elevation_m=None, source="invented")
    nearer = NamedSummit(name="Nearer", road="R", lat_deg=47.0, lon_deg=-115.001, elevation_m=None, source="invented")
    far = NamedSummit(name="Far", road="R", lat_deg=47.0, lon_deg=-115.05, elevation_m=None, source="invented")
    place = {
        "lat_deg": np.array([47.0]),
        "lon_deg": np.array([-115.0]),
        "distance_m": np.array([0.0]),
        "elevation_m": np.array([1000.0]),
    }
    assert name_summits([(0, 200.0)], **place, named=[near, nearer, far])[0].name == "Nearer"
    assert name_summits([(0, 200.0)], **place, named=[far])[0].name == ""


def test_a_pass_of_another_height_gives_no_name() -> None:
    # A road summit at 2,000 m is not the pass of 2,400 m two kilometres away; a tunnel below it has the pass's name.
    lat, lon, d = np.full(3, 47.0), np.array([-115.02, -115.0, -114.98]), np.array([0.0, 1_500.0, 3_000.0])
    elevation_m = np.array([1_700.0, 2_000.0, 1_700.0])

    def named(**about: object) -> str:
        given = {"road": "R", "lat_deg": 47.01, "lon_deg": -115.01, "source": "invented", "name": "High", **about}
        (summit,) = name_summits(
            [(1, 300.0)], lat_deg=lat, lon_deg=lon, distance_m=d, elevation_m=elevation_m,
            named=[NamedSummit(**given)],  # type: ignore[arg-type]
        )  # fmt: skip
        return summit.name

    assert named(elevation_m=2_400.0) == ""
    assert named(elevation_m=2_140.0) == "High"
    assert named(elevation_m=2_400.0, tunnel=True) == "High"
    assert named(elevation_m=None) == "High"
    assert named(elevation_m=2_000.0, lat_deg=47.04) == ""
    assert named(elevation_m=2_000.0, lat_deg=47.04, within_m=2_000.0) == "High"


def test_of_two_passes_within_reach_the_height_decides() -> None:
    # Lost Trail Pass (7,014 ft) and Chief Joseph Pass (7,241 ft) lie 1.3 km apart (heights as published).
    shipped = read_named_summits(Path(__file__).parents[2] / "config" / "summits.toml")
    lat, lon, d = np.array([45.68, 45.690, 45.70]), np.full(3, -113.940), np.array([0.0, 1_100.0, 2_200.0])
    for height_m, name in ((7_014 * FOOT_M, "Lost Trail Pass"), (7_241 * FOOT_M, "Chief Joseph Pass")):
        (summit,) = name_summits(
            [(1, 300.0)], lat_deg=lat, lon_deg=lon, distance_m=d, elevation_m=np.full(3, height_m), named=shipped
        )
        assert summit.name == name
