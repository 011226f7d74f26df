"""Geodesics on the WGS 84 ellipsoid: distance and bearing between places, and places between two.

The formulas are those of T. Vincenty, "Direct and inverse solutions of geodesics on the ellipsoid with application of
nested equations", Survey Review 23 (176), 1975, pp. 88-93. They are good to 0.1 mm, except between places that are
nearly opposite on the earth, where the distance is too long or short by kilometres; no road leads so far. A library of
projections (pyproj) would do the same and is a fifth of an installation; the tests compare with it.
"""

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from alertd.route.model import Array

# NGA.STND.0036, "World Geodetic System 1984", table 3.1: semi-major axis [m] and flattening.
A_M: Final = 6_378_137.0
F: Final = 1.0 / 298.257223563
_B_M: Final = A_M * (1.0 - F)
E2: Final = F * (2.0 - F)  # first eccentricity squared
_EP2: Final = E2 / (1.0 - E2)  # second eccentricity squared
_SAME_RAD: Final = 1e-13  # less than a micrometre on the ground
_MOST_ROUNDS: Final = 20  # three to six do, except for nearly opposite places


def distances_m(from_lon: ArrayLike, from_lat: ArrayLike, to_lon: ArrayLike, to_lat: ArrayLike) -> Array:
    """Shortest distance [m] between places in degrees, of the arguments' common shape."""
    return azimuths_and_distances(from_lon, from_lat, to_lon, to_lat)[1]


def azimuths_and_distances(
    from_lon: ArrayLike, from_lat: ArrayLike, to_lon: ArrayLike, to_lat: ArrayLike
) -> tuple[Array, Array]:
    """Bearing [degrees from north, -180 to 180] at the first place, and distance [m], of the arguments' common shape.

    The bearing between two equal places is 0.
    """
    lon_1, lat_1, lon_2, lat_2 = (
        np.radians(np.asarray(v, dtype=np.float64)) for v in (from_lon, from_lat, to_lon, to_lat)
    )
    sin_1, cos_1 = _reduced(lat_1)
    sin_2, cos_2 = _reduced(lat_2)
    apart = np.remainder(lon_2 - lon_1 + np.pi, 2.0 * np.pi) - np.pi
    on_sphere = apart
    for _ in range(_MOST_ROUNDS):
        east, north = cos_2 * np.sin(on_sphere), cos_1 * sin_2 - sin_1 * cos_2 * np.cos(on_sphere)
        sin_s = np.hypot(east, north)
        cos_s = sin_1 * sin_2 + cos_1 * cos_2 * np.cos(on_sphere)
        arc = np.arctan2(sin_s, cos_s)
        sin_a = np.divide(cos_1 * east, sin_s, out=np.zeros_like(sin_s), where=sin_s > 0.0)
        cos2_a = 1.0 - sin_a**2
        middle = cos_s - 2.0 * np.divide(sin_1 * sin_2, cos2_a, out=np.zeros_like(sin_s), where=cos2_a > _SAME_RAD)
        c = F / 16.0 * cos2_a * (4.0 + F * (4.0 - 3.0 * cos2_a))
        turned = (1.0 - c) * F * sin_a * (arc + c * sin_s * (middle + c * cos_s * (2.0 * middle**2 - 1.0)))
        before, on_sphere = on_sphere, np.clip(apart + turned, -np.pi, np.pi)
        if np.all(np.abs(on_sphere - before) < _SAME_RAD):
            break
    scale, b = _series(cos2_a)
    return np.degrees(np.arctan2(east, north)), scale * (arc - _nested(b, sin_s, cos_s, middle))


def points_between(
    from_lon: float, from_lat: float, to_lon: float, to_lat: float, points_n: int
) -> NDArray[np.float64]:
    """Places that divide the way between two places into equal parts, (points_n, 2): longitude, latitude [degrees]."""
    azimuth, whole_m = azimuths_and_distances(from_lon, from_lat, to_lon, to_lat)
    parts_m = float(whole_m) * np.arange(1, points_n + 1) / (points_n + 1)
    lon, lat = destinations(from_lon, from_lat, float(azimuth), parts_m)
    return np.column_stack((lon, lat))


def destinations(
    lon_deg: ArrayLike, lat_deg: ArrayLike, azimuth_deg: ArrayLike, length_m: ArrayLike
) -> tuple[Array, Array]:
    """Longitude (-180 to 180) and latitude [degrees] of the places that lie so far in these directions."""
    lon, lat, azimuth = (np.radians(np.asarray(v, dtype=np.float64)) for v in (lon_deg, lat_deg, azimuth_deg))
    sin_u, cos_u = _reduced(lat)
    sin_z, cos_z = np.sin(azimuth), np.cos(azimuth)
    first = np.arctan2(sin_u, cos_u * cos_z)
    sin_a = cos_u * sin_z
    cos2_a = 1.0 - sin_a**2
    scale, b = _series(cos2_a)
    even = np.asarray(length_m, dtype=np.float64) / scale
    arc = even
    for _ in range(_MOST_ROUNDS):
        middle, sin_s, cos_s = np.cos(2.0 * first + arc), np.sin(arc), np.cos(arc)
        before, arc = arc, even + _nested(b, sin_s, cos_s, middle)
        if np.all(np.abs(arc - before) < _SAME_RAD):
            break
    middle, sin_s, cos_s = np.cos(2.0 * first + arc), np.sin(arc), np.cos(arc)
    across = sin_u * sin_s - cos_u * cos_s * cos_z
    lat_2 = np.arctan2(sin_u * cos_s + cos_u * sin_s * cos_z, (1.0 - F) * np.hypot(sin_a, across))
    on_sphere = np.arctan2(sin_s * sin_z, cos_u * cos_s - sin_u * sin_s * cos_z)
    c = F / 16.0 * cos2_a * (4.0 + F * (4.0 - 3.0 * cos2_a))
    turned = (1.0 - c) * F * sin_a * (arc + c * sin_s * (middle + c * cos_s * (2.0 * middle**2 - 1.0)))
    lon_2 = np.remainder(lon + on_sphere - turned + np.pi, 2.0 * np.pi) - np.pi
    return np.degrees(lon_2), np.degrees(lat_2)


def _reduced(lat: Array) -> tuple[Array, Array]:
    """Sine and cosine of the reduced latitude."""
    reduced = np.arctan((1.0 - F) * np.tan(lat))
    return np.sin(reduced), np.cos(reduced)


def _series(cos2_a: Array) -> tuple[Array, Array]:
    """b * A [m] and B of Vincenty's equations 3 and 4."""
    u2 = cos2_a * _EP2
    a = 1.0 + u2 / 16384.0 * (4096.0 + u2 * (-768.0 + u2 * (320.0 - 175.0 * u2)))
    return _B_M * a, u2 / 1024.0 * (256.0 + u2 * (-128.0 + u2 * (74.0 - 47.0 * u2)))


def _nested(b: Array, sin_s: Array, cos_s: Array, middle: Array) -> Array:
    """Vincenty's equation 6: the difference of the arcs on ellipsoid and sphere [rad]."""
    inner = b / 6.0 * middle * (4.0 * sin_s**2 - 3.0) * (4.0 * middle**2 - 3.0)
    return b * sin_s * (middle + b / 4.0 * (cos_s * (2.0 * middle**2 - 1.0) - inner))
