"""Distances, bearings and places on the ellipsoid against pyproj (Karney's algorithm) and a worked example."""

import numpy as np
import pytest
from pyproj import Geod

from alertd.route.geometry.geodesic import azimuths_and_distances, destinations, distances_m, points_between

WGS84 = Geod(ellps="WGS84")


@pytest.mark.parametrize("length_m", [0.1, 250.0, 5_000.0, 50_000.0, 1_000_000.0, 15_000_000.0])
def test_distances_and_bearings_are_those_of_pyproj(length_m: float) -> None:
    rng = np.random.default_rng(int(length_m))
    lon, lat, azimuth = rng.uniform(-180, 180, 2000), rng.uniform(-85, 85, 2000), rng.uniform(-180, 180, 2000)
    to_lon, to_lat, _ = WGS84.fwd(lon, lat, azimuth, np.full(2000, length_m))
    bearing, apart_m = azimuths_and_distances(lon, lat, to_lon, to_lat)
    np.testing.assert_allclose(apart_m, length_m, atol=2e-4)
    turned = np.abs((bearing - azimuth + 180.0) % 360.0 - 180.0) * np.radians(1.0) * min(length_m, 1e6)
    assert turned.max() < 1e-3  # metres off the line at its end
    at_lon, at_lat = destinations(lon, lat, azimuth, np.full(2000, length_m))
    assert WGS84.inv(at_lon, at_lat, to_lon, to_lat)[2].max() < 2e-4


def test_worked_example_of_a_survey_handbook() -> None:
    """Flinders Peak to Buninyong on GRS 80, whose size is that of WGS 84 to 0.1 mm (ICSM, GDA technical manual)."""
    peak = (144 + 25 / 60 + 29.52440 / 3600, -(37 + 57 / 60 + 3.72030 / 3600))
    town = (143 + 55 / 60 + 35.38390 / 3600, -(37 + 39 / 60 + 10.15610 / 3600))
    azimuth, apart_m = azimuths_and_distances(*peak, *town)
    assert float(apart_m) == pytest.approx(54_972.271, abs=1e-3)
    assert float(azimuth) % 360.0 == pytest.approx(306 + 52 / 60 + 5.37 / 3600, abs=1e-5)


def test_equal_places_poles_and_the_date_line_give_numbers() -> None:
    assert azimuths_and_distances(7.0, 46.0, 7.0, 46.0) == (0.0, 0.0)
    for a, b in (((-179.9, 60.0), (179.9, 60.0)), ((0.0, 0.0), (5.0, 0.0)), ((10.0, 89.0), (-170.0, 89.0))):
        assert float(distances_m(*a, *b)) == pytest.approx(WGS84.inv(*a, *b)[2], abs=1e-3)
    opposite = distances_m([0.0, 0.0], [0.0, 0.0], [180.0, 179.9], [0.0, 0.3])
    assert np.isfinite(opposite).all()
    assert (np.abs(opposite - 2.0e7) < 1e5).all()


def test_points_divide_the_way_into_equal_parts() -> None:
    between = points_between(179.5, 66.0, -179.0, 66.4, 9)
    np.testing.assert_allclose(between, WGS84.npts(179.5, 66.0, -179.0, 66.4, 9), atol=1e-9)
