"""Matches OpenStreetMap ways to a route: which run along it, in our direction, and what they tell of the road."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from alertd.route.bridges import Bridge, way_spans
from alertd.route.model import Array, LimitSpan, RoadSpan
from alertd.route.project import Line
from alertd.route.runs import runs_of
from alertd.route.tunnels import Tunnel
from alertd.sources.openstreetmap import tags as osm_tags
from alertd.sources.openstreetmap.elements import SOURCE, Element

_CELL_M: Final = 100.0  # [A] limits and road numbers are kept to 100 m: a truck covers that in 4 s
_JOIN_M: Final = 500.0  # [A] a shorter hole in a run, such as a crossing without tags, is not the end of it
_M_PER_DEG: Final = 111_200.0


@dataclass(frozen=True, slots=True, kw_only=True)
class WayRun:
    """A run of the route along a way. forward: the way's points run in our direction."""

    way: Element
    start_m: float
    end_m: float
    forward: bool

    @property
    def ours(self) -> bool:
        """Whether our direction of travel uses this way; False for the other carriageway."""
        one_way = osm_tags.one_way(self.way.tags)
        return one_way == 0 or (one_way > 0) == self.forward


def runs_along(line: Line, elements: Sequence[Element]) -> tuple[WayRun, ...]:
    """Every run of the route along a road, both carriageways, in order."""
    found = [
        WayRun(way=e, start_m=a, end_m=b, forward=forward)
        for e in elements
        if len(e.line) >= 2 and len(set(e.line)) >= 2 and osm_tags.rank(e.tags) >= 0
        for a, b, forward in way_spans(line, [p[0] for p in e.line], [p[1] for p in e.line])
    ]
    return tuple(sorted(found, key=lambda r: (r.start_m, r.end_m, r.way.id)))


def bridges(runs: Sequence[WayRun]) -> tuple[Bridge, ...]:
    """The lines of our own carriageway on bridges, each once."""
    return tuple(
        Bridge(name=osm_tags.structure_name(way.tags, "bridge"), lat_deg=_lat(way), lon_deg=_lon(way))
        for way in _ours(runs, osm_tags.is_bridge)
    )


def tunnels(runs: Sequence[WayRun]) -> tuple[Tunnel, ...]:
    """The lines of our own carriageway in tunnels, each once."""
    return tuple(
        Tunnel(name=osm_tags.structure_name(way.tags, "tunnel"), lat_deg=_lat(way), lon_deg=_lon(way))
        for way in _ours(runs, osm_tags.is_tunnel)
    )


def _ours(runs: Sequence[WayRun], told: Callable[[Mapping[str, str]], bool]) -> Iterable[Element]:
    return {r.way.key: r.way for r in runs if r.ours and told(r.way.tags)}.values()


def _lat(way: Element) -> tuple[float, ...]:
    return tuple(p[0] for p in way.line)


def _lon(way: Element) -> tuple[float, ...]:
    return tuple(p[1] for p in way.line)


def limits(runs: Sequence[WayRun], length_m: float, data_at: str) -> tuple[LimitSpan, ...]:
    """The posted limits for trucks in our direction; of ways side by side, the highest class decides."""
    speed = _cells(length_m)
    for r in sorted((r for r in runs if r.ours), key=lambda r: osm_tags.rank(r.way.tags)):
        limit = osm_tags.truck_limit_mps(r.way.tags, forward=r.forward)
        speed[_cells_of(r)] = np.nan if limit is None else limit
    source = f"{SOURCE}, data of {data_at[:10]}" if data_at else SOURCE
    return tuple(
        LimitSpan(start_m=a, end_m=b, speed_mps=float(value), source=source) for a, b, value in _runs(speed, length_m)
    )


def roads(runs: Sequence[WayRun], length_m: float) -> tuple[RoadSpan, ...]:
    """The runs on each numbered road."""
    code = _cells(length_m)
    names: dict[tuple[str, str], int] = {}
    for r in sorted((r for r in runs if r.ours), key=lambda r: osm_tags.rank(r.way.tags)):
        ref = osm_tags.road_ref(r.way.tags)
        if ref:
            code[_cells_of(r)] = names.setdefault((ref, r.way.tags["highway"]), len(names))
    of = list(names)
    return tuple(
        RoadSpan(ref=of[int(value)][0], road_class=of[int(value)][1], start_m=a, end_m=b)
        for a, b, value in _runs(code, length_m)
    )


def _cells(length_m: float) -> Array:
    return np.full(max(1, int(np.ceil(length_m / _CELL_M))), np.nan)


def _cells_of(run: WayRun) -> slice:
    """The cells whose middle lies on the run, one at least."""
    first = int(np.ceil(run.start_m / _CELL_M - 0.5))
    return slice(max(first, 0), max(int(np.ceil(run.end_m / _CELL_M - 0.5)), first + 1))


def _runs(values: Array, length_m: float) -> list[tuple[float, float, float]]:
    """Start, end [m] and value of each run of one value; a short hole between two of the same value is filled."""
    found: list[tuple[float, float, float]] = []
    for value in np.unique(values[np.isfinite(values)]):
        parts: list[tuple[float, float]] = []
        for first, last in runs_of(values == value):
            start_m, end_m = first * _CELL_M, min((last + 1) * _CELL_M, length_m)
            between = values[int(parts[-1][1] / _CELL_M) : first] if parts else values[:0]
            if parts and start_m - parts[-1][1] <= _JOIN_M and not np.isfinite(between).any():
                parts[-1] = (parts[-1][0], end_m)
            else:
                parts.append((start_m, end_m))
        found += [(a, b, float(value)) for a, b in parts]
    return sorted(found)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Carriageways:
    """The pieces of all ways on the route, both directions, for the nearest one to a place. Arrays have shape (piece,).

    one_way: as tags.one_way of its way. bearing_deg: of the way's points.
    """

    lat_deg: Array
    lon_deg: Array
    to_lat_deg: Array
    to_lon_deg: Array
    one_way: NDArray[np.intp]
    bearing_deg: Array

    @classmethod
    def of(cls, runs: Sequence[WayRun]) -> "Carriageways":
        """The pieces of these runs' ways; ramps are left out."""
        ways = {r.way.key: r.way for r in runs if osm_tags.rank(r.way.tags) > 0}
        pieces = [
            (*a, *b, osm_tags.one_way(way.tags))
            for way in ways.values()
            for a, b in zip(way.line, way.line[1:], strict=False)
        ]
        table = np.array(pieces, dtype=np.float64).reshape(-1, 5)
        north = table[:, 2] - table[:, 0]
        east = (table[:, 3] - table[:, 1]) * np.cos(np.radians(table[:, 0]))
        return cls(
            lat_deg=table[:, 0],
            lon_deg=table[:, 1],
            to_lat_deg=table[:, 2],
            to_lon_deg=table[:, 3],
            one_way=table[:, 4].astype(np.intp),
            bearing_deg=np.degrees(np.arctan2(east, north)) % 360.0,
        )

    def nearest(self, lat_deg: float, lon_deg: float) -> tuple[float, int, float] | None:
        """Distance [m], direction of traffic (1, -1, 0) and bearing [deg] of the nearest piece; None without any."""
        if not self.lat_deg.size:
            return None
        east_m = _M_PER_DEG * float(np.cos(np.radians(lat_deg)))
        x, y = (self.lon_deg - lon_deg) * east_m, (self.lat_deg - lat_deg) * _M_PER_DEG
        dx, dy = (self.to_lon_deg - lon_deg) * east_m - x, (self.to_lat_deg - lat_deg) * _M_PER_DEG - y
        length2 = np.maximum(dx * dx + dy * dy, 1e-9)
        t = np.clip(-(x * dx + y * dy) / length2, 0.0, 1.0)
        apart_m = np.hypot(x + t * dx, y + t * dy)
        i = int(np.argmin(apart_m))
        return float(apart_m[i]), int(self.one_way[i]), float(self.bearing_deg[i])
