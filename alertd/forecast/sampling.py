"""Chooses the forecast places along a road, and the place that represents each sample of the road.

Places are about 5 km apart, closer where the height changes, and always at both ends, summits and lows, because the
weather at the summit decides.
"""

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.forecast.model import Array

IntArray: TypeAlias = NDArray[np.intp]

SPACING_M = 5000.0  # [A] about two cells of the finer regional models
CLIMB_M = 250.0  # [A] this height difference counts as one spacing
PROMINENCE_M = 100.0  # [A] a smaller rise or dip is not a summit or low
EARTH_RADIUS_M = 6_371_000.0  # mean radius by the IUGG, rounded, from memory
TOLERANCE = 1e-6  # numerical, of a step: rounding in a long sum must not shift a place by a sample


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CellPlan:
    """Forecast places of a road.

    sample_idx: (cell,) the samples to request, in order along the road.
    cell_of_sample: (sample,) index into sample_idx.
    """

    sample_idx: IntArray
    cell_of_sample: IntArray


def choose_cells(
    distance_m: Array,
    elevation_m: Array,
    lat_deg: Array,
    lon_deg: Array,
    *,
    max_cells: int = 100,
    spacing_m: float = SPACING_M,
) -> CellPlan:
    """At most `max_cells` (>= 2) of the road's samples as forecast places. All arrays (sample,), in road order.

    An unknown height (NaN) counts as the previous known height.

    Raises ValueError for fewer than 2 cells or no sample.
    """
    if max_cells < 2 or distance_m.size == 0:
        raise ValueError("a road needs at least one sample, and a plan room for its two ends")
    height, prominence_m = fill_gaps(elevation_m), PROMINENCE_M
    must = turning_points(height, prominence_m)
    while must.size > max_cells:
        prominence_m *= 1.5
        must = turning_points(height, prominence_m)
    effort = np.concatenate([[0.0], np.cumsum(np.diff(distance_m) / spacing_m + np.abs(np.diff(height)) / CLIMB_M)])
    picks = np.union1d(must, even_steps(effort, int(np.ceil(effort[-1] - TOLERANCE)) + 1))
    while picks.size > max_cells:
        # Thin the evenly spaced places; the turning points stay.
        extra = np.setdiff1d(picks, must)
        keep = np.linspace(0, extra.size - 1, max_cells - must.size).round().astype(np.intp)
        picks = np.union1d(must, extra[keep] if max_cells > must.size else extra[:0])
    return CellPlan(sample_idx=picks, cell_of_sample=nearest_cell(lat_deg, lon_deg, height, picks, spacing_m))


def even_steps(effort: Array, count: int) -> IntArray:
    """Samples at about equal steps of effort, both ends included."""
    steps = np.linspace(0.0, effort[-1], max(count, 2))
    return np.unique(np.clip(np.searchsorted(effort, steps - TOLERANCE), 0, effort.size - 1))


def fill_gaps(elevation_m: Array) -> Array:
    """Heights with gaps filled from before, or from after at the start; all zero when none is known."""
    known = np.flatnonzero(~np.isnan(elevation_m))
    if known.size == 0:
        return np.zeros_like(elevation_m)
    last = np.searchsorted(known, np.arange(elevation_m.size), side="right") - 1
    return elevation_m[known[np.maximum(last, 0)]]


def turning_points(height_m: Array, prominence_m: float) -> IntArray:
    """Both ends, and every summit and low at least `prominence_m` above or below its neighbours."""
    points = [0]
    high = low = 0
    rising = 0  # unknown until the first move of at least prominence_m
    for i, h in enumerate(height_m):
        high = i if h > height_m[high] else high
        low = i if h < height_m[low] else low
        if rising >= 0 and height_m[high] - h >= prominence_m:
            points.append(high)
            rising, high, low = -1, i, i
        elif rising <= 0 and h - height_m[low] >= prominence_m:
            points.append(low)
            rising, high, low = 1, i, i
    points.append(height_m.size - 1)
    return np.unique(np.array(points, dtype=np.intp))


def nearest_cell(lat_deg: Array, lon_deg: Array, height_m: Array, picks: IntArray, spacing_m: float) -> IntArray:
    """(sample,): the nearest pick in place and height, each counted in its own step."""
    metres = EARTH_RADIUS_M * np.pi / 180.0
    north = (lat_deg[:, None] - lat_deg[picks]) * metres
    turn = (lon_deg[:, None] - lon_deg[picks] + 180.0) % 360.0 - 180.0
    east = turn * metres * np.cos(np.radians(lat_deg))[:, None]
    up = height_m[:, None] - height_m[picks]
    cost: Array = (north**2 + east**2) / spacing_m**2 + (up / CLIMB_M) ** 2
    nearest: IntArray = np.argmin(cost, axis=1)
    return nearest
