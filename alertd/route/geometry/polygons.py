"""Finds the runs of a route that touch an area of the map, given as polygons with holes."""

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from alertd.route.model import Array
from alertd.route.runs import runs_of

Span = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Area:
    """Polygons of one area. Each is an outer ring, then its holes; a ring is (vertex, 2) of (lon, lat) [deg]."""

    polygons: tuple[tuple[Array, ...], ...]


def spans_in(area: Area, lat_deg: Array, lon_deg: Array, distance_m: Array) -> list[Span]:
    """The runs (start_m, end_m) of a route that touch an area, in order, extended to whole samples.

    A run is never shorter than the road in the area.

    Parameters
    ----------
    lat_deg, lon_deg, distance_m : (sample,), two or more
    """
    west, east, south, north = lon_deg.min(), lon_deg.max(), lat_deg.min(), lat_deg.max()
    near = [
        shapely.Polygon(rings[0], rings[1:])
        for rings in area.polygons
        if rings[0][:, 0].min() <= east
        and rings[0][:, 0].max() >= west
        and rings[0][:, 1].min() <= north
        and rings[0][:, 1].max() >= south
    ]
    if not near:
        return []
    # Outlines from services may touch or cross themselves; the valid parts cover the same land.
    shape = shapely.union_all(shapely.make_valid(np.array(near)))
    shapely.prepare(shape)
    line = np.stack((lon_deg, lat_deg), axis=1)
    touched = shapely.intersects(shape, shapely.linestrings(np.stack((line[:-1], line[1:]), axis=1)))
    return [(float(distance_m[first]), float(distance_m[last + 1])) for first, last in runs_of(touched)]


def joined(spans: list[Span]) -> list[Span]:
    """Spans in order, with touching and overlapping spans merged."""
    out: list[Span] = []
    for start_m, end_m in sorted(spans):
        if out and start_m <= out[-1][1]:
            out[-1] = (out[-1][0], max(out[-1][1], end_m))
        else:
            out.append((start_m, end_m))
    return out


def inside_ring(corners: ArrayLike, x: ArrayLike, y: ArrayLike) -> NDArray[np.bool_]:
    """True where (x, y) is inside the ring, shape of x and y.

    corners: (corner, 2) in x and y, joined by straight lines and closed automatically. Fewer than three corners, or a
        corner that is not finite, give False everywhere.

    Where the ring crosses itself the even-odd rule applies.
    """
    ring = np.asarray(corners, dtype=np.float64)
    if len(ring) < 3 or not np.isfinite(ring).all():
        return np.zeros(np.shape(x), dtype=np.bool_)
    return np.asarray(shapely.contains_xy(shapely.Polygon(ring), x, y))
