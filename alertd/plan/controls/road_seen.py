"""What drivers saw of road and sky: evidence for the trucks behind them. Snow and ice add caution; nothing eases.

What falls counts as a station's report does: snow raises the odds of snow near there. Rain takes back at most what
other reports of snow added.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from alertd.forecast.observations import distances_m
from alertd.plan.controls.closures import Clock
from alertd.road.nearby import PhaseSeen
from alertd.route.model import Route, zone_at
from alertd.units import to_miles

# [A] The road of one side of a pass is much the same for so far and so long; then the forecast alone decides again.
SEEN_REACH_M: Final = 10_000.0
SEEN_COUNTS_FOR: Final = timedelta(hours=3)
MAX_LINES: Final = 3


class Sight(StrEnum):
    """State of the road, or what falls on it, as a driver sees it."""

    BARE = "bare"
    WET = "wet"
    SNOW = "snow"
    ICE = "ice"
    SNOW_FALLS = "snow_falls"
    RAIN_FALLS = "rain_falls"
    FREEZING_RAIN_FALLS = "freezing_rain_falls"
    NOTHING_FALLS = "nothing_falls"


WINTRY: Final = frozenset((Sight.SNOW, Sight.ICE, Sight.SNOW_FALLS, Sight.FREEZING_RAIN_FALLS))
_WORDS: Final = {
    Sight.BARE: "a bare road",
    Sight.WET: "a wet road",
    Sight.SNOW: "snow",
    Sight.ICE: "ice",
    Sight.SNOW_FALLS: "snow falling",
    Sight.RAIN_FALLS: "rain falling",
    Sight.FREEZING_RAIN_FALLS: "freezing rain",
    Sight.NOTHING_FALLS: "no rain or snow falling",
}
# Rain or snow as stations report it; freezing rain is evidence for neither, as there.
_SNOWS: Final = {Sight.SNOW: True, Sight.ICE: True, Sight.SNOW_FALLS: True, Sight.RAIN_FALLS: False}


@dataclass(frozen=True, slots=True, kw_only=True)
class RoadSeen:
    """One report of a driver. at: aware. where: the place in words, "" for the truck's position."""

    sight: Sight
    at: datetime
    lat_deg: float
    lon_deg: float
    where: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenOnRoute:
    """A report near a route. start_m, end_m: the part within SEEN_REACH_M of it. at_m: the nearest place of that."""

    seen: RoadSeen
    start_m: float
    end_m: float
    at_m: float
    zone: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenNotes:
    """cautions: of snow and ice on the way; with any, a plan is at least "ready". remarks: of a bare or wet road."""

    cautions: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()


def place_seen(route: Route, seen: Sequence[RoadSeen]) -> tuple[SeenOnRoute, ...]:
    """The reports within SEEN_REACH_M of a route, newest first."""
    placed = []
    for s in sorted(seen, key=lambda s: (s.at, s.lat_deg, s.lon_deg), reverse=True):
        away_m = distances_m(np.array([s.lat_deg]), np.array([s.lon_deg]), route.lat_deg, route.lon_deg)[0]
        near = np.flatnonzero(away_m <= SEEN_REACH_M)
        if near.size:
            at = int(away_m.argmin())
            placed.append(
                SeenOnRoute(
                    seen=s,
                    start_m=float(route.distance_m[near[0]]),
                    end_m=float(route.distance_m[near[-1]]),
                    at_m=float(route.distance_m[at]),
                    zone=zone_at(float(route.lat_deg[at]), float(route.lon_deg[at])),
                )
            )
    return tuple(placed)


def seen_notes(placed: Sequence[SeenOnRoute], route: Route, clock: Clock, leave_at: datetime) -> SeenNotes:
    """What the reports say to a truck that comes there within SEEN_COUNTS_FOR of them.

    route, clock, leave_at: begin at the truck's position; leave_at is aware.
    """
    here_m = float(route.distance_m[0])
    met = [
        p
        for p in placed
        if p.end_m > here_m
        and leave_at + timedelta(seconds=float(clock(max(p.start_m, here_m)))) <= p.seen.at + SEEN_COUNTS_FOR
    ]
    wintry = [f"{_line(p)}: be ready to chain" for p in met if p.seen.sight in WINTRY]
    other = [f"{_line(p)}; this eases nothing in the plan" for p in met if p.seen.sight not in WINTRY]
    return SeenNotes(cautions=_first(wintry), remarks=_first(other))


def phases_of(placed: Sequence[SeenOnRoute], route: Route) -> tuple[PhaseSeen, ...]:
    """What was seen, as evidence that precipitation near there falls as snow, or as rain.

    A bare or wet road, and a sky of which nothing falls, are no evidence: between showers they say nothing of the next
    one. The height is the route's where it passes the report.
    """
    return tuple(
        PhaseSeen(
            snow=_SNOWS[p.seen.sight],
            eases=False,
            epoch_s=p.seen.at.timestamp(),
            lat_deg=p.seen.lat_deg,
            lon_deg=p.seen.lon_deg,
            elevation_m=float(np.interp(p.at_m, route.distance_m, route.elevation_m)),
        )
        for p in placed
        if p.seen.sight in _SNOWS
    )


def _first(lines: Sequence[str]) -> tuple[str, ...]:
    more = len(lines) - MAX_LINES
    return (*lines[:MAX_LINES], *([f"{more} more reports of the road by drivers"] if more > 0 else []))


def _line(p: SeenOnRoute) -> str:
    where = f"{p.seen.where}, " if p.seen.where else ""
    when = p.seen.at.astimezone(ZoneInfo(p.zone)).strftime("%a %H:%M %Z")
    return f"A driver saw {_WORDS[p.seen.sight]} at {where}mi {to_miles(p.at_m):.0f} on {when}"
