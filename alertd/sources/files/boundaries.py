"""Reads the outlines of states, provinces and countries (TopoJSON, GeoJSON) as plain rings."""

import json
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

import numpy as np

from alertd.errors import ConfigError
from alertd.route.jurisdictions import Boundaries, Land
from alertd.route.model import Array

_HINT: Final = "rebuild the file as its README describes"
_MEET_DEG: Final = 1e-6  # 0.1 m, far below the grid of any of the files
_RING_LEAST: Final = 4  # points of a closed ring (RFC 7946, section 3.1.6)


def read_boundaries(*paths: Path) -> Boundaries:
    """Read the lands of one or more files, in order of trust: where two overlap, the earlier file's land wins.

    Each geometry has the properties `code` (ISO 3166) and `name`. A topology with `complete: true` states that all land
    is covered together with the other files. Raises ConfigError.
    """
    found = [_read(path) for path in paths]
    return Boundaries(lands=tuple(land for lands, _ in found for land in lands), complete=any(c for _, c in found))


def _read(path: Path) -> tuple[list[Land], bool]:
    """The lands of a file, and whether it completes them to all land."""
    try:
        content = json.loads(path.read_bytes())
    except OSError as exc:
        raise ConfigError(path.name, "", f"cannot be read ({exc.strerror})", "check the path") from exc
    except ValueError as exc:
        raise ConfigError(path.name, "", f"is not valid JSON ({exc})", _HINT) from exc
    kind = content.get("type") if isinstance(content, dict) else None
    try:
        if kind == "Topology":
            return _topology(content), content.get("complete") is True
        if kind == "FeatureCollection":
            lands = [
                _land(feature["properties"], feature["geometry"]["type"], feature["geometry"]["coordinates"])
                for feature in content["features"]
            ]
            return lands, False
    except (KeyError, TypeError, ValueError, IndexError) as exc:
        raise ConfigError(path.name, "geometries", f"invalid geometry ({exc!r})", _HINT) from exc
    raise ConfigError(path.name, "type", f"{kind!r} is neither Topology nor FeatureCollection", _HINT)


def _land(about: dict[str, Any], kind: str, coordinates: Sequence[Any]) -> Land:
    polygons = coordinates if kind == "MultiPolygon" else [coordinates]
    return Land(
        code=str(about["code"]),
        name=str(about["name"]),
        # A ring that quantisation collapsed to fewer points encloses no land.
        polygons=tuple(
            tuple(np.asarray(ring, dtype=np.float64) for ring in polygon if len(ring) >= _RING_LEAST)
            for polygon in polygons
            if len(polygon[0]) >= _RING_LEAST
        ),
    )


def _topology(content: dict[str, Any]) -> list[Land]:
    """Decode quantised arcs (TopoJSON 1.0, section 2.1.2): positions are sums of integer steps."""
    scale, translate = np.array(content["transform"]["scale"]), np.array(content["transform"]["translate"])
    arcs = [np.cumsum(np.array(arc), axis=0) * scale + translate for arc in content["arcs"]]
    lands = []
    for collection in content["objects"].values():
        for geometry in collection["geometries"]:
            polygons = geometry["arcs"] if geometry["type"] == "MultiPolygon" else [geometry["arcs"]]
            rings = [[_ring(indices, arcs) for indices in polygon] for polygon in polygons]
            lands.append(_land(geometry["properties"], "MultiPolygon", rings))
    return lands


def _ring(indices: Sequence[int], arcs: Sequence[Array]) -> Array:
    """Join arcs end to end; a negative index ~i is arc i reversed. Each arc repeats the previous arc's last point."""
    parts = [arcs[i] if i >= 0 else arcs[~i][::-1] for i in indices]
    for before, after in pairwise(parts):
        if np.abs(before[-1] - after[0]).max() > _MEET_DEG:
            raise ValueError("arcs of a ring do not meet")
    return np.concatenate([parts[0], *(part[1:] for part in parts[1:])])
