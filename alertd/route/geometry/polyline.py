"""A line with the distances along it, and places at any of them."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from alertd.route.geometry.clean import CleanLine, leg_lengths_m
from alertd.route.geometry.geodesic import azimuths_and_distances, points_between
from alertd.route.model import Array

# Longer legs get points on the geodesic. At 60 degrees north a straight line in latitude and longitude departs from
# the geodesic by 0.8 m in 4 km, and by 120 m in 50 km.
_MAX_STRAIGHT_M: Final = 4_000.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Samples:
    """Places along a cleaned line, shapes (sample,)."""

    lat_deg: Array
    lon_deg: Array
    distance_m: Array


class Polyline:
    """A polyline with its distances. Longitudes continue past 180; long legs get points on their geodesic."""

    def __init__(self, line: CleanLine) -> None:
        legs = leg_lengths_m(line.lat_deg, line.lon_deg)
        lat, lon, ele = line.lat_deg, line.lon_deg, line.elevation_m
        places: NDArray[np.intp] = np.arange(lat.size)
        long = np.flatnonzero(legs > _MAX_STRAIGHT_M)
        for i in long[::-1]:
            n = int(legs[i] // _MAX_STRAIGHT_M)
            between = points_between(lon[i], lat[i], lon[i + 1], lat[i + 1], n)
            lon = np.insert(lon, i + 1, between[:, 0])
            lat = np.insert(lat, i + 1, between[:, 1])
            ele = np.insert(ele, i + 1, np.full(n, np.nan))
            places[i + 1 :] += n
        self._places = places
        self.points_n = places.size
        self.lat_deg = lat
        self.lon_deg = np.unwrap(lon, period=360.0)
        self.elevation_m = ele
        self.distance_m = np.concatenate(([0.0], np.cumsum(leg_lengths_m(lat, lon) if long.size else legs)))

    @property
    def length_m(self) -> float:
        return float(self.distance_m[-1])

    def index_of(self, point: NDArray[np.intp]) -> NDArray[np.intp]:
        """Indices of the line's own points in this path."""
        return self._places[point]

    def at(self, distance_m: Array) -> Samples:
        return Samples(
            lat_deg=np.interp(distance_m, self.distance_m, self.lat_deg),
            lon_deg=wrapped(np.interp(distance_m, self.distance_m, self.lon_deg)),
            distance_m=distance_m,
        )


def wrapped(lon_deg: Array) -> Array:
    """Longitudes within -180 to 180."""
    return np.where(np.abs(lon_deg) > 180.0, (lon_deg + 180.0) % 360.0 - 180.0, lon_deg)


def even(length_m: float, spacing_m: float) -> Array:
    """Even distances from 0 to the length, both included, with the spacing nearest to the one given."""
    return np.linspace(0.0, length_m, max(1, round(length_m / spacing_m)) + 1)


def bearings(path: Polyline, distance_m: Array) -> Array:
    """Azimuth of the chord from half a step before each sample to half a step after."""
    half = (distance_m[1] - distance_m[0]) / 2.0
    back, ahead = path.at(np.maximum(distance_m - half, 0.0)), path.at(np.minimum(distance_m + half, path.length_m))
    azimuth, _ = azimuths_and_distances(back.lon_deg, back.lat_deg, ahead.lon_deg, ahead.lat_deg)
    return np.asarray(azimuth, dtype=np.float64) % 360.0
