"""Computes grades that a truck meets over about a kilometre, instead of the grade of a single sample.

A truck crosses a short steep part on its momentum: 40 mph is worth 16 m of height, 2 % more grade over 800 m. A single
sample is also the least certain: heights wrong by 15 m make a grade of several percent out of a level road.
"""

from functools import lru_cache
from typing import Final

import numpy as np

from alertd.route.elevation import find_climbs, smooth_elevation
from alertd.route.model import Array, Climb, Route

SUSTAINED_M: Final = 1_000.0
LONGEST_M: Final = 4_000.0
# The kilometre grows where heights are rough, until errors change a grade by no more than this [A].
GRADE_ERROR: Final = 0.002
# Rough heights are least certain at the ends of a track, where there is nothing to smooth them with [A].
ROUGH_M: Final = 1.0
END_M: Final = 500.0
_QUANTILE: Final = 0.3
_NORMAL_QUANTILE: Final = 0.3853  # 30 % quantile of the absolute value of a standard normal variable
_LAGS_M: Final = (500.0, 1_000.0)
_LEG_GRADES: Final = (0.02, 0.03, 0.04, 0.05, 0.06, 0.07, 0.08)
LEG_RISE_M: Final = 50.0  # [A] a kilometre at 5 %; several times the error of a track's heights


@lru_cache(maxsize=256)
def sustained_grade(route: Route) -> Array:
    """Grade over about a kilometre around each sample, (sample,), positive uphill.

    It is the slope of the line through the heights there (least squares). The window is a kilometre, and up to four
    where the heights of the route are rough, see `roughness_m`. A constant grade is kept exactly, ends included. A
    reversed road has the same grades with the opposite sign.
    """
    if route.sustained is not None:
        return route.sustained
    slope = _slope(_trusted_heights(route), _spacing_m(route), _half(route))
    slope.flags.writeable = False
    return slope


def _spacing_m(route: Route) -> float:
    return float(np.diff(route.distance_m).mean())


def _half(route: Route) -> int:
    """Half of the window, in samples."""
    spacing_m = _spacing_m(route)
    rough_m = roughness_m(route.elevation_m, spacing_m)
    half = max(round(SUSTAINED_M / 2.0 / spacing_m), 1)
    most = max(round(LONGEST_M / 2.0 / spacing_m), half)
    while half < most and rough_m > GRADE_ERROR * spacing_m * np.sqrt(_sum_of_squares(half)):
        half += 1
    return min(half, route.elevation_m.size - 1)


def _slope(z: Array, spacing_m: float, half: int) -> Array:
    left, right = 2.0 * z[0] - z[half:0:-1], 2.0 * z[-1] - z[-2 : -half - 2 : -1]
    windows = np.lib.stride_tricks.sliding_window_view(np.concatenate((left, z, right)), 2 * half + 1)
    return np.asarray(windows @ np.arange(-half, half + 1) / (spacing_m * _sum_of_squares(half)))


def _sum_of_squares(half: int) -> float:
    return half * (half + 1) * (2 * half + 1) / 3.0


@lru_cache(maxsize=256)
def _trusted_heights(route: Route) -> Array:
    """Heights; rough ones within 500 m of an end are replaced by the line of the road behind them."""
    z, spacing_m, half = route.elevation_m, _spacing_m(route), _half(route)
    end = round(END_M / spacing_m)
    if roughness_m(z, spacing_m) < ROUGH_M or z.size < 4 * (end + half) + 2:
        return z
    z = z.copy()
    for heights in (z, z[::-1]):
        window = heights[end : end + 2 * half + 1]
        offsets = np.arange(-half, half + 1)
        slope = float(window @ offsets) / _sum_of_squares(half)
        heights[:end] = window.mean() + slope * (np.arange(end) - end - half)
    return z


def roughness_m(elevation_m: Array, spacing_m: float) -> float:
    """Standard error of heights, m, from the 30 % quantile of their second differences over 500 m and 1 km.

    A road changes its grade slowly, so many of its second differences are small. Independent errors of size s give
    differences of size s times the square root of 6. Real changes of grade raise the result a little.
    """
    found = 0.0
    for lag in (max(round(lag_m / spacing_m), 1) for lag_m in _LAGS_M):
        if elevation_m.size > 2 * lag:
            second = elevation_m[2 * lag :] - 2.0 * elevation_m[lag:-lag] + elevation_m[: -2 * lag]
            found = max(found, float(np.quantile(np.abs(second), _QUANTILE)) / _NORMAL_QUANTILE / np.sqrt(6.0))
    return found


@lru_cache(maxsize=256)
def leg_grade(route: Route) -> Array:
    """Mean grade of the climb or descent on which each sample lies, (sample,), 0 or more; 0 where there is none.

    A climb or descent counts from 50 m of height on, by `find_climbs` in both directions. Of several that overlap, the
    steepest counts. Errors of 15 m in the heights make none.
    """
    found = np.zeros(route.distance_m.shape)
    for least in _LEG_GRADES:
        for leg in legs(route, least, LEG_RISE_M):
            on = (route.distance_m >= leg.start_m) & (route.distance_m <= leg.end_m)
            found[on] = np.maximum(found[on], abs(leg.mean_grade))
    return found


def legs(route: Route, min_mean_grade: float, min_rise_m: float) -> tuple[Climb, ...]:
    """Climbs and descents from this mean grade and height on; a descent has negative grades and a negative rise."""
    at, z = route.distance_m, _smooth_heights(route)
    return (
        *find_climbs(at, z, route.grade, min_rise_m=min_rise_m, min_mean_grade=min_mean_grade),
        *descents(route, min_mean_grade, min_rise_m),
    )


def descents(route: Route, min_mean_grade: float, min_rise_m: float) -> tuple[Climb, ...]:
    """The descents of `legs`, in order."""
    end = float(route.distance_m[-1])
    back = find_climbs(
        end - route.distance_m[::-1],
        _smooth_heights(route)[::-1],
        -route.grade[::-1],
        min_rise_m=min_rise_m,
        min_mean_grade=min_mean_grade,
    )
    return tuple(
        Climb(
            start_m=end - c.end_m,
            end_m=end - c.start_m,
            rise_m=-c.rise_m,
            mean_grade=-c.mean_grade,
            max_grade=-c.max_grade,
        )
        for c in reversed(back)
    )


@lru_cache(maxsize=256)
def _smooth_heights(route: Route) -> Array:
    """Heights over the window of `sustained_grade` where they are rough, else as they are."""
    if roughness_m(route.elevation_m, _spacing_m(route)) < ROUGH_M:
        return route.elevation_m
    spacing_m = _spacing_m(route)
    return smooth_elevation(_trusted_heights(route), spacing_m=spacing_m, window_m=2.0 * _half(route) * spacing_m)
