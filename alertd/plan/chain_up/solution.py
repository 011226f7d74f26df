"""One trip's best way over: where its chains go on and off, its clock, and what it meets."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from alertd.plan.chain_up.chain_set import ChainSet, hang_time_s
from alertd.plan.chain_up.chains_on import ChainsOn
from alertd.plan.chain_up.departure_view import Passing, Places, Scenes, section_chained_s
from alertd.plan.chain_up.route_outcome import Met, best_of, chained_legs, met_on, overlaps, uncovered, walk_over
from alertd.plan.chain_up.search import Scene, Span, Stretch, Walk, Way, best_way, flaws_at, missing
from alertd.plan.chain_up.unlisted_places import places_with_search
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.chain_need import SAME_PROBABILITY, stretch_probability
from alertd.plan.road_ahead.hourly_need import Float32, Mask, Outlook
from alertd.plan.road_ahead.pavement_codes import NAMED_OF_CODE, Codes
from alertd.plan.road_ahead.sections import Sections
from alertd.plan.road_ahead.speeds import lateness_s
from alertd.plan.road_ahead.timing import free_s, ride
from alertd.route.stops import RouteStop
from alertd.rules.rig import Same, Tire
from alertd.units import HOUR_S

Array: TypeAlias = NDArray[np.float64]
RIVAL_WITHIN_S = 2 * 3600.0  # a next best that loses more than this is none

Stands: TypeAlias = tuple[tuple[float, float], ...]  # (distance_m, seconds)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rival:
    """The next best place to hang a leg's chains, and what it would cost more, in seconds lost and in kind.

    slow_s: more time at chained speed, negative for less; wear_s, price_s: see PlanParams. stop is None at the trip's
    start.
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

    on is None when chains go on where the trip starts, off when they come off where it ends. driven: the plan counts
    its stops and slow running; else it is only "be ready". kept_on: chains for another leg are on here in any case.
    carried: with the chains that are on where the truck is.
    on_flaws, off_flaws: why these places are none we like.
    """

    first: int
    last: int
    parts: int
    on: RouteStop | None
    off: RouteStop | None
    on_m: float
    off_m: float
    on_flaws: tuple[str, ...]
    off_flaws: tuple[str, ...]
    chains: ChainSet
    probability: float
    driven: bool
    kept_on: bool
    hang_s: float
    slow_s: float
    rival: Rival | None
    carried: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Carried:
    """The run with chains that are on from the first sample to `off_m`, their place to come off, None at the end.

    missing: tires to chain besides, which takes add_s; no further than off_m, and none where that is not known.
    """

    off: RouteStop | None
    off_m: float
    off_flaws: tuple[str, ...]
    speed_limit_mps: float | None
    missing: tuple[Tire, ...]
    add_s: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Run:
    """passing: what is met, hour by member and section. moving_s: (section + 1,) seconds at each edge without
    standing; stands: (distance_m, seconds) of each stop that is counted. unhindered_s: to the end on a dry road
    without chains. finish_s: each member's seconds to the end, (member,).

    later_road: some leg is there only for a driver whom an earlier one, merely to be ready for, did make late.
    carried: of a truck with chains on.
    """

    passing: Passing
    legs: tuple[Leg, ...]
    moving_s: Array
    stands: Stands
    unhindered_s: float
    finish_s: Array
    later_road: bool
    carried: Carried | None = None

    @property
    def sections(self) -> Sections:
        return self.passing.outlook.sections

    @property
    def need(self) -> Float32:
        return self.passing.need

    @cached_property
    def need_frac(self) -> Array:
        """Probability in each section alone, (section,). Never multiply these along the road."""
        return np.asarray(self.need.mean(axis=0, dtype=np.float64))

    @property
    def code(self) -> Codes:
        return self.passing.code

    @property
    def road_class(self) -> Codes:
        """RoadClass values, (member, section)."""
        return NAMED_OF_CODE[self.code]

    @property
    def unknown(self) -> Mask:
        return np.asarray(self.code == 0)

    @property
    def short(self) -> Mask:
        return self.passing.short

    def reach_s(self, at_m: ArrayLike) -> Array:
        """Seconds from departure to each place, before standing there."""
        at = np.asarray(at_m, dtype=np.float64)
        stood = sum((np.where(at > stand_m, s, 0.0) for stand_m, s in self.stands), np.zeros_like(at))
        return np.asarray(np.interp(at, self.sections.edge_m, self.moving_s) + stood)


def best_run(
    outlook: Outlook,
    depart_epoch_s: float,
    params: PlanParams,
    on: ChainsOn | None = None,
    since_epoch_s: float | None = None,
) -> Run:
    """The cheapest way for this departure.

    on: chains that the truck has on. since_epoch_s: the truck may have gone on at any hour from then on; no place of
    the road is taken for better than it was at the worst of them.

    A driver told to be ready may have to chain after all and be late for the road behind: what that clock meets is
    not forgotten. Where it asks for more, the way is found again with at least that need.
    """
    places = places_with_search(outlook, depart_epoch_s, params)
    scenes = Scenes(outlook=outlook, depart_epoch_s=depart_epoch_s, params=params, places=places)
    earlier = None if since_epoch_s is None else _worst_since(outlook, since_epoch_s, depart_epoch_s, params)
    if earlier is not None:
        scenes.hold(earlier.need)
    way = best_of(walk_over(scenes, params.chain_probability, on))
    met = _as_earlier(met_on(scenes, way), earlier)
    ready, later_road = _Ready(scenes, met.scene, way, on), False
    if ready.left:
        warned = met_on(scenes, ready.way)
        more = warned.passing.need.mean(axis=0) > met.passing.need.mean(axis=0) + SAME_PROBABILITY
        if more.any():
            floor = np.where(more, warned.passing.need, np.float32(0.0))
            scenes.hold(floor if earlier is None else np.maximum(floor, earlier.need))
            way = best_of(walk_over(scenes, params.chain_probability, on))
            met = met_on(scenes, way)
            hour = np.where(more, warned.passing.hour, met.passing.hour)
            met = _as_earlier(replace(met, passing=replace(met.passing, hour=hour, ride=None)), earlier)
            later_road = len(met.scene.stretches) > len(ready.scene.stretches)
            ready = _Ready(scenes, met.scene, way, on)
    carried = None if on is None else _carried(on, way.spans[0], met.scene, scenes.places)
    legs = _legs(scenes, way, met, ready, on)
    moving_s, stands = _clock(legs, met, params, carried)
    total_s = np.asarray([moving_s[-1] + sum(s for _, s in stands)])
    return Run(
        passing=met.passing,
        legs=legs,
        moving_s=moving_s,
        stands=stands,
        unhindered_s=float(free_s(outlook.sections, Same(outlook.rig), params).sum()),
        finish_s=total_s + lateness_s(total_s, outlook.corridor.clock_z, params)[:, 0],
        later_road=later_road,
        carried=carried,
    )


def _worst_since(outlook: Outlook, since_epoch_s: float, until_epoch_s: float, params: PlanParams) -> Passing:
    """Each section at its worst hour, for a truck that goes on at any hour between two moments."""
    departs = np.append(np.arange(since_epoch_s, until_epoch_s, HOUR_S), until_epoch_s)
    rides, section = ride(outlook, departs, params), np.arange(outlook.sections.count)
    worst = rides.need.mean(axis=1).argmax(axis=0)
    return Passing(outlook=outlook, hour=np.ascontiguousarray(rides.hour[worst, :, section].T))


def _as_earlier(met: Met, earlier: Passing | None) -> Met:
    """What is met, at the worst earlier hour where that is worse."""
    if earlier is None:
        return met
    alone = Passing(outlook=met.passing.outlook, hour=met.passing.hour)
    worse = earlier.need.mean(axis=0) > alone.need.mean(axis=0) + SAME_PROBABILITY
    if not worse.any():
        return met
    hour = np.where(worse, earlier.hour, met.passing.hour)
    return replace(met, passing=replace(met.passing, hour=hour, ride=None))


def _carried(on: ChainsOn, span: Span, scene: Scene, places: Places) -> Carried:
    return Carried(
        off=places.stops[span.off],
        off_m=float(places.at_m[span.off]),
        off_flaws=flaws_at(scene, span.off),
        speed_limit_mps=span.chains.speed_limit_mps,
        missing=missing(on, span.chains),
        add_s=span.hang_s,
    )


class _Ready:
    """What a way leaves unchained, and how it would be chained for if every warning came true, seen as one scene."""

    def __init__(self, scenes: Scenes, scene: Scene, way: Way, on: ChainsOn | None) -> None:
        self.scene, self.left = scene, uncovered(scene, way, scenes.places)
        self.walk = replace(walk_over(scenes, scenes.params.ready_probability, on), scene=lambda _: scene)

    @cached_property
    def way(self) -> Way:
        return best_of(self.walk)


def _legs(scenes: Scenes, way: Way, met: Met, ready: _Ready, on: ChainsOn | None) -> tuple[Leg, ...]:
    """The legs that the plan counts, and those to be ready for, in the order of the road."""
    params, places = scenes.params, scenes.places
    must, at_m = walk_over(scenes, params.chain_probability, on), places.at_m
    legs = []

    def add(covered: Sequence[Stretch], span: Span, rival: Rival | None, **kind: Any) -> None:
        legs.append(_leg(covered, span, rival, places, met, params, **kind))

    for span, covered, kept_on in chained_legs(met.scene, way, places, must):
        has_on = on is not None and span.on == 0
        rival = None if has_on else _rival(replace(must, never_on=_not_rivals(way, span, places)), way, span, places)
        add(covered, span, rival, driven=not kept_on, kept_on=kept_on, carried=has_on)
    for span in ready.way.spans if ready.left else ():
        warned = [x for x in ready.left if overlaps(x, at_m[span.on], at_m[span.off])]
        but = _not_rivals(ready.way, span, places)
        rival = _rival(replace(ready.walk, never_on=but), ready.way, span, places) if warned else None
        for x in warned:  # each by itself: two chances that may both pass by are not one that is likely
            first = max([span.on, *(y.off for y in way.spans if at_m[y.off] <= x.start_m)])
            last = min([span.off, *(y.on for y in way.spans if at_m[y.on] >= x.end_m)])
            add([x], span._replace(on=first, off=last), rival)
    return tuple(sorted(legs, key=lambda x: x.first))


def _leg(
    covered: Sequence[Stretch],
    span: Span,
    rival: Rival | None,
    places: Places,
    met: Met,
    params: PlanParams,
    *,
    driven: bool = False,
    kept_on: bool = False,
    carried: bool = False,
) -> Leg:
    first, last = covered[0].first, covered[-1].last
    on, off, scene = span.on, span.off, met.scene
    p = stretch_probability(met.passing.need, first, last)
    chains = met.passing.chains(first, last, params)
    extra_s = scene.chained_s(chains.speed_limit_mps) - scene.reach_s
    return Leg(
        first=first,
        last=last,
        parts=sum(x.parts for x in covered),
        on=places.stops[on],
        off=places.stops[off],
        on_m=float(places.at_m[on]),
        off_m=float(places.at_m[off]),
        on_flaws=flaws_at(scene, on),
        off_flaws=flaws_at(scene, off),
        chains=chains,
        probability=p,
        driven=driven or (not kept_on and p >= params.chain_probability - SAME_PROBABILITY),
        kept_on=kept_on,
        hang_s=span.hang_s if carried else hang_time_s(chains.hanging, params),
        slow_s=float(extra_s[off] - extra_s[on]),
        rival=rival,
        carried=carried,
    )


def _not_rivals(way: Way, span: Span, places: Places) -> frozenset[int]:
    """The span's own place and unlisted ones that the way does not use: they are alike, and no choice between them."""
    used = {x.on for x in way.spans} - {span.on}
    return frozenset((span.on, *np.flatnonzero(places.unlisted).tolist())) - used


def _rival(walk: Walk, way: Way, span: Span, places: Places) -> Rival | None:
    """The best way that does not hang where this span does; None where none comes near."""
    other = best_way(walk, way.cost_s + RIVAL_WITHIN_S)
    if other is None:
        return None
    instead = next((x for x in other.spans if x.on < span.off and x.off > span.on), None)
    if instead is None:
        return None
    return Rival(
        stop=places.stops[instead.on],
        at_m=float(places.at_m[instead.on]),
        more_s=other.cost_s - way.cost_s,
        slow_s=instead.slow_s - span.slow_s,
        wear_s=instead.wear_s - span.wear_s,
        price_s=instead.price_s - span.price_s,
    )


def _clock(legs: Sequence[Leg], met: Met, params: PlanParams, carried: Carried | None) -> tuple[Array, Stands]:
    """Moving seconds at each edge and the stops, with the chains that are on and those of the legs driven chained."""
    outlook = met.passing.outlook
    middle, takes = outlook.sections.middle_m, np.diff(met.row.reach_s[0])
    stands: list[tuple[float, float]] = []
    if carried is not None:
        limit = carried.speed_limit_mps
        takes = np.where(middle <= carried.off_m, section_chained_s(outlook, met.row, params, limit), takes)
        begins_m = float(outlook.sections.edge_m[0])
        stands += [(begins_m, carried.add_s)] * (carried.add_s > 0.0) + [(carried.off_m, params.remove_s)]
    for x in legs:
        if not x.driven or x.carried:
            continue
        on = (middle > x.on_m) & (middle <= x.off_m)
        takes = np.where(on, section_chained_s(outlook, met.row, params, x.chains.speed_limit_mps), takes)
        stands += [(x.on_m, x.hang_s), (x.off_m, params.remove_s)]
    return np.append(0.0, np.cumsum(takes)), tuple(stands)
