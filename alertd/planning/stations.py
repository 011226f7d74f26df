"""Stations near a road: which to ask, and their reports, stored so that forecasts can be scored later."""

import asyncio
import logging
from collections import Counter
from collections.abc import Awaitable, Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from typing import TYPE_CHECKING, Any, Final, Generic, TypeAlias, TypeVar

import numpy as np

from alertd.errors import AlertdError, SourceDown, SourceError
from alertd.forecast.observations import Station, StationReport, distances_m
from alertd.plan.warnings.placement import query_samples
from alertd.planning.replays.response_recorder import record_response, recording
from alertd.records.observations import save_observations
from alertd.route.model import Route
from alertd.sources.http.answer import SourceResponse
from alertd.sources.providers.metar.reports import Metars
from alertd.sources.providers.nws.stations import NwsStations

if TYPE_CHECKING:
    from alertd.store.store import Store

log = logging.getLogger(__name__)
T = TypeVar("T")
Question: TypeAlias = tuple[str, Callable[[], Awaitable[tuple[T, ...]]]]  # under a name of its own

NEAR_M: Final = 30_000.0
NEAREST_N: Final = 2  # per place asked about: at most twenty stations a road
EVERY: Final = timedelta(minutes=20)
GATHER_TIMEOUT_S: Final = 90.0
# Failures in a row after which this turn asks a service no more: fewer than disable its host for forecasts too.
GIVE_UP_AFTER: Final = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class ObservationResult:
    """Reports near a road, one per station and time, and the problems as text."""

    reports: tuple[StationReport, ...] = ()
    problems: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class _CachedAnswer(Generic[T]):
    at: datetime
    value: T | SourceError
    responses: tuple[SourceResponse, ...]


@dataclass(slots=True)
class _ServiceRun:
    """One turn with one service: its problems, and its failures in a row."""

    problems: Counter[str]
    down_n: int = 0


class StationObserver:
    """Asks each question at most once in `EVERY` for all roads together, and returns the stored answer in between."""

    def __init__(self, stations: NwsStations | None, metars: Metars | None) -> None:
        self._stations, self._metars = stations, metars
        self._cached: dict[str, _CachedAnswer[Any]] = {}

    async def along(self, route: Route, now_utc: datetime) -> ObservationResult:
        """Reports of stations within NEAR_M of the road. Never fails for a source."""
        self._cached = {
            key: cached for key, cached in self._cached.items() if timedelta(0) <= now_utc - cached.at < EVERY
        }
        troubles: Counter[str] = Counter()
        reports = [
            *await self._of_stations(route, now_utc, _ServiceRun(troubles)),
            *await self._of_airports(route, now_utc, _ServiceRun(troubles)),
        ]
        near = _near(route, [r.station for r in reports])
        # The service with checked values comes first, so that its report is used where both have one.
        kept = {(r.station.id, r.observed_at): r for r, on in zip(reversed(reports), reversed(near), strict=True) if on}
        ordered = sorted(kept.values(), key=lambda r: (r.station.id, r.observed_at))
        problems = tuple(what if n == 1 else f"{what} ({n} times)" for what, n in troubles.items())
        return ObservationResult(reports=tuple(ordered), problems=problems)

    async def _of_stations(self, route: Route, now_utc: datetime, turn: _ServiceRun) -> list[StationReport]:
        if self._stations is None:
            return []
        places = [(float(route.lat_deg[i]), float(route.lon_deg[i])) for i in query_samples(route)]
        near = [(f"near {place}", partial(self._stations.near, *place)) for place in places]
        lists = await self._each(near, now_utc, turn)
        ids = sorted({s.id for place, listed in zip(places, lists, strict=True) for s in _nearest(place, listed)})
        at = [(f"at {id_}", partial(self._stations.observed, id_)) for id_ in ids]
        return [report for reports in await self._each(at, now_utc, turn) for report in reports]

    async def _of_airports(self, route: Route, now_utc: datetime, turn: _ServiceRun) -> list[StationReport]:
        if self._metars is None:
            return []
        box = box_around_route(route)
        (reports,) = await self._each([(f"in {box}", partial(self._metars.inside, *box))], now_utc, turn)
        return list(reports)

    async def _each(
        self, questions: Sequence[Question[T]], now_utc: datetime, turn: _ServiceRun
    ) -> list[tuple[T, ...]]:
        """The answers in order, empty where there is none. A service that is down is asked no further questions."""
        out: list[tuple[T, ...]] = []
        for key, ask in questions:
            answer: tuple[T, ...] = ()
            if turn.down_n < GIVE_UP_AFTER:
                try:
                    answer = await self._once(key, now_utc, ask)
                    turn.down_n = 0
                except SourceError as exc:
                    turn.problems[str(exc)] += 1
                    turn.down_n += isinstance(exc, SourceDown)
            out.append(answer)
        return out

    async def _once(self, key: str, now_utc: datetime, ask: Callable[[], Awaitable[T]]) -> T:
        """The answer of this turn or of one shortly before. Either way its responses are recorded."""
        cached: _CachedAnswer[T] | None = self._cached.get(key)
        if cached is None:
            value: T | SourceError
            with recording() as responses:
                try:
                    value = await ask()
                except SourceError as exc:
                    value = exc
            cached = self._cached[key] = _CachedAnswer(at=now_utc, value=value, responses=tuple(responses))
        for one in cached.responses:
            record_response(one)
        if isinstance(cached.value, SourceError):
            raise cached.value
        return cached.value


def _nearest(place: tuple[float, float], stations: Sequence[Station]) -> list[Station]:
    """The NEAREST_N stations of a list within reach of the place it was given for."""
    if not stations:
        return []
    lat_deg, lon_deg = (np.array([getattr(s, name) for s in stations]) for name in ("lat_deg", "lon_deg"))
    far_m = distances_m(np.array([place[0]]), np.array([place[1]]), lat_deg, lon_deg)[0]
    order = np.argsort(far_m, kind="stable")[:NEAREST_N]
    return [stations[i] for i in order if far_m[i] <= NEAR_M]


def _near(route: Route, stations: Sequence[Station]) -> list[bool]:
    if not stations:
        return []
    lat_deg, lon_deg = (np.array([getattr(s, name) for s in stations]) for name in ("lat_deg", "lon_deg"))
    nearest_m = distances_m(lat_deg, lon_deg, route.lat_deg, route.lon_deg).min(axis=1)
    return [bool(near) for near in nearest_m <= NEAR_M]


def box_around_route(route: Route) -> tuple[float, float, float, float]:
    """South, west, north and east edges of the area within NEAR_M of the road."""
    south, north = float(route.lat_deg.min()), float(route.lat_deg.max())
    margin = NEAR_M / 111_000.0
    wide = margin / float(np.cos(np.radians(max(abs(south), abs(north)))))
    west, east = float(route.lon_deg.min()) - wide, float(route.lon_deg.max()) + wide
    return south - margin, west, north + margin, east


async def gather_observations(
    observer: StationObserver,
    route_of: Callable[[str, str], Awaitable[Route]],
    names: Iterable[str],
    store: "Store",
    now_utc: datetime,
) -> int:
    """Store the reports of stations near the routes; returns how many are new. Never fails.

    A problem is a line in the log, an internal error with its traceback: no plan or brief depends on it.
    """
    new = 0
    try:
        async with asyncio.timeout(GATHER_TIMEOUT_S):
            for name in dict.fromkeys(names):
                observed = await observer.along(await route_of(name, "observations"), now_utc)
                if observed.problems:
                    log.warning("observations near %s: %s", name, "; ".join(observed.problems))
                new += await asyncio.to_thread(save_observations, store, observed.reports)
    except (AlertdError, TimeoutError) as exc:
        log.warning("observations: %s", str(exc) or f"not all of them within {GATHER_TIMEOUT_S:g} s")
    except Exception:
        log.exception("observations: a fault of alertd")
    return new
