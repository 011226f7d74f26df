"""Solves one trip: the best places to put chains on and off, the trip's clock, and the conditions."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from alertd.plan.chain_up.chains_on import ChainsOn
from alertd.plan.chain_up.departure_view import DepartureViews
from alertd.plan.chain_up.encounter import Encounter
from alertd.plan.chain_up.legs import Leg, legs_of
from alertd.plan.chain_up.priced_view import missing
from alertd.plan.chain_up.road_view import DepartureView
from alertd.plan.chain_up.route_outcome import (
    ReadyLegs,
    RouteConditions,
    best_plan,
    chain_search,
    chained_share,
    chosen_way,
    conditions_on,
)
from alertd.plan.chain_up.search import ChainedSpan, drawbacks_at
from alertd.plan.chain_up.stop_candidates import StopCandidates
from alertd.plan.chain_up.unlisted_places import places_with_search
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.chain_need import SAME_PROBABILITY
from alertd.plan.road_ahead.hourly_need import Float32, HourlyNeed, Mask
from alertd.plan.road_ahead.pavement_codes import NAMED_OF_CODE, Codes
from alertd.plan.road_ahead.sections import Sections
from alertd.plan.road_ahead.shared_answers import SharedAnswers
from alertd.plan.road_ahead.speeds import lateness_s
from alertd.plan.road_ahead.stands import Stands
from alertd.plan.road_ahead.timing import free_s, unchained_timing
from alertd.plan.road_ahead.trip_odds import trip_odds
from alertd.route.stops import RouteStop
from alertd.rules.rig import IdentityKey, Tire
from alertd.units import HOUR_S

Array: TypeAlias = NDArray[np.float64]


StoppedTimes: TypeAlias = tuple[tuple[float, float], ...]  # (distance_m, seconds)


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
    stopped_times: (distance_m, seconds) of each counted stop for chains; planned stands are not among them.
    unhindered_s: seconds to the end on a dry road without chains.
    finish_s: each member's seconds to the end, (member,).
    later_road: True when some leg exists only for a driver delayed by an earlier "be ready" leg.
    carried: for a truck with chains on.
    unchained_s: seconds to the end without chaining, at the speed that the road allows.
    chained_s: seconds to the end, chained for every "be ready" leg too.
    chained_share: mean share of the time between these two, see `chained_share`.
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
    chained_share: float = 0.0

    @cached_property
    def described(self) -> SharedAnswers:
        """The descriptions of this solution, which trips share."""
        return SharedAnswers()

    @property
    def stands(self) -> Stands:
        """The planned rests and breaks."""
        return self.encounter.hourly_need.stands

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

    @cached_property
    def chain_odds(self) -> float:
        """Probability that the trip needs chains anywhere, see `trip_odds`."""
        return float(trip_odds(self.encounter.hourly_need, self.need))

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
        stood = stood + self.stands.before_s(at)
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
    from_epoch_s = depart_epoch_s if since_epoch_s is None else min(since_epoch_s, depart_epoch_s)
    places = places_with_search(hourly_need, from_epoch_s, params, depart_epoch_s)
    views = DepartureViews(
        hourly_need=hourly_need, depart_epoch_s=depart_epoch_s, params=params, places=places, sent_stops=sent_stops
    )
    earlier = None if since_epoch_s is None else _worst_since(hourly_need, since_epoch_s, depart_epoch_s, params)
    if earlier is not None:
        views.set_floor(earlier.need)
    later_road = False
    if on is None and earlier is None:
        chain_plan, conditions, ready = chosen_way(views)
    else:
        chain_plan = best_plan(chain_search(views, params.chain_probability, on))
        conditions = _as_earlier(conditions_on(views, chain_plan), earlier)
        ready = ReadyLegs(conditions, chain_plan, on)
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
            later_road = len(conditions.stretches) > len(ready.conditions.stretches)
            ready = ReadyLegs(conditions, chain_plan, on)
    carried = None if on is None else _carried(on, chain_plan.spans[0], conditions.view, views.places)
    legs = legs_of(views, chain_plan, conditions, ready, on)
    moving_s, stopped_times = _clock(legs, conditions, params, carried)
    driven_s = np.asarray([moving_s[-1] + sum(s for _, s in stopped_times)])
    total_s = driven_s + hourly_need.stands.total_s
    return Solution(
        encounter=conditions.encounter,
        legs=legs,
        moving_s=moving_s,
        stopped_times=stopped_times,
        unhindered_s=float(free_s(hourly_need.sections, IdentityKey(hourly_need.rig), params).sum()),
        finish_s=total_s + lateness_s(driven_s, hourly_need.corridor.clock_z, params)[:, 0],
        later_road=later_road,
        carried=carried,
        unchained_s=float(views.row(0).reach_s[0, -1]),
        chained_s=max(float(total_s[0]), ready.way.minute * 60.0 if ready.left else 0.0),
        chained_share=chained_share(conditions, ready.way if ready.left else chain_plan, views.places, params.remove_s),
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


def _clock(
    legs: Sequence[Leg], conditions: RouteConditions, params: PlanParams, carried: Carried | None
) -> tuple[Array, StoppedTimes]:
    """Moving seconds at each edge, and the stops, with the chains already on and those of the driven legs."""
    hourly_need = conditions.encounter.hourly_need
    middle, takes = hourly_need.sections.middle_m, np.diff(conditions.row.moving_s[0])
    stopped_times: list[tuple[float, float]] = []
    if carried is not None:
        limit = carried.speed_limit_mps
        takes = np.where(middle <= carried.off_m, conditions.road.section_chained_s(limit), takes)
        begins_m = float(hourly_need.sections.edge_m[0])
        stopped_times += [(begins_m, carried.add_s)] * (carried.add_s > 0.0) + [(carried.off_m, params.remove_s)]
    for x in (x for x in legs if x.driven and not x.carried and not x.stays_on):
        # Legs of one run share its stops, and the lowest limit of their laws.
        limits = [y.chains.speed_limit_mps for y in legs if y.driven and (y.on_m, y.off_m) == (x.on_m, x.off_m)]
        limit = min((v for v in limits if v is not None), default=None)
        on = (middle > x.on_m) & (middle <= x.off_m)
        takes = np.where(on, conditions.road.section_chained_s(limit), takes)
        stopped_times += [(x.on_m, x.hang_s), (x.off_m, params.remove_s)]
    return np.append(0.0, np.cumsum(takes)), tuple(stopped_times)
