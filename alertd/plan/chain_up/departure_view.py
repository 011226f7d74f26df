"""Describes the road at a departure: stretches that may need chains, and prices of stopping places."""

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any, Final, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.plan.chain_up.darkness import is_dark
from alertd.plan.chain_up.departure_road import DepartureRoad, DepartureRoads, departure_roads
from alertd.plan.chain_up.encounter import Encounter
from alertd.plan.chain_up.priced_view import PricedView
from alertd.plan.chain_up.road_view import DepartureView
from alertd.plan.chain_up.search import DELAY_STEP_S
from alertd.plan.chain_up.stop_candidates import StopCandidates
from alertd.plan.chain_up.stretches import own_end_s, too_near
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.hourly_need import Float32, HourlyNeed
from alertd.plan.road_ahead.sections import Sections
from alertd.plan.road_ahead.stands import Stands
from alertd.plan.road_ahead.timing import UnchainedTiming, free_s
from alertd.rules.rig import IdentityKey, Rig

Array: TypeAlias = NDArray[np.float64]
Mask: TypeAlias = NDArray[np.bool_]

AHEAD_N: Final = 3  # departures after a delay that are computed together
SNOWED = "perhaps in the snow"


@dataclass(slots=True, kw_only=True, eq=False)
class KeptViews:
    """What departures have in common that have the same places to stop, by epoch second of the departure.

    priced: the prices of views. ways: the ways without chains on the truck, see `chosen_way`. floored: roads with a
    floor.
    """

    views: dict[float, DepartureView] = field(default_factory=dict)
    priced: dict[Hashable, PricedView] = field(default_factory=dict)
    ways: dict[float, Any] = field(default_factory=dict)
    floored: dict[float, DepartureRoad] = field(default_factory=dict)


@dataclass
class DepartureViews:
    """Views of one rig on one corridor, computed on demand.

    View 0 leaves as planned, and view n at the n-th quarter of the clock after that. So all trips of one kind of rig
    share the views of delays, with each other and with the comparison of departures.

    floor: see Encounter.
    sent_stops: see `view_of`.
    roads, kept: of these departures, and with these places; shared with other trips.
    """

    hourly_need: HourlyNeed
    depart_epoch_s: float
    params: PlanParams
    places: StopCandidates
    sent_stops: frozenset[str] = frozenset()
    floor: Float32 | None = None
    roads: DepartureRoads = field(init=False)
    kept: "KeptViews" = field(init=False)

    def __post_init__(self) -> None:
        self.roads = departure_roads(self.hourly_need, self.params)
        self.kept = self.roads.with_places((self.places, self.sent_stops), KeptViews)

    @property
    def priced(self) -> dict[Hashable, PricedView]:
        """The prices of views, see `ChainSearch`."""
        return self.kept.priced

    @property
    def dry_s(self) -> Array:
        """(place,) seconds to each place on a dry road."""
        return _dry_s(self.places, self.hourly_need.sections, self.hourly_need.stands, self._rig, self.params)

    @property
    def _rig(self) -> IdentityKey[Rig]:
        return IdentityKey(self.hourly_need.rig)

    @property
    def past_s(self) -> float:
        """See `ChainSearch`."""
        return self.depart_epoch_s % DELAY_STEP_S

    def _epoch_s(self, n: int) -> float:
        return self.depart_epoch_s - self.past_s + n * DELAY_STEP_S if n else self.depart_epoch_s

    def road(self, n: int) -> DepartureRoad:
        """The road of the n-th departure."""
        epoch_s = self._epoch_s(n)
        if self.floor is None:
            # A search that meets one delay on the way soon meets the next.
            return self.roads.at(epoch_s, [self._epoch_s(n + k) for k in range(1, AHEAD_N)] if n else ())
        known = self.kept.floored.get(epoch_s)
        if known is None:
            road = self.roads.at(epoch_s)
            encounter = replace(road.encounter, floor=self.floor)
            known = self.kept.floored[epoch_s] = replace(road, encounter=encounter)
        return known

    def row(self, n: int) -> UnchainedTiming:
        """The timing of the n-th departure, with one row."""
        return self.road(n).row

    def set_floor(self, floor: Float32) -> None:
        """Set a lower bound of the need, (member, section), for all views from now on."""
        self.floor, self.kept = floor, KeptViews()

    def encounter(self, n: int) -> Encounter:
        """The encounter of the n-th departure."""
        return self.road(n).encounter

    def view(self, n: int) -> DepartureView:
        """The view of the n-th departure."""
        epoch_s = self._epoch_s(n)
        known = self.kept.views.get(epoch_s)
        if known is None:
            known = self.kept.views[epoch_s] = view_of(self.road(n), self.places, self.sent_stops)
        return known

    def leaving_later(self, n: int) -> "DepartureViews":
        """The views of a truck that leaves at the time of view n. They have no floor."""
        return DepartureViews(
            hourly_need=self.hourly_need,
            depart_epoch_s=self._epoch_s(n),
            params=self.params,
            places=self.places,
            sent_stops=self.sent_stops,
        )


def view_of(road: DepartureRoad, places: StopCandidates, sent_stops: frozenset[str] = frozenset()) -> DepartureView:
    """The view of a road and places to stop.

    sent_stops: ids of stops that were sent to the driver. They are cheaper, unless they may be in the snow: another
    stop must be clearly better to take their place.
    """
    whole, number, params = places.whole, places.number, road.params
    see_all([road], whole)
    seen: _Seen = road.seen[whole]
    stretches = road.stretches(whole)
    kept_s = np.where(road.wintry(whole)[number], 0.0, _kept_s(places, params, sent_stops))
    price_s = seen.price_s[number] - kept_s + seen.unlisted_s[number]
    price_s[0] += own_end_s(stretches[0].start_m - places.at_m[0] if stretches else 0.0, params)
    price_s[-1] += own_end_s(places.at_m[-1] - stretches[-1].end_m if stretches else 0.0, params)
    return DepartureView(
        reach_s=seen.reach_s[number],
        bare_m=seen.bare_m[number],
        price_s=price_s,
        kept_s=kept_s,
        drawbacks={name: has[number] for name, has in seen.drawbacks.items()},
        stretches=stretches,
        chained_s=lambda limit_mps: _chained_s(road, whole, limit_mps)[number],
        chains=lambda i, j: road.encounter.chains(stretches[i].first, stretches[j].last, params),
    )


class _Seen(NamedTuple):
    """What a truck meets at all places of a road, whatever was sent to the driver, by place, (place,).

    stood_s: planned stands before each.
    price_s: for a lack of room, a grade, the dark, and snow.
    unlisted_s: for an unlisted place; infinite before the snow, where a driver has no room to look for it.
    chained_s: seconds to each with chains on, by legal limit, as far as asked for.
    """

    stood_s: Array
    reach_s: Array
    bare_m: Array
    price_s: Array
    unlisted_s: Array
    drawbacks: Mapping[str, Mask]
    chained_s: dict[float | None, Array]


def see_all(roads: Sequence[DepartureRoad], whole: StopCandidates) -> None:
    """Compute what a truck meets at all places of these roads, which differ in the departure alone.

    Darkness for many departures costs little more than for one.
    """
    new = [road for road in roads if whole not in road.seen]
    if not new:
        return
    need = new[0].encounter.hourly_need
    fixed, edge_m = _fixed(whole, need.stands, new[0].params), need.sections.edge_m
    reach_s = np.stack([np.interp(whole.at_m, edge_m, road.row.moving_s[0]) for road in new]) + fixed.stood_s
    dark = np.zeros(reach_s.shape, dtype=np.bool_)
    if fixed.unlit.size:
        depart_s = np.asarray([road.row.depart_epoch_s[0] for road in new])
        dark[:, fixed.unlit] = is_dark(whole, fixed.unlit, depart_s[:, None] + reach_s[:, fixed.unlit])
    for n, road in enumerate(new):
        road.seen[whole] = _seen(road, whole, fixed, reach_s[n], dark[n])


def _seen(road: DepartureRoad, whole: StopCandidates, fixed: "_Fixed", reach_s: Array, dark: Mask) -> _Seen:
    sections, params = road.encounter.hourly_need.sections, road.params
    snowed = fixed.listed & road.wintry(whole)
    return _Seen(
        stood_s=fixed.stood_s,
        reach_s=reach_s,
        bare_m=np.interp(whole.at_m, sections.edge_m, road.bare_m),
        price_s=fixed.price_s + params.unlit_s * dark + params.snowed_s * snowed,
        unlisted_s=np.where(too_near(whole.at_m, road.runs, sections, params), fixed.blocked_s, fixed.unlisted_s),
        drawbacks={"small": whole.cramped, "on a grade": whole.steep, "unlit": dark, SNOWED: snowed},
        chained_s={},
    )


def _chained_s(road: DepartureRoad, whole: StopCandidates, limit_mps: float | None) -> Array:
    """Seconds to each place with chains on, (place,). Kept in `seen` without the road, which would refer to itself."""
    seen: _Seen = road.seen[whole]
    if limit_mps not in seen.chained_s:
        edge_m = road.encounter.hourly_need.sections.edge_m
        seen.chained_s[limit_mps] = np.interp(whole.at_m, edge_m, road.chained_s(limit_mps)) + seen.stood_s
    return seen.chained_s[limit_mps]


@lru_cache(maxsize=32)
def _dry_s(
    places: StopCandidates, sections: Sections, stands: Stands, rig: IdentityKey[Rig], params: PlanParams
) -> Array:
    moving_s = np.interp(places.at_m, sections.edge_m, np.append(0.0, np.cumsum(free_s(sections, rig, params))))
    return np.asarray(moving_s + stands.before_s(places.at_m))


class _Fixed(NamedTuple):
    """What views of one road and its places have in common, by place, (place,).

    stood_s: planned stands before each.
    unlit: index of those without light.
    price_s: for too little room and for a grade.
    unlisted_s, blocked_s: for an unlisted place, and for one without room to look for it.
    """

    stood_s: Array
    listed: Mask
    unlit: NDArray[np.intp]
    price_s: Array
    unlisted_s: Array
    blocked_s: Array


@lru_cache(maxsize=32)
def _fixed(places: StopCandidates, stands: Stands, params: PlanParams) -> _Fixed:
    return _Fixed(
        stood_s=stands.before_s(places.at_m),
        listed=places.listed,
        unlit=np.flatnonzero(places.unlit),
        price_s=np.asarray(params.cramped_s * places.cramped + params.steep_s * places.steep, dtype=np.float64),
        unlisted_s=np.asarray(params.unlisted_s * places.unlisted, dtype=np.float64),
        blocked_s=np.where(places.unlisted, np.inf, 0.0),
    )


@lru_cache(maxsize=32)
def _kept_s(places: StopCandidates, params: PlanParams, sent_stops: frozenset[str]) -> Array:
    """The part of the price that is waived for places that were sent, (place,)."""
    sent = np.asarray([s is not None and s.stop.id in sent_stops for s in places.stops])
    return np.asarray(params.kept_s * sent, dtype=np.float64)
