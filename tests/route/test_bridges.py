"""Which runs of a route lie on bridges: those along it, not those across it."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyproj import Geod

from alertd.route.bridges import Bridge, on_bridges, place_bridges
from alertd.route.build import build_route
from alertd.route.geometry.clean import CleanLine, clean_line
from alertd.route.model import BridgeSpan, GpxLine, Route

WGS84 = Geod(ellps="WGS84")


def line_over(lon_deg: object) -> CleanLine:
    lon = np.array(lon_deg, dtype=float)
    return clean_line(
        GpxLine(
            name="n",
            lat_deg=np.full(lon.shape, 47.0),
            lon_deg=lon,
            elevation_m=np.full(lon.shape, 900.0),
            segment_starts=np.array([0], dtype=np.intp),
            sha256="",
            where="t.gpx",
        )
    )


OUT, BACK = np.linspace(-116.0, -115.5, 500), np.linspace(-115.5, -116.0, 500)
EAST: Route = build_route(line_over(OUT))  # 38 km
THERE_AND_BACK: Route = build_route(line_over([*OUT, *BACK[1:]]))


def bridge(at_m: float, length_m: float, *, off_m: float = 0.0, turned_deg: float = 0.0, name: str = "Larch") -> Bridge:
    """A straight bridge with its middle off_m right of EAST at at_m, turned away from the road; by pyproj's geodesics.

    EAST runs along a parallel, which a geodesic leaves by less than 1 m in the lengths used here.
    """
    mid_lon = float(np.interp(at_m, EAST.distance_m, EAST.lon_deg))
    lon, lat, _ = WGS84.fwd(mid_lon, 47.0, 180.0, off_m)
    ends = [WGS84.fwd(lon, lat, 90.0 + turned_deg + way, length_m / 2.0) for way in (180.0, 0.0)]
    return Bridge(name=name, lat_deg=tuple(e[1] for e in ends), lon_deg=tuple(e[0] for e in ends))


@given(at_m=st.floats(2_000.0, 36_000.0), length_m=st.floats(20.0, 3_000.0), off_m=st.floats(-50.0, 50.0))
def test_a_bridge_along_the_route_is_placed_from_end_to_end(at_m: float, length_m: float, off_m: float) -> None:
    (span,) = place_bridges(EAST, [bridge(at_m, length_m, off_m=off_m)])
    assert (span.start_m, span.end_m) == pytest.approx((at_m - length_m / 2, at_m + length_m / 2), abs=2.0)
    assert span.name == "Larch"


@pytest.mark.parametrize(
    "turned_deg", [90.0, 60.0, 45.0, 35.0, -35.0, 145.0], ids=lambda deg: f"turned {deg:.0f} degrees"
)
@pytest.mark.parametrize("length_m", [30.0, 80.0, 300.0])
def test_road_on_its_own_crossing_bridge_is_not_on_ours(length_m: float, turned_deg: float) -> None:
    assert place_bridges(EAST, [bridge(10e3, length_m, turned_deg=turned_deg)]) == ()


@pytest.mark.parametrize("turned_deg", [0.0, 15.0, -20.0, 180.0])
def test_bridge_may_be_askew_and_drawn_from_either_end(turned_deg: float) -> None:
    assert len(place_bridges(EAST, [bridge(10e3, 100.0, turned_deg=turned_deg)])) == 1


def test_a_bridge_off_the_route_or_beyond_its_end_is_not_on_it() -> None:
    assert place_bridges(EAST, [bridge(10e3, 200.0, off_m=120.0)]) == ()
    assert place_bridges(build_route(line_over(OUT[:250])), [bridge(30e3, 200.0)]) == ()


def test_a_trip_that_starts_on_a_bridge_is_on_the_rest_of_it() -> None:
    (span,) = place_bridges(EAST, [bridge(50.0, 400.0)])
    assert (span.start_m, span.end_m) == pytest.approx((0.0, 250.0), abs=10.0)


def test_a_bridge_driven_twice_is_there_twice() -> None:
    spans = place_bridges(THERE_AND_BACK, [bridge(10e3, 200.0)])
    whole_m = THERE_AND_BACK.length_m
    middles = [0.5 * (s.start_m + s.end_m) for s in spans]
    assert middles == pytest.approx([10e3, whole_m - 10e3], abs=5.0)


def test_parts_and_twins_are_one_bridge_and_their_names_are_kept() -> None:
    parts = [bridge(10e3, 200.0, name="A"), bridge(10_230.0, 200.0, name=""), bridge(10_420.0, 180.0, name="B")]
    twins = [bridge(10e3, 200.0, off_m=off, name="A") for off in (-12.0, 12.0)]
    (span,) = place_bridges(EAST, [*parts, *twins])
    assert span.name == "A / B"
    assert (span.start_m, span.end_m) == pytest.approx((9_900.0, 10_510.0), abs=2.0)
    assert len(place_bridges(EAST, [bridge(10e3, 200.0), bridge(10_300.0, 200.0)])) == 2


def test_bridge_is_on_the_samples_it_covers_or_the_nearest() -> None:
    d = np.arange(0.0, 3_000.0, 250.0)

    def on(start_m: float, end_m: float) -> list[float]:
        return d[on_bridges(d, [BridgeSpan(name="", start_m=start_m, end_m=end_m)])].tolist()

    assert on(990.0, 1_510.0) == [1_000.0, 1_250.0, 1_500.0]
    assert on(900.0, 960.0) == [1_000.0]
    assert on(0.0, 20.0) == [0.0]
    assert not on_bridges(d, []).any()


def test_the_route_is_built_with_its_bridges() -> None:
    route = build_route(line_over(OUT), bridges=[bridge(10e3, 100.0), bridge(5e3, 100.0, turned_deg=90.0)])
    assert [s.name for s in route.bridges] == ["Larch"]
    assert EAST.bridges == ()
