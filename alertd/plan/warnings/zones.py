"""Forecast zones and counties of a weather service with their outlines, and their runs on a route."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final, TypeAlias

from alertd.route.geometry.polygons import Area, Span, joined, spans_in
from alertd.route.model import Route

# The service redraws its zones about twice a year; an outline older than this may no longer be correct.
OUTLINE_STALE_AFTER: Final = timedelta(days=200)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ForecastZone:
    """A zone with its outline.

    id: kind and code, e.g. "forecast/WAZ304", because codes of two kinds may name two places.
    obtained_at: aware.
    """

    id: str
    name: str
    area: Area
    obtained_at: datetime


Zones: TypeAlias = Mapping[str, ForecastZone]


def state_of(zone_id: str) -> str:
    """The two letters of the state in a zone's code; seas have letters of their own."""
    return zone_id.rpartition("/")[2][:2]


def us_states(route: Route) -> frozenset[str]:
    """The US states of a route, as two letters each."""
    codes = (span.code for span in route.jurisdictions)
    return frozenset(code.removeprefix("US-") for code in codes if code.startswith("US-"))


def on_route(area: Area, route: Route) -> list[Span]:
    """The runs of the route in an area."""
    return spans_in(area, route.lat_deg, route.lon_deg, route.distance_m)


def covers(zones: Iterable[ForecastZone], states: frozenset[str], route: Route) -> bool:
    """True when outlines of one kind cover all of the route's road in these states; no other such zone then has any.

    Zones of one kind divide the land between them.
    """
    spans = joined([span for zone in zones for span in on_route(zone.area, route)])
    land = [s for s in route.jurisdictions if s.code.removeprefix("US-") in states]
    return bool(land) and all(_within(s.start_m, s.end_m, spans) for s in land)


def _within(start_m: float, end_m: float, spans: Sequence[Span]) -> bool:
    return any(a <= start_m and end_m <= b for a, b in spans)
