"""Reads the elements of an Overpass answer in its JSON form: nodes, ways and relations with their tags."""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from alertd.errors import SourceChanged, SourceDown

SOURCE: Final = "OpenStreetMap"
_TYPES: Final = ("node", "way", "relation")


@dataclass(frozen=True, slots=True, kw_only=True)
class Element:
    """An element. lat_deg, lon_deg: of a node, else of its center; NaN for a way with only its line.

    line: (latitude, longitude) of a way's points; empty without geometry. nodes: ids of a way's nodes.
    """

    type: str
    id: int
    tags: Mapping[str, str]
    lat_deg: float
    lon_deg: float
    line: tuple[tuple[float, float], ...] = ()
    nodes: tuple[int, ...] = ()

    @property
    def key(self) -> str:
        """E.g. "way/123"."""
        return f"{self.type}/{self.id}"


@dataclass(frozen=True, slots=True, kw_only=True)
class OsmAnswer:
    """The elements of one answer, and the server's time of its data as text; "" if not stated."""

    elements: tuple[Element, ...]
    data_at: str = ""


def read_answer(content: Any) -> OsmAnswer:
    """Read an answer.

    Raises SourceDown for an answer that the server cut short: it says so in `remark` under status 200. Raises
    SourceChanged for another shape.
    """
    if not isinstance(content, dict) or not isinstance(content.get("elements"), list):
        raise SourceChanged(SOURCE, "its answer has no list of elements")
    remark = content.get("remark")
    if isinstance(remark, str) and "error" in remark.lower():
        raise SourceDown(SOURCE, f"it did not finish: {' '.join(remark.split())[:160]}", retryable=True)
    about = content.get("osm3s")
    data_at = about.get("timestamp_osm_base") if isinstance(about, dict) else None
    return OsmAnswer(
        elements=tuple(_element(raw) for raw in content["elements"]),
        data_at=data_at if isinstance(data_at, str) else "",
    )


def merge(answers: Iterable[OsmAnswer]) -> OsmAnswer:
    """The elements of several answers, each once; the oldest of their times. A way keeps its line and its center."""
    found: dict[str, Element] = {}
    times = []
    for answer in answers:
        times += [answer.data_at] if answer.data_at else []
        for e in answer.elements:
            old = found.get(e.key)
            found[e.key] = e if old is None or (e.line and not old.line) else old
    return OsmAnswer(elements=tuple(found.values()), data_at=min(times, default=""))


def _element(raw: Any) -> Element:
    if not isinstance(raw, dict) or raw.get("type") not in _TYPES or type(raw.get("id")) is not int:
        raise SourceChanged(SOURCE, f"an element has no type or id: {str(raw)[:80]}")
    key = f"{raw['type']}/{raw['id']}"
    tags = raw.get("tags", {})
    if not isinstance(tags, dict) or not all(isinstance(v, str) for v in tags.values()):
        raise SourceChanged(SOURCE, f"{key} has tags that are not texts")
    at = raw if "lat" in raw else raw.get("center")
    lat, lon = _position(at, key) if at is not None else (math.nan, math.nan)
    points = raw.get("geometry") or ()
    if not isinstance(points, list | tuple):
        raise SourceChanged(SOURCE, f"{key} has a geometry that is no list")
    nodes = raw.get("nodes") or ()
    if not isinstance(nodes, list | tuple) or not all(type(n) is int for n in nodes):
        raise SourceChanged(SOURCE, f"{key} has nodes that are not ids")
    if raw["type"] == "node" and math.isnan(lat):
        raise SourceChanged(SOURCE, f"{key} has no position")
    return Element(
        type=raw["type"],
        id=raw["id"],
        tags=tags,
        lat_deg=lat,
        lon_deg=lon,
        line=tuple(_position(p, key) for p in points if p is not None),  # null: a point outside the area
        nodes=tuple(nodes),
    )


def _position(at: Any, key: str) -> tuple[float, float]:
    try:
        lat, lon = float(at["lat"]), float(at["lon"])
    except (KeyError, TypeError, ValueError) as exc:
        raise SourceChanged(SOURCE, f"{key} has a position that is not two numbers") from exc
    if not (abs(lat) <= 90.0 and abs(lon) <= 180.0):
        raise SourceChanged(SOURCE, f"{key} is at {lat:g}, {lon:g}, nowhere on Earth")
    return lat, lon
