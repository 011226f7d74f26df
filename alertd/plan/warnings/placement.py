"""Places weather warnings of a service on a route: by outline, zones, counties, or queries at samples."""

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
from alertd.route.geometry.polygons import Area, Span, joined
from alertd.route.model import Route

MAX_PLACES: Final = 10


_APART_M: Final = 5_000.0  # places closer than this nearly always share a forecast zone


_GAP_M: Final = 40_000.0  # about the width of a forecast zone in the mountains


# [A] A warning without an end is taken to last this long. While it stays listed, the end moves on by the same time,
# half a day ahead. A warning that trucks wait out never gets an end that its office did not give.
NO_END: Final = timedelta(hours=24)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WeatherAlert:
    """One message on one event. Times are aware.

    key: the event, the same in all its messages.
    id: the message.
    ends_at: None where it gives no end.
    sent_at: None where unreadable.
    words: the words of the office, to be quoted.
    zones: as in `plan.warnings.zones`; incomplete where `zones_whole` is False.
    counties: ids of the same kind, of the counties in which the zones are.
    area: its own outline, if any.
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
    """The readable parts of a message that could not be read and may matter."""

    event: str
    where: str
    zones: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AlertList:
    """The list of a service.

    listed_n: number of events of any kind.
    matched_n: number of events that the service itself counts, 0 if it does not.
    updated_at: time given by the service.
    whole: no sign that the list is incomplete.
    """

    alerts: tuple[WeatherAlert, ...]
    unreadable: tuple[UnreadableAlert, ...] = ()
    listed_n: int = 0
    matched_n: int = 0
    updated_at: datetime | None = None
    whole: bool = True


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlacedWarnings:
    """The road under warnings, and the warnings that may cover more, because some of their land is not on file."""

    closures: tuple[Closure, ...]
    unplaced: tuple[WeatherAlert, ...]


def merge_alerts(alerts: Iterable[WeatherAlert]) -> tuple[WeatherAlert, ...]:
    """Merge messages on the same event and land: the earliest start, the latest end, the newest words.

    Services list an event in several parts, each with zones and times of its own; these stay separate. Services also
    move the start of a continuing event to the time of its last message.
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

    A warning with an outline is placed by it. Others are placed by their zones on file, and by their counties where one
    of their zones in the route's states is not on file.

    by_place: answers of the service for samples of the route, with every queried sample as a key. They place warnings
        that outlines do not place, up to half way to the next queried sample. They also add warnings that the list
        omits.
    """
    by_place = by_place or {}
    near = _nearest(route, sorted(by_place))
    road = _Road(route=route, zones=zones)
    states = us_states(route)
    at: dict[str, list[int]] = {}
    extra: dict[str, WeatherAlert] = {}
    for sample, sample_alerts in by_place.items():
        for alert in sample_alerts:
            at.setdefault(alert.key, []).append(sample)
            extra.setdefault(alert.key, alert)
    listed = {alert.key for alert in alerts}
    spans: dict[tuple[str, datetime, datetime | None], list[Span]] = {}
    alert_of_part: dict[tuple[str, datetime, datetime | None], WeatherAlert] = {}
    unplaced = []
    for alert in (*alerts, *(a for key, a in extra.items() if key not in listed)):
        covered, complete = _spans(route, alert, road, states)
        if not complete and alert.key in at:
            covered = [*covered, *(near[sample] for sample in at[alert.key])]
        elif not complete:
            unplaced.append(alert)
        part = (alert.key, alert.begins_at, alert.ends_at)
        spans.setdefault(part, []).extend(covered)
        alert_of_part.setdefault(part, alert)
    closures = [
        closure_of(alert_of_part[part], span, now_utc)
        for part in sorted(spans, key=lambda p: (p[0], p[1], str(p[2])))
        for span in joined(spans[part])
    ]
    return PlacedWarnings(closures=tuple(closures), unplaced=tuple(unplaced))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Road:
    """The road in each zone on file, computed once for all warnings that name it."""

    route: Route
    zones: Zones
    found: dict[str, list[Span]] = field(default_factory=dict)

    def within(self, zone_id: str) -> list[Span] | None:
        """The road in a zone; None for a zone that is not on file."""
        if zone_id not in self.zones:
            return None
        if zone_id not in self.found:
            self.found[zone_id] = on_route(self.zones[zone_id].area, self.route)
        return self.found[zone_id]

    def within_all(self, zone_ids: Sequence[str]) -> tuple[list[Span], bool]:
        """The road in all of these zones on file, and whether all are on file."""
        spans = [self.within(z) for z in zone_ids]
        return [s for one in spans for s in one or ()], None not in spans


def _spans(route: Route, alert: WeatherAlert, road: _Road, states: frozenset[str]) -> tuple[list[Span], bool]:
    """The road where outlines place a warning, and whether they cover all its land in the route's states.

    Where the route's states are unknown, any land counts.
    """
    if alert.area is not None:
        return on_route(alert.area, route), True
    in_states = [z for z in alert.zones if not states or state_of(z) in states]
    covered, complete = road.within_all(in_states)
    if alert.zones and alert.zones_whole and complete:
        return covered, True
    counties = [c for c in alert.counties if not states or state_of(c) in states]
    if alert.counties and alert.zones_whole and not alert.zones and not counties:
        return [], True
    by_county, complete = road.within_all(counties)
    return [*covered, *by_county], bool(counties) and complete


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
    """Samples for queries, in order along the route, at most MAX_PLACES.

    Summits first, by prominence, then starts of climbs, by rise; both ends; then the middles of the longest gaps.
    """
    d = route.distance_m
    high = [s.distance_m for s in sorted(route.summits, key=lambda s: -s.prominence_m)]
    feet = [c.start_m for c in sorted(route.climbs, key=lambda c: -c.rise_m)]
    chosen: list[float] = []

    def take(at_m: float) -> None:
        if len(chosen) < MAX_PLACES and all(abs(at_m - other) >= _APART_M for other in chosen):
            chosen.append(at_m)

    for at_m in (*high, *feet)[: MAX_PLACES - 2]:
        take(at_m)
    for at_m in (float(d[0]), float(d[-1])):
        take(at_m)
    while len(chosen) < MAX_PLACES:
        edges = sorted({float(d[0]), float(d[-1]), *chosen})
        a, b = max(pairwise(edges), key=lambda gap: gap[1] - gap[0])
        if b - a <= _GAP_M:
            break
        chosen.append(0.5 * (a + b))
    return tuple(sorted({int(np.argmin(np.abs(d - at_m))) for at_m in chosen}))


def _nearest(route: Route, samples: Sequence[int]) -> dict[int, Span]:
    """The road nearest to each queried sample."""
    if not samples:
        return {}
    at_m = [float(route.distance_m[i]) for i in samples]
    edges = [float(route.distance_m[0]), *(0.5 * (a + b) for a, b in pairwise(at_m)), float(route.distance_m[-1])]
    return dict(zip(samples, pairwise(edges), strict=True))


MAX_CHARS: Final = 300


_END: Final = re.compile(r"[.!?](?=\s)")


def one_line(text: str) -> str:
    """The same words on one line, without terminal control characters."""
    words = " ".join(text.split())
    return words if words.isprintable() else " ".join("".join(c if c.isprintable() else " " for c in words).split())


def truncate(text: str, most: int = MAX_CHARS) -> str:
    """At most `most` characters in whole sentences, "..." where more follow. A longer first sentence stays whole."""
    words = one_line(text)
    if len(words) <= most:
        return words
    ends = [m.end() for m in _END.finditer(words)]
    if not ends:
        return words
    return f"{words[: max((e for e in ends if e <= most), default=ends[0])]} ..."
