"""One run over the route, repeated until the truck's own chain stops no longer move the road it meets."""

from dataclasses import dataclass, fields, replace
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from alertd.plan.chaining import Leg, choose_legs
from alertd.plan.chains import ChainSet, chains_for, hang_time_s
from alertd.plan.need import SAME_PROBABILITY, LawSpan, Need, find_need, find_stretches, larger, stretch_probability
from alertd.plan.params import PlanParams
from alertd.plan.travel import (
    arrivals_epoch_s,
    chained_cap_mps,
    elapsed_s,
    free_speed_mps,
    posted_cap_mps,
    surface_cap_mps,
)
from alertd.road.corridor import RoadCells, RoadField, at_arrival
from alertd.road.state import RoadState
from alertd.route.line import Route
from alertd.rules.rig import Rig

Array: TypeAlias = NDArray[np.float64]
Stands: TypeAlias = tuple[tuple[float, float], ...]  # (distance_m, seconds)

MOST_ROUNDS = 6
_NO_STANDS: Stands = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Corridor:
    """The shared pavement field, the route's samples placed in it, and each member's clock error, (member,)."""

    cells: RoadCells
    field: RoadField
    clock_z: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainedLeg:
    """A leg with its chains. `driven` when the plan counts its stops and slow running; else it is only "be ready"."""

    leg: Leg
    chains: ChainSet
    probability: float
    driven: bool
    hang_s: float
    slow_s: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Run:
    """moving_s: (sample,) seconds without standing; stands: (distance_m, seconds) of each stop that is counted.

    unhindered_s: to the end on a dry road without chains.

    later_road: some leg is there only for a driver whom an earlier one, merely to be ready for, did make late.
    """

    state: RoadState
    need: Need
    legs: tuple[ChainedLeg, ...]
    moving_s: Array
    stands: Stands
    unhindered_s: float
    arrivals: Array
    settled: bool
    later_road: bool

    def reach_s(self, distance_m: Array, at_m: ArrayLike) -> Array:
        """Seconds from departure to reaching `at_m`, before standing there; distance_m is that of the samples."""
        return _reach_s(distance_m, self.moving_s, self.stands, at_m)


def settle(
    depart_epoch_s: float, route: Route, rig: Rig, laws: tuple[LawSpan, ...], corridor: Corridor, params: PlanParams
) -> Run:
    """Run the trip until two rounds find the same stretches, chained over the same road.

    Hanging chains delays the truck, which changes the road it meets. Where the rounds do not settle, each member
    keeps the larger need of the last two, so that no stretch slips between two arrival times. A driver told to be
    ready may have to chain after all and be late for the road behind: what that clock meets counts too.
    """
    d = route.distance_m
    free = np.minimum(free_speed_mps(route.grade, rig.gross_mass_kg, rig.power_w, params), posted_cap_mps(route))
    unhindered = elapsed_s(d, 1.0 / free)
    moving, stands = unhindered, _NO_STANDS
    before: tuple[object, ...] | None = None
    needs: list[Need] = []
    for _ in range(MOST_ROUNDS):
        arrivals = arrivals_epoch_s(depart_epoch_s, _reach_s(d, moving, stands, d), corridor.clock_z, params)
        state = at_arrival(corridor.field, corridor.cells, arrivals)
        needs.append(find_need(route, laws, rig, state, params))
        unchained = (1.0 / np.minimum(free, surface_cap_mps(state.road_class, params))).mean(axis=0)
        legs = _legs(route, rig, needs[-1], free, unchained, params)
        # Not the stretches alone: the same stretch may turn from ready to chained, and then its stops move the clock.
        found = tuple((x.leg.first, x.leg.last, x.leg.on_m, x.leg.off_m, x.driven and x.hang_s) for x in legs)
        settled = found == before
        if settled:
            break
        before = found
        moving, stands = _clock(d, unchained, legs, free, state, params)
    need = needs[-1]
    if not settled:
        need = larger(*needs[-2:])
        legs = _legs(route, rig, need, free, unchained, params)
    later_road = False
    if not all(x.driven for x in legs):
        delayed = tuple(replace(x, driven=True) for x in legs)
        late_by = _reach_s(d, *_clock(d, unchained, delayed, free, state, params), d)
        late_arrivals = arrivals_epoch_s(depart_epoch_s, late_by, corridor.clock_z, params)
        late = at_arrival(corridor.field, corridor.cells, late_arrivals)
        late_need = find_need(route, laws, rig, late, params)
        state = _where(late_need.need_frac > need.need_frac, late, state)
        need = replace(larger(need, late_need), road_class=state.road_class)
        soon, legs = legs, _legs(route, rig, need, free, unchained, params)
        later_road = len(legs) > len(soon)
    moving, stands = _clock(d, unchained, legs, free, state, params)
    arrivals = arrivals_epoch_s(depart_epoch_s, _reach_s(d, moving, stands, d), corridor.clock_z, params)
    return Run(
        state=state,
        need=need,
        legs=legs,
        moving_s=moving,
        stands=stands,
        unhindered_s=float(unhindered[-1]),
        arrivals=arrivals,
        settled=settled,
        later_road=later_road,
    )


def _legs(
    route: Route,
    rig: Rig,
    need: Need,
    free: Array,
    unchained: Array,
    params: PlanParams,
) -> tuple[ChainedLeg, ...]:
    frac = need.need_frac
    stretches = find_stretches(need.need, route.distance_m, params)
    bare = 1.0 / np.minimum(free, params.chained_bare_mps)

    def hang_s(stretch: tuple[int, int]) -> float:
        return hang_time_s(chains_for(rig, need, *stretch, params).hanging, params)

    out = []
    for leg in choose_legs(route, stretches, frac, unchained, np.maximum(bare, unchained), hang_s, params):
        chains = chains_for(rig, need, leg.first, leg.last, params)
        p = stretch_probability(need.need, leg.first, leg.last)
        chained = _chained_slowness(free, need.road_class, params, chains)
        step = np.diff(route.distance_m, prepend=route.distance_m[0])
        out.append(
            ChainedLeg(
                leg=leg,
                chains=chains,
                probability=p,
                driven=p >= params.chain_probability - SAME_PROBABILITY,
                hang_s=hang_time_s(chains.hanging, params),
                slow_s=float((step * np.maximum(chained - unchained, 0.0))[_chained(leg, route.distance_m)].sum()),
            )
        )
    return tuple(out)


def _chained_slowness(free: Array, road_class: NDArray[np.int8], params: PlanParams, chains: ChainSet) -> Array:
    """Seconds a metre with these chains on, (sample,), whether they are on there or not."""
    cap = chained_cap_mps(road_class, params, chains.speed_limit_mps)
    return np.asarray((1.0 / np.minimum(free, cap)).mean(axis=0))


def _chained(leg: Leg, d: Array) -> NDArray[np.bool_]:
    """The samples that are reached with the chains of this leg on."""
    return (d > leg.on_m) & (d <= leg.off_m)


def _clock(
    d: Array, unchained: Array, legs: tuple[ChainedLeg, ...], free: Array, state: RoadState, params: PlanParams
) -> tuple[Array, Stands]:
    """Moving seconds at each sample and the stops, with the chains of the legs that are driven chained."""
    slowness = unchained.copy()
    stands = []
    for x in legs:
        if not x.driven:
            continue
        on = _chained(x.leg, d)
        slowness[on] = np.maximum(unchained, _chained_slowness(free, state.road_class, params, x.chains))[on]
        stands += [(x.leg.on_m, x.hang_s), (x.leg.off_m, params.remove_s)]
    return elapsed_s(d, slowness), tuple(stands)


def _where(sample: NDArray[np.bool_], one: RoadState, other: RoadState) -> RoadState:
    """The road of `one` at these samples, of `other` at the rest."""
    return RoadState(**{f.name: np.where(sample, getattr(one, f.name), getattr(other, f.name)) for f in fields(one)})


def _reach_s(d: Array, moving: Array, stands: Stands, at_m: ArrayLike) -> Array:
    """Seconds to each place `at_m`, what was stood before it counted in."""
    at = np.asarray(at_m, dtype=np.float64)
    stood = sum((np.where(at > stand_m, s, 0.0) for stand_m, s in stands), np.zeros_like(at))
    return np.asarray(np.interp(at, d, moving) + stood)
