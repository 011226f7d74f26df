"""Weather warnings along a route: its countries' lists placed on it, and notes on missing ones."""

import asyncio
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from alertd.errors import ConfigError, SourceError
from alertd.plan.controls.closures import Closure
from alertd.plan.warnings.placement import AlertList, UnreadableAlert, WeatherAlert, place_warnings, query_samples
from alertd.plan.warnings.zones import OUTLINE_STALE_AFTER, Zones, covers, state_of, us_states
from alertd.planning.replays.response_recorder import record_response, recording
from alertd.route.model import Route
from alertd.sources.http.answer import Answer, SourceResponse
from alertd.sources.providers.eccc.alerts import GeometAlerts, box_around
from alertd.sources.providers.nws.alerts import NwsAlerts


class ActiveAlerts:
    """Asks once for each moment, and records the answer for the plans of every route."""

    def __init__(self, source: NwsAlerts) -> None:
        self.source = source
        self._one_at_a_time = asyncio.Lock()
        self._at: datetime | None = None
        self._answer: Answer[AlertList] | SourceError | None = None
        self._responses: tuple[SourceResponse, ...] = ()

    async def read(self, now_utc: datetime) -> Answer[AlertList] | SourceError:
        """The list of the service, or the error."""
        async with self._one_at_a_time:
            if self._answer is None or self._at != now_utc:
                with recording() as responses:
                    try:
                        answer: Answer[AlertList] | SourceError = await self.source.active()
                    except SourceError as exc:
                        answer = exc
                self._at, self._answer, self._responses = now_utc, answer, tuple(responses)
        for one in self._responses:
            record_response(one)
        return self._answer


# [A] The whole country's list is renewed every few minutes; one this old comes from an old cache on the way.
LIST_STALE_AFTER: Final = timedelta(hours=2)


_MAX_NAMED: Final = 4


ASK: Final = "ask before leaving"


@dataclass(frozen=True, slots=True, kw_only=True)
class RouteWarnings:
    """The warnings on a route, and notes on unknown ones.

    remarks: on lists that look odd and ask a driver for nothing. known: none is missing, old or odd.
    """

    closures: tuple[Closure, ...] = ()
    notes: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    known: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AlertServices:
    """The services by country. us: None where the National Weather Service is no source."""

    us: ActiveAlerts | None
    canada: GeometAlerts


async def warnings_along(route: Route, services: AlertServices, zones: Zones, now_utc: datetime) -> RouteWarnings:
    """Never fails for a source: a missing answer is a note, and no place is replaced by another."""
    codes = {span.code for span in route.jurisdictions}
    parts = []
    if not codes or any(not code or code.startswith("US-") for code in codes):
        parts.append(_us(route, services.us, zones, now_utc))
    if any(code.startswith("CA-") for code in codes):
        parts.append(_canada(route, services.canada, now_utc))
    found = list(await asyncio.gather(*parts))
    elsewhere = [s.name for s in route.jurisdictions if s.code and s.code[:3] not in ("US-", "CA-")]
    if elsewhere:
        lands = ", ".join(dict.fromkeys(elsewhere))
        found.append(
            RouteWarnings(notes=(f"Weather warnings not known for {lands}: no service there is asked; {ASK}",))
        )
    return RouteWarnings(
        closures=tuple(c for part in found for c in part.closures),
        notes=tuple(dict.fromkeys(n for part in found for n in part.notes)),
        remarks=tuple(dict.fromkeys(r for part in found for r in part.remarks)),
        known=all(part.known for part in found),
    )


async def _us(route: Route, feed: ActiveAlerts | None, zones: Zones, now_utc: datetime) -> RouteWarnings:
    if feed is None:
        return RouteWarnings()
    answer = await feed.read(now_utc)
    if isinstance(answer, SourceError):
        return RouteWarnings(notes=(f"Weather warnings not known ({answer.problem}): {ASK}",))
    alert_list, states = answer.value, us_states(route)
    notes = [*_doubts(answer, feed.source.area, states), *_unread(alert_list.unreadable, states)]
    alerts = tuple(a for a in alert_list.alerts if _may_matter(a, states))
    placed = await asyncio.to_thread(place_warnings, route, alerts, zones, now_utc)
    if placed.unplaced:
        at_places, missed = await _at_places(route, feed.source)
        placed = await asyncio.to_thread(place_warnings, route, alerts, zones, now_utc, at_places)
        lost = await asyncio.to_thread(_lost, placed.unplaced, route, zones, bool(missed))
        notes += (*_lost_note(lost), *missed)
    if old := _old_outlines(alerts, zones, now_utc):
        notes.append(old)
    remarks = _odd(alert_list, whole_country=not feed.source.area)
    return RouteWarnings(closures=placed.closures, notes=tuple(notes), remarks=remarks, known=not (notes or remarks))


def _odd(alert_list: AlertList, *, whole_country: bool) -> tuple[str, ...]:
    """A country without any warning is rare: no caution for a driver, and no reason to withdraw a warning either."""
    if not whole_country or alert_list.listed_n:
        return ()
    return ("the list of weather warnings of the whole country is empty; warnings known before stay in force",)


def _may_matter(alert: WeatherAlert, states: frozenset[str]) -> bool:
    """Whether any of its land may lie in these states; one that names no land may."""
    if alert.area is not None or not states or not alert.zones_whole or not (alert.zones or alert.counties):
        return True
    return any(state_of(z) in states for z in (*alert.zones, *alert.counties))


def _doubts(answer: Answer[AlertList], area: Sequence[str], states: frozenset[str]) -> list[str]:
    """Reasons to doubt the list of an area, () for the whole country."""
    alert_list, whole_country, out = answer.value, not area, []
    if area and (left_out := sorted(states - set(area))):
        out.append(
            f"Weather warnings not asked for in {', '.join(left_out)}, which forecast.alerts_area leaves out: {ASK}"
        )
    if answer.stale:
        out.append(f"Weather warnings may have changed: {answer.not_refreshed}")
    if not alert_list.whole:
        out.append(f"Weather warnings not all known (the service has more than it lists): {ASK}")
    if (
        whole_country
        and alert_list.updated_at is not None
        and answer.fetched_at - alert_list.updated_at > LIST_STALE_AFTER
    ):
        out.append(f"Weather warnings may have changed: the list is of {alert_list.updated_at:%d %H:%M} UTC")
    return out


def _unread(unread: Iterable[UnreadableAlert], states: frozenset[str]) -> list[str]:
    """A line for messages that may concern this road and could not be read."""
    here = [u for u in unread if not u.zones or not states or any(state_of(z) in states for z in u.zones)]
    if not here:
        return []
    named = _listed([" for ".join(filter(None, (u.event or "of unknown kind", u.where))) for u in here])
    return [f"Weather warnings not all known ({len(here)} could not be read: {named}): {ASK}"]


def _listed(names: Sequence[str]) -> str:
    kinds = list(dict.fromkeys(names))
    more = len(kinds) - _MAX_NAMED
    return "; ".join((*kinds[:_MAX_NAMED], *([f"and {more} more"] if more > 0 else [])))


async def _at_places(route: Route, source: NwsAlerts) -> tuple[dict[int, tuple[WeatherAlert, ...]], list[str]]:
    """Alerts at places on the route, where outlines are not on file, and notes on places without an answer."""
    samples = query_samples(route)

    async def ask(i: int) -> Answer[AlertList] | SourceError:
        try:
            return await source.at(float(route.lat_deg[i]), float(route.lon_deg[i]))
        except SourceError as exc:
            return exc

    answers = await asyncio.gather(*(ask(i) for i in samples))
    by_sample = {i: a.value.alerts if isinstance(a, Answer) else () for i, a in zip(samples, answers, strict=True)}
    missed = Counter(
        a.problem if isinstance(a, SourceError) else a.not_refreshed
        for a in answers
        if isinstance(a, SourceError) or a.stale
    )
    return by_sample, [
        f"Weather warnings not known at {n} of the {len(samples)} places asked about on the way ({why}): {ASK}"
        for why, n in missed.items()
    ]


def _lost(unplaced: Sequence[WeatherAlert], route: Route, zones: Zones, unanswered: bool) -> list[WeatherAlert]:
    """Those that may still concern this route.

    A warning does not where the outlines on file of the same kind of zone cover all of the road, and the service named
    it at none of the places asked about: the second because zones are redrawn.
    """
    states, covered = us_states(route), {}
    for kind in {z.partition("/")[0] for a in unplaced for z in a.zones}:
        of_kind = [zone for zone in zones.values() if zone.id.startswith(f"{kind}/")]
        covered[kind] = not unanswered and covers(of_kind, states, route)
    return [
        a
        for a in unplaced
        if not a.zones or not a.zones_whole or not all(covered[z.partition("/")[0]] for z in a.zones)
    ]


def _lost_note(lost: Sequence[WeatherAlert]) -> list[str]:
    if not lost:
        return []
    named = _listed([f"{a.event} by {a.sender} for {a.where or 'an area it does not name'}" for a in lost])
    count = "A weather warning, whose area is" if len(lost) == 1 else f"{len(lost)} weather warnings, whose areas are"
    return [f"{count} not on file, may hold this road ({named}): {ASK}; `alertd gather zones` gets the areas"]


def _old_outlines(alerts: Sequence[WeatherAlert], zones: Zones, now_utc: datetime) -> str:
    """A line where warnings are placed by outlines that may have been redrawn since."""
    used = [zones[z].obtained_at for a in alerts if a.area is None for z in (*a.zones, *a.counties) if z in zones]
    oldest = min(used, default=now_utc)
    if now_utc - oldest <= OUTLINE_STALE_AFTER:
        return ""
    return (
        f"Weather warnings are placed by outlines {(now_utc - oldest).days} days old, which may have been redrawn: "
        "run `alertd gather zones`"
    )


async def _canada(route: Route, source: GeometAlerts, now_utc: datetime) -> RouteWarnings:
    spans = [s for s in route.jurisdictions if s.code.startswith("CA-")]
    here = [i for i, d in enumerate(route.distance_m) if any(s.start_m <= d <= s.end_m for s in spans)]
    try:
        pages, whole = await source.within(box_around(route.lat_deg[here].tolist(), route.lon_deg[here].tolist()))
    except (SourceError, ConfigError) as exc:  # the latter where nobody is named to ask for
        return RouteWarnings(notes=(f"Weather warnings not known for Canada ({exc.problem}): {ASK}",))
    notes = [f"Weather warnings for Canada may have changed: {page.not_refreshed}" for page in pages if page.stale][:1]
    if not whole:
        notes.append(f"Weather warnings for Canada not all known (the service has more than it lists): {ASK}")
    notes += _unread([u for page in pages for u in page.value.unreadable], frozenset())
    alerts = [a for page in pages for a in page.value.alerts]
    placed = await asyncio.to_thread(place_warnings, route, alerts, {}, now_utc)
    return RouteWarnings(closures=placed.closures, notes=tuple(notes), known=not notes)
