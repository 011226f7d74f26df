"""The heights that a line itself gives: which of them count, where they are too few, and steps joined to grades."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from alertd.route.geometry.polyline import Polyline
from alertd.route.model import Array, TunnelSpan
from alertd.route.runs import runs_of

# Heights up to this far apart are joined by a constant grade. Over 2 km a road can climb and drop 100 m unnoticed.
HEIGHT_GAP_M: Final = 2_000.0
# A single leg without points between, as through a tunnel, may be longer. Beyond this the line itself is doubtful.
HEIGHT_LEG_M: Final = 5_000.0
# Before the first and after the last known height there is only one height to extrapolate from.
HEIGHT_END_M: Final = 500.0


@dataclass(frozen=True, slots=True, kw_only=True)
class HeightLimits:
    """How far apart known heights may be [m]: between points, over one leg without points, and at the ends."""

    gap_m: float = HEIGHT_GAP_M
    leg_m: float = HEIGHT_LEG_M
    end_m: float = HEIGHT_END_M


CLOSE: Final = HeightLimits()
# [A] For a file whose own heights are the only ones to be had. A pass road climbs 500 m in 10 km, so a stretch as long
# can hide a ridge: the reader is told of each, and a published pass in it refuses the file.
SPARSE: Final = HeightLimits(gap_m=10_000.0, leg_m=15_000.0, end_m=3_000.0)
SPARSE_GRADE: Final = 0.12  # [A] mean over a stretch without heights; public roads sustain less
# A 0 beside a height that a road cannot drop from is a placeholder: 30 % is steeper than any public road sustains.
_ZERO_STEP_M, _ZERO_GRADE = 10.0, 0.30
# [A] Heights in steps: most points repeat the height before, and the others jump by this or more.
_STEPPED_SHARE: Final = 0.35
_STEP_LEAST_M: Final = 5.0


def known_heights(path: Polyline) -> Array:
    """The line's heights, with NaN in place of placeholder zeros, (point,)."""
    elevation_m = path.elevation_m.copy()
    known = np.flatnonzero(np.isfinite(elevation_m))
    heights, distance_m = elevation_m[known], path.distance_m[known]
    zero = heights == 0.0
    if zero.all():
        elevation_m[known] = np.nan
        return elevation_m
    if not zero.any():
        return elevation_m
    for first, last in runs_of(zero):
        for inside, neighbour in ((first, first - 1), (last, last + 1)):
            if 0 <= neighbour < heights.size:
                gap_m = abs(distance_m[inside] - distance_m[neighbour])
                if abs(heights[neighbour]) > _ZERO_STEP_M + _ZERO_GRADE * gap_m:
                    elevation_m[known[first : last + 1]] = np.nan
    return elevation_m


def height_problem(
    path: Polyline, known_m: Array, tunnels: Sequence[TunnelSpan] = (), limits: HeightLimits = CLOSE
) -> str:
    """Why these heights are too few for a route, "" where they are enough.

    Heights may be missing in a listed tunnel, because they are interpolated between its portals.
    """
    at_m = path.distance_m[np.isfinite(known_m)]
    if not at_m.size:
        given = np.isfinite(path.elevation_m).any()
        return "the only heights are 0, a placeholder" if given else "there are no heights"
    if at_m[0] > limits.end_m:
        return f"heights start only at km {at_m[0] / 1000:.1f}"
    if path.length_m - at_m[-1] > limits.end_m:
        return f"heights end at km {at_m[-1] / 1000:.1f} of {path.length_m / 1000:.1f}"
    start_m, end_m, bare = _height_gaps(path, known_m)
    too_far = end_m - start_m > np.where(bare, limits.leg_m, limits.gap_m)
    for span in tunnels:
        too_far &= ~((start_m >= span.start_m - HEIGHT_END_M) & (end_m <= span.end_m + HEIGHT_END_M))
    wide = np.flatnonzero(too_far)
    if wide.size:
        i = wide[np.argmax(end_m[wide] - start_m[wide])]
        return f"no heights from km {start_m[i] / 1000:.1f} to km {end_m[i] / 1000:.1f}"
    return ""


def wide_gaps(path: Polyline, known_m: Array) -> list[tuple[float, float]]:
    """Start and end [m] of stretches longer than HEIGHT_GAP_M between known heights, in order."""
    start_m, end_m, _ = _height_gaps(path, known_m)
    wide = end_m - start_m > HEIGHT_GAP_M
    return list(zip(start_m[wide].tolist(), end_m[wide].tolist(), strict=True))


def sparse_problem(path: Polyline, known_m: Array, tunnels: Sequence[TunnelSpan]) -> str:
    """Why recorded heights may not be used where they are the only ones, "" where they may: see SPARSE."""
    problem = height_problem(path, known_m, tunnels, SPARSE)
    if problem:
        return problem
    known = np.flatnonzero(np.isfinite(known_m))
    apart_m, rise_m = np.diff(path.distance_m[known]), np.abs(np.diff(known_m[known]))
    steep = np.flatnonzero((apart_m > HEIGHT_GAP_M) & (rise_m > SPARSE_GRADE * apart_m))
    if steep.size:
        at_m = path.distance_m[known][steep[0]]
        return (
            f"heights differ by {rise_m[steep[0]]:.0f} m over {apart_m[steep[0]] / 1000:.1f} km at km {at_m / 1000:.1f}"
        )
    return ""


def _height_gaps(path: Polyline, known_m: Array) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Start and end [m] of each step from one known height to the next, and whether no given point lies in it."""
    known = np.flatnonzero(np.isfinite(known_m))
    given = np.searchsorted(path.index_of(np.arange(path.points_n)), known)
    return path.distance_m[known[:-1]], path.distance_m[known[1:]], np.diff(given) == 1


def height_findings(path: Polyline, known_m: Array) -> list[str]:
    """Findings on placeholders and on stretches without heights, for the reader."""
    findings = []
    zeros = int(np.count_nonzero(np.isfinite(path.elevation_m) & np.isnan(known_m)))
    if zeros:
        findings.append(f"heights of exactly 0 beside higher ground count as missing: {zeros}")
    start_m, end_m, bare = _height_gaps(path, known_m)
    for first, last in wide_gaps(path, known_m):
        findings.append(
            f"no heights from km {first / 1000:.1f} to km {last / 1000:.1f}: a straight line is assumed there, and a "
            "ridge or a valley on it is not known"
        )
    filled = ~bare & (end_m - start_m <= HEIGHT_GAP_M)
    if filled.any():
        longest = int(np.argmax(np.where(filled, end_m - start_m, 0.0)))
        findings.append(
            f"stretches without heights: {int(filled.sum())}, the longest from km {start_m[longest] / 1000:.1f} "
            f"to km {end_m[longest] / 1000:.1f}: filled with a constant grade"
        )
    return findings


def without_steps(path: Polyline, known_m: Array) -> Array:
    """Heights in coarse steps, joined from the middle of each step to the middle of the next, (point,).

    A file whose heights move in steps of 5 m or more shows cliffs where the road has an even grade.
    """
    known = np.flatnonzero(np.isfinite(known_m))
    heights, at_m = known_m[known], path.distance_m[known]
    start = np.concatenate(([0], np.flatnonzero(np.diff(heights) != 0.0) + 1))
    jumps = np.abs(np.diff(heights[start]))
    if start.size > _STEPPED_SHARE * known.size or start.size < 3 or np.median(jumps) < _STEP_LEAST_M:
        return known_m
    end = np.concatenate((start[1:] - 1, [known.size - 1]))
    middle_m = 0.5 * (at_m[start] + at_m[end])
    middle_m[0], middle_m[-1] = at_m[0], at_m[-1]
    out = known_m.copy()
    out[known] = np.interp(at_m, middle_m, heights[start])
    return out
