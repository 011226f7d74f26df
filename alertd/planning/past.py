"""The past hours of a road for sources without them: reports of stations near it, and forecasts kept from before."""

import asyncio
import re
from collections import Counter
from collections.abc import Awaitable, Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from functools import partial
from typing import Final, Protocol, TypeAlias, TypeVar

import numpy as np
from numpy.typing import NDArray

from alertd.errors import ConfigError, SourceDown, SourceError
from alertd.forecast.model import Forecast
from alertd.forecast.observations import Station, StationReport
from alertd.forecast.past import PastEvidence, missing_hours
from alertd.forecast.provider import ForecastRequest
from alertd.plan.warnings.placement import query_samples
from alertd.planning.replays.response_recorder import recording
from alertd.planning.stations import GIVE_UP_AFTER, box_around_route
from alertd.road.past_stations import CellPlaces, station_weights
from alertd.road.past_weather import cell_places
from alertd.route.model import Route
from alertd.sources.kept_forecasts import KeptForecasts
from alertd.sources.providers.metar.reports import HISTORY_STATIONS_N, Metars
from alertd.sources.providers.nws.stations import NwsStations
from alertd.units import HOUR_S

T = TypeVar("T")
Reports: TypeAlias = Sequence[StationReport]

ASK_AGAIN_AFTER: Final = timedelta(minutes=20)  # routine reports are hourly; specials come between
HISTORY: Final = timedelta(hours=50)  # the 48 hours of the road, and reports around the first of them
OVERLAP: Final = timedelta(hours=2)  # asked again with each question, because reports come late
# [A] A source that lacks no more than this is not worth a question: an answer fetched shortly before the hour.
MISSING_H: Final = 3
STATIONS_PER_CELL: Final = 2
MOST_STATIONS: Final = 24  # [A] a route; 600 km of road have some 20 airports within reach
# As for the reports that are kept for scores. Later runs go on where this one stopped.
TIMEOUT_S: Final = 90.0
# [A] Names of airports report weather and clouds; other networks of the service report temperature and wind alone.
_AIRPORT: Final = re.compile(r"[A-Z]{4}")


class PastSource(Protocol):
    """Finds the evidence of past hours. Never fails for a service."""

    async def evidence(self, route: Route, request: ForecastRequest, forecasts: Sequence[Forecast]) -> PastEvidence: ...


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RecordedPast:
    """The evidence that a plan was made with."""

    recorded: PastEvidence

    async def evidence(self, route: Route, request: ForecastRequest, forecasts: Sequence[Forecast]) -> PastEvidence:
        return self.recorded


@dataclass(slots=True)
class _StationLog:
    """The reports of one station, by time, and when they were asked for."""

    asked_at: datetime
    known_from: datetime
    reports: dict[datetime, StationReport] = field(default_factory=dict)


@dataclass(slots=True)
class _ServiceTurn:
    """One turn with one service: its problems, and its failures in a row."""

    problems: Counter[str] = field(default_factory=Counter)
    down_n: int = 0

    async def ask(self, question: Callable[[], Awaitable[T]]) -> T | None:
        """None without an answer; a service that is down is asked no further questions."""
        if self.down_n >= GIVE_UP_AFTER:
            return None
        try:
            answer = await question()
        except (SourceError, ConfigError) as exc:
            self.problems[exc.problem] += 1
            self.down_n += isinstance(exc, SourceDown | ConfigError)
            return None
        self.down_n = 0
        return answer


class PastObserver:
    """Asks each station for what is missing, at most once in ASK_AGAIN_AFTER for all roads together.

    The answers are not part of a plan's recorded responses: the evidence itself is recorded.
    """

    def __init__(self, stations: NwsStations | None, metars: Metars | None, kept: KeptForecasts) -> None:
        self._stations, self._metars, self._kept = stations, metars, kept
        self._logs: dict[str, _StationLog] = {}

    async def evidence(self, route: Route, request: ForecastRequest, forecasts: Sequence[Forecast]) -> PastEvidence:
        """Reports and kept forecasts for past hours that none of the sources has; none where one has them all."""
        lacking = [f for f in forecasts if int(missing_hours(f, request.now_utc).sum(axis=1).max()) > MISSING_H]
        if not lacking:
            return PastEvidence()
        kept = await asyncio.to_thread(self._kept.update, lacking, request.now_utc)
        start = lacking[0].start
        hours = int((request.now_utc - start) / timedelta(hours=1)) + 1
        on_hours = tuple(one.between(start, hours) for one in kept)
        if not _lacked_by_all(forecasts, request.now_utc).any():
            return PastEvidence(kept=on_hours)
        places = cell_places(lacking[0], request)
        turns = {"nws": _ServiceTurn(), "metar": _ServiceTurn()}
        chosen: list[str] = []
        problems = []
        try:
            async with asyncio.timeout(TIMEOUT_S):
                with recording():
                    await self._ask_weather_service(route, places, request.now_utc, turns["nws"], chosen)
                    await self._ask_airports(route, places, request.now_utc, turns["metar"], chosen)
        except TimeoutError:
            problems.append(f"not all stations asked within {TIMEOUT_S:g} s")
        problems += [
            f"{service}: {what}" + (f" ({n} times)" if n > 1 else "")
            for service, turn in turns.items()
            for what, n in turn.problems.items()
        ]
        reports = tuple(self._known(chosen, request.now_utc))
        self._forget(request.now_utc)
        return PastEvidence(reports=reports, kept=on_hours, problems=tuple(problems))

    async def _ask_weather_service(
        self, route: Route, places: CellPlaces, now_utc: datetime, turn: _ServiceTurn, chosen: list[str]
    ) -> None:
        """Ask for what is missing of the stations near the route; adds their names to `chosen`."""
        service = self._stations
        if service is None:
            return
        listed: dict[str, Station] = {}
        for i in query_samples(route):
            near = await turn.ask(partial(service.near, float(route.lat_deg[i]), float(route.lon_deg[i])))
            listed |= {s.id: s for s in near or ()}
        stations = _chosen(listed.values(), places)
        chosen += [s.id for s in stations]

        async def ask(station: Station) -> None:
            first = self._first_missing(station.id, now_utc)
            if first is None:
                return
            last = _hour(now_utc) + timedelta(hours=1)
            new = await turn.ask(partial(service.history, station.id, _hour(first), last))
            if new is not None:
                self._add(station.id, first, now_utc, new)

        await asyncio.gather(*(ask(s) for s in stations))

    async def _ask_airports(
        self, route: Route, places: CellPlaces, now_utc: datetime, turn: _ServiceTurn, chosen: list[str]
    ) -> None:
        """The same of airports, where no station of the weather service is within reach."""
        service = self._metars
        bare = ~_reached(places, [r.station for r in self._known(chosen, now_utc)])
        if service is None or not bare.any():
            return
        newest = await turn.ask(partial(service.inside, *box_around_route(route)))
        left = CellPlaces(*(values[bare] for values in places))
        airports = [s.id for s in _chosen([r.station for r in newest or ()], left)]
        chosen += airports
        missing = {id_: first for id_ in airports if (first := self._first_missing(id_, now_utc)) is not None}
        ids = sorted(missing, key=lambda id_: (missing[id_], id_))
        for batch in (ids[i : i + HISTORY_STATIONS_N] for i in range(0, len(ids), HISTORY_STATIONS_N)):
            first = min(missing[id_] for id_ in batch)
            hours = int(np.ceil((now_utc - first) / timedelta(hours=1)))
            new = await turn.ask(partial(service.history, batch, hours))
            for id_ in batch if new is not None else ():
                self._add(id_, first, now_utc, [r for r in new or () if r.station.id == id_])

    def _first_missing(self, id_: str, now_utc: datetime) -> datetime | None:
        """From when on a station has to be asked; None where it was asked shortly before."""
        whole = now_utc - HISTORY
        log = self._logs.get(id_)
        if log is None or log.known_from > whole + OVERLAP or log.asked_at > now_utc:
            return whole
        if now_utc - log.asked_at < ASK_AGAIN_AFTER:
            return None
        newest = max(log.reports, default=whole)
        return max(min(newest, log.asked_at) - OVERLAP, whole)

    def _add(self, id_: str, first: datetime, now_utc: datetime, reports: Reports) -> None:
        log = self._logs.get(id_)
        if log is None or log.asked_at > now_utc or first <= log.known_from:
            log = self._logs[id_] = _StationLog(asked_at=now_utc, known_from=first)
        log.asked_at = now_utc
        log.reports |= {r.observed_at: replace(r, raw="") for r in reports if r.observed_at <= now_utc + OVERLAP}
        oldest = now_utc - HISTORY - OVERLAP
        log.reports = {at: r for at, r in log.reports.items() if at >= oldest}
        log.known_from = max(log.known_from, oldest)

    def _forget(self, now_utc: datetime) -> None:
        """Drop the logs of stations that no road has used for long."""
        self._logs = {id_: log for id_, log in self._logs.items() if now_utc - log.asked_at < HISTORY}

    def _known(self, ids: Iterable[str], now_utc: datetime) -> list[StationReport]:
        return [
            report
            for id_ in dict.fromkeys(ids)
            if id_ in self._logs
            for at, report in sorted(self._logs[id_].reports.items())
            if at <= now_utc
        ]


def _hour(at: datetime) -> datetime:
    return at.astimezone(UTC).replace(minute=0, second=0, microsecond=0)


def _lacked_by_all(forecasts: Sequence[Forecast], now_utc: datetime) -> NDArray[np.bool_]:
    """(cell, hour): past hours that no source has, on the hours of the first of them."""
    first = forecasts[0]
    lacked = missing_hours(first, now_utc) | ~np.isfinite(first.air_temp_c).any(axis=0)
    for other in forecasts[1:]:
        if other.start == first.start and other.hours == first.hours:
            lacked &= missing_hours(other, now_utc) | ~np.isfinite(other.air_temp_c).any(axis=0)
    begun = first.start.timestamp() + HOUR_S * np.arange(first.hours) <= now_utc.timestamp()
    return np.asarray(lacked & begun)


def _weights(places: CellPlaces, stations: Sequence[Station]) -> NDArray[np.float64]:
    lat, lon, height = (np.asarray([getattr(s, n) for s in stations]) for n in ("lat_deg", "lon_deg", "elevation_m"))
    return station_weights(places, lat, lon, height)


def _reached(places: CellPlaces, stations: Sequence[Station]) -> NDArray[np.bool_]:
    """(cell,): whether any of the stations is within reach."""
    if not stations:
        return np.zeros(places.lat_deg.size, dtype=np.bool_)
    return np.asarray((_weights(places, stations) > 0.0).any(axis=1))


def _chosen(stations: Iterable[Station], places: CellPlaces) -> list[Station]:
    """The airports with the most weight at each cell, at most MOST_STATIONS."""
    airports = list({s.id: s for s in stations if _AIRPORT.fullmatch(s.id)}.values())
    if not airports or not places.lat_deg.size:
        return []
    weight = _weights(places, airports)
    ranks = np.argsort(np.argsort(-weight, axis=1, kind="stable"), axis=1)
    used = np.flatnonzero(((ranks < STATIONS_PER_CELL) & (weight > 0.0)).any(axis=0))
    most = used[np.argsort(-weight[:, used].max(axis=0), kind="stable")][:MOST_STATIONS]
    return [airports[i] for i in sorted(most)]
