"""Turns the points of a real road, as in `fixtures/roads/roads.csv`, into a GPX file or a model's terrain."""

import csv
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Self

import numpy as np
from numpy.typing import ArrayLike

from alertd.route.model import Route
from alertd.testing.weather.derived_weather import Array

EARTH_M: Final = 6_371_009.0  # mean radius of the earth
STEEPEST: Final = 0.045  # mean grade between two points; the cubic is up to 1.5 times as steep
BEND_M: Final = 4_000.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Road:
    """A road: its name, and places with coordinates [deg] and heights [m], arrays (point,)."""

    name: str
    places: tuple[str, ...]
    lat_deg: Array
    lon_deg: Array
    height_m: Array

    @property
    def summit_m(self) -> float:
        """Height of the highest point."""
        return float(self.height_m.max())

    def reversed(self) -> Self:
        """The road in the other direction."""
        return type(self)(
            name=f"{self.name}, reverse",
            places=self.places[::-1],
            lat_deg=self.lat_deg[::-1],
            lon_deg=self.lon_deg[::-1],
            height_m=self.height_m[::-1],
        )

    def samples(self, spacing_m: float = 100.0) -> tuple[Array, Array, Array]:
        """Latitude, longitude and height at equal distances; heights have no overshoot between the points.

        Between points the heights follow a monotone cubic (Fritsch and Carlson 1980, harmonic mean of slopes). Straight
        lines are shorter than the road: where they would be too steep, bends make up the length.
        """
        phi, lam = np.radians(self.lat_deg), np.radians(self.lon_deg)
        north_m, east_m = EARTH_M * np.diff(phi), EARTH_M * np.diff(lam) * np.cos(0.5 * (phi[1:] + phi[:-1]))
        straight_m = np.hypot(north_m, east_m)
        length_m = np.maximum(straight_m, np.abs(np.diff(self.height_m)) / STEEPEST)
        d = np.append(0.0, np.cumsum(length_m))
        at = np.append(np.arange(0.0, d[-1], spacing_m), d[-1])
        i = np.clip(np.searchsorted(d, at, side="right") - 1, 0, length_m.size - 1)
        share = (at - d[i]) / length_m[i]
        # A triangle wave of slope s lengthens a line by the root of 1 + s^2, everywhere by the same factor.
        waves = np.maximum(np.rint(straight_m / BEND_M), 1.0)
        slope = np.sqrt((length_m / straight_m) ** 2 - 1.0)
        phase = (waves[i] * share) % 1.0
        side_m = (slope * straight_m / waves)[i] * (np.abs((phase + 0.75) % 1.0 - 0.5) - 0.25)
        lat = np.interp(at, d, self.lat_deg) + np.degrees(side_m * (east_m / straight_m)[i] / EARTH_M)
        lon = np.interp(at, d, self.lon_deg) - np.degrees(
            side_m * (north_m / straight_m)[i] / EARTH_M / np.cos(np.interp(at, d, phi))
        )
        return lat, lon, _monotone_cubic(at, d, self.height_m)

    def gpx(self, spacing_m: float = 100.0) -> str:
        """The road as the text of a GPX 1.1 file with one track."""
        points = "\n".join(
            f'<trkpt lat="{lat:.5f}" lon="{lon:.5f}"><ele>{ele:.1f}</ele></trkpt>'
            for lat, lon, ele in zip(*self.samples(spacing_m), strict=True)
        )
        return (
            '<?xml version="1.0" encoding="UTF-8"?>\n'
            '<gpx version="1.1" creator="alertd" xmlns="http://www.topografix.com/GPX/1/1">\n'
            f"<trk><name>{self.name}</name><trkseg>\n{points}\n</trkseg></trk></gpx>\n"
        )

    def ground_m(self, lat_deg: ArrayLike, lon_deg: ArrayLike) -> Array:
        """A model's terrain height [m] at places: that of the nearest sample of the road, over 4 km."""
        lat, lon, height = self.samples(1000.0)
        smooth = np.convolve(np.pad(height, 2, mode="edge"), np.full(5, 0.2), mode="valid")
        return nearest_height_m(lat, lon, smooth, lat_deg, lon_deg)


def ground_of(routes: Iterable[Route]) -> Callable[[ArrayLike, ArrayLike], Array]:
    """A model's terrain: at each place the height of the nearest sample of these routes, about a kilometre apart."""
    thin = [(r.lat_deg[::4], r.lon_deg[::4], r.elevation_m[::4]) for r in routes]
    lat, lon, height = (np.concatenate(column) for column in zip(*thin, strict=True))

    def ground_m(lat_deg: ArrayLike, lon_deg: ArrayLike) -> Array:
        return nearest_height_m(lat, lon, height, lat_deg, lon_deg)

    return ground_m


def nearest_height_m(lat: Array, lon: Array, height_m: Array, lat_deg: ArrayLike, lon_deg: ArrayLike) -> Array:
    """Height of the sample (sample,) nearest to each place, of the places' broadcast shape."""
    at_lat, at_lon = np.broadcast_arrays(np.asarray(lat_deg, dtype=float), np.asarray(lon_deg, dtype=float))
    east = np.cos(np.radians(lat.mean()))
    away = (at_lat[..., None] - lat) ** 2 + (east * (at_lon[..., None] - lon)) ** 2
    return np.asarray(height_m[away.argmin(axis=-1)])


def read_roads(path: Path) -> dict[str, Road]:
    """Read the roads of a file by name. Raises OSError, KeyError and ValueError."""
    rows: dict[str, list[dict[str, str]]] = {}
    with path.open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            rows.setdefault(row["road"], []).append(row)

    def column(points: list[dict[str, str]], name: str) -> Array:
        return np.asarray([float(p[name]) for p in points])

    return {
        name: Road(
            name=name,
            places=tuple(p["place"] for p in points),
            lat_deg=column(points, "lat_deg"),
            lon_deg=column(points, "lon_deg"),
            height_m=column(points, "height_m"),
        )
        for name, points in rows.items()
    }


def _monotone_cubic(at: Array, x: Array, y: Array) -> Array:
    h, slope = np.diff(x), np.diff(y) / np.diff(x)
    w1, w2 = 2.0 * h[1:] + h[:-1], h[1:] + 2.0 * h[:-1]
    with np.errstate(divide="ignore", invalid="ignore"):
        inner = (w1 + w2) / (w1 / slope[:-1] + w2 / slope[1:])
    tangent = np.zeros_like(y)
    tangent[1:-1] = np.where(slope[:-1] * slope[1:] > 0.0, inner, 0.0)
    i = np.clip(np.searchsorted(x, at, side="right") - 1, 0, h.size - 1)
    t = (at - x[i]) / h[i]
    value = (1 + 2 * t) * (1 - t) ** 2 * y[i] + t * (1 - t) ** 2 * h[i] * tangent[i]
    value += t**2 * (3 - 2 * t) * y[i + 1] + t**2 * (t - 1) * h[i] * tangent[i + 1]
    return np.asarray(value)
