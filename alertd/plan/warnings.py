"""Weather warnings of a service, placed on a route: where to ask for them, and which road each one covers."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import Final, TypeAlias

import numpy as np

from alertd.plan.closures import Closure
from alertd.route.line import Route
from alertd.rules.land import spans_inside

Ring: TypeAlias = tuple[tuple[float, float], ...]  # corners (latitude, longitude) [deg]
Span: TypeAlias = tuple[float, float]

# The service's own names of events: those to wait out, and those that a driver is only told of. [A] which is which.
HOLD_EVENTS: Final = frozenset(("Blizzard Warning",))
TOLD_EVENTS: Final = frozenset(
    ("Winter Storm Warning", "Ice Storm Warning", "High Wind Warning", "Snow Squall Warning")
)

MOST_PLACES: Final = 10
_APART_M: Final = 5_000.0  # nearer than this, two places share a forecast zone nearly always
_GAP_M: Final = 40_000.0  # a forecast zone of the mountains is about so wide


@dataclass(frozen=True, slots=True, kw_only=True)
class WeatherAlert:
    """One warning in force. Times are aware; `ends_at` None where it gives no end. rings: outlines, none for zones."""

    id: str
    event: str
    begins_at: datetime
    ends_at: datetime | None
    sender: str
    area: str = ""
    rings: tuple[Ring, ...] = ()


def places_to_ask(route: Route) -> tuple[int, ...]:
    """Samples at which to ask, in order along the route, at most MOST_PLACES.

    Summits first, by prominence, then starts of climbs, by rise; both ends; then the middles of the longest gaps.
    """
    d = route.distance_m
    high = [s.distance_m for s in sorted(route.summits, key=lambda s: -s.prominence_m)]
    feet = [c.start_m for c in sorted(route.climbs, key=lambda c: -c.rise_m)]
    taken: list[float] = []

    def take(at_m: float) -> None:
        if len(taken) < MOST_PLACES and all(abs(at_m - other) >= _APART_M for other in taken):
            taken.append(at_m)

    for at_m in (*high, *feet)[: MOST_PLACES - 2]:
        take(at_m)
    for at_m in (float(d[0]), float(d[-1])):
        take(at_m)
    while len(taken) < MOST_PLACES:
        edges = sorted({float(d[0]), float(d[-1]), *taken})
        a, b = max(pairwise(edges), key=lambda gap: gap[1] - gap[0])
        if b - a <= _GAP_M:
            break
        taken.append(0.5 * (a + b))
    return tuple(sorted({int(np.argmin(np.abs(d - at_m))) for at_m in taken}))


def place_warnings(route: Route, told: Mapping[int, Sequence[WeatherAlert]]) -> tuple[Closure, ...]:
    """The road that each warning covers, from what was told at samples of the route; every asked one is a key.

    By its outline where it has one that holds road; else from the places that it was told at, each with the road up to
    half way to the next asked one. Events that are in neither list are left out.
    """
    found: dict[str, WeatherAlert] = {}
    at: dict[str, list[int]] = {}
    for sample, alerts in told.items():
        for alert in alerts:
            found.setdefault(alert.id, alert)
            at.setdefault(alert.id, []).append(sample)
    near = _nearest(route, sorted(told))
    out = []
    for id_, alert in sorted(found.items()):
        if alert.event not in HOLD_EVENTS | TOLD_EVENTS:
            continue
        spans = [s for ring in alert.rings for s in spans_inside(ring, route.lat_deg, route.lon_deg, route.distance_m)]
        for start_m, end_m in _joined(spans or [near[sample] for sample in at[id_]]):
            out.append(
                Closure(
                    start_m=start_m,
                    end_m=end_m,
                    begins_at=alert.begins_at,
                    ends_at=alert.ends_at,
                    what=alert.event,
                    source=alert.sender,
                    where=alert.area,
                    holds=alert.event in HOLD_EVENTS,
                )
            )
    return tuple(out)


def _nearest(route: Route, samples: Sequence[int]) -> dict[int, Span]:
    """The road that is nearest to each asked sample."""
    at_m = [float(route.distance_m[i]) for i in samples]
    edges = [float(route.distance_m[0]), *(0.5 * (a + b) for a, b in pairwise(at_m)), float(route.distance_m[-1])]
    return dict(zip(samples, pairwise(edges), strict=True))


def _joined(spans: Sequence[Span]) -> list[Span]:
    """Spans that touch or overlap as one."""
    out: list[Span] = []
    for start_m, end_m in sorted(spans):
        if out and start_m <= out[-1][1]:
            out[-1] = (out[-1][0], max(out[-1][1], end_m))
        else:
            out.append((start_m, end_m))
    return out
