"""Which runs of a route lie on bridges, from a list of bridges as lines."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from alertd.route.clean import leg_lengths_m
from alertd.route.model import Array, BridgeSpan
from alertd.route.project import Line, find_passes, project

# How far a bridge may lie off the line, and its length along the route over its own: assumed. A line down the middle
# of a divided road is 20 m off each carriageway, and chords between samples cut a curve of 300 m radius by 26 m. A
# road that crosses ours at 30 degrees or more is not a bridge we drive on.
BRIDGE_OFFSET_M: Final = 60.0
_ALONG_SHARE: Final = float(np.cos(np.radians(30.0)))
_ON_ROUTE_SHARE: Final = 0.5  # assumed: a trip may start or end on a bridge, or leave it by a ramp
_STEP_M: Final = 10.0
_JOIN_GAP_M: Final = 50.0  # assumed: nearer decks are one to a driver, and maps cut bridges in parts


@dataclass(frozen=True, slots=True, kw_only=True)
class Bridge:
    """A bridge as the operator's GeoJSON gives it: the road's line over it. `name` is "" where none is given."""

    name: str
    lat_deg: tuple[float, ...]
    lon_deg: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _LinePart:
    """A part of a line, for projecting on one pass alone."""

    lat_deg: Array
    lon_deg: Array
    distance_m: Array
    bearing_deg: Array


def place_bridges(line: Line, bridges: Sequence[Bridge]) -> tuple[BridgeSpan, ...]:
    """The runs of the route on these bridges, in order, each pass by itself; decks that meet or overlap are one.

    A bridge counts where it runs along the route within 60 m; a road's bridge across the route does not.
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
    """The samples that stand for a bridge, (sample,): those on it, or the nearest to it where none is."""
    on = np.zeros(distance_m.shape, dtype=np.bool_)
    for span in spans:
        inside = (distance_m >= span.start_m) & (distance_m <= span.end_m)
        if not inside.any():
            inside[np.argmin(np.abs(distance_m - 0.5 * (span.start_m + span.end_m)))] = True
        on |= inside
    return on


def _spans(line: Line, bridge: Bridge) -> Iterator[BridgeSpan]:
    lat, lon, length_m = _stepped(bridge)
    middle = lat.size // 2
    for at_m, _ in find_passes(line, float(lat[middle]), float(lon[middle]), max_offset_m=BRIDGE_OFFSET_M):
        along_m, off_m = project(_around(line, at_m, length_m), lat, lon)
        # What lies beyond an end of the route projects on the end itself.
        beside = (np.abs(off_m) <= BRIDGE_OFFSET_M) & (along_m > line.distance_m[0]) & (along_m < line.distance_m[-1])
        share = float(beside.mean())
        if share < _ON_ROUTE_SHARE:
            continue
        start_m, end_m = float(along_m[beside].min()), float(along_m[beside].max())
        if end_m - start_m >= _ALONG_SHARE * share * length_m:
            yield BridgeSpan(name=bridge.name, start_m=start_m, end_m=end_m)


def _stepped(bridge: Bridge) -> tuple[Array, Array, float]:
    """Places every 10 m along the bridge, both ends among them, and its length [m]."""
    lat, lon = np.array(bridge.lat_deg), np.unwrap(np.array(bridge.lon_deg), period=360.0)
    along_m = np.concatenate(([0.0], np.cumsum(leg_lengths_m(lat, lon))))
    length_m = float(along_m[-1])
    at_m = np.linspace(0.0, length_m, max(2, round(length_m / _STEP_M)) + 1)
    return np.interp(at_m, along_m, lat), np.interp(at_m, along_m, lon), length_m


def _around(line: Line, at_m: float, reach_m: float) -> _LinePart:
    """The line from one sample or more before the place to one or more behind it."""
    d = line.distance_m
    first = max(int(np.searchsorted(d, at_m - reach_m)) - 2, 0)
    part = slice(first, int(np.searchsorted(d, at_m + reach_m, side="right")) + 2)
    return _LinePart(
        lat_deg=line.lat_deg[part],
        lon_deg=line.lon_deg[part],
        distance_m=d[part],
        bearing_deg=line.bearing_deg[part],
    )
