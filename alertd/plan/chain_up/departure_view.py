"""Describes the road at a departure: stretches that may need chains, and prices of stopping places."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from alertd.plan.chain_up.chain_set import ChainSet, chains_for
from alertd.plan.chain_up.search import DELAY_STEP_S, ChainStretch, DepartureView
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.chain_need import LawSpan, LevelForRig, bare_in_all, find_stretches, stretch_probability
from alertd.plan.road_ahead.hourly_need import Float32, HourlyNeed, Index, Mask, take_flat
from alertd.plan.road_ahead.pavement_codes import Codes
from alertd.plan.road_ahead.sections import Sections
from alertd.plan.road_ahead.speeds import Surfaces, chained_s
from alertd.plan.road_ahead.timing import UnchainedTiming, free_s, unchained_timing
from alertd.road.radiation import solar_position
from alertd.route.stops import RouteStop, StopKind
from alertd.rules.rig import IdentityKey

Array: TypeAlias = NDArray[np.float64]

_ALL = slice(None)
NIGHT_ZENITH_DEG = 96.0  # the end of civil twilight


@dataclass(frozen=True, kw_only=True, eq=False)
class Encounter:
    """The conditions of a truck that reaches each section in this hour: arrays (member, section).

    hour: index into the hourly need.
    timing: timing of one row, where already computed.
    floor: a lower bound of the need, from the conditions at another departure time, or None.
    """

    hourly_need: HourlyNeed
    hour: Index
    timing: UnchainedTiming | None = None
    floor: Float32 | None = None

    @cached_property
    def _pick(self) -> NDArray[np.intp]:
        return self.hourly_need.pick(self.hour)

    @cached_property
    def code(self) -> Codes:
        """Pavement code, (member, section)."""
        return take_flat(self.hourly_need.code, self._pick) if self.timing is None else self.timing.code[0]

    @cached_property
    def grip_shortfall(self) -> Mask:
        """True where the rig slips without chains, (member, section)."""
        return take_flat(self.hourly_need.grip_shortfall, self._pick)

    @cached_property
    def closed(self) -> Float32:
        """Our probability that snow closes the road, (member, section)."""
        return take_flat(self.hourly_need.closed, self._pick)

    @cached_property
    def descent(self) -> Float32:
        """Share of drivers who chain for a long descent in snow, (member, section)."""
        return take_flat(self.hourly_need.descent, self._pick)

    @cached_property
    def need(self) -> Float32:
        """Probability that chains are needed, (member, section), at least `floor`."""
        need = take_flat(self.hourly_need.need, self._pick) if self.timing is None else self.timing.need[0]
        return need if self.floor is None else np.maximum(need, self.floor)

    def field_values(self, name: str, here: slice = _ALL) -> Array:
        """A float array of the road field, (member, section) of `here`; NaN where the hour is unknown."""
        return self.hourly_need.field_values(name, self.hour[:, here], here)

    @property
    def beside_class(self) -> NDArray[np.int8]:
        """RoadClass of the road beside each section, (member, section)."""
        return self.hourly_need.beside_class(self.hour)

    @cached_property
    def _chained(self) -> dict[tuple[int, int], ChainSet]:
        return {}

    def chains(self, first: int, last: int, params: PlanParams) -> ChainSet:
        """The chains for sections first to last."""
        if (first, last) not in self._chained:
            self._chained[first, last] = self._chains(first, last, params)
        return self._chained[first, last]

    def _chains(self, first: int, last: int, params: PlanParams) -> ChainSet:
        laws = [law for law in self.hourly_need.laws if law.at.start <= last and law.at.stop > first]

        def posted(law: LawSpan, level: LevelForRig) -> float:
            here = np.arange(max(first, law.at.start), min(last + 1, law.at.stop))
            chance = self.hourly_need.chance[id(level)]
            conditions = chance[np.arange(chance.shape[0])[:, None], here - law.at.start, self.hour[:, here]]
            return stretch_probability(conditions, 0, here.size - 1)

        return chains_for(self.hourly_need.rig, laws, posted, params)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StopCandidates:
    """Places to put chains on or off: the trip's start, its stops in order, its end; arrays (place,).

    stops: None at both ends.
    unlit: stated to have no light.
    unlisted: not a known place; the driver has to look for it.
    """

    stops: tuple[RouteStop | None, ...]
    at_m: Array
    section: NDArray[np.intp]
    lat_deg: Array
    lon_deg: Array
    cramped: Mask
    steep: Mask
    unlit: Mask
    unlisted: Mask

    @property
    def listed(self) -> Mask:
        """True for listed stops, (place,)."""
        return np.asarray([s is not None for s in self.stops]) & ~self.unlisted

    def and_unlisted(
        self, at_m: Array, sections: Sections, stop: Callable[[float, float, float], RouteStop]
    ) -> "StopCandidates":
        """These places and unlisted ones at distances `at_m`, in order along the road.

        stop: makes a stop from distance, latitude and longitude.
        """
        route = sections.route
        lat, lon = (np.interp(at_m, route.distance_m, x) for x in (route.lat_deg, route.lon_deg))
        own = tuple(stop(*place) for place in zip(at_m.tolist(), lat.tolist(), lon.tolist(), strict=True))
        order = np.argsort(np.append(self.at_m, at_m), kind="stable")

        def merged(values: NDArray[Any], more: ArrayLike) -> NDArray[Any]:
            return np.asarray(np.append(values, np.broadcast_to(more, at_m.shape))[order])

        stops = (*self.stops, *own)
        return StopCandidates(
            stops=tuple(stops[i] for i in order.tolist()),
            at_m=merged(self.at_m, at_m),
            section=merged(self.section, sections.at(at_m)),
            lat_deg=merged(self.lat_deg, lat),
            lon_deg=merged(self.lon_deg, lon),
            cramped=merged(self.cramped, False),
            steep=merged(self.steep, False),
            unlit=merged(self.unlit, False),
            unlisted=merged(self.unlisted, True),
        )


def stop_candidates(sections: Sections, params: PlanParams) -> StopCandidates:
    """The candidate places of a route."""
    route = sections.route
    stops = (None, *route.stops, None)
    at_m = np.asarray([float(route.distance_m[0]), *(s.distance_m for s in route.stops), route.length_m])
    grade = np.abs(np.interp(at_m, route.distance_m, route.grade))
    return StopCandidates(
        stops=stops,
        at_m=at_m,
        section=sections.at(at_m),
        lat_deg=np.interp(at_m, route.distance_m, route.lat_deg),
        lon_deg=np.interp(at_m, route.distance_m, route.lon_deg),
        cramped=np.asarray([s is not None and not has_room(s, params) for s in stops]),
        steep=np.asarray([s is not None for s in stops]) & (grade > params.stop_max_grade),
        unlit=np.asarray([s is not None and s.stop.lit is False for s in stops]),
        unlisted=np.zeros(len(stops), dtype=np.bool_),
    )


def has_room(stop: RouteStop, params: PlanParams) -> bool:
    """True with room for a combination. A turnout needs a stated number of spaces; other kinds are built for trucks."""
    if stop.stop.spaces is None:
        return stop.stop.kind is not StopKind.TURNOUT
    return stop.stop.spaces >= params.stop_min_spaces


@dataclass
class DepartureViews:
    """Views of one rig on one corridor, computed on demand: view n leaves n quarters of an hour after the first.

    timings: timing of the first departures where already computed.
    offset: index in `timings` of view 0.
    floor: see Encounter.
    """

    hourly_need: HourlyNeed
    depart_epoch_s: float
    params: PlanParams
    places: StopCandidates
    timings: UnchainedTiming | None = None
    offset: int = 0
    floor: Float32 | None = None
    _views: dict[int, DepartureView] = field(default_factory=dict)
    _rows: dict[int, UnchainedTiming] = field(default_factory=dict)
    _encounters: dict[int, Encounter] = field(default_factory=dict)

    @cached_property
    def dry_s(self) -> Array:
        """(place,) seconds to each place on a dry road."""
        sections = self.hourly_need.sections
        free = free_s(sections, IdentityKey(self.hourly_need.rig), self.params)
        return np.asarray(np.interp(self.places.at_m, sections.edge_m, np.append(0.0, np.cumsum(free))))

    def row(self, n: int) -> UnchainedTiming:
        """The timing of the n-th departure, with one row."""
        n += self.offset
        known = self._rows.get(n)
        if known is None:
            if self.timings is not None and n < self.timings.depart_epoch_s.size:
                known = self.timings.row(n)
            else:
                known = unchained_timing(
                    self.hourly_need, np.asarray([self.depart_epoch_s + n * DELAY_STEP_S]), self.params
                )
            self._rows[n] = known
        return known

    def set_floor(self, floor: Float32) -> None:
        """Set a lower bound of the need, (member, section), for all views from now on."""
        self.floor = floor
        self._views.clear()
        self._encounters.clear()

    def encounter(self, n: int) -> Encounter:
        """The encounter of the n-th departure."""
        known = self._encounters.get(n + self.offset)
        if known is None:
            row = self.row(n)
            known = Encounter(hourly_need=self.hourly_need, hour=row.hour[0], timing=row, floor=self.floor)
            self._encounters[n + self.offset] = known
        return known

    def view(self, n: int) -> DepartureView:
        """The view of the n-th departure."""
        known = self._views.get(n + self.offset)
        if known is None:
            known = view_of(self.encounter(n), self.row(n), self.places, self.params)
            self._views[n + self.offset] = known
        return known

    def leaving_later(self, n: int) -> "DepartureViews":
        """The same views for a truck that leaves n quarters of an hour later, with shared caches."""
        return replace(self, offset=self.offset + n)


def view_of(encounter: Encounter, row: UnchainedTiming, places: StopCandidates, params: PlanParams) -> DepartureView:
    """The view of an encounter, with the speeds of `row`."""
    hourly_need = encounter.hourly_need
    sections = hourly_need.sections
    need = encounter.need
    need_frac = need.mean(axis=0)
    reach = np.interp(places.at_m, sections.edge_m, row.reach_s[0])
    on = Surfaces(*(x[0] for x in row.on))
    bare = np.append(0.0, np.cumsum(sections.length_m * (1.0 - on.snow - on.ice)))
    wintry = need_frac[places.section] >= params.ready_probability
    listed = places.listed
    snowed = listed & wintry
    dark = places.unlit
    if dark.any():
        zenith, _ = solar_position(places.lat_deg, places.lon_deg, row.depart_epoch_s[0] + reach)
        dark = dark & (zenith > NIGHT_ZENITH_DEG)
    drawbacks = {"small": places.cramped, "on a grade": places.steep, "unlit": dark, "perhaps in the snow": snowed}
    prices = params.cramped_s, params.steep_s, params.unlit_s, params.snowed_s
    price_s = np.sum([price * has for price, has in zip(prices, drawbacks.values(), strict=True)], axis=0)
    price_s += np.where(places.unlisted & wintry, np.inf, params.unlisted_s * places.unlisted)
    price_s[[0, -1]] += params.own_end_s
    # An unlisted place separates stretches only where no member has snow. More snow must never split a stretch.
    separators = (listed & ~wintry) | (places.unlisted & bare_in_all(need, places.at_m, sections, params))
    stretches = _stretches(encounter, need, places.at_m[separators], params)
    chained_by_limit: dict[float | None, Array] = {}

    def chained(limit_mps: float | None) -> Array:
        if limit_mps not in chained_by_limit:
            takes = section_chained_s(hourly_need, row, params, limit_mps)
            chained_by_limit[limit_mps] = np.interp(places.at_m, sections.edge_m, np.append(0.0, np.cumsum(takes)))
        return chained_by_limit[limit_mps]

    return DepartureView(
        reach_s=reach,
        bare_m=np.interp(places.at_m, sections.edge_m, bare),
        price_s=price_s,
        drawbacks=drawbacks,
        stretches=stretches,
        chained_s=chained,
        chains=lambda i, j: encounter.chains(stretches[i].first, stretches[j].last, params),
    )


def section_chained_s(
    hourly_need: HourlyNeed, row: UnchainedTiming, params: PlanParams, limit_mps: float | None
) -> Array:
    """Seconds to cross each section with chains on, (section,). Chains never make a truck faster."""
    free, on = free_s(hourly_need.sections, IdentityKey(hourly_need.rig), params), Surfaces(*(x[0] for x in row.on))
    chained = chained_s(free, hourly_need.sections.length_m, on, params, limit_mps)
    return np.asarray(np.maximum(np.diff(row.reach_s[0]), chained))


def _stretches(encounter: Encounter, need: Float32, stops_m: Array, params: PlanParams) -> tuple[ChainStretch, ...]:
    """The stretches of an encounter; those without a stopping place between them are merged."""
    sections = encounter.hourly_need.sections
    spans = find_stretches(need, sections, params)
    if not spans:
        return ()
    joined: list[tuple[int, int, int]] = []
    for first, last in spans:
        if joined:
            a, b, parts = joined[-1]
            if not ((stops_m >= sections.end_m[b]) & (stops_m <= sections.start_m[first])).any():
                joined[-1] = (a, last, parts + 1)
                continue
        joined.append((first, last, 1))
    return tuple(
        ChainStretch(
            first=first,
            last=last,
            parts=parts,
            start_m=float(sections.start_m[first]),
            end_m=float(
                max(sections.end_m[last], sections.start_m[first] + 1.0)
            ),  # a single sample also counts as road
            probability=stretch_probability(need, first, last),
            slip_probability=float(encounter.grip_shortfall[:, first : last + 1].any(axis=1).mean()),
        )
        for first, last, parts in joined
    )
