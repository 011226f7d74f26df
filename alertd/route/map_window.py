"""Cuts the states' outlines to the window of a map around a route."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely

from alertd.route.jurisdictions import Boundaries
from alertd.route.model import Array, Route

_DETAIL: Final = 400.0  # outlines are drawn no finer than this part of the window
_SLIVER: Final = 0.01  # land that fills less of the window gets no name


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """A window in degrees."""

    west: float
    south: float
    east: float
    north: float

    @property
    def cos_lat(self) -> float:
        """Length of a degree east over that of a degree north, at the window's middle."""
        return float(np.cos(np.radians((self.south + self.north) / 2.0)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LandInView:
    """A state in a window, with its border lines there, each (vertex, 2) of (lon, lat) [deg].

    middle: (lon, lat) [deg] of the largest circle that fits in the state there, or None for a sliver.
    room_deg: the radius of that circle [deg].
    """

    code: str
    name: str
    borders: tuple[Array, ...]
    middle: tuple[float, float] | None
    room_deg: float


def box_around(route: Route, shape: tuple[float, float], margin: float = 0.09) -> Box:
    """The smallest window around a route whose height over width on the ground is within `shape` (least, most)."""
    return box_around_points(route.lon_deg, route.lat_deg, shape, margin)


def box_around_points(lon_deg: Array, lat_deg: Array, shape: tuple[float, float], margin: float = 0.09) -> Box:
    """The same around points [deg]."""
    west, east = float(lon_deg.min()), float(lon_deg.max())
    south, north = float(lat_deg.min()), float(lat_deg.max())
    cos = float(np.cos(np.radians((south + north) / 2.0)))
    wide, high = max((east - west) * cos, 0.02), max(north - south, 0.02)
    wide, high = wide * (1.0 + 2.0 * margin), high * (1.0 + 2.0 * margin)
    high = max(high, shape[0] * wide)
    wide = max(wide, high / shape[1])
    x, y = (west + east) / 2.0, (south + north) / 2.0
    return Box(west=x - wide / cos / 2.0, south=y - high / 2.0, east=x + wide / cos / 2.0, north=y + high / 2.0)


def lands_in(boundaries: Boundaries, box: Box) -> tuple[LandInView, ...]:
    """The states that a window shows, in the order of the boundaries."""
    edges = (box.west, box.south, box.east, box.north)
    window = shapely.box(*edges)
    out = []
    for land in boundaries.lands:
        rings = [r for r in land.polygons if _near(r[0], box)]
        if not rings:
            continue
        shape = shapely.union_all(shapely.make_valid(np.array([shapely.Polygon(r[0], r[1:]) for r in rings])))
        parts = shapely.get_parts(shapely.intersection(shape, window))  # of an edge along the window, lines too
        inside = shapely.union_all(parts[shapely.get_dimensions(parts) == 2])
        if inside.is_empty:
            continue
        lines = shapely.clip_by_rect(shapely.simplify(shape.boundary, (box.north - box.south) / _DETAIL), *edges)
        radius = shapely.maximum_inscribed_circle(inside)
        where = shapely.get_coordinates(radius)[0]
        named = inside.area > _SLIVER * window.area
        out.append(
            LandInView(
                code=land.code,
                name=land.name,
                borders=tuple(shapely.get_coordinates(x) for x in shapely.get_parts(lines)),
                middle=(float(where[0]), float(where[1])) if named else None,
                room_deg=float(shapely.length(radius)),
            )
        )
    return tuple(out)


def _near(ring: Array, box: Box) -> bool:
    (west, south), (east, north) = ring.min(axis=0), ring.max(axis=0)
    return bool(west <= box.east and east >= box.west and south <= box.north and north >= box.south)
