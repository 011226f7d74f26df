"""Corrects heights of the ground above a tunnel or below a bridge, which are not the road's.

A terrain model gives the height of the mountain above a tunnel and of the valley below a bridge, and so do many files.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from alertd.route.elevation import smooth_elevation
from alertd.route.model import Array, BridgeSpan, TunnelSpan
from alertd.route.runs import runs_of
from alertd.units import to_miles

# [A] No truck road has a steeper grade over this length. The steepest public roads with trucks have 12 to 15 %
# (common practice, no source); hairpins reach 20 % over 50 m.
STEEPEST: Final = 0.15
STEEP_OVER_M: Final = 300.0
# [A] A foot of steep ground is where the grade falls to this, the steepest that a main road holds for long.
_FOOT_GRADE: Final = 0.08
# [A] Ground above a tunnel or below a bridge: the line runs straight there, up to this long, and most of the rise and
# fall is steeper than a road. A real road over such ground winds. The longest road tunnel has 24.5 km.
_LONGEST_M: Final = 30_000.0
_WINDING: Final = 1.15
_STEEP_SHARE: Final = 0.5
# [A] A step in the heights is drawn out by this at a time, until it is as steep as the steepest main roads.
_WIDEN_M: Final = 100.0
_DRAWN_OUT_GRADE: Final = 0.12
_ON_CHORD_M: Final = 20.0
_LISTED: Final = 3
_SAID_M: Final = 12.0  # [A] smaller changes are the noise of heights, of no use to the reader


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FineLine:
    """Places in even steps of some 25 m along a line, (place,): x and y [m] in a plane, distance and height [m]."""

    x_m: Array
    y_m: Array
    distance_m: Array
    elevation_m: Array

    @property
    def step_m(self) -> float:
        return float(self.distance_m[1] - self.distance_m[0])


def between_portals(
    distance_m: Array, elevation_m: Array, tunnels: Sequence[TunnelSpan], bridges: Sequence[BridgeSpan]
) -> Array:
    """Heights that rise no higher in a tunnel than the straight line between its portals, (place,) [m].

    On a bridge they fall no lower than the line between its ends. Lower heights in a tunnel stay: it may pass under
    water. Higher heights on a bridge stay: it may have a crest.
    """
    out = elevation_m.copy()
    for spans, bound in ((tunnels, np.minimum), (bridges, np.maximum)):
        for span in spans:
            first = max(int(np.searchsorted(distance_m, span.start_m, side="right")) - 1, 0)
            last = min(int(np.searchsorted(distance_m, span.end_m)), distance_m.size - 1)
            if last - first >= 2:
                here = slice(first, last + 1)
                chord = np.interp(distance_m[here], distance_m[[first, last]], elevation_m[[first, last]])
                out[here] = bound(out[here], chord)
    return out


def without_cliffs(line: FineLine) -> tuple[Array, tuple[str, ...]]:
    """Heights without grades that no truck road has, (place,) [m], and a finding for each place that was changed.

    Straight stretches over ground that rises and falls too steeply count as a tunnel, ground that falls and rises as a
    bridge: heights are interpolated between the feet. Any other steep place is drawn out until it is as steep as the
    steepest main roads.
    """
    reach = max(round(STEEP_OVER_M / line.step_m), 1)
    calm = smooth_elevation(line.elevation_m, spacing_m=line.step_m, window_m=STEEP_OVER_M, median_m=STEEP_OVER_M)
    rise = _rise_over(calm, reach) / (reach * line.step_m)
    steep = np.abs(rise) > STEEPEST
    if not steep.any():
        return line.elevation_m, ()
    out, found = line.elevation_m.copy(), []
    for first, last in _merged(_feet(line, calm, rise, steep)):
        here = slice(first, last + 1)
        out[here] = np.interp(line.distance_m[here], line.distance_m[[first, last]], calm[[first, last]])
        off_m = calm[here] - out[here]
        found.append((float(off_m[np.argmax(np.abs(off_m))]), first, last))
    found = [change for change in found if abs(change[0]) >= _SAID_M]
    found.sort(key=lambda change: -abs(change[0]))
    findings = [_finding(line, rise, *change) for change in found[:_LISTED]]
    if len(found) > _LISTED:
        findings.append(
            f"heights are too steep for a truck road at {len(found) - _LISTED} more places, changed by up to "
            f"{abs(found[_LISTED][0]):.0f} m"
        )
    return out, tuple(findings)


def _rise_over(values: Array, reach: int) -> Array:
    """Rise over `reach` places around each place, (place,); the ends take that of the nearest whole window."""
    reach = min(reach, values.size - 1)
    rise = values[reach:] - values[:-reach]
    before = reach // 2
    return np.pad(rise, (before, values.size - rise.size - before), mode="edge")


def _feet(line: FineLine, calm: Array, rise: Array, steep: NDArray[np.bool_]) -> list[tuple[int, int]]:
    runs = [_to_feet(rise, first, last) for first, last in runs_of(steep)]
    out, i = [], 0
    while i < len(runs):
        far = _far_side(line, calm, steep, runs, i)
        out.append((runs[i][0], runs[far][1]) if far > i else _drawn_out(line, calm, *runs[i]))
        i = far + 1
    return out


def _to_feet(rise: Array, first: int, last: int) -> tuple[int, int]:
    """The run of steep ground, extended on both sides while the grade continues the same way above a road's."""
    sign = np.sign(rise[first])
    gentle = sign * rise < _FOOT_GRADE
    before, after = np.flatnonzero(gentle[:first]), np.flatnonzero(gentle[last:])
    return (int(before[-1]) if before.size else 0), (last + int(after[0]) if after.size else rise.size - 1)


def _far_side(line: FineLine, calm: Array, steep: NDArray[np.bool_], runs: Sequence[tuple[int, int]], i: int) -> int:
    """Index of the last run that bounds the same mountain or valley as run i; i itself where there is none."""
    first = runs[i][0]
    far = i
    for j in range(i + 1, len(runs)):
        last = runs[j][1]
        if line.distance_m[last] - line.distance_m[first] > _LONGEST_M:
            break
        here = slice(first, last + 1)
        chord = np.interp(line.distance_m[here], line.distance_m[[first, last]], calm[[first, last]])
        above = calm[here] - chord
        one_side = above.min() > -_ON_CHORD_M or above.max() < _ON_CHORD_M
        straight_m = float(np.hypot(line.x_m[last] - line.x_m[first], line.y_m[last] - line.y_m[first]))
        length_m = float(line.distance_m[last] - line.distance_m[first])
        change = np.abs(np.diff(calm[here]))
        steep_share = float(change[steep[here][1:]].sum() / max(change.sum(), 1e-9))
        if one_side and length_m <= _WINDING * straight_m and steep_share >= _STEEP_SHARE:
            far = j
    return far


def _drawn_out(line: FineLine, calm: Array, first: int, last: int) -> tuple[int, int]:
    """The step between two heights, widened until it is no steeper than a main road or the line ends."""
    more = max(round(_WIDEN_M / line.step_m), 1)
    while abs(calm[last] - calm[first]) > _DRAWN_OUT_GRADE * (line.distance_m[last] - line.distance_m[first]):
        if first == 0 and last == calm.size - 1:
            break
        first, last = max(first - more, 0), min(last + more, calm.size - 1)
    return first, last


def _merged(spans: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    out: list[tuple[int, int]] = []
    for first, last in sorted(spans):
        if out and first <= out[-1][1]:
            out[-1] = (out[-1][0], max(out[-1][1], last))
        else:
            out.append((first, last))
    return out


def _finding(line: FineLine, rise: Array, off_m: float, first: int, last: int) -> str:
    here = slice(first, last + 1)
    worst = first + int(np.argmax(np.abs(rise[here])))
    start_m, end_m = line.distance_m[first], line.distance_m[last]
    return (
        f"heights rise or fall by {abs(rise[worst]) * 100:.0f} % at mile {to_miles(line.distance_m[worst]):.0f} "
        f"(km {line.distance_m[worst] / 1000:.1f}), steeper than a truck road: an unlisted tunnel or bridge, or wrong "
        f"heights. Planned on an even grade from mile {to_miles(start_m):.0f} to {to_miles(end_m):.0f}, up to "
        f"{abs(off_m):.0f} m {'below' if off_m > 0 else 'above'} these heights"
    )
