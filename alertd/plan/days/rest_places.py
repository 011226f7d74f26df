"""Places to rest on a route: listed ones with room, towns where none is listed, and unlisted road far from both."""

from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from itertools import pairwise
from typing import Final

import numpy as np

from alertd.plan.chain_up.stop_candidates import has_room
from alertd.plan.params import PlanParams
from alertd.route.model import Route
from alertd.route.stops import RouteStop, StopKind
from alertd.units import to_miles

REST_KINDS: Final = (StopKind.TRUCK_STOP, StopKind.REST_AREA)
# [A]: one place in this length of road is choice enough; a town serves up to this far off the road; without either,
# a driver looks for a place himself.
SPACING_M: Final = 12_000.0
TOWN_OFF_M: Final = 6_000.0
UNLISTED_AFTER_M: Final = 30_000.0
_M_PER_DEG: Final = 111_195.0


class Room(StrEnum):
    """How well it is known that a truck may rest: listed with room, a town, a stop of the trip, or no place on file."""

    LISTED = "listed"
    TOWN = "town"
    CUSTOMER = "customer"
    UNLISTED = "unlisted"


@dataclass(frozen=True, slots=True, kw_only=True)
class RestPlace:
    """A place to rest. stop: None but for a listed one."""

    name: str
    distance_m: float
    room: Room
    stop: RouteStop | None = None


@lru_cache(maxsize=64)
def rest_places(route: Route, params: PlanParams) -> tuple[RestPlace, ...]:
    """The places of a route in order, without its start and end: the best of each `SPACING_M`."""
    found = [
        RestPlace(name=s.stop.name, distance_m=s.distance_m, room=Room.LISTED, stop=s)
        for s in route.stops
        if s.stop.kind in REST_KINDS and has_room(s, params)
    ]
    found += _towns(route)
    best: dict[int, RestPlace] = {}
    start_m, end_m = float(route.distance_m[0]), route.length_m
    order = list(Room)
    for place in sorted(found, key=lambda x: order.index(x.room)):
        if start_m + 1_000.0 < place.distance_m < end_m - 1_000.0:
            best.setdefault(int(place.distance_m // SPACING_M), place)
    known = sorted(best.values(), key=lambda x: x.distance_m)
    edges = [start_m, *(x.distance_m for x in known), end_m]
    more = []
    for a, b in pairwise(edges):
        parts = int((b - a) // UNLISTED_AFTER_M)
        more += [_unlisted(a + (b - a) * n / (parts + 1)) for n in range(1, parts + 1)]
    return tuple(sorted([*known, *more], key=lambda x: x.distance_m))


def _unlisted(at_m: float) -> RestPlace:
    name = f"a safe place about mile {to_miles(at_m):.0f} of the trip"
    return RestPlace(name=name, distance_m=at_m, room=Room.UNLISTED)


def _towns(route: Route) -> list[RestPlace]:
    """The towns beside the route, each at its nearest sample."""
    step = max(1, round(1_000.0 / max(float(np.diff(route.distance_m).mean()), 1.0)))
    lat, lon, at_m = route.lat_deg[::step], route.lon_deg[::step], route.distance_m[::step]
    found = []
    for town in route.towns:
        east = ((lon - town.lon_deg + 180.0) % 360.0 - 180.0) * np.cos(np.radians(town.lat_deg))
        off_m = _M_PER_DEG * np.hypot(lat - town.lat_deg, east)
        nearest = int(off_m.argmin())
        if off_m[nearest] <= TOWN_OFF_M:
            found.append(RestPlace(name=town.name, distance_m=float(at_m[nearest]), room=Room.TOWN))
    return found
