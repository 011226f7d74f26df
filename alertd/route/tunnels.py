"""Finds the runs of a route in tunnels, from a list of tunnels as lines."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from alertd.route.geometry.clean import leg_lengths_m
from alertd.route.model import Array, TunnelSpan
from alertd.route.project import Line, find_passes

# [A] A portal is on the route within this distance. Two tubes of one road are up to 100 m apart, and satellites are
# last seen before the portal.
PORTAL_OFFSET_M: Final = 150.0
_PASSES_APART_M: Final = 1_000.0
# [A] Run of the route between the portals over the tunnel's own length. Without satellites a recorded line is straight
# from portal to portal. The old road over the mountain is far longer.
_SHORTEST, _LONGEST = 0.8, 1.1
_SLACK_M: Final = 2.0 * PORTAL_OFFSET_M
_JOIN_GAP_M: Final = 50.0  # [A] maps split tunnels into parts
# [A] Snow drifts and wet tires reach this far into a tunnel.
PORTAL_M: Final = 100.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Tunnel:
    """A tunnel of the operator's GeoJSON, as the line of the road in it. `name` is "" where none is given."""

    name: str
    lat_deg: tuple[float, ...]
    lon_deg: tuple[float, ...]


class TunnelLine(Protocol):
    """The part of a Tunnel that placing uses."""

    @property
    def name(self) -> str: ...
    @property
    def lat_deg(self) -> tuple[float, ...]: ...
    @property
    def lon_deg(self) -> tuple[float, ...]: ...


def place_tunnels(line: Line, tunnels: Sequence[TunnelLine]) -> tuple[TunnelSpan, ...]:
    """The runs of the route in these tunnels, from portal to portal, in order, in either direction.

    A route that passes both portals and runs as far as the tunnel between them is in it. Overlapping runs, as of two
    tubes, and adjacent ones are merged.
    """
    spans = sorted((s for t in tunnels for s in _spans(line, t)), key=lambda s: (s.start_m, s.end_m, s.name))
    joined: list[TunnelSpan] = []
    for span in spans:
        if joined and span.start_m - joined[-1].end_m <= _JOIN_GAP_M:
            last = joined[-1]
            joined[-1] = replace(last, name=last.name or span.name, end_m=max(last.end_m, span.end_m))
        else:
            joined.append(span)
    return tuple(joined)


def in_tunnels(distance_m: Array, spans: Sequence[TunnelSpan]) -> NDArray[np.bool_]:
    """True for the samples in a tunnel and 100 m or more from its portals, (sample,)."""
    inside = np.zeros(distance_m.shape, dtype=np.bool_)
    for span in spans:
        inside |= (distance_m >= span.start_m + PORTAL_M) & (distance_m <= span.end_m - PORTAL_M)
    return inside


def _spans(line: Line, tunnel: TunnelLine) -> Iterator[TunnelSpan]:
    length_m = float(leg_lengths_m(np.array(tunnel.lat_deg), np.array(tunnel.lon_deg)).sum())
    first, last = ([at_m for at_m, _ in _passes(line, tunnel.lat_deg[end], tunnel.lon_deg[end])] for end in (0, -1))
    for a_m in first:
        for b_m in last:
            start_m, end_m = min(a_m, b_m), max(a_m, b_m)
            if _SHORTEST * length_m - _SLACK_M <= end_m - start_m <= _LONGEST * length_m + _SLACK_M and end_m > start_m:
                yield TunnelSpan(name=tunnel.name, start_m=start_m, end_m=end_m)


def _passes(line: Line, lat_deg: float, lon_deg: float) -> tuple[tuple[float, float], ...]:
    return find_passes(line, lat_deg, lon_deg, max_offset_m=PORTAL_OFFSET_M, apart_m=_PASSES_APART_M)
