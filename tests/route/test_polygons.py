"""Runs of a route inside areas, on a straight road along 47.45 north; edges are read off the made longitudes."""

import numpy as np
import pytest

from alertd.route.geometry.polygons import Area, joined, spans_in
from alertd.testing.factories import M_PER_DEG_LON, make_route

ROUTE = make_route(60e3)


def ring(from_m: float, to_m: float, south: float = 47.4, north: float = 47.5) -> np.ndarray:
    west, east = (-116.5 + m / M_PER_DEG_LON for m in (from_m, to_m))
    return np.array([[west, south], [east, south], [east, north], [west, north], [west, south]])


def spans(*polygons: tuple[np.ndarray, ...]) -> list[tuple[float, float]]:
    return spans_in(Area(polygons=polygons), ROUTE.lat_deg, ROUTE.lon_deg, ROUTE.distance_m)


def test_polygon_covers_whole_chords_and_is_never_too_short() -> None:
    assert spans((ring(15.1e3, 29.9e3),)) == [(15e3, 30e3)]
    assert spans((ring(-5e3, 70e3),)) == [(0.0, 60e3)]
    assert spans((ring(15.05e3, 15.06e3),)) == [(15e3, 15.25e3)]  # between two samples, and still met


def test_holes_are_outside_and_parts_are_apart() -> None:
    assert spans((ring(10.1e3, 50.1e3), ring(20.1e3, 39.9e3, 47.42, 47.48))) == [(10e3, 20.25e3), (39.75e3, 50.25e3)]
    assert spans((ring(5.1e3, 9.9e3),), (ring(20.1e3, 29.9e3),)) == [(5e3, 10e3), (20e3, 30e3)]


def test_what_lies_elsewhere_holds_nothing() -> None:
    assert spans((ring(10e3, 20e3, 48.4, 48.5),)) == []
    assert spans() == []


def test_an_outline_that_crosses_itself_still_holds_its_land() -> None:
    bow = ring(10e3, 30e3)[[0, 2, 1, 3, 0]]
    ((start_m, end_m),) = joined(spans((bow,)))
    assert (start_m, end_m) == pytest.approx((10e3, 30e3), abs=10_500.0)


def test_spans_that_touch_are_one() -> None:
    assert joined([(5.0, 7.0), (0.0, 2.0), (2.0, 3.0), (6.0, 6.5)]) == [(0.0, 3.0), (5.0, 7.0)]
