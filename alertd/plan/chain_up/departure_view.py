"""The road as one clock meets it: what may need chains, and what each place to stand at is worth then."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from alertd.plan.chain_up.chain_set import ChainSet, chains_for
from alertd.plan.chain_up.search import DELAY_STEP_S, Scene, Stretch
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.chain_need import LawSpan, LevelHere, bare_in_all, find_stretches, stretch_probability
from alertd.plan.road_ahead.hourly_need import Float32, Index, Mask, Outlook, picked
from alertd.plan.road_ahead.pavement_codes import Codes
from alertd.plan.road_ahead.sections import Sections
from alertd.plan.road_ahead.speeds import Surfaces, chained_s
from alertd.plan.road_ahead.timing import Ride, free_s, ride
from alertd.road.radiation import solar_position
from alertd.route.stops import RouteStop, StopKind
from alertd.rules.rig import Same

Array: TypeAlias = NDArray[np.float64]

_ALL = slice(None)
NIGHT_ZENITH_DEG = 96.0  # the end of civil twilight


@dataclass(frozen=True, kw_only=True, eq=False)
class Passing:
    """What the truck meets if it reaches each section in this hour: arrays (member, section).

    hour: index into the outlook; ride: of one row, where that is looked up already. floor: a need that some other clock
    met and that is not to be forgotten, or None.
    """

    outlook: Outlook
    hour: Index
    ride: Ride | None = None
    floor: Float32 | None = None

    @cached_property
    def _pick(self) -> NDArray[np.intp]:
        return self.outlook.pick(self.hour)

    @cached_property
    def code(self) -> Codes:
        return picked(self.outlook.code, self._pick) if self.ride is None else self.ride.code[0]

    @cached_property
    def short(self) -> Mask:
        return picked(self.outlook.short, self._pick)

    @cached_property
    def closed(self) -> Mask:
        return picked(self.outlook.closed, self._pick)

    @cached_property
    def need(self) -> Float32:
        need = picked(self.outlook.need, self._pick) if self.ride is None else self.ride.need[0]
        return need if self.floor is None else np.maximum(need, self.floor)

    def field_values(self, name: str, here: slice = _ALL) -> Array:
        """A float array of the road field, (member, section) `here`; NaN where the hour is not known."""
        return self.outlook.field_values(name, self.hour[:, here], here)

    @property
    def beside_class(self) -> NDArray[np.int8]:
        """RoadClass of the road beside each section, (member, section)."""
        return self.outlook.beside_class(self.hour)

    @cached_property
    def _chained(self) -> dict[tuple[int, int], ChainSet]:
        return {}

    def chains(self, first: int, last: int, params: PlanParams) -> ChainSet:
        """The chains for sections first to last."""
        if (first, last) not in self._chained:
            self._chained[first, last] = self._chains(first, last, params)
        return self._chained[first, last]

    def _chains(self, first: int, last: int, params: PlanParams) -> ChainSet:
        laws = [law for law in self.outlook.laws if law.at.start <= last and law.at.stop > first]

        def posted(law: LawSpan, level: LevelHere) -> float:
            here = np.arange(max(first, law.at.start), min(last + 1, law.at.stop))
            chance = self.outlook.chance[id(level)]
            met = chance[np.arange(chance.shape[0])[:, None], here - law.at.start, self.hour[:, here]]
            return stretch_probability(met, 0, here.size - 1)

        return chains_for(self.outlook.rig, laws, posted, params)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Places:
    """Where chains can go on or off: the trip's start, its stops in order, its end; arrays (place,).

    None among `stops` at both ends. unlit: said to have no light. unlisted: only to be looked for.
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
        return np.asarray([s is not None for s in self.stops]) & ~self.unlisted

    def and_unlisted(
        self, at_m: Array, sections: Sections, stop: Callable[[float, float, float], RouteStop]
    ) -> "Places":
        """These and unlisted places at distances within the route, in the order of the road.

        stop: makes one of distance, latitude and longitude.
        """
        route = sections.route
        lat, lon = (np.interp(at_m, route.distance_m, x) for x in (route.lat_deg, route.lon_deg))
        own = tuple(stop(*place) for place in zip(at_m.tolist(), lat.tolist(), lon.tolist(), strict=True))
        order = np.argsort(np.append(self.at_m, at_m), kind="stable")

        def merged(values: NDArray[Any], more: ArrayLike) -> NDArray[Any]:
            return np.asarray(np.append(values, np.broadcast_to(more, at_m.shape))[order])

        stops = (*self.stops, *own)
        return Places(
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


def places_on(sections: Sections, params: PlanParams) -> Places:
    """The places of a route."""
    route = sections.route
    stops = (None, *route.stops, None)
    at_m = np.asarray([float(route.distance_m[0]), *(s.distance_m for s in route.stops), route.length_m])
    grade = np.abs(np.interp(at_m, route.distance_m, route.grade))
    return Places(
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
    """Room for a combination: a turnout needs a stated number of spaces, the other kinds are built for trucks."""
    if stop.stop.spaces is None:
        return stop.stop.kind is not StopKind.TURNOUT
    return stop.stop.spaces >= params.stop_min_spaces


@dataclass
class Scenes:
    """Scenes of one rig on one corridor, made when asked for: scene n leaves n quarters of an hour after the first.

    rides: the rides of the first departures where they are already known. offset: which of them is scene 0 here.
    floor: see Passing.
    """

    outlook: Outlook
    depart_epoch_s: float
    params: PlanParams
    places: Places
    rides: Ride | None = None
    offset: int = 0
    floor: Float32 | None = None
    _made: dict[int, Scene] = field(default_factory=dict)
    _rows: dict[int, Ride] = field(default_factory=dict)
    _passings: dict[int, Passing] = field(default_factory=dict)

    @cached_property
    def dry_s(self) -> Array:
        """(place,) seconds to each place on a dry road."""
        sections = self.outlook.sections
        free = free_s(sections, Same(self.outlook.rig), self.params)
        return np.asarray(np.interp(self.places.at_m, sections.edge_m, np.append(0.0, np.cumsum(free))))

    def row(self, n: int) -> Ride:
        """The ride of the n-th departure, of one row."""
        n += self.offset
        known = self._rows.get(n)
        if known is None:
            if self.rides is not None and n < self.rides.depart_epoch_s.size:
                known = self.rides.row(n)
            else:
                known = ride(self.outlook, np.asarray([self.depart_epoch_s + n * DELAY_STEP_S]), self.params)
            self._rows[n] = known
        return known

    def hold(self, floor: Float32) -> None:
        """From now on no need below this, (member, section)."""
        self.floor = floor
        self._made.clear()
        self._passings.clear()

    def passing(self, n: int) -> Passing:
        known = self._passings.get(n + self.offset)
        if known is None:
            row = self.row(n)
            known = Passing(outlook=self.outlook, hour=row.hour[0], ride=row, floor=self.floor)
            self._passings[n + self.offset] = known
        return known

    def scene(self, n: int) -> Scene:
        made = self._made.get(n + self.offset)
        if made is None:
            made = scene_of(self.passing(n), self.row(n), self.places, self.params)
            self._made[n + self.offset] = made
        return made

    def leaving(self, n: int) -> "Scenes":
        """The same scenes for a truck that leaves n quarters of an hour later, sharing what is made."""
        return replace(self, offset=self.offset + n)


def scene_of(passing: Passing, row: Ride, places: Places, params: PlanParams) -> Scene:
    """The scene of one passing, whose speeds are those of `row`."""
    outlook = passing.outlook
    sections = outlook.sections
    need = passing.need
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
    flaws = {"small": places.cramped, "on a grade": places.steep, "unlit": dark, "perhaps in the snow": snowed}
    prices = params.cramped_s, params.steep_s, params.unlit_s, params.snowed_s
    price_s = np.sum([price * has for price, has in zip(prices, flaws.values(), strict=True)], axis=0)
    price_s += np.where(places.unlisted & wintry, np.inf, params.unlisted_s * places.unlisted)
    price_s[[0, -1]] += params.own_end_s
    # A place to look for parts stretches only where no member sees snow: more snow must never part what was one.
    apart = (listed & ~wintry) | (places.unlisted & bare_in_all(need, places.at_m, sections, params))
    stretches = _stretches(passing, need, places.at_m[apart], params)
    made: dict[float | None, Array] = {}

    def chained(limit_mps: float | None) -> Array:
        if limit_mps not in made:
            takes = section_chained_s(outlook, row, params, limit_mps)
            made[limit_mps] = np.interp(places.at_m, sections.edge_m, np.append(0.0, np.cumsum(takes)))
        return made[limit_mps]

    return Scene(
        reach_s=reach,
        bare_m=np.interp(places.at_m, sections.edge_m, bare),
        price_s=price_s,
        flaws=flaws,
        stretches=stretches,
        chained_s=chained,
        chains=lambda i, j: passing.chains(stretches[i].first, stretches[j].last, params),
    )


def section_chained_s(outlook: Outlook, row: Ride, params: PlanParams, limit_mps: float | None) -> Array:
    """Seconds to cross each section with chains on, (section,); chains never make a truck faster."""
    free, on = free_s(outlook.sections, Same(outlook.rig), params), Surfaces(*(x[0] for x in row.on))
    chained = chained_s(free, outlook.sections.length_m, on, params, limit_mps)
    return np.asarray(np.maximum(np.diff(row.reach_s[0]), chained))


def _stretches(passing: Passing, need: Float32, stops_m: Array, params: PlanParams) -> tuple[Stretch, ...]:
    """The stretches of a passing; those with no place to stand between them are one, for no one can change there."""
    sections = passing.outlook.sections
    found = find_stretches(need, sections, params)
    if not found:
        return ()
    joined: list[tuple[int, int, int]] = []
    for first, last in found:
        if joined:
            a, b, parts = joined[-1]
            if not ((stops_m >= sections.end_m[b]) & (stops_m <= sections.start_m[first])).any():
                joined[-1] = (a, last, parts + 1)
                continue
        joined.append((first, last, 1))
    return tuple(
        Stretch(
            first=first,
            last=last,
            parts=parts,
            start_m=float(sections.start_m[first]),
            end_m=float(max(sections.end_m[last], sections.start_m[first] + 1.0)),  # one sample is road too
            probability=stretch_probability(need, first, last),
            short=float(passing.short[:, first : last + 1].any(axis=1).mean()),
        )
        for first, last, parts in joined
    )
