"""What was gathered along one route: stops, exits, mileposts, passes, bridges, tunnels, limits and road numbers."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from alertd.route.bridges import Bridge
from alertd.route.elevation import NamedSummit
from alertd.route.geometry.geodesic import distances_m
from alertd.route.model import Landmark, LimitSpan, RoadSpan, Route, Town
from alertd.route.project import snap_stops
from alertd.route.stops import Stop, StopKind
from alertd.route.tunnels import Tunnel

# [A] Two listed places nearer to each other than this are one place; the operator's own entry then applies alone.
SAME_STOP_M: Final = 500.0
_SAME_LENGTH: Final = 0.005  # a route built of the same line has the same length but for rounding


@dataclass(frozen=True, slots=True, kw_only=True)
class Roadside:
    """Places along one route file's line, as distances [m] along it.

    source: with its licence and attribution. data_at: the source's own time of its data, "" if not stated.
    bridges, tunnels: lines of our own carriageway on or in them.
    """

    name: str
    source: str
    obtained_at: datetime
    length_m: float
    data_at: str = ""
    stops: tuple[Stop, ...] = ()
    passes: tuple[NamedSummit, ...] = ()
    landmarks: tuple[Landmark, ...] = ()
    roads: tuple[RoadSpan, ...] = ()
    bridges: tuple[Bridge, ...] = ()
    tunnels: tuple[Tunnel, ...] = ()
    limits: tuple[LimitSpan, ...] = ()
    towns: tuple[Town, ...] = ()

    def fits(self, length_m: float) -> bool:
        """Whether a line of this length is the one that the distances belong to."""
        return abs(length_m - self.length_m) <= _SAME_LENGTH * self.length_m


def add_roadside(route: Route, roadside: Roadside) -> Route:
    """The route with its gathered stops, limits, roads and landmarks; bridges and tunnels are for build_route.

    What is listed has precedence: stops, and limits where they overlap.
    A gathered chain-up area takes the place of a listed one whose position is uncertain by more than its distance.
    """
    areas = [s for s in roadside.stops if s.kind is StopKind.CHAIN_UP_AREA]
    kept = tuple(s for s in route.stops if not _is_known_better(s.stop, areas))
    own = unlisted_by(roadside.stops, [s.stop for s in kept])
    limits = (*route.limits, *(x for x in roadside.limits if not _overlaps(x, route.limits)))
    return replace(
        route,
        stops=tuple(sorted((*kept, *snap_stops(route, own)), key=lambda at: (at.distance_m, at.stop.id))),
        limits=tuple(sorted(limits, key=lambda s: (s.start_m, s.end_m, s.speed_mps))),
        roads=roadside.roads,
        landmarks=roadside.landmarks,
        towns=(*route.towns, *roadside.towns),
        credits=(*route.credits, f"Places: {roadside.source}, gathered {roadside.obtained_at:%Y-%m-%d}"),
    )


def unlisted_by(stops: Iterable[Stop], listed: Sequence[Stop]) -> tuple[Stop, ...]:
    """The stops that are not another entry of a listed place."""
    return tuple(s for s in stops if not is_listed(s, listed))


def is_listed(stop: Stop, listed: Sequence[Stop]) -> bool:
    """Whether a listed stop within SAME_STOP_M serves the same direction, so that both are one place."""
    return _any_within(stop, listed, SAME_STOP_M)


def _is_known_better(stop: Stop, areas: Sequence[Stop]) -> bool:
    return stop.kind is StopKind.CHAIN_UP_AREA and _any_within(stop, areas, stop.within_m)


def serve_same_way(a: Stop, b: Stop) -> bool:
    """Whether some traffic can enter both: their directions are within 90 degrees, or one has none stated."""
    if a.serves_bearing_deg is None or b.serves_bearing_deg is None:
        return True
    turn = (a.serves_bearing_deg - b.serves_bearing_deg + 180.0) % 360.0 - 180.0
    return abs(turn) <= 90.0


def _any_within(stop: Stop, others: Sequence[Stop], within_m: float) -> bool:
    """Whether one of these is so near and serves the same traffic."""
    same_way = [other for other in others if serve_same_way(stop, other)]
    if not same_way:
        return False
    lon, lat = [other.lon_deg for other in same_way], [other.lat_deg for other in same_way]
    return bool((distances_m(stop.lon_deg, stop.lat_deg, lon, lat) <= within_m).any())


def _overlaps(limit: LimitSpan, others: Sequence[LimitSpan]) -> bool:
    return any(limit.start_m < x.end_m and limit.end_m > x.start_m for x in others)
