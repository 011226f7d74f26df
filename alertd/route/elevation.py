"""Computes heights along the line: smoothing, grade, climbs, and summits by prominence on the route."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final, Protocol

import numpy as np

from alertd.route.geometry.geodesic import distances_m
from alertd.route.model import Array, Climb, Summit

SMOOTH_M: Final = 750.0
MEDIAN_M: Final = 250.0
NAME_REACH_M: Final = 3_000.0
# [A] A pass whose published height differs more is another place: ground models and recorders err by some 50 m, and the
# road crosses one listed gap 126 m above it.
NAME_HEIGHT_M: Final = 150.0
# [A] Of two passes within reach, 1 m of height counts as 10 m of distance: two on one divide may lie 1 km apart.
_PER_HEIGHT: Final = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedSummit:
    """A published pass or summit.

    elevation_m: None where no height was found.
    within_m: uncertainty of the position.
    tunnel: traffic passes below the ridge, so that a ground model gives other heights.
    lands: ISO 3166 codes of its lands; empty where not stated.
    """

    name: str
    road: str
    lat_deg: float
    lon_deg: float
    elevation_m: float | None
    source: str
    within_m: float = 0.0
    tunnel: bool = False
    lands: tuple[str, ...] = ()


def smooth_elevation(
    elevation_m: Array, *, spacing_m: float, window_m: float = SMOOTH_M, median_m: float = MEDIAN_M
) -> Array:
    """Heights without spikes and noise, not shifted along the line; (sample,) [m].

    A running median over `median_m` removes single bad heights. A symmetric triangular mean of total length `window_m`
    then removes noise. Both extend the line beyond its ends by point reflection, so a constant grade is kept exactly,
    ends included.

    Parameters
    ----------
    elevation_m: (sample,) evenly spaced [m]. A NaN spreads over its window.
    spacing_m: distance between samples [m].

    Notes
    -----
    A sharp crest between grades +g and -g comes out lower by g * window_m / 6: 7.5 m at 6 %.
    """
    smooth = _windowed(elevation_m, int(median_m / (2 * spacing_m)), np.median)
    half = min(int(window_m / (2 * spacing_m)), elevation_m.size - 1)
    weights = (half + 1.0) - np.abs(np.arange(-half, half + 1))
    weights /= weights.sum()
    return _windowed(smooth, half, lambda windows, axis: np.asarray(windows @ weights))


class _Reduce(Protocol):
    def __call__(self, windows: Array, /, axis: int) -> Any: ...


def _windowed(values: Array, half: int, reduce: _Reduce) -> Array:
    half = min(half, values.size - 1)
    if half < 1:
        return values.astype(np.float64)
    left = 2.0 * values[0] - values[half:0:-1]
    right = 2.0 * values[-1] - values[-2 : -half - 2 : -1]
    windows = np.lib.stride_tricks.sliding_window_view(np.concatenate((left, values, right)), 2 * half + 1)
    return np.asarray(reduce(windows, axis=-1), dtype=np.float64)


def grade_of(elevation_m: Array, distance_m: Array) -> Array:
    """Rise over run by central differences, one-sided at the ends. Shapes (sample,), with 2 samples or more."""
    return np.asarray(np.gradient(elevation_m, distance_m), dtype=np.float64)


def find_climbs(
    distance_m: Array,
    elevation_m: Array,
    grade: Array,
    *,
    min_rise_m: float = 60.0,
    min_mean_grade: float = 0.02,
    pause_m: float = 20.0,
) -> tuple[Climb, ...]:
    """Sustained upgrades, in order. Array shapes are (sample,).

    A climb is a stretch that gains on a ramp of `min_mean_grade`. It starts at its lowest and ends at its highest point
    relative to that ramp. It continues through pauses that lose less than `pause_m` relative to the ramp. With the
    defaults such a pause is 1 km of level road, or a dip of nearly 20 m. The mean grade is thus above `min_mean_grade`.
    A climb counts when it rises `min_rise_m` or more.
    """
    over_ramp = elevation_m - min_mean_grade * distance_m
    climbs = []
    for foot, top in _upward_legs(over_ramp, pause_m):
        rise = float(elevation_m[top] - elevation_m[foot])
        if rise >= min_rise_m:
            run = float(distance_m[top] - distance_m[foot])
            climbs.append(
                Climb(
                    start_m=float(distance_m[foot]),
                    end_m=float(distance_m[top]),
                    rise_m=rise,
                    mean_grade=rise / run,
                    max_grade=float(np.max(grade[foot : top + 1])),
                )
            )
    return tuple(climbs)


def _upward_legs(values: Array, reversal: float) -> Iterator[tuple[int, int]]:
    """Index pairs (low, high) of rises that reach `reversal` and contain no fall of `reversal` or more."""
    low = high = 0
    rising = False
    for i, value in enumerate(values.tolist()):
        if rising:
            if value > values[high]:
                high = i
            elif value <= values[high] - reversal:
                yield low, high
                rising, low = False, i
        elif value <= values[low]:
            low = i
        elif value >= values[low] + reversal:
            rising, high = True, i
    if rising:
        yield low, high


def find_summits(
    distance_m: Array, elevation_m: Array, *, min_prominence_m: float = 100.0
) -> tuple[tuple[int, float], ...]:
    """Index and prominence [m] of the high points whose prominence along the route reaches `min_prominence_m`.

    Prominence is the height above the higher of two low points, one on each side. Each is the lowest point before the
    road is higher again or ends. The ends of the route are not summits. A level top gives its middle. Array shapes are
    (sample,); O(n).
    """
    left = _lowest_before_higher(elevation_m)
    right = _lowest_before_higher(elevation_m[::-1])[::-1]
    prominence = elevation_m - np.maximum(left, right)
    found = []
    for first, last in _tops(elevation_m):
        if prominence[first] >= min_prominence_m:
            middle = int(np.argmin(np.abs(distance_m[first : last + 1] - (distance_m[first] + distance_m[last]) / 2)))
            found.append((first + middle, float(prominence[first])))
    return tuple(found)


def _tops(values: Array) -> Iterator[tuple[int, int]]:
    """First and last index of each level stretch that is higher than the values before and after it."""
    starts = np.concatenate(([0], np.flatnonzero(np.diff(values) != 0) + 1))
    ends = np.concatenate((starts[1:] - 1, [values.size - 1]))
    level = values[starts]
    for k in np.flatnonzero((level[1:-1] > level[:-2]) & (level[1:-1] > level[2:])) + 1:
        yield int(starts[k]), int(ends[k])


def _lowest_before_higher(values: Array) -> Array:
    """For each place, the lowest value back to the previous strictly higher one (or to the start)."""
    lowest = values.copy()
    higher: list[int] = []  # indices whose values strictly fall
    for i, value in enumerate(values.tolist()):
        while higher and values[higher[-1]] <= value:
            lowest[i] = min(lowest[i], lowest[higher.pop()])
        higher.append(i)
    return lowest


def name_summits(
    found: Sequence[tuple[int, float]],
    *,
    lat_deg: Array,
    lon_deg: Array,
    distance_m: Array,
    elevation_m: Array,
    named: Sequence[NamedSummit],
    reach_m: float = NAME_REACH_M,
) -> tuple[Summit, ...]:
    """Summits with the name of the published summit that fits best, or without a name.

    A name needs a position within `reach_m` plus the uncertainty of the published one, and heights that differ by at
    most NAME_HEIGHT_M where both are known. Traffic in a tunnel has no such limit.
    """
    lat, lon = np.array([n.lat_deg for n in named]), np.array([n.lon_deg for n in named])
    within_m = np.array([n.within_m for n in named])
    height_m = np.array([np.nan if n.elevation_m is None or n.tunnel else n.elevation_m for n in named])
    summits = []
    for i, prominence_m in found:
        name = ""
        if named:
            here = np.full(lat.shape, lat_deg[i]), np.full(lat.shape, lon_deg[i])
            apart_m = distances_m(here[1], here[0], lon, lat)
            differs_m = np.nan_to_num(np.abs(height_m - elevation_m[i]))
            fits = (apart_m <= reach_m + within_m) & (differs_m <= NAME_HEIGHT_M)
            if fits.any():
                name = named[int(np.argmin(np.where(fits, apart_m + _PER_HEIGHT * differs_m, np.inf)))].name
        summits.append(
            Summit(
                distance_m=float(distance_m[i]), elevation_m=float(elevation_m[i]), prominence_m=prominence_m, name=name
            )
        )
    return tuple(summits)
