"""Places speed limits on a route: posted ones by their ends, in the direction of travel, and those of law by land."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, TypeAlias

from alertd.route.geometry.geodesic import distances_m
from alertd.route.model import JurisdictionSpan, LimitSpan
from alertd.route.project import Line, find_passes, interval_between

LatLon: TypeAlias = tuple[float, float]  # latitude, longitude [deg]

# Assumed: the end of a limit is read from a map, and a road 250 m away is a different road.
LIMIT_OFFSET_M: Final = 250.0
_PASSES_APART_M: Final = 1_000.0
# A mountain road is at most half as long again as the straight line; a longer detour is not that road.
_DETOUR: Final = 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class PostedLimit:
    """A limit on the road from the first place to the second, and back if `both_ways`."""

    start: LatLon
    end: LatLon
    both_ways: bool
    speed_mps: float
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TruckSpeed:
    """The highest speed of a truck by the law of a land, on its best roads.

    jurisdiction: ISO 3166 code.
    axles_least, mass_least_kg: the trucks that it is for.
    """

    jurisdiction: str
    speed_mps: float
    source: str
    axles_least: int = 0
    mass_least_kg: float = 0.0


def lawful_speeds(spans: Sequence[JurisdictionSpan], speeds: Sequence[TruckSpeed]) -> tuple[LimitSpan, ...]:
    """The law of each land on its runs of the route, in order along it."""
    return tuple(
        LimitSpan(
            start_m=span.start_m,
            end_m=span.end_m,
            speed_mps=speed.speed_mps,
            source=speed.source,
            axles_least=speed.axles_least,
            mass_least_kg=speed.mass_least_kg,
        )
        for span in spans
        for speed in speeds
        if speed.jurisdiction == span.code
    )


def place_limits(line: Line, limits: Sequence[PostedLimit]) -> tuple[LimitSpan, ...]:
    """The runs of the route under each limit, in order along it.

    A route that passes one end joins or leaves the road between the two, see project.interval_between. A route that
    passes neither end does not count as on that road.
    """
    found = []
    for limit in limits:
        ways = [(limit.start, limit.end), (limit.end, limit.start)] if limit.both_ways else [(limit.start, limit.end)]
        found += [
            LimitSpan(start_m=a, end_m=b, speed_mps=limit.speed_mps, source=limit.source)
            for start, end in ways
            for a, b in _runs(line, start, end)
        ]
    return tuple(sorted(found, key=lambda s: (s.start_m, s.end_m, s.speed_mps)))


def _runs(line: Line, start: LatLon, end: LatLon) -> list[tuple[float, float]]:
    """Each run (start_m, end_m) of the route from `start` towards `end`."""
    starts, ends = _passes(line, start), _passes(line, end)
    longest_m = _DETOUR * _apart_m(start, end) + 2.0 * LIMIT_OFFSET_M
    if starts and ends:
        nearest = [(max((a for a in starts if a < b), default=b), b) for b in ends]
        return [(a, b) for a, b in nearest if 0.0 < b - a <= longest_m]
    if not starts and not ends:
        return []
    run = interval_between(line, start, end, max_offset_m=LIMIT_OFFSET_M)
    # The direction is right when the run begins at the limit's first place, or ends at its last.
    if run is None or (run[0] not in starts and run[1] not in ends):
        return []
    return [run]


def _passes(line: Line, place: LatLon) -> list[float]:
    near = find_passes(line, *place, max_offset_m=LIMIT_OFFSET_M, apart_m=_PASSES_APART_M)
    return [along_m for along_m, _ in near]


def _apart_m(a: LatLon, b: LatLon) -> float:
    return float(distances_m(a[1], a[0], b[1], b[0]))
