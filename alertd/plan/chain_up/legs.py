"""Derives the legs of a plan: stretches with their chains and the places where these go on and come off."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.plan.chain_up.chain_set import ChainSet, hang_time_s
from alertd.plan.chain_up.chains_on import ChainsOn
from alertd.plan.chain_up.departure_view import DepartureViews
from alertd.plan.chain_up.prices import prices_for
from alertd.plan.chain_up.road_view import WORTH_IT, ChainStretch, DepartureView
from alertd.plan.chain_up.route_outcome import (
    ChainedLeg,
    ReadyLegs,
    RouteConditions,
    chain_search,
    chained_legs,
    overlaps,
)
from alertd.plan.chain_up.search import ChainedSpan, ChainPlan, ChainSearch, cheapest_plan, drawbacks_at
from alertd.plan.chain_up.stop_candidates import StopCandidates
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.chain_need import SAME_PROBABILITY, stretch_probability
from alertd.route.stops import RouteStop

Array: TypeAlias = NDArray[np.float64]

LATE_S_PER_M = 0.1  # assumed: chained running and wear on bare road to the stretch, as seconds
ALTERNATIVE_WITHIN_S = 2 * 3600.0  # a next best choice that loses more than this is not one


@dataclass(frozen=True, slots=True, kw_only=True)
class Alternative:
    """The next best place to hang a leg's chains, and its extra cost in seconds, in total and by kind.

    stop: None at the trip's start.
    slow_s: more time at chained speed, negative for less.
    wear_s, price_s: see PlanParams.
    kept_s: the credit of places that were sent to the driver. No other cost contains it, so a kept place may cost more.
    """

    stop: RouteStop | None
    at_m: float
    more_s: float
    slow_s: float
    wear_s: float
    price_s: float
    kept_s: float


class BareRoad(NamedTuple):
    """Bare road driven chained, m: before the first stretch of a run, between and inside its stretches, and behind.

    Inside a stretch, road counts as bare where chains bite in less than half of the members.
    """

    before_m: float
    between_m: float
    inside_m: float
    behind_m: float

    @property
    def total_m(self) -> float:
        """All of it."""
        return sum(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class Leg:
    """Chains on from `on_m` to `off_m`, over sections `first` to `last`, which join neighbouring stretches.

    parts: first and last section of each stretch.
    fringe_first, fringe_last: sections, with the road before and behind on which few members need chains.
    on: None when chains go on at the start of the trip.
    off: None when they come off at its end.
    on_drawbacks, off_drawbacks: drawbacks of these places.
    run_start_m, run_end_m: start of the first stretch of the run, and end of its last.
    bare: bare road of the run.
    worth: cost of going on unchained as a multiple of that of chaining ahead, see `ChainPrices`.
    driven: the plan counts its stops and slow driving; otherwise the leg is only "be ready".
    held: the advice is to hold.
    showers: see `NeedRun`.
    stays_on: chains for another leg are on here in any case, and the stops are counted there.
    carried: driven with the chains already on at the truck's position.
    """

    first: int
    last: int
    parts: tuple[tuple[int, int], ...]
    fringe_first: int
    fringe_last: int
    on: RouteStop | None
    off: RouteStop | None
    on_m: float
    off_m: float
    on_drawbacks: tuple[str, ...]
    off_drawbacks: tuple[str, ...]
    chains: ChainSet
    probability: float
    run_start_m: float
    run_end_m: float
    bare: BareRoad
    worth: float
    driven: bool
    held: bool
    showers: bool
    stays_on: bool
    hang_s: float
    slow_s: float
    alternative: Alternative | None
    carried: bool = False


def legs_of(
    views: DepartureViews, chain_plan: ChainPlan, conditions: RouteConditions, ready: ReadyLegs, on: ChainsOn | None
) -> tuple[Leg, ...]:
    """The legs that the plan counts, and the "be ready" legs, in the order of the road."""
    params, places = views.params, views.places
    must, at_m = chain_search(views, params.chain_probability, on), places.at_m
    legs = []

    for run in chained_legs(conditions, chain_plan, places, must):
        span, has_on = run.span, on is not None and run.span.on == 0
        alternative = None
        if run.first and not has_on:
            but = _not_rivals(chain_plan, span, places)
            alternative = _alternative(replace(must, excluded_stops=but), chain_plan, span, places)
        leg = _leg(run.stretches, span, places, conditions, params)
        legs.append(
            replace(
                leg,
                alternative=alternative,
                chains=_for_whole_run(leg, run, conditions, chain_plan, places, must) if run.required else leg.chains,
                driven=run.required,
                stays_on=not run.first,
                hang_s=span.hang_s if has_on else leg.hang_s,
                carried=has_on,
            )
        )
    for span in ready.way.spans if ready.left else ():
        warned = [x for x in ready.left if overlaps(x, at_m[span.on], at_m[span.off])]
        but = _not_rivals(ready.way, span, places)
        alternative = _alternative(replace(ready.walk, excluded_stops=but), ready.way, span, places) if warned else None
        for x in warned:  # one leg each: two unlikely chances do not make a likely one
            within = _between_runs(x, span, chain_plan, conditions.view, places)
            leg = _leg([x], within, places, conditions, params)
            legs.append(replace(leg, alternative=alternative if within.on == span.on else None))
    return tuple(sorted(legs, key=lambda x: x.first))


def _between_runs(
    x: ChainStretch, span: ChainedSpan, chain_plan: ChainPlan, view: DepartureView, places: StopCandidates
) -> ChainedSpan:
    """The run for a "be ready" stretch alone: no other stretch, and no road on which the plan has chains on.

    Where there is no place between, it shares the run of its neighbour, or chains go on where they just came off.
    """
    at_m = places.at_m
    others = [y for y in view.stretches if y is not x and overlaps(y, float(at_m[span.on]), float(at_m[span.off]))]
    first = max((y.off for y in chain_plan.spans if at_m[y.off] <= x.start_m), default=-1)
    last = min((y.on for y in chain_plan.spans if at_m[y.on] >= x.end_m), default=at_m.size)
    from_m = max((y.end_m for y in others if y.end_m <= x.start_m), default=-np.inf)
    to_m = min((y.start_m for y in others if y.start_m >= x.end_m), default=np.inf)
    number = np.arange(at_m.size)
    on, off = span.on, span.off
    if on <= first or at_m[on] < from_m:
        fit = (number > first) & (at_m >= from_m) & (at_m <= x.start_m)
        on = _nearest(fit, x.start_m, view, places, max(first, on))
    if off >= last or at_m[off] > to_m:
        fit = (number < last) & (at_m <= to_m) & (at_m >= x.end_m)
        off = _nearest(fit, x.end_m, view, places, min(last, off))
    return span._replace(on=on, off=off)


def _nearest(fit: NDArray[np.bool_], edge_m: float, view: DepartureView, places: StopCandidates, default: int) -> int:
    """The best of the places that fit, by price and distance from the edge of the stretch."""
    among = np.flatnonzero(fit & np.isfinite(view.price_s))
    if not among.size:
        return default
    return int(among[np.argmin(view.price_s[among] + LATE_S_PER_M * np.abs(places.at_m[among] - edge_m))])


def _for_whole_run(
    leg: Leg,
    run: ChainedLeg,
    conditions: RouteConditions,
    chain_plan: ChainPlan,
    places: StopCandidates,
    search: ChainSearch,
) -> ChainSet:
    """The chains of a leg, with the tires of its whole run: they go on once for all of it."""
    covered = [
        x
        for x in conditions.view.stretches
        if search.is_required(x) and overlaps(x, places.at_m[run.span.on], places.at_m[run.span.off])
    ] or run.stretches
    whole = conditions.encounter.chains(covered[0].first, covered[-1].last, conditions.views.params)
    return replace(leg.chains, hanging=whole.hanging)


def _leg(
    covered: Sequence[ChainStretch],
    span: ChainedSpan,
    places: StopCandidates,
    conditions: RouteConditions,
    params: PlanParams,
) -> Leg:
    """A leg to be ready for, driven where its probability is that of a planned one."""
    first, last = covered[0].first, covered[-1].last
    on, off, view, encounter = span.on, span.off, conditions.view, conditions.encounter
    p = stretch_probability(encounter.need, first, last)
    prices = prices_for(encounter.hourly_need.rig, params)
    here = slice(first, last + 1)
    worth = prices.worth(encounter.need[:, here].max(axis=1), encounter.grip_shortfall[:, here].any(axis=1))
    chains = encounter.chains(first, last, params)
    barred = dict.fromkeys(encounter.chains(x.first, x.last, params).barred for x in covered)
    run_m = _run_m(conditions, on, off, places)
    extra_s = view.chained_s(chains.speed_limit_mps) - view.reach_s
    return Leg(
        first=first,
        last=last,
        parts=tuple((x.first, x.last) for x in covered),
        fringe_first=covered[0].fringe_first,
        fringe_last=covered[-1].fringe_last,
        on=places.stops[on],
        off=places.stops[off],
        on_m=float(places.at_m[on]),
        off_m=float(places.at_m[off]),
        on_drawbacks=drawbacks_at(view, on),
        off_drawbacks=drawbacks_at(view, off),
        chains=replace(chains, barred="; ".join(x for x in barred if x)),
        probability=p,
        run_start_m=run_m[0],
        run_end_m=run_m[1],
        bare=_bare_on_run(conditions, on, off, places),
        worth=worth,
        driven=not any(x.showers for x in covered)
        and (p >= params.chain_probability - SAME_PROBABILITY or worth >= WORTH_IT - SAME_PROBABILITY),
        held=any(conditions.is_held(x) for x in covered),
        showers=any(x.showers for x in covered),
        stays_on=False,
        hang_s=hang_time_s(chains.hanging, params),
        slow_s=float(extra_s[off] - extra_s[on]),
        alternative=None,
    )


def _run_m(conditions: RouteConditions, on: int, off: int, places: StopCandidates) -> tuple[float, float]:
    """Start of the first stretch of a run and end of its last; the places where no stretch is on it."""
    on_m, off_m, sections = float(places.at_m[on]), float(places.at_m[off]), conditions.encounter.hourly_need.sections
    inside = [x for x in conditions.view.stretches if overlaps(x, on_m, off_m)]
    if not inside:
        return on_m, off_m
    return float(sections.start_m[inside[0].first]), float(sections.end_m[inside[-1].last])


def _bare_on_run(conditions: RouteConditions, on: int, off: int, places: StopCandidates) -> BareRoad:
    view, snow_and_ice = conditions.view, conditions.row.on.snow[0] + conditions.row.on.ice[0]
    on_m, off_m = float(view.bare_m[on]), float(view.bare_m[off])
    stretches = [x for x in view.stretches if overlaps(x, float(places.at_m[on]), float(places.at_m[off]))]
    if not stretches:
        return BareRoad(off_m - on_m, 0.0, 0.0, 0.0)
    bare_m = np.where(snow_and_ice < 0.5, conditions.encounter.hourly_need.sections.length_m, 0.0)
    return BareRoad(
        before_m=max(stretches[0].bare_from_m - on_m, 0.0),
        between_m=sum(y.bare_from_m - x.bare_to_m for x, y in pairwise(stretches)),
        inside_m=float(sum(bare_m[x.first : x.last + 1].sum() for x in stretches)),
        behind_m=max(off_m - stretches[-1].bare_to_m, 0.0),
    )


def _not_rivals(chain_plan: ChainPlan, span: ChainedSpan, places: StopCandidates) -> frozenset[int]:
    """The span's own place, and unlisted places that the way does not use: they are all alike, so no alternative."""
    used = {x.on for x in chain_plan.spans} - {span.on}
    return frozenset((span.on, *np.flatnonzero(places.unlisted).tolist())) - used


def _alternative(
    search: ChainSearch, chain_plan: ChainPlan, span: ChainedSpan, places: StopCandidates
) -> Alternative | None:
    """The best way that does not hang chains where this span does; None when none is close.

    The credit of places that were sent does not count: an unchanged choice has the same reasons after it was sent.
    """
    credit_s = sum(_kept_s(search, x) for x in chain_plan.spans)
    other = cheapest_plan(search, chain_plan.cost_s + credit_s + ALTERNATIVE_WITHIN_S)
    if other is None:
        return None
    instead = next((x for x in other.spans if x.on < span.off and x.off > span.on), None)
    if instead is None:
        return None
    kept_s = _kept_s(search, span) - _kept_s(search, instead)
    return Alternative(
        stop=places.stops[instead.on],
        at_m=float(places.at_m[instead.on]),
        more_s=other.cost_s + sum(_kept_s(search, x) for x in other.spans) - chain_plan.cost_s - credit_s,
        slow_s=instead.slow_s - span.slow_s,
        wear_s=instead.wear_s - span.wear_s,
        price_s=instead.price_s - span.price_s - kept_s,
        kept_s=kept_s,
    )


def _kept_s(search: ChainSearch, span: ChainedSpan) -> float:
    on, off = search.view(span.decided_on).kept_s[span.on], search.view(span.clock).kept_s[span.off]
    return float(on + off)
