"""Where to hang chains and where to take them off: last safe stop before, first after, and when to keep them on."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.plan.params import PlanParams
from alertd.route.line import Route
from alertd.route.stops import RouteStop, StopKind

Array: TypeAlias = NDArray[np.float64]
Stretch: TypeAlias = tuple[int, int]  # first and last sample index


@dataclass(frozen=True, slots=True, kw_only=True)
class Leg:
    """Chains on from `on_m` to `off_m`, over the stretch of samples `first` to `last`.

    `on` is None when the chains go on where the trip starts, `off` when they come off where it ends. `parts` is how
    many stretches were joined because taking chains off between them costs more than it saves.
    """

    first: int
    last: int
    parts: int
    on: RouteStop | None
    off: RouteStop | None
    on_m: float
    off_m: float
    on_reason: str
    off_reason: str


def choose_legs(
    route: Route,
    stretches: Sequence[Stretch],
    need_frac: Array,
    unchained_s_per_m: Array,
    chained_s_per_m: Array,
    hang_s: Callable[[Stretch], float],
    params: PlanParams,
) -> tuple[Leg, ...]:
    """One leg per stretch, stretches joined where taking chains off between them costs more than it saves.

    Slowness arrays are (sample,), [s/m]; `hang_s` says how long the chains that a stretch needs take to hang. Joined
    pair by pair from the start, which is the cheapest choice for two stretches and a sound one for more.
    """
    safe = safe_stops(route, need_frac, params)
    extra_s = np.concatenate(([0.0], np.cumsum(np.diff(route.distance_m) * (chained_s_per_m - unchained_s_per_m)[1:])))
    joined: list[tuple[Stretch, int]] = []
    for stretch in stretches:
        if joined and _keep_on(route, safe, joined[-1][0], stretch, extra_s, params.remove_s + hang_s(stretch), params):
            (first, _), parts = joined[-1]
            joined[-1] = ((first, stretch[1]), parts + 1)
        else:
            joined.append((stretch, 1))
    return tuple(_leg(route, safe, stretch, parts, need_frac, params) for stretch, parts in joined)


def safe_stops(route: Route, need_frac: Array, params: PlanParams) -> tuple[RouteStop, ...]:
    """Stops where a rig can stand off the lanes, on a mild grade, on pavement that does not itself need chains."""
    return tuple(
        s
        for s in route.stops
        if has_room(s, params)
        and abs(value_at(route, route.grade, s)) <= params.stop_max_grade
        and value_at(route, need_frac, s) < params.ready_probability
    )


def has_room(stop: RouteStop, params: PlanParams) -> bool:
    """Room for a combination: a turnout needs a stated number of spaces, the other kinds are built for trucks."""
    if stop.stop.spaces is None:
        return stop.stop.kind is not StopKind.TURNOUT
    return stop.stop.spaces >= params.stop_min_spaces


def value_at(route: Route, values: Array, stop: RouteStop) -> float:
    """A value of the samples, (sample,), at the stop."""
    return float(np.interp(stop.distance_m, route.distance_m, values))


def _keep_on(
    route: Route,
    safe: Sequence[RouteStop],
    before: Stretch,
    after: Stretch,
    extra_s: Array,
    handling_s: float,
    params: PlanParams,
) -> bool:
    """True when chains should stay on between two stretches: nowhere to change, or not worth the work."""
    d = route.distance_m
    gap_start, gap_end = float(d[before[1]]), float(d[after[0]])
    off, on = _first_after(safe, gap_start, params), _last_before(safe, gap_end, params)
    if off is None or on is None or on.distance_m < off.distance_m:
        return True
    if on.distance_m - off.distance_m > params.longest_bare_gap_m:
        return False
    at = [gap_start, off.distance_m, on.distance_m, gap_end]
    lost_s = np.diff(np.interp(at, d, extra_s))
    return bool(lost_s.sum() <= handling_s + lost_s[0] + lost_s[2])


def _last_before(safe: Sequence[RouteStop], at_m: float, params: PlanParams) -> RouteStop | None:
    before = [s for s in safe if s.distance_m <= at_m - params.stop_clearance_m]
    return before[-1] if before else None


def _first_after(safe: Sequence[RouteStop], at_m: float, params: PlanParams) -> RouteStop | None:
    return next((s for s in safe if s.distance_m >= at_m + params.stop_clearance_m), None)


def _leg(
    route: Route, safe: Sequence[RouteStop], stretch: Stretch, parts: int, need_frac: Array, params: PlanParams
) -> Leg:
    start, end = float(route.distance_m[stretch[0]]), float(route.distance_m[stretch[1]])
    on, on_reason = _hang_at(route, safe, start, end, need_frac, params)
    off = _first_after(safe, end, params)
    return Leg(
        first=stretch[0],
        last=stretch[1],
        parts=parts,
        on=on,
        off=off,
        on_m=float(route.distance_m[0]) if on is None else on.distance_m,
        off_m=route.length_m if off is None else off.distance_m,
        on_reason=on_reason,
        off_reason="first listed safe stop past the last road that may need chains"
        if off is not None
        else "no listed safe stop past the snow before the trip ends: take them off there",
    )


def _hang_at(
    route: Route, safe: Sequence[RouteStop], start: float, end: float, need_frac: Array, params: PlanParams
) -> tuple[RouteStop | None, str]:
    """The stop to hang at and why; None for the trip's own start."""
    on = _last_before(safe, start, params)
    if on is not None:
        far = ", and a long way short of it" if start - on.distance_m > params.longest_bare_run_m else ""
        return on, f"last listed safe stop before the first road that may need chains{far}"
    here = "where the trip starts" if route.distance_m[0] == 0.0 else "where the truck is"
    if start - route.distance_m[0] <= params.longest_bare_run_m:
        return None, f"no listed safe stop before the snow: hang them {here}"
    # A cramped place, or one at the very edge of the snow, still beats any place that is already in it.
    before = [s for s in route.stops if s.distance_m < start]
    if before:
        clear_of_it = [s for s in before if s.distance_m <= start - params.stop_clearance_m]
        chosen = (clear_of_it or before)[-1]
        return chosen, "only stop listed before the snow, and it is small, on a grade or close to the snow"
    inside = [s for s in route.stops if start <= s.distance_m <= end]
    if inside:

        def liking(s: RouteStop) -> tuple[bool, float, float]:
            return not has_room(s, params), round(value_at(route, need_frac, s), 2), s.distance_m

        return min(inside, key=liking), "NO listed stop before the snow: this one may already be in it; go slowly"
    return None, f"no listed stop before or in the snow: hang them {here}, or use a signed area"
