"""Cleans a line before it becomes a route: drops repeated points and GPS spikes, reports gaps."""

from dataclasses import dataclass, replace
from typing import NewType

import numpy as np
from numpy.typing import NDArray

from alertd.errors import InputError
from alertd.route.geometry.geodesic import distances_m
from alertd.route.model import Array, GpxLine

_GAPS_LISTED = 5

# A line without repeated points and spikes, as `clean_line` returns it.
CleanLine = NewType("CleanLine", GpxLine)


@dataclass(frozen=True, slots=True, kw_only=True)
class CleanLimits:
    """Limits for rejecting points and legs.

    spike_offset_m: a point nearer than this to its neighbours changes a 250 m sample's place too little to matter.
    spike_detour: distance over the point divided by distance past it. A right-angle turn has 1.4, a hairpin of a dense
        track 3.
    spike_leg_over_median: both legs of a spike are this many times the median leg around. This keeps the hairpins of a
        line with few points: their apexes look like spikes, but their legs are as long as all others.
    gap_report_m: over this a road may have hidden bends of kilometres of distance and hundreds of metres of height.
    gap_refuse_m: over this no statement about the road between is useful.
    gap_refuse_share: the line is refused when gaps over gap_blind_m exceed this share of it: a route of a few turning
        points, or a file of scattered pieces.
    """

    spike_offset_m: float = 100.0
    spike_detour: float = 4.0
    spike_leg_over_median: float = 6.0
    gap_report_m: float = 5_000.0
    gap_refuse_m: float = 50_000.0
    gap_blind_m: float = 20_000.0
    gap_refuse_share: float = 0.25


def leg_lengths_m(lat_deg: Array, lon_deg: Array) -> Array:
    """Geodesic length [m] of each leg, (point - 1,), on the WGS 84 ellipsoid."""
    return distances_m(lon_deg[:-1], lat_deg[:-1], lon_deg[1:], lat_deg[1:])


def clean_line(line: GpxLine, *, limits: CleanLimits | None = None) -> CleanLine:
    """Drop repeated points and GPS spikes, and report gaps.

    A clean line is returned with the same points and findings.

    Raises
    ------
    InputError: when two neighbouring points are farther apart than `gap_refuse_m`, or gaps exceed `gap_refuse_share`.
    """
    limits = limits or CleanLimits()
    line, _ = _keep(line, _not_repeated(line))
    findings = list(line.findings)
    if not line.planned:
        line, dropped = _drop_spikes(line, limits)
        if dropped:
            findings.append(f"{dropped} GPS spike{'s' if dropped > 1 else ''} removed from {line.where}")
    findings += _gaps(line, limits)
    return CleanLine(replace(line, findings=tuple(dict.fromkeys(findings))))


def _keep(line: GpxLine, keep: NDArray[np.bool_]) -> tuple[GpxLine, int]:
    dropped = int(np.count_nonzero(~keep))
    if not dropped:
        return line, 0
    kept_before = np.concatenate(([0], np.cumsum(keep)))
    starts = np.unique(kept_before[line.segment_starts])
    return (
        replace(
            line,
            lat_deg=line.lat_deg[keep],
            lon_deg=line.lon_deg[keep],
            elevation_m=line.elevation_m[keep],
            segment_starts=starts[starts < kept_before[-1]].astype(np.intp),
        ),
        dropped,
    )


def _not_repeated(line: GpxLine) -> NDArray[np.bool_]:
    """True for points to keep, (point,): of a run of equal places the first, or the first with a height."""
    new = np.ones(line.lat_deg.size, dtype=bool)
    new[1:] = (np.diff(line.lat_deg) != 0) | (np.diff(line.lon_deg) != 0)
    run = np.cumsum(new) - 1
    has_height = np.isfinite(line.elevation_m)
    best = np.flatnonzero(new)
    known = np.flatnonzero(has_height)[::-1]
    best[run[known]] = known
    keep = np.zeros(line.lat_deg.size, dtype=bool)
    keep[best] = True
    return keep


def _drop_spikes(line: GpxLine, limits: CleanLimits) -> tuple[GpxLine, int]:
    total = 0
    while line.lat_deg.size > 4:
        spikes = _spikes(line, limits)
        if not spikes.any():
            break
        line, dropped = _keep(line, ~spikes)
        # Without the spike its neighbours may be the same place.
        line, _ = _keep(line, _not_repeated(line))
        total += dropped
    return line, total


def _spikes(line: GpxLine, limits: CleanLimits) -> NDArray[np.bool_]:
    legs = leg_lengths_m(line.lat_deg, line.lon_deg)
    past = distances_m(line.lon_deg[:-2], line.lat_deg[:-2], line.lon_deg[2:], line.lat_deg[2:])
    before, after = legs[:-1], legs[1:]
    far = np.minimum(before, after)
    median = _median_leg_around(legs)
    inner = (
        (far > limits.spike_offset_m)
        & (before + after > limits.spike_detour * np.asarray(past))
        & (far > limits.spike_leg_over_median * median)
    )
    # Of two neighbours only the first is removed: removing both would also remove a true corner.
    inner[1:] &= ~inner[:-1]
    return np.concatenate(([False], inner, [False]))


def _median_leg_around(legs: Array, reach: int = 8) -> Array:
    """Median length of the legs around each inner point, shape (point - 2,)."""
    padded = np.pad(legs, reach, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 2)
    return np.asarray(np.median(windows[: legs.size - 1], axis=1))


def _gaps(line: GpxLine, limits: CleanLimits) -> list[str]:
    legs = leg_lengths_m(line.lat_deg, line.lon_deg)
    along_km = np.concatenate(([0.0], np.cumsum(legs))) / 1000.0
    wide = np.flatnonzero(legs > limits.gap_report_m)
    if not wide.size:
        return []
    widest = int(wide[np.argmax(legs[wide])])
    if legs[widest] > limits.gap_refuse_m:
        raise InputError(
            line.where,
            f"points {widest + 1} and {widest + 2}",
            f"{legs[widest] / 1000:.0f} km lie between them, so the road there and its heights are unknown",
            f"give a line that follows the road, with no gap over {limits.gap_refuse_m / 1000:.0f} km",
        )
    blind_km = float(legs[legs > limits.gap_blind_m].sum()) / 1000.0
    if blind_km > limits.gap_refuse_share * along_km[-1]:
        raise InputError(
            line.where,
            "points",
            f"gaps over {limits.gap_blind_m / 1000:.0f} km between points make up {blind_km:.0f} of "
            f"{along_km[-1]:.0f} km, so the road there and its heights are unknown",
            "give a line that follows the road",
        )
    if wide.size > _GAPS_LISTED:
        return [
            f"{wide.size} gaps over {limits.gap_report_m / 1000:.0f} km in the line, the longest "
            f"{legs[widest] / 1000:.1f} km at km {along_km[widest]:.1f}: the road there is drawn straight"
        ]
    return [
        f"gap of {legs[i] / 1000:.1f} km in the line at km {along_km[i]:.1f}: the road there is drawn straight"
        for i in wide
    ]
