"""Computes grades that a truck meets over about a kilometre, instead of the grade of a single sample.

A truck crosses a short steep part on its momentum: 40 mph is worth 16 m of height, 2 % more grade over 800 m. A single
sample is also the least certain: heights wrong by 15 m make a grade of several percent out of a level road.
"""

from functools import lru_cache
from typing import Final

import numpy as np

from alertd.route.elevation import find_climbs
from alertd.route.model import Array, Climb, Route

SUSTAINED_M: Final = 1_000.0
LONGEST_M: Final = 4_000.0
# The kilometre grows where heights are rough, until their error changes a grade by no more than this [A].
GRADE_ERROR: Final = 0.005
_NORMAL_MEDIAN: Final = 0.6745  # median of the absolute value of a standard normal variable
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
    spacing_m = float(np.diff(route.distance_m).mean())
    rough_m = roughness_m(route.elevation_m, spacing_m)
    half = max(round(SUSTAINED_M / 2.0 / spacing_m), 1)
    most = max(round(LONGEST_M / 2.0 / spacing_m), half)
    while half < most and rough_m > GRADE_ERROR * spacing_m * np.sqrt(_sum_of_squares(half)):
        half += 1
    half = min(half, route.elevation_m.size - 1)
    z = route.elevation_m
    left, right = 2.0 * z[0] - z[half:0:-1], 2.0 * z[-1] - z[-2 : -half - 2 : -1]
    windows = np.lib.stride_tricks.sliding_window_view(np.concatenate((left, z, right)), 2 * half + 1)
    offsets = np.arange(-half, half + 1)
    slope = np.asarray(windows @ offsets / (spacing_m * _sum_of_squares(half)))
    slope.flags.writeable = False
    return slope


def _sum_of_squares(half: int) -> float:
    return half * (half + 1) * (2 * half + 1) / 3.0


def roughness_m(elevation_m: Array, spacing_m: float) -> float:
    """Standard error of heights, m, from the median of their second differences over 500 m.

    A road changes its grade slowly, so half of its second differences are small. Independent errors of size s give
    differences of size s times the square root of 6. Real changes of grade raise the result a little.
    """
    lag = max(round(500.0 / spacing_m), 1)
    if elevation_m.size <= 2 * lag:
        return 0.0
    second = elevation_m[2 * lag :] - 2.0 * elevation_m[lag:-lag] + elevation_m[: -2 * lag]
    return float(np.median(np.abs(second)) / _NORMAL_MEDIAN / np.sqrt(6.0))


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
    return (*_climbs(route, min_mean_grade, min_rise_m), *descents(route, min_mean_grade, min_rise_m))


def descents(route: Route, min_mean_grade: float, min_rise_m: float) -> tuple[Climb, ...]:
    """The descents of `legs`, in order."""
    end = float(route.distance_m[-1])
    back = find_climbs(
        end - route.distance_m[::-1],
        route.elevation_m[::-1],
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


def _climbs(route: Route, min_mean_grade: float, min_rise_m: float) -> tuple[Climb, ...]:
    return find_climbs(
        route.distance_m, route.elevation_m, route.grade, min_rise_m=min_rise_m, min_mean_grade=min_mean_grade
    )
