"""Reads places along routes from a local OpenStreetMap file: a saved Overpass answer or an extract by pyosmium."""

import json
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np

from alertd.errors import ConfigError, InputError, SourceError
from alertd.route.model import Array
from alertd.sources.openstreetmap import tags as osm_tags
from alertd.sources.openstreetmap.elements import Element, OsmAnswer, read_answer

# [A] Cells of some 3 by 5 km: a place counts in the cell of a route point or beside it, towns three cells away.
_CELL_DEG: Final = 0.05
_TOWN_CELLS: Final = 3
_PLACES: Final = ("city", "town", "village")


def read_extract(path: Path, lines: Sequence[tuple[Array, Array]]) -> OsmAnswer:
    """The elements of a file near any of the lines (latitudes, longitudes).

    ".json" is an answer of Overpass with `out body geom` of ways and `out body center` of places. Any other file is
    read through pyosmium: .osm.pbf, .osm, .osm.bz2. Raises InputError for a file that cannot be read, ConfigError
    without pyosmium.
    """
    if path.suffix == ".json":
        try:
            return read_answer(json.loads(path.read_bytes()))
        except OSError as exc:
            raise InputError(str(path), "", f"cannot be read ({exc.strerror})", "check the path") from exc
        except (ValueError, SourceError) as exc:
            text = exc.problem if isinstance(exc, SourceError) else str(exc)
            raise InputError(str(path), "", f"is no answer of Overpass ({text})", "save it as [out:json]") from exc
    try:
        import osmium
    except ImportError as exc:
        raise ConfigError(
            str(path), "", "needs pyosmium to be read", "pip install osmium, or give an Overpass answer (.json)"
        ) from exc
    if not path.is_file():
        raise InputError(str(path), "", "is not there", "give an extract, e.g. colorado.osm.pbf")
    cells = _Cells(lines)
    try:
        data_at = osmium.io.Reader(str(path)).header().get("osmosis_replication_timestamp")
        found = [e for e in map(_element, _near(osmium, path, cells)) if e is not None]
    except RuntimeError as exc:
        raise InputError(str(path), "", f"cannot be read ({exc})", "download the extract again") from exc
    return OsmAnswer(elements=tuple(found), data_at=data_at)


class _Cells:
    """The cells that routes pass, with their neighbors."""

    def __init__(self, lines: Sequence[tuple[Array, Array]]) -> None:
        own = {
            (int(a), int(b))
            for lat, lon in lines
            for a, b in zip(np.floor(lat / _CELL_DEG), np.floor(lon / _CELL_DEG), strict=True)
        }
        self._near, self._town = _grown(own, 1), _grown(own, _TOWN_CELLS)

    def hold(self, lat_deg: float, lon_deg: float, *, town: bool = False) -> bool:
        """Whether a place is near a route."""
        at = int(np.floor(lat_deg / _CELL_DEG)), int(np.floor(lon_deg / _CELL_DEG))
        return at in (self._town if town else self._near)


def _grown(cells: set[tuple[int, int]], by: int) -> set[tuple[int, int]]:
    reach = range(-by, by + 1)
    return {(a + i, b + j) for a, b in cells for i in reach for j in reach}


def _near(osmium: Any, path: Path, cells: _Cells) -> Iterable[Any]:
    """The nodes and ways of interest in the cells."""
    keys = ("highway", "amenity", "mountain_pass", "place")
    for o in osmium.FileProcessor(str(path)).with_locations().with_filter(osmium.filter.KeyFilter(*keys)):
        if o.is_node() and o.location.valid():
            if cells.hold(o.location.lat, o.location.lon, town=o.tags.get("place") in _PLACES):
                yield o
        elif o.is_way() and (osm_tags.rank(dict(o.tags)) >= 0 or osm_tags.stop_kind(dict(o.tags)) is not None):
            points = [n.location for n in o.nodes if n.location.valid()]
            if any(cells.hold(p.lat, p.lon) for p in points):
                yield o


def _element(o: Any) -> Element | None:
    """The element of an osmium object; a place drawn as an area gets the middle of its corners."""
    tags = dict(o.tags)
    if o.is_node():
        return Element(type="node", id=o.id, tags=tags, lat_deg=o.location.lat, lon_deg=o.location.lon)
    line = tuple((n.location.lat, n.location.lon) for n in o.nodes if n.location.valid())
    if not line:
        return None
    lat, lon = np.mean(np.array(line), axis=0)
    return Element(
        type="way",
        id=o.id,
        tags=tags,
        lat_deg=float(lat),
        lon_deg=float(lon),
        line=line if osm_tags.rank(tags) >= 0 else (),
        nodes=tuple(n.ref for n in o.nodes),
    )
