"""Solves one trip: the best places to put chains on and off, the trip's clock, and the conditions."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from alertd.plan.chain_up.chain_set import ChainSet, hang_time_s
from alertd.plan.chain_up.chains_on import ChainsOn
from alertd.plan.chain_up.departure_view import DepartureViews, Encounter, StopCandidates, section_chained_s
from alertd.plan.chain_up.route_outcome import (
    RouteConditions,
    best_plan,
    chain_search,
    chained_legs,
    conditions_on,
    overlaps,
    uncovered,
)
from alertd.plan.chain_up.search import (
    ChainedSpan,
    ChainPlan,
    ChainSearch,
    ChainStretch,
    DepartureView,
    cheapest_plan,
    drawbacks_at,
    missing,
)
from alertd.plan.chain_up.unlisted_places import places_with_search
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.chain_need import SAME_PROBABILITY, stretch_probability
from alertd.plan.road_ahead.hourly_need import Float32, HourlyNeed, Mask
from alertd.plan.road_ahead.pavement_codes import NAMED_OF_CODE, Codes
from alertd.plan.road_ahead.sections import Sections
from alertd.plan.road_ahead.speeds import lateness_s
from alertd.plan.road_ahead.timing import free_s, unchained_timing
from alertd.route.stops import RouteStop
from alertd.rules.rig import IdentityKey, Tire
from alertd.units import HOUR_S

Array: TypeAlias = NDArray[np.float64]
ALTERNATIVE_WITHIN_S = 2 * 3600.0  # a next best choice that loses more than this is not one

StoppedTimes: TypeAlias = tuple[tuple[float, float], ...]  # (distance_m, seconds)


@dataclass(frozen=True, slots=True, kw_only=True)
class Alternative:
    """The next best place to hang a leg's chains, and its extra cost in seconds, in total and by kind.

    stop: None at the trip's start.
    slow_s: more time at chained speed, negative for less.
    wear_s, price_s: see PlanParams.
    """

    stop: RouteStop | None
    at_m: float
    more_s: float
    slow_s: float
    wear_s: float
    price_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Leg:
    """Chains on from `on_m` to `off_m`, over sections `first` to `last`, which join `parts` stretches.

    on: None when chains go on at the start of the trip.
    off: None when they come off at its end.
    on_drawbacks, off_drawbacks: drawbacks of these places.
    driven: the plan counts its stops and slow driving; otherwise the leg is only "be ready".
    stays_on: chains for another leg are on here in any case.
    carried: driven with the chains already on at the truck's position.
    """

    first: int
    last: int
    parts: int
    on: RouteStop | None
    off: RouteStop | None
    on_m: float
    off_m: float
    on_drawbacks: tuple[str, ...]
    off_drawbacks: tuple[str, ...]
    chains: ChainSet
    probability: float
    driven: bool
    stays_on: bool
    hang_s: float
    slow_s: float
    alternative: Alternative | None
    carried: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Carried:
    """The run with chains already on from the first sample to `off_m`.

    off: the place to remove them, None at the end.
    missing: tires to chain in addition, no further than off_m; empty where the chains on are unknown.
    add_s: time to chain these.
    """

    off: RouteStop | None
    off_m: float
    off_flaws: tuple[str, ...]
    speed_limit_mps: float | None
    missing: tuple[Tire, ...]
    add_s: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Solution:
    """The solution for one departure.

    encounter: conditions, hour by member and section.
    moving_s: (section + 1,) seconds at each edge without standing.
    stopped_times: (distance_m, seconds) of each counted stop.
    unhindered_s: seconds to the end on a dry road without chains.
    finish_s: each member's seconds to the end, (member,).
    later_road: True when some leg exists only for a driver delayed by an earlier "be ready" leg.
    carried: for a truck with chains on.
    unchained_s: seconds to the end without chaining, at the speed that the road allows.
    chained_s: seconds to the end, chained for every "be ready" leg too.
    """

    encounter: Encounter
    legs: tuple[Leg, ...]
    moving_s: Array
    stopped_times: StoppedTimes
    unhindered_s: float
    finish_s: Array
    later_road: bool
    carried: Carried | None = None
    unchained_s: float = 0.0
    chained_s: float = 0.0

    @property
    def sections(self) -> Sections:
        return self.encounter.hourly_need.sections

    @property
    def need(self) -> Float32:
        """Probability that chains are needed, (member, section)."""
        return self.encounter.need

    @cached_property
    def need_frac(self) -> Array:
        """Probability in each section alone, (section,). Never multiply these along the road."""
        return np.asarray(self.need.mean(axis=0, dtype=np.float64))

    @property
    def code(self) -> Codes:
        """Pavement code, (member, section)."""
        return self.encounter.code

    @property
    def road_class(self) -> Codes:
        """RoadClass values, (member, section)."""
        return NAMED_OF_CODE[self.code]

    @property
    def unknown(self) -> Mask:
        """True where the pavement is unknown, (member, section)."""
        return np.asarray(self.code == 0)

    @property
    def grip_shortfall(self) -> Mask:
        """True where the rig slips without chains, (member, section)."""
        return self.encounter.grip_shortfall

    def reach_s(self, at_m: ArrayLike) -> Array:
        """Seconds from departure to each place, before standing there."""
        at = np.asarray(at_m, dtype=np.float64)
        stood = sum((np.where(at > stand_m, s, 0.0) for stand_m, s in self.stopped_times), np.zeros_like(at))
        return np.asarray(np.interp(at, self.sections.edge_m, self.moving_s) + stood)


def best_solution(
    hourly_need: HourlyNeed,
    depart_epoch_s: float,
    params: PlanParams,
    on: ChainsOn | None = None,
    since_epoch_s: float | None = None,
    sent_stops: frozenset[str] = frozenset(),
) -> Solution:
    """The cheapest way for this departure.

    on: chains on the truck.
    sent_stops: by id; they are kept unless another is better by more than `kept_s`, or they may be in the snow.
    since_epoch_s: the truck may have continued at any hour from then on. No part of the road counts as better than at
        the worst of these hours.

    A driver with a "be ready" leg may have to chain after all and be late for the road behind it. The conditions at
    that later time are kept: where they need more, the search runs again with at least that need.
    """
    places = places_with_search(hourly_need, depart_epoch_s, params)
    views = DepartureViews(
        hourly_need=hourly_need, depart_epoch_s=depart_epoch_s, params=params, places=places, sent_stops=sent_stops
    )
    earlier = None if since_epoch_s is None else _worst_since(hourly_need, since_epoch_s, depart_epoch_s, params)
    if earlier is not None:
        views.set_floor(earlier.need)
    chain_plan = best_plan(chain_search(views, params.chain_probability, on))
    conditions = _as_earlier(conditions_on(views, chain_plan), earlier)
    ready, later_road = _ReadyLegs(views, conditions.view, chain_plan, on), False
    if ready.left:
        warned = conditions_on(views, ready.way)
        more = warned.encounter.need.mean(axis=0) > conditions.encounter.need.mean(axis=0) + SAME_PROBABILITY
        if more.any():
            floor = np.where(more, warned.encounter.need, np.float32(0.0))
            views.set_floor(floor if earlier is None else np.maximum(floor, earlier.need))
            chain_plan = best_plan(chain_search(views, params.chain_probability, on))
            conditions = conditions_on(views, chain_plan)
            hour = np.where(more, warned.encounter.hour, conditions.encounter.hour)
            conditions = _as_earlier(
                replace(conditions, encounter=replace(conditions.encounter, hour=hour, timing=None)), earlier
            )
            later_road = len(conditions.view.stretches) > len(ready.scene.stretches)
            ready = _ReadyLegs(views, conditions.view, chain_plan, on)
    carried = None if on is None else _carried(on, chain_plan.spans[0], conditions.view, views.places)
    legs = _legs(views, chain_plan, conditions, ready, on)
    moving_s, stopped_times = _clock(legs, conditions, params, carried)
    total_s = np.asarray([moving_s[-1] + sum(s for _, s in stopped_times)])
    return Solution(
        encounter=conditions.encounter,
        legs=legs,
        moving_s=moving_s,
        stopped_times=stopped_times,
        unhindered_s=float(free_s(hourly_need.sections, IdentityKey(hourly_need.rig), params).sum()),
        finish_s=total_s + lateness_s(total_s, hourly_need.corridor.clock_z, params)[:, 0],
        later_road=later_road,
        carried=carried,
        unchained_s=float(views.row(0).reach_s[0, -1]),
        chained_s=max(float(total_s[0]), ready.way.minute * 60.0 if ready.left else 0.0),
    )


def _worst_since(hourly_need: HourlyNeed, since_epoch_s: float, until_epoch_s: float, params: PlanParams) -> Encounter:
    """Each section at its worst hour, for a truck that continues at any hour between two moments."""
    departs = np.append(np.arange(since_epoch_s, until_epoch_s, HOUR_S), until_epoch_s)
    rides, section = unchained_timing(hourly_need, departs, params), np.arange(hourly_need.sections.count)
    worst = rides.need.mean(axis=1).argmax(axis=0)
    return Encounter(hourly_need=hourly_need, hour=np.ascontiguousarray(rides.hour[worst, :, section].T))


def _as_earlier(conditions: RouteConditions, earlier: Encounter | None) -> RouteConditions:
    """The conditions, with the worst earlier hour where that is worse."""
    if earlier is None:
        return conditions
    alone = Encounter(hourly_need=conditions.encounter.hourly_need, hour=conditions.encounter.hour)
    worse = earlier.need.mean(axis=0) > alone.need.mean(axis=0) + SAME_PROBABILITY
    if not worse.any():
        return conditions
    hour = np.where(worse, earlier.hour, conditions.encounter.hour)
    return replace(conditions, encounter=replace(conditions.encounter, hour=hour, timing=None))


def _carried(on: ChainsOn, span: ChainedSpan, view: DepartureView, places: StopCandidates) -> Carried:
    return Carried(
        off=places.stops[span.off],
        off_m=float(places.at_m[span.off]),
        off_flaws=drawbacks_at(view, span.off),
        speed_limit_mps=span.chains.speed_limit_mps,
        missing=missing(on, span.chains),
        add_s=span.hang_s,
    )


class _ReadyLegs:
    """The stretches that a way leaves unchained, and the way chained for all of them, as one view."""

    def __init__(self, views: DepartureViews, view: DepartureView, chain_plan: ChainPlan, on: ChainsOn | None) -> None:
        self.scene, self.left = view, uncovered(view, chain_plan, views.places)
        self.walk = replace(chain_search(views, views.params.ready_probability, on), view=lambda _: view)

    @cached_property
    def way(self) -> ChainPlan:
        return best_plan(self.walk)


def _legs(
    views: DepartureViews, chain_plan: ChainPlan, conditions: RouteConditions, ready: _ReadyLegs, on: ChainsOn | None
) -> tuple[Leg, ...]:
    """The legs that the plan counts, and the "be ready" legs, in the order of the road."""
    params, places = views.params, views.places
    must, at_m = chain_search(views, params.chain_probability, on), places.at_m
    legs = []

    for span, covered, kept_on in chained_legs(conditions.view, chain_plan, places, must):
        has_on = on is not None and span.on == 0
        alternative = (
            None
            if has_on
            else _alternative(
                replace(must, excluded_stops=_not_rivals(chain_plan, span, places)), chain_plan, span, places
            )
        )
        leg = _leg(covered, span, places, conditions, params)
        hang_s = span.hang_s if has_on else leg.hang_s
        legs.append(
            replace(
                leg,
                alternative=alternative,
                driven=not kept_on,
                stays_on=kept_on,
                hang_s=hang_s,
                carried=has_on,
            )
        )
    for span in ready.way.spans if ready.left else ():
        warned = [x for x in ready.left if overlaps(x, at_m[span.on], at_m[span.off])]
        but = _not_rivals(ready.way, span, places)
        alternative = _alternative(replace(ready.walk, excluded_stops=but), ready.way, span, places) if warned else None
        for x in warned:  # one leg each: two unlikely chances do not make a likely one
            first = max([span.on, *(y.off for y in chain_plan.spans if at_m[y.off] <= x.start_m)])
            last = min([span.off, *(y.on for y in chain_plan.spans if at_m[y.on] >= x.end_m)])
            leg = _leg([x], span._replace(on=first, off=last), places, conditions, params)
            legs.append(replace(leg, alternative=alternative))
    return tuple(sorted(legs, key=lambda x: x.first))


def _leg(
    covered: Sequence[ChainStretch],
    span: ChainedSpan,
    places: StopCandidates,
    conditions: RouteConditions,
    params: PlanParams,
) -> Leg:
    """A leg to be ready for, driven where its probability is that of a planned one."""
    first, last = covered[0].first, covered[-1].last
    on, off, view = span.on, span.off, conditions.view
    p = stretch_probability(conditions.encounter.need, first, last)
    chains = conditions.encounter.chains(first, last, params)
    extra_s = view.chained_s(chains.speed_limit_mps) - view.reach_s
    return Leg(
        first=first,
        last=last,
        parts=sum(x.parts for x in covered),
        on=places.stops[on],
        off=places.stops[off],
        on_m=float(places.at_m[on]),
        off_m=float(places.at_m[off]),
        on_drawbacks=drawbacks_at(view, on),
        off_drawbacks=drawbacks_at(view, off),
        chains=chains,
        probability=p,
        driven=p >= params.chain_probability - SAME_PROBABILITY,
        stays_on=False,
        hang_s=hang_time_s(chains.hanging, params),
        slow_s=float(extra_s[off] - extra_s[on]),
        alternative=None,
    )


def _not_rivals(chain_plan: ChainPlan, span: ChainedSpan, places: StopCandidates) -> frozenset[int]:
    """The span's own place, and unlisted places that the way does not use: they are all alike, so no alternative."""
    used = {x.on for x in chain_plan.spans} - {span.on}
    return frozenset((span.on, *np.flatnonzero(places.unlisted).tolist())) - used


def _alternative(
    search: ChainSearch, chain_plan: ChainPlan, span: ChainedSpan, places: StopCandidates
) -> Alternative | None:
    """The best way that does not hang chains where this span does; None when none is close."""
    other = cheapest_plan(search, chain_plan.cost_s + ALTERNATIVE_WITHIN_S)
    if other is None:
        return None
    instead = next((x for x in other.spans if x.on < span.off and x.off > span.on), None)
    if instead is None:
        return None
    return Alternative(
        stop=places.stops[instead.on],
        at_m=float(places.at_m[instead.on]),
        more_s=other.cost_s - chain_plan.cost_s,
        slow_s=instead.slow_s - span.slow_s,
        wear_s=instead.wear_s - span.wear_s,
        price_s=instead.price_s - span.price_s,
    )


def _clock(
    legs: Sequence[Leg], conditions: RouteConditions, params: PlanParams, carried: Carried | None
) -> tuple[Array, StoppedTimes]:
    """Moving seconds at each edge, and the stops, with the chains already on and those of the driven legs."""
    hourly_need = conditions.encounter.hourly_need
    middle, takes = hourly_need.sections.middle_m, np.diff(conditions.row.reach_s[0])
    stopped_times: list[tuple[float, float]] = []
    if carried is not None:
        limit = carried.speed_limit_mps
        takes = np.where(middle <= carried.off_m, section_chained_s(hourly_need, conditions.row, params, limit), takes)
        begins_m = float(hourly_need.sections.edge_m[0])
        stopped_times += [(begins_m, carried.add_s)] * (carried.add_s > 0.0) + [(carried.off_m, params.remove_s)]
    for x in legs:
        if not x.driven or x.carried:
            continue
        on = (middle > x.on_m) & (middle <= x.off_m)
        takes = np.where(on, section_chained_s(hourly_need, conditions.row, params, x.chains.speed_limit_mps), takes)
        stopped_times += [(x.on_m, x.hang_s), (x.off_m, params.remove_s)]
    return np.append(0.0, np.cumsum(takes)), tuple(stopped_times)
