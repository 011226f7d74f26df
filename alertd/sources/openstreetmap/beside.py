"""Turns OpenStreetMap elements along one route into its Roadside: stops, exits, mileposts, passes and towns."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final, Literal

import numpy as np

from alertd.route.elevation import NamedSummit
from alertd.route.model import Landmark, LandmarkKind, Town
from alertd.route.project import STOP_OFFSET_M, Line, project
from alertd.route.roadside import Roadside, serve_same_way
from alertd.route.stops import Stop, StopKind
from alertd.sources.openstreetmap import roadway
from alertd.sources.openstreetmap import tags as osm_tags
from alertd.sources.openstreetmap.elements import SOURCE, Element, OsmAnswer
from alertd.sources.openstreetmap.roadway import Carriageways, WayRun

_ON_ROAD_M: Final = 100.0  # [A] an exit's point or a milepost lies this near to the line of a recorder
_SAME_EXIT_M: Final = 3_000.0  # [A] two points with one number within this distance are two ramps of one exit
_AT_POST_M: Final = 1_500.0  # [A] a stop this near to a milepost or exit is named by it
# [A] A place over 150 m off the carriageway and within 1.2 km of an exit is reached by the exit, from both directions.
_OFF_ROAD_M, _EXIT_REACH_M = 150.0, 1_200.0
_SAME_PLACE_M: Final = 300.0  # [A] parking and fuel of one rest area are one place to stop
_LABELS: Final = {
    StopKind.CHAIN_UP_AREA: "chain-up area",
    StopKind.REST_AREA: "rest area",
    StopKind.TRUCK_STOP: "truck stop",
    StopKind.TURNOUT: "lay-by",
}
_BEST_FIRST: Final = tuple(_LABELS)
DrivesOn = Literal["right", "left"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RouteFile:
    """The route that places are gathered for: the file's name, its line, and the side of traffic there."""

    name: str
    line: Line
    drives_on: DrivesOn


def roadside_of(route: RouteFile, answer: OsmAnswer, source: str, obtained_at: datetime) -> Roadside:
    """What the elements tell of this route. An answer without a road on the line gives a Roadside without roads."""
    line, elements = route.line, answer.elements
    length_m = float(line.distance_m[-1])
    runs = roadway.runs_along(line, elements)
    marks = (*_exits(line, elements, runs), *_mileposts(line, elements))
    roads = roadway.roads(runs, length_m)
    found = Roadside(
        name=route.name,
        source=source,
        obtained_at=obtained_at,
        data_at=answer.data_at,
        length_m=length_m,
        passes=_passes(elements),
        landmarks=tuple(sorted(marks, key=lambda m: (m.distance_m, m.kind))),
        roads=roads,
        bridges=roadway.bridges(runs),
        tunnels=roadway.tunnels(runs),
        limits=roadway.limits(runs, length_m, answer.data_at),
        towns=_towns(elements),
    )
    return replace(found, stops=_stops(route, elements, runs, found))


def _exits(line: Line, elements: Iterable[Element], runs: Sequence[WayRun]) -> list[Landmark]:
    """The exits of our carriageway, where the ramp leaves it."""
    ours = {node for r in runs if r.ours for node in r.way.nodes}
    nodes = [e for e in elements if e.tags.get("highway") == "motorway_junction" and e.type == "node" and e.id in ours]
    named = [(e, " ".join((e.tags.get("ref") or e.tags.get("name", "")).split())) for e in nodes]
    found: list[Landmark] = []
    for mark in sorted(_placed(line, named, LandmarkKind.EXIT), key=lambda m: m.distance_m):
        twin = any(m.text == mark.text and mark.distance_m - m.distance_m <= _SAME_EXIT_M for m in found)
        found += [] if twin else [mark]
    return found


def _mileposts(line: Line, elements: Iterable[Element]) -> list[Landmark]:
    posts = [e for e in elements if e.tags.get("highway") == "milestone" and e.type == "node"]
    named = [(e, " ".join((e.tags.get("distance") or e.tags.get("ref", "")).split())) for e in posts]
    return _placed(line, named, LandmarkKind.MILEPOST)


def _placed(line: Line, named: Sequence[tuple[Element, str]], kind: LandmarkKind) -> list[Landmark]:
    named = [(e, text[:20]) for e, text in named if text]
    if not named:
        return []
    along_m, off_m = project(line, np.array([e.lat_deg for e, _ in named]), np.array([e.lon_deg for e, _ in named]))
    return [
        Landmark(kind=kind, text=text, distance_m=round(float(at), 1))
        for (_, text), at, off in zip(named, along_m, off_m, strict=True)
        if abs(off) <= _ON_ROAD_M
    ]


def _passes(elements: Iterable[Element]) -> tuple[NamedSummit, ...]:
    return tuple(
        NamedSummit(
            name=" ".join(e.tags["name"].split()),
            road="",
            lat_deg=e.lat_deg,
            lon_deg=e.lon_deg,
            elevation_m=osm_tags.height_m(e.tags),
            source=SOURCE,
        )
        for e in elements
        if e.tags.get("mountain_pass") == "yes" and e.type == "node" and e.tags.get("name", "").strip()
    )


def _towns(elements: Iterable[Element]) -> tuple[Town, ...]:
    return tuple(
        Town(name=" ".join(e.tags["name"].split()), lat_deg=e.lat_deg, lon_deg=e.lon_deg)
        for e in elements
        if e.tags.get("place") in ("city", "town", "village") and e.type == "node" and e.tags.get("name", "").strip()
    )


def _stops(route: RouteFile, elements: Sequence[Element], runs: Sequence[WayRun], found: Roadside) -> tuple[Stop, ...]:
    line, ways = route.line, Carriageways.of(runs)
    junctions = [(e, "x") for e in elements if e.tags.get("highway") == "motorway_junction" and e.type == "node"]
    exits_m = np.array([m.distance_m for m in _placed(line, junctions, LandmarkKind.EXIT)])  # of both carriageways
    placed: list[tuple[float, Stop]] = []
    for e in elements:
        kind = osm_tags.stop_kind(e.tags)
        if kind is None or not np.isfinite(e.lat_deg):
            continue
        along_m, off_m = (float(v[0]) for v in project(line, np.array([e.lat_deg]), np.array([e.lon_deg])))
        near = ways.nearest(e.lat_deg, e.lon_deg)
        if near is None or abs(off_m) > STOP_OFFSET_M:
            continue
        at_exit = near[0] > _OFF_ROAD_M and exits_m.size > 0 and np.abs(exits_m - along_m).min() <= _EXIT_REACH_M
        bearing = None if at_exit else _serves(route, kind, near, along_m, off_m)
        stop = Stop(
            id=f"osm-{e.type}-{e.id}",
            name=" ".join(e.tags.get("name", "").split())[:60] or _LABELS[kind],
            kind=kind,
            lat_deg=e.lat_deg,
            lon_deg=e.lon_deg,
            serves_bearing_deg=bearing,
            serves_both=bearing is None,
            spaces=osm_tags.spaces(e.tags),
            lit={"yes": True, "no": False}.get(e.tags.get("lit", "")),
            milepost=_milepost(found, along_m),
            source=SOURCE,
        )
        placed.append((along_m, stop))
    return _once(placed)


def _serves(
    route: RouteFile, kind: StopKind, near: tuple[float, int, float], along_m: float, off_m: float
) -> float | None:
    """Bearing of the traffic that can enter: of the nearest carriageway; None where both directions can.

    On a two-way road a lay-by serves the lane beside it, which is our side where traffic keeps to that side; a larger
    place has an entrance from both lanes.
    """
    _, one_way, bearing_deg = near
    if one_way:
        return bearing_deg if one_way > 0 else (bearing_deg + 180.0) % 360.0
    if kind not in (StopKind.TURNOUT, StopKind.CHAIN_UP_AREA):
        return None
    travel_deg = float(route.line.bearing_deg[int(np.argmin(np.abs(route.line.distance_m - along_m)))])
    ours = (off_m >= 0.0) == (route.drives_on == "right")
    return travel_deg if ours else (travel_deg + 180.0) % 360.0


def _milepost(found: Roadside, along_m: float) -> str:
    """The road with the nearest milepost or exit, e.g. "I-70 MP 219" or "I-70 exit 216"; "" without one nearby."""
    near = [m for m in found.landmarks if abs(m.distance_m - along_m) <= _AT_POST_M]
    if not near:
        return ""
    mark = min(near, key=lambda m: (m.kind is LandmarkKind.EXIT, abs(m.distance_m - along_m)))
    road = next((r.ref for r in found.roads if r.start_m <= along_m <= r.end_m), "")
    return f"{road} {'MP' if mark.kind is LandmarkKind.MILEPOST else 'exit'} {mark.text}".strip()


def _once(placed: Iterable[tuple[float, Stop]]) -> tuple[Stop, ...]:
    """One stop for each place: the kind most of use for chaining, then the one with a number of spaces."""
    order = sorted(placed, key=lambda p: (_BEST_FIRST.index(p[1].kind), p[1].spaces is None, p[1].id))
    kept: list[tuple[float, Stop]] = []
    for at_m, stop in order:
        if not any(abs(at_m - m) <= _SAME_PLACE_M and serve_same_way(stop, other) for m, other in kept):
            kept.append((at_m, stop))
    return tuple(stop for _, stop in sorted(kept, key=lambda p: (p[0], p[1].id)))
