"""Weather warnings of a service, placed on a route: by their outline, their zones, their counties, or where told at."""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Final

import numpy as np

from alertd.plan.controls.closures import Closure
from alertd.plan.warnings.severity import Severity
from alertd.plan.warnings.zones import Zones, on_route, state_of, us_states
from alertd.route.model import Route
from alertd.route.polygons import Area, Span, joined

MAX_PLACES: Final = 10


_APART_M: Final = 5_000.0  # nearer than this, two places share a forecast zone nearly always


_GAP_M: Final = 40_000.0  # a forecast zone of the mountains is about so wide


# [A] One that gives no end is taken to stand so long, and looked at again with every reading of the list; while it is
# listed, the end moves on by as much again, half a day before it comes. One that is waited out is never given an end
# that its office did not give.
NO_END: Final = timedelta(hours=24)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WeatherAlert:
    """One message on one event. Times are aware; ends_at None where it gives no end, sent_at None where unreadable.

    key: the event, the same in all its messages; `id` is the message's. words: the office's own, to be quoted.
    zones: as in `plan.warnings.zones`, not all of them where `zones_whole` is False; counties: the same kind of ids,
    of the counties that the zones lie in. area: its outline, where it has one of its own.
    """

    key: str
    id: str
    event: str
    severity: Severity
    begins_at: datetime
    ends_at: datetime | None
    sender: str
    sent_at: datetime | None = None
    words: tuple[str, ...] = ()
    where: str = ""
    zones: tuple[str, ...] = ()
    zones_whole: bool = True
    counties: tuple[str, ...] = ()
    area: Area | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class UnreadableAlert:
    """A message that could not be read and may matter: what of it could be."""

    event: str
    where: str
    zones: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AlertList:
    """What a service lists.

    listed_n: events of any kind; matched_n: how many it counts itself, 0 if it does not. updated_at: by its own word.
    whole: nothing says that there is more than this.
    """

    alerts: tuple[WeatherAlert, ...]
    unreadable: tuple[UnreadableAlert, ...] = ()
    listed_n: int = 0
    matched_n: int = 0
    updated_at: datetime | None = None
    whole: bool = True


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlacedWarnings:
    """The road under warnings, and the warnings that may hold more of it: some of their land is not on file."""

    closures: tuple[Closure, ...]
    unplaced: tuple[WeatherAlert, ...]


def merge_alerts(alerts: Iterable[WeatherAlert]) -> tuple[WeatherAlert, ...]:
    """Messages on one event for the same land as one: the earliest beginning, the latest end, the newest words.

    Services list an event in several parts, each with zones and times of its own, which stay apart; and the beginning
    of one that goes on is moved to when it was last told of.
    """
    out: dict[str, list[WeatherAlert]] = {}
    for alert in alerts:
        same = out.setdefault(alert.key, [])
        met = [a for a in same if set(a.zones) & set(alert.zones) and a.area is None and alert.area is None]
        for other in met:
            same.remove(other)
            alert = _merge_two(alert, other)
        same.append(alert)
    return tuple(a for same in out.values() for a in same)


def _merge_two(a: WeatherAlert, b: WeatherAlert) -> WeatherAlert:
    newer = a if b.sent_at is None or (a.sent_at is not None and a.sent_at >= b.sent_at) else b
    ends = (a.ends_at, b.ends_at)
    return replace(
        newer,
        begins_at=min(a.begins_at, b.begins_at),
        ends_at=None if None in ends else max(e for e in ends if e is not None),
        zones=tuple(dict.fromkeys((*a.zones, *b.zones))),
        zones_whole=a.zones_whole and b.zones_whole,
        counties=tuple(dict.fromkeys((*a.counties, *b.counties))),
    )


def place_warnings(
    route: Route,
    alerts: Sequence[WeatherAlert],
    zones: Zones,
    now_utc: datetime,
    by_place: Mapping[int, Sequence[WeatherAlert]] | None = None,
) -> PlacedWarnings:
    """The road that each warning covers.

    By its own outline where it has one; else by its zones on file, and by its counties where one of its zones in the
    route's states is not. by_place: what the service says for samples of the route, every asked one a key; it places
    what
    is not placed by outlines, on the road up to half way to the next asked sample, and adds what the list left out.
    """
    by_place = by_place or {}
    near = _nearest(route, sorted(by_place))
    road = _Road(route=route, zones=zones)
    states = us_states(route)
    at: dict[str, list[int]] = {}
    extra: dict[str, WeatherAlert] = {}
    for sample, heard in by_place.items():
        for alert in heard:
            at.setdefault(alert.key, []).append(sample)
            extra.setdefault(alert.key, alert)
    listed = {alert.key for alert in alerts}
    spans: dict[tuple[str, datetime, datetime | None], list[Span]] = {}
    said: dict[tuple[str, datetime, datetime | None], WeatherAlert] = {}
    unplaced = []
    for alert in (*alerts, *(a for key, a in extra.items() if key not in listed)):
        found, whole = _spans(route, alert, road, states)
        if not whole and alert.key in at:
            found = [*found, *(near[sample] for sample in at[alert.key])]
        elif not whole:
            unplaced.append(alert)
        part = (alert.key, alert.begins_at, alert.ends_at)
        spans.setdefault(part, []).extend(found)
        said.setdefault(part, alert)
    closures = [
        closure_of(said[part], span, now_utc)
        for part in sorted(spans, key=lambda p: (p[0], p[1], str(p[2])))
        for span in joined(spans[part])
    ]
    return PlacedWarnings(closures=tuple(closures), unplaced=tuple(unplaced))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Road:
    """The road in each zone on file, found once for all warnings that name it."""

    route: Route
    zones: Zones
    found: dict[str, list[Span]] = field(default_factory=dict)

    def within(self, zone_id: str) -> list[Span] | None:
        """None for a zone that is not on file."""
        if zone_id not in self.zones:
            return None
        if zone_id not in self.found:
            self.found[zone_id] = on_route(self.zones[zone_id].area, self.route)
        return self.found[zone_id]

    def within_all(self, zone_ids: Sequence[str]) -> tuple[list[Span], bool]:
        """In those on file together, and whether all are."""
        spans = [self.within(z) for z in zone_ids]
        return [s for one in spans for s in one or ()], None not in spans


def _spans(route: Route, alert: WeatherAlert, road: _Road, states: frozenset[str]) -> tuple[list[Span], bool]:
    """The road that outlines place it on, and whether they leave none of its land in the route's states out.

    Where the route's states are not known, any land counts.
    """
    if alert.area is not None:
        return on_route(alert.area, route), True
    here = [z for z in alert.zones if not states or state_of(z) in states]
    found, whole = road.within_all(here)
    if alert.zones and alert.zones_whole and whole:
        return found, True
    counties = [c for c in alert.counties if not states or state_of(c) in states]
    if alert.counties and alert.zones_whole and not alert.zones and not counties:
        return [], True
    by_county, whole = road.within_all(counties)
    return [*found, *by_county], bool(counties) and whole


def closure_of(alert: WeatherAlert, span: Span, now_utc: datetime) -> Closure:
    """One run of road under a warning."""
    ends_at = alert.ends_at
    presumed = ends_at is None and not alert.severity.holds
    if presumed:
        since = alert.sent_at or alert.begins_at
        passed = max((now_utc - since + NO_END / 2) // NO_END, 0)
        ends_at = max(since + (passed + 1) * NO_END, alert.begins_at + NO_END)
    return Closure(
        start_m=span[0],
        end_m=span[1],
        begins_at=alert.begins_at,
        ends_at=ends_at,
        what=alert.event,
        source=alert.sender,
        where=alert.where,
        holds=alert.severity.holds,
        rank=alert.severity.rank,
        presumed=presumed,
        words=alert.words,
        sent_at=alert.sent_at,
    )


def query_samples(route: Route) -> tuple[int, ...]:
    """Samples at which to ask, in order along the route, at most MOST_PLACES.

    Summits first, by prominence, then starts of climbs, by rise; both ends; then the middles of the longest gaps.
    """
    d = route.distance_m
    high = [s.distance_m for s in sorted(route.summits, key=lambda s: -s.prominence_m)]
    feet = [c.start_m for c in sorted(route.climbs, key=lambda c: -c.rise_m)]
    taken: list[float] = []

    def take(at_m: float) -> None:
        if len(taken) < MAX_PLACES and all(abs(at_m - other) >= _APART_M for other in taken):
            taken.append(at_m)

    for at_m in (*high, *feet)[: MAX_PLACES - 2]:
        take(at_m)
    for at_m in (float(d[0]), float(d[-1])):
        take(at_m)
    while len(taken) < MAX_PLACES:
        edges = sorted({float(d[0]), float(d[-1]), *taken})
        a, b = max(pairwise(edges), key=lambda gap: gap[1] - gap[0])
        if b - a <= _GAP_M:
            break
        taken.append(0.5 * (a + b))
    return tuple(sorted({int(np.argmin(np.abs(d - at_m))) for at_m in taken}))


def _nearest(route: Route, samples: Sequence[int]) -> dict[int, Span]:
    """The road that is nearest to each asked sample."""
    if not samples:
        return {}
    at_m = [float(route.distance_m[i]) for i in samples]
    edges = [float(route.distance_m[0]), *(0.5 * (a + b) for a, b in pairwise(at_m)), float(route.distance_m[-1])]
    return dict(zip(samples, pairwise(edges), strict=True))


MAX_CHARS: Final = 300


_END: Final = re.compile(r"[.!?](?=\s)")


def one_line(text: str) -> str:
    """The same words on one line, without characters that steer a terminal."""
    words = " ".join(text.split())
    return words if words.isprintable() else " ".join("".join(c if c.isprintable() else " " for c in words).split())


def truncate(text: str, most: int = MAX_CHARS) -> str:
    """At most `most` characters, whole sentences, "..." where more follow; one sentence that is longer stays whole."""
    words = one_line(text)
    if len(words) <= most:
        return words
    ends = [m.end() for m in _END.finditer(words)]
    if not ends:
        return words
    return f"{words[: max((e for e in ends if e <= most), default=ends[0])]} ..."
