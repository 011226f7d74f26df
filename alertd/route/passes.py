"""Finds the passes of a route: climbs and descents from foot to foot, whatever the grade of a sample."""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from alertd.route.elevation import find_climbs, smooth_elevation
from alertd.route.model import Array, Climb, Route

SMOOTH_M = 1_000.0
# Climbs of one ascent, and descents of one descent, may be farther apart where the road between goes on rising or
# falling at half a percent or more [A]: I-80 rises to Donner Summit in two such climbs.
SAME_WAY_M = 30_000.0
SAME_WAY_GRADE = 0.005


@lru_cache(maxsize=256)
def passes_of(
    route: Route, min_mean_grade: float, min_rise_m: float, longest_top_m: float
) -> tuple[tuple[float, float], ...]:
    """Start and end (start_m, end_m) of each pass, in order.

    A climb or descent counts from `min_mean_grade` and `min_rise_m` on, see `find_climbs`, by heights smoothed over
    about a kilometre. Climbs and descents at most `longest_top_m` apart form one pass: a climb with the next climb, or
    with the descent behind the summit, or a descent with the next descent. So do two climbs up to 30 km apart if the
    road keeps rising between them, and two descents if it keeps falling. A valley between a descent and a climb
    separates passes.
    """
    if route.passes is not None:
        return route.passes
    d = route.distance_m
    spacing_m = float(np.diff(d).mean())
    elevation_m = smooth_elevation(route.elevation_m, spacing_m=spacing_m, window_m=SMOOTH_M)

    def climbs(at_m: Array, heights_m: Array, grade: Array) -> tuple[Climb, ...]:
        return find_climbs(at_m, heights_m, grade, min_rise_m=min_rise_m, min_mean_grade=min_mean_grade)

    end = float(d[-1])
    legs = [(c.start_m, c.end_m, True) for c in climbs(d, elevation_m, route.grade)]
    back = climbs(end - d[::-1], elevation_m[::-1], -route.grade[::-1])
    legs += [(end - c.end_m, end - c.start_m, False) for c in back]
    found: list[tuple[float, float]] = []
    was_up = True
    for start_m, end_m, up in sorted(legs):
        gap_m = start_m - found[-1][1] if found else np.inf
        joins = (was_up or not up) and gap_m <= longest_top_m
        if not joins and was_up is up and gap_m <= SAME_WAY_M:
            a, b = np.interp((found[-1][1], start_m), d, elevation_m)
            joins = bool((b - a if up else a - b) >= SAME_WAY_GRADE * gap_m)
        if joins:
            found[-1] = (found[-1][0], max(end_m, found[-1][1]))
        else:
            found.append((start_m, end_m))
        was_up = up
    return tuple(found)


def on_passes(distance_m: Array, passes: tuple[tuple[float, float], ...]) -> NDArray[np.bool_]:
    """True where a sample lies on a pass, ends included, (sample,)."""
    inside = [(distance_m >= start_m) & (distance_m <= end_m) for start_m, end_m in passes]
    return np.logical_or.reduce(inside) if inside else np.zeros(distance_m.shape, dtype=np.bool_)
