"""Where places lie along a route, and which stops a truck can pull into."""

from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyproj import Geod

from alertd.route.build import build_route
from alertd.route.geometry.clean import clean_line
from alertd.route.model import GpxLine, Route
from alertd.route.project import find_passes, interval_between, passes_of_many, project, snap_stops, spans_between
from alertd.route.stops import Stop, StopKind

WGS84 = Geod(ellps="WGS84")


def route_over(lat: object, lon: object) -> Route:
    lat_deg = np.array(lat, dtype=float)
    return build_route(
        clean_line(
            GpxLine(
                name="n",
                lat_deg=lat_deg,
                lon_deg=np.array(lon, dtype=float),
                elevation_m=np.full(lat_deg.shape, 900.0),
                segment_starts=np.array([0], dtype=np.intp),
                sha256="",
                where="t.gpx",
            )
        )
    )


EAST = route_over(np.full(500, 47.0), np.linspace(-116.0, -115.0, 500))  # 76 km
THERE_AND_BACK = route_over(
    np.full(999, 47.0), [*np.linspace(-116.0, -115.5, 500), *np.linspace(-115.5, -116.0, 500)[1:]]
)


def stop_at(lat_deg: float, lon_deg: float, **about: object) -> Stop:
    return Stop(id="s", name="S", kind=StopKind.TURNOUT, lat_deg=lat_deg, lon_deg=lon_deg, **about)


@given(
    s=st.floats(1_000.0, 75_000.0),
    off=st.floats(-5_000.0, 5_000.0),
)
def test_projection_gives_back_a_place_set_off_the_line(s: float, off: float) -> None:
    """Against geodesics by an independent library (pyproj's fwd): within 0.1 % of the offset, and 2 m."""
    lat = float(np.interp(s, EAST.distance_m, EAST.lat_deg))
    lon = float(np.interp(s, EAST.distance_m, EAST.lon_deg))
    bearing = float(np.interp(s, EAST.distance_m, EAST.bearing_deg))
    lon_off, lat_off, _ = WGS84.fwd(lon, lat, bearing + 90.0, off)
    along_m, offset_m = project(EAST, np.array([lat_off]), np.array([lon_off]))
    assert float(along_m[0]) == pytest.approx(s, abs=2.0 + abs(off) * 1e-3)
    assert float(offset_m[0]) == pytest.approx(off, abs=2.0 + abs(off) * 1e-3)


def test_offset_is_positive_to_the_right() -> None:
    _, offset_m = project(EAST, np.array([46.99, 47.01]), np.array([-115.5, -115.5]))
    assert np.sign(offset_m).tolist() == [1.0, -1.0]


def test_place_beyond_an_end_projects_on_the_end() -> None:
    along_m, offset_m = project(EAST, np.array([47.0]), np.array([-116.1]))
    assert float(along_m[0]) == 0.0
    assert abs(float(offset_m[0])) == pytest.approx(7_606, rel=0.002)


def test_unknown_place_is_nowhere() -> None:
    along_m, offset_m = project(EAST, np.array([np.nan, 47.0]), np.array([-115.5, -115.5]))
    assert np.isnan(along_m).tolist() == np.isnan(offset_m).tolist() == [True, False]


@pytest.mark.parametrize(
    ("about", "south", "north"),
    [
        ({}, True, False),  # not stated: the right side, which is south when driving east
        ({"serves_both": True}, True, True),
        ({"serves_bearing_deg": 90.0}, True, True),
        ({"serves_bearing_deg": 30.0}, True, True),
        ({"serves_bearing_deg": 270.0}, False, False),
    ],
)
def test_stop_is_used_only_by_the_traffic_it_serves(about: dict[str, object], south: bool, north: bool) -> None:
    assert bool(snap_stops(EAST, [stop_at(46.999, -115.5, **about)])) is south
    assert bool(snap_stops(EAST, [stop_at(47.001, -115.5, **about)])) is north


def test_side_of_traffic_changes_where_people_drive_on_the_left() -> None:
    assert snap_stops(EAST, [stop_at(47.001, -115.5)], left=[(0.0, EAST.length_m)])
    assert not snap_stops(EAST, [stop_at(46.999, -115.5)], left=[(0.0, EAST.length_m)])


def test_stop_too_far_off_is_not_on_the_route() -> None:
    assert snap_stops(EAST, [stop_at(46.98, -115.5, serves_both=True)]) == ()


def test_stop_passed_twice_is_given_twice_in_order() -> None:
    twice = snap_stops(THERE_AND_BACK, [stop_at(47.001, -115.8, serves_both=True)])
    assert [round(at.distance_m / 1000, 1) for at in twice] == [15.2, 60.8]
    assert twice[0].offset_m < 0 < twice[1].offset_m


def test_stop_for_one_direction_is_given_for_that_pass_only() -> None:
    (only,) = snap_stops(THERE_AND_BACK, [stop_at(47.001, -115.8, serves_bearing_deg=270.0)])
    assert only.distance_m == pytest.approx(60_800, abs=200)


def test_stops_come_in_order_along_the_route() -> None:
    stops = [stop_at(46.999, lon) for lon in (-115.2, -115.9, -115.5)]
    distances = [at.distance_m for at in snap_stops(EAST, stops)]
    assert distances == sorted(distances)
    assert len(distances) == 3


def test_one_bend_near_a_place_is_one_pass() -> None:
    assert len(find_passes(EAST, 47.0, -115.5, max_offset_m=2_000.0)) == 1


def place(km: float) -> tuple[float, float]:
    return 47.001, -116.0 + km / 76.06


def test_zone_with_both_ends_on_route_is_between_them_any_order() -> None:
    there = interval_between(EAST, place(20), place(50))
    assert there == interval_between(EAST, place(50), place(20))
    assert there is not None
    assert [round(s / 1000, 1) for s in there] == [20.0, 50.0]


def test_zone_that_reaches_past_the_route_is_clipped_at_its_end() -> None:
    assert interval_between(EAST, place(60), place(100)) == pytest.approx((60_000, EAST.length_m), rel=0.01)
    assert interval_between(EAST, place(-30), place(10)) == pytest.approx((0.0, 10_000), rel=0.01)


def test_route_that_turns_off_inside_a_zone_leaves_it_there() -> None:
    north = route_over(
        [*np.full(200, 47.0), *np.linspace(47.0, 48.0, 500)[1:]],
        [*np.linspace(-116.0, -115.5, 200), *np.full(499, -115.5)],
    )
    found = interval_between(north, place(20), place(60))
    assert found is not None
    assert found[0] == pytest.approx(20_000, abs=200)
    assert 38_000 < found[1] < 65_000 < north.length_m


def test_route_wholly_inside_a_zone_is_in_it() -> None:
    assert interval_between(EAST, place(-20), place(100)) == (0.0, EAST.length_m)


def test_zone_elsewhere_is_none() -> None:
    assert interval_between(EAST, (48.0, -115.9), (48.0, -115.1)) is None


def test_a_road_driven_there_and_back_has_a_part_each_way() -> None:
    """The route turns at its half: km 10 to 20 lie as far from the end on the way back."""

    def spans(a: float, b: float) -> list[tuple[float, float]]:
        places = [(47.0, float(np.interp(m, EAST.distance_m, EAST.lon_deg))) for m in (a, b)]
        return list(spans_between(THERE_AND_BACK, places[0], places[1], max_offset_m=500.0))

    whole_m = THERE_AND_BACK.length_m
    for ends in ((10e3, 20e3), (20e3, 10e3)):
        there, back = spans(*ends)
        assert there == pytest.approx((10e3, 20e3), abs=100.0)
        assert back == pytest.approx((whole_m - 20e3, whole_m - 10e3), abs=100.0)
    assert spans(50e3, 60e3) == []


def test_a_switchback_under_an_end_is_not_cut_off() -> None:
    """2 km east, back 300 m further north, then 20 km north: the road from the hairpins' foot begins at km 0."""
    corners, along = np.array([0.0, 2e3, 2.3e3, 4.3e3, 24e3]), np.arange(0.0, 24_001.0, 100.0)
    lon = -116.0 + np.interp(along, corners, [0.0, 2e3, 2e3, 0.0, 0.0]) / 75_800.0
    lat = 47.0 + np.interp(along, corners, [0.0, 0.0, 300.0, 300.0, 20e3]) / 111_200.0
    route = route_over(lat, lon)
    ((start_m, end_m),) = spans_between(route, (47.0, -116.0), (float(lat[-1]), -116.0), max_offset_m=500.0)
    assert start_m == pytest.approx(0.0, abs=100.0)
    assert end_m == pytest.approx(route.length_m, abs=100.0)


@pytest.mark.parametrize("lon_deg", [-117.0, 179.9], ids=["in the west", "over the date line"])
def test_passes_of_many_points_are_those_of_each(lon_deg: float) -> None:
    """Random points beside a line of bends, with offsets from 300 m to 40 km, and one that is unknown."""
    rng = np.random.default_rng(7)
    s = np.linspace(0.0, 1.0, 700)
    lat = 47.0 + 0.3 * np.sin(25.0 * s)
    lon = (lon_deg + 2.0 * s + 180.0) % 360.0 - 180.0
    bent = SimpleNamespace(lat_deg=lat, lon_deg=lon, distance_m=240e3 * s, bearing_deg=np.zeros(700))
    points = np.append(rng.uniform(46.5, 47.5, 150), np.nan)
    beside = np.append((rng.uniform(lon_deg - 0.5, lon_deg + 2.5, 150) + 180.0) % 360.0 - 180.0, 0.0)
    reach = rng.choice([300.0, 3e3, 40e3], 151)
    found = passes_of_many(bent, points, beside, reach)
    each = zip(points, beside, reach, strict=True)
    assert found == [find_passes(bent, a, o, max_offset_m=r) for a, o, r in each]
    assert sum(map(len, found)) > 100
    assert passes_of_many(bent, np.zeros(0), np.zeros(0), np.zeros(0)) == []
