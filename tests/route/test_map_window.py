"""The window of a map and the outlines in it."""

import numpy as np
import pytest

from alertd.route.jurisdictions import Boundaries, Land
from alertd.route.map_window import box_around, lands_in
from alertd.testing.factories import make_route


def _square(code: str, west: float, south: float, east: float, north: float) -> Land:
    ring = np.asarray([(west, south), (east, south), (east, north), (west, north), (west, south)])
    return Land(code=code, name=code, polygons=((ring,),))


def test_window_holds_the_route_in_the_shape_asked_for() -> None:
    route = make_route(100e3)
    box = box_around(route, (0.5, 1.0))
    assert box.west < route.lon_deg.min()
    assert box.east > route.lon_deg.max()
    assert box.south < 47.45 < box.north
    assert (box.north - box.south) / ((box.east - box.west) * box.cos_lat) == pytest.approx(0.5, rel=1e-3)


def test_only_land_in_the_window_is_named_and_cut_at_the_edge() -> None:
    box = box_around(make_route(100e3), (0.5, 1.0))
    middle = (box.west + box.east) / 2.0
    lands = Boundaries(
        lands=(
            _square("A", box.west - 5.0, 40.0, middle, 55.0),
            _square("B", middle, 40.0, box.east + 5.0, 55.0),
            _square("C", 0.0, 40.0, 5.0, 55.0),
        )
    )
    a, b = lands_in(lands, box)
    assert (a.code, b.code) == ("A", "B")
    for land in (a, b):
        (border,) = land.borders
        assert border[:, 0] == pytest.approx(middle)
        assert sorted(border[:, 1]) == pytest.approx([box.south, box.north])
    assert a.middle is not None
    assert box.west < a.middle[0] < middle
    assert a.room_deg == pytest.approx((box.north - box.south) / 2.0, rel=0.05)


def test_a_land_that_also_runs_along_the_windows_edge_is_drawn() -> None:
    """The part in the window is then an area and a line together."""
    box = box_around(make_route(100e3), (0.5, 1.0))
    inside_lon, above = box.west + 0.2, box.north + 1.0
    corners = [
        (box.west - 1.0, box.south - 1.0), (inside_lon, box.south - 1.0), (inside_lon, box.north),
        (box.east, box.north), (box.east, above), (box.west - 1.0, above), (box.west - 1.0, box.south - 1.0),
    ]  # fmt: skip
    (land,) = lands_in(Boundaries(lands=(Land(code="A", name="A", polygons=((np.asarray(corners),),)),)), box)
    assert land.middle is not None
    assert box.west < land.middle[0] < inside_lon
