"""Describes a place on a route as a driver would find it: road, direction, milepost, last exit, nearest town."""

from dataclasses import dataclass
from typing import Final
from weakref import WeakKeyDictionary

import numpy as np

from alertd.route.geometry.geodesic import azimuths_and_distances, distances_m
from alertd.route.model import LandmarkKind, RoadSpan, Route, Town

# [A] Farther off, a town, exit or milepost no longer tells a driver where a place is.
TOWN_REACH_M: Final = 40_000.0
EXIT_REACH_M: Final = 40_000.0
MILEPOST_REACH_M: Final = 1_000.0
# [A] The direction of a road is that of a chord over this distance to either side: curves do not count.
_CHORD_M: Final = 10_000.0
_COURSE_M: Final = 80_000.0  # [A] the course of a road that is known by a stop alone, to either side
_NEAR_EXIT_M: Final = 1_500.0  # [A] farther off, an exit does not mark a place by itself
_AT_EXIT_M: Final = 500.0  # [A] ramps reach this far to either side of an exit's point


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """A place on the road. A field is "" or None where it is not known.

    road: number of the road, e.g. "I-70".
    direction: direction of travel, "N", "E", "S" or "W".
    milepost: the one at most 1 km away.
    exit, past_exit_m: the last exit passed, and the distance [m] since; at most 40 km.
    town, town_m: the nearest town, and its distance [m] in a straight line; at most 40 km.
    """

    road: str
    direction: str
    milepost: str
    exit: str
    past_exit_m: float | None
    town: str
    town_m: float | None


# The places of a route, which trips on it share: stops, and starts of sections. They are freed with the route.
_SPOTS: Final[WeakKeyDictionary[Route, dict[tuple[float, str], Spot]]] = WeakKeyDictionary()
_MOST_SPOTS: Final = 4096  # of a route


def spot_at(route: Route, distance_m: float, road_ref: str = "") -> Spot:
    """The place at a distance along the route. road_ref: the road's number where the route itself does not know it."""
    known = _SPOTS.setdefault(route, {})
    key = (distance_m, road_ref)
    if (found := known.get(key)) is not None:
        return found
    if len(known) >= _MOST_SPOTS:
        known.clear()
    found = known[key] = _spot_at(route, distance_m, road_ref)
    return found


def _spot_at(route: Route, distance_m: float, road_ref: str) -> Spot:
    d = float(np.clip(distance_m, route.distance_m[0], route.distance_m[-1]))
    road = _road_at(route, d)
    course = road or RoadSpan(ref=road_ref, road_class="", start_m=d - _COURSE_M, end_m=d + _COURSE_M)
    exits = [x for x in route.landmarks if x.kind is LandmarkKind.EXIT and x.distance_m <= d + _AT_EXIT_M]
    last = max(exits, key=lambda x: x.distance_m, default=None)
    if last is not None and (d - last.distance_m > EXIT_REACH_M or _road_at(route, last.distance_m) != road):
        last = None
    posts = [x for x in route.landmarks if x.kind is LandmarkKind.MILEPOST]
    post = min(posts, key=lambda x: abs(x.distance_m - d), default=None)
    town, town_m = _nearest_town(route, d)
    return Spot(
        road="" if road is None else road.ref,
        direction=_direction(route, d, course),
        milepost=post.text if post is not None and abs(post.distance_m - d) <= MILEPOST_REACH_M else "",
        exit="" if last is None else last.text,
        past_exit_m=None if last is None else max(d - last.distance_m, 0.0),
        town="" if town is None else town.name,
        town_m=town_m,
    )


def exit_at(spot: Spot) -> str:
    """The number of the exit that the spot is at, "" away from one."""
    return spot.exit if spot.past_exit_m is not None and spot.past_exit_m <= _NEAR_EXIT_M else ""


def mark_of(spot: Spot) -> str:
    """The spot in the fewest letters, in no language: "I-70 W MP 219", "I-70 W exit 216"; "" away from both."""
    at_exit = exit_at(spot)
    mark = f"MP {spot.milepost}" if spot.milepost else f"exit {at_exit}" if at_exit else ""
    return " ".join(part for part in (spot.road, spot.direction, mark) if part) if mark else ""


def _road_at(route: Route, d: float) -> RoadSpan | None:
    return next((r for r in route.roads if r.start_m <= d <= r.end_m), None)


def _direction(route: Route, d: float, road: RoadSpan) -> str:
    """The compass point of travel. US roads with one or two digits are signed by the parity of their number."""
    number = "".join(c for c in road.ref.split("-")[-1] if c.isdigit())
    signed = road.ref.startswith(("I-", "US-")) and 1 <= len(number) <= 2
    if signed:
        start, end = road.start_m, road.end_m  # the road's whole course decides, not one curve
    else:
        start, end = d - _CHORD_M, d + _CHORD_M
    at = np.clip([start, end], route.distance_m[0], route.distance_m[-1])
    lat = np.interp(at, route.distance_m, route.lat_deg)
    lon = np.interp(at, route.distance_m, np.unwrap(route.lon_deg, period=360.0))
    azimuth, apart_m = azimuths_and_distances(lon[0], lat[0], lon[1], lat[1])
    if apart_m == 0.0:
        return ""
    north, east = float(np.cos(np.radians(azimuth))), float(np.sin(np.radians(azimuth)))
    along_east = int(number) % 2 == 0 if signed else abs(east) > abs(north)
    if along_east:
        return "E" if east > 0.0 else "W"
    return "N" if north > 0.0 else "S"


def _nearest_town(route: Route, d: float) -> tuple[Town | None, float | None]:
    if not route.towns:
        return None, None
    lat = np.array([t.lat_deg for t in route.towns])
    lon = np.array([t.lon_deg for t in route.towns])
    here_lat = np.interp(d, route.distance_m, route.lat_deg)
    here_lon = np.interp(d, route.distance_m, np.unwrap(route.lon_deg, period=360.0))
    apart_m = distances_m(np.full(lat.shape, here_lon), np.full(lat.shape, here_lat), lon, lat)
    nearest = int(np.argmin(apart_m))
    if apart_m[nearest] > TOWN_REACH_M:
        return None, None
    return route.towns[nearest], float(apart_m[nearest])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Gazetteer:
    """Towns of many lands, as columns for a quick search, (town,)."""

    towns: tuple[Town, ...] = ()

    def along(self, route: Route) -> tuple[Town, ...]:
        """The towns within TOWN_REACH_M of the route, in the order of the gazetteer."""
        if not self.towns:
            return ()
        lat = np.array([t.lat_deg for t in self.towns])
        lon = np.array([t.lon_deg for t in self.towns])
        reach_deg = TOWN_REACH_M / 111_000.0  # a degree of latitude is 111 km
        step = max(1, round(5_000.0 / max(float(np.diff(route.distance_m).mean()), 1.0)))
        at = np.unique(np.append(np.arange(0, route.distance_m.size, step), route.distance_m.size - 1))
        near = (lat >= route.lat_deg.min() - reach_deg) & (lat <= route.lat_deg.max() + reach_deg)
        found = []
        for i in np.flatnonzero(near):
            north = np.abs(route.lat_deg[at] - lat[i])
            east = np.abs((route.lon_deg[at] - lon[i] + 180.0) % 360.0 - 180.0) * np.cos(np.radians(lat[i]))
            if np.hypot(north, east).min() <= reach_deg:
                found.append(self.towns[i])
        return tuple(found)
