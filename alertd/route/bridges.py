"""Finds the runs of a route on bridges, from a list of bridges as lines."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from alertd.route.geometry.clean import leg_lengths_m
from alertd.route.model import Array, BridgeSpan
from alertd.route.project import Line, find_passes, project

# Assumed: the maximum offset of a bridge from the line, and the minimum of its length along the route over its own
# length. A centre line of a divided road is 20 m off each carriageway. Chords between samples cut a curve of 300 m
# radius by 26 m. A road that crosses the route at 30 degrees or more is not a bridge on the route.
BRIDGE_OFFSET_M: Final = 60.0
_ALONG_SHARE: Final = float(np.cos(np.radians(30.0)))
_ON_ROUTE_SHARE: Final = 0.5  # assumed: a trip may start or end on a bridge, or leave it by a ramp
_STEP_M: Final = 10.0
_JOIN_GAP_M: Final = 50.0  # assumed: drivers see nearer decks as one bridge, and maps split bridges into parts


@dataclass(frozen=True, slots=True, kw_only=True)
class Bridge:
    """A bridge of the operator's GeoJSON, as the line of the road over it. `name` is "" where none is given."""

    name: str
    lat_deg: tuple[float, ...]
    lon_deg: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _LinePart:
    """A part of a line. Projection on it finds one pass only."""

    lat_deg: Array
    lon_deg: Array
    distance_m: Array
    bearing_deg: Array


def place_bridges(line: Line, bridges: Sequence[Bridge]) -> tuple[BridgeSpan, ...]:
    """The runs of the route on these bridges, in order, one for each pass. Adjacent or overlapping decks are merged.

    A bridge counts where it runs along the route within 60 m. A bridge of another road across the route does not count.
    """
    spans = sorted((s for b in bridges for s in _spans(line, b)), key=lambda s: (s.start_m, s.end_m, s.name))
    joined: list[BridgeSpan] = []
    for span in spans:
        if joined and span.start_m - joined[-1].end_m <= _JOIN_GAP_M:
            names = (joined[-1].name, span.name)
            name = names[0] if span.name in names[0].split(" / ") else " / ".join(n for n in names if n)
            joined[-1] = replace(joined[-1], name=name, end_m=max(joined[-1].end_m, span.end_m))
        else:
            joined.append(span)
    return tuple(joined)


def on_bridges(distance_m: Array, spans: Sequence[BridgeSpan]) -> NDArray[np.bool_]:
    """True for the samples on a bridge, (sample,). A span without samples marks the sample nearest to its middle."""
    on_bridge = np.zeros(distance_m.shape, dtype=np.bool_)
    for span in spans:
        inside = (distance_m >= span.start_m) & (distance_m <= span.end_m)
        if not inside.any():
            inside[np.argmin(np.abs(distance_m - 0.5 * (span.start_m + span.end_m)))] = True
        on_bridge |= inside
    return on_bridge


def _spans(line: Line, bridge: Bridge) -> Iterator[BridgeSpan]:
    for start_m, end_m, _ in way_spans(line, bridge.lat_deg, bridge.lon_deg):
        yield BridgeSpan(name=bridge.name, start_m=start_m, end_m=end_m)


def way_spans(
    line: Line, way_lat_deg: Sequence[float], way_lon_deg: Sequence[float]
) -> Iterator[tuple[float, float, bool]]:
    """Start and end [m] of each run of the route along a way, and whether the way's points run in our direction.

    A run counts within BRIDGE_OFFSET_M of the way, where at least half of the way lies along the route.
    """
    lat, lon, length_m = _stepped(way_lat_deg, way_lon_deg)
    middle = lat.size // 2
    for at_m, _ in find_passes(line, float(lat[middle]), float(lon[middle]), max_offset_m=BRIDGE_OFFSET_M):
        along_m, off_m = project(_around(line, at_m, length_m), lat, lon)
        # Points beyond an end of the route project on the end itself.
        on_route = (np.abs(off_m) <= BRIDGE_OFFSET_M) & (along_m > line.distance_m[0]) & (along_m < line.distance_m[-1])
        share = float(on_route.mean())
        if share < _ON_ROUTE_SHARE:
            continue
        start_m, end_m = float(along_m[on_route].min()), float(along_m[on_route].max())
        if end_m - start_m >= _ALONG_SHARE * share * length_m:
            ours = along_m[on_route]
            yield start_m, end_m, bool(ours[-1] >= ours[0])


def _stepped(lat_deg: Sequence[float], lon_deg: Sequence[float]) -> tuple[Array, Array, float]:
    """Places every 10 m along the way, both ends included, and its length [m]."""
    lat, lon = np.array(lat_deg), np.unwrap(np.array(lon_deg), period=360.0)
    along_m = np.concatenate(([0.0], np.cumsum(leg_lengths_m(lat, lon))))
    length_m = float(along_m[-1])
    at_m = np.linspace(0.0, length_m, max(2, round(length_m / _STEP_M)) + 1)
    return np.interp(at_m, along_m, lat), np.interp(at_m, along_m, lon), length_m


def _around(line: Line, at_m: float, reach_m: float) -> _LinePart:
    """The line within `reach_m` of the place, with at least one more sample on either side."""
    d = line.distance_m
    first = max(int(np.searchsorted(d, at_m - reach_m)) - 2, 0)
    part = slice(first, int(np.searchsorted(d, at_m + reach_m, side="right")) + 2)
    return _LinePart(
        lat_deg=line.lat_deg[part],
        lon_deg=line.lon_deg[part],
        distance_m=d[part],
        bearing_deg=line.bearing_deg[part],
    )
