"""Parses a server's GeoJSON geometry into an area; None when no outline is readable."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from alertd.route.geometry.polygons import Area
from alertd.route.model import Array


def read_area(geometry: object) -> Area | None:
    """Parse a Polygon, MultiPolygon, or GeometryCollection of them. None when any part cannot be read."""
    try:
        polygons = tuple(_polygons(geometry))
    except (TypeError, ValueError, KeyError, IndexError):
        return None
    return Area(polygons=polygons) if polygons else None


def _polygons(geometry: Any) -> list[tuple[Array, ...]]:
    match geometry["type"]:
        case "Polygon":
            return [_rings(geometry["coordinates"])]
        case "MultiPolygon":
            return [_rings(rings) for rings in geometry["coordinates"]]
        case "GeometryCollection":
            return [polygon for one in geometry["geometries"] for polygon in _polygons(one)]
    raise ValueError("is not an area")


def _rings(coordinates: Sequence[Any]) -> tuple[Array, ...]:
    return tuple(_ring(ring) for ring in coordinates) if len(coordinates) else (_ring([]),)


def _ring(corners: Sequence[Any]) -> Array:
    ring = np.array([corner[:2] for corner in corners], dtype=np.float64)
    if ring.ndim != 2 or len(ring) < 4 or not np.isfinite(ring).all():
        raise ValueError("is not a ring")
    if (np.abs(ring[:, 0]) > 180.0).any() or (np.abs(ring[:, 1]) > 90.0).any():
        raise ValueError("is nowhere on Earth")
    ring.flags.writeable = False
    return ring


def geometry_of(area: Area) -> Mapping[str, Any]:
    """Return the area as GeoJSON."""
    return {"type": "MultiPolygon", "coordinates": [[ring.tolist() for ring in rings] for rings in area.polygons]}
