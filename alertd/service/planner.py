"""Plans many trips at once: one road field for each route, shared by every truck on it."""

import asyncio
import logging
from collections import defaultdict
from collections.abc import AsyncIterator, Mapping, Sequence
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path, PurePath
from typing import TypeAlias
from urllib.parse import urlsplit

import numpy as np

from alertd.errors import AlertdError, ConfigError
from alertd.forecast.provider import ElevationProvider, ForecastProvider
from alertd.plan.hours import HoursUsed
from alertd.plan.make import TripInput, make_plan
from alertd.plan.result import Plan
from alertd.plan.ways import with_other_ways
from alertd.plan.whereabouts import PositionReport, Whereabouts, locate
from alertd.route.line import Route
from alertd.service.clock import Clock
from alertd.service.ground import Ground, load_route, read_ground
from alertd.service.settings import Settings
from alertd.service.weather import Sky, Window, weather_along
from alertd.sources.http import PoliteClient
from alertd.sources.nws import Nws
from alertd.sources.open_meteo import OpenMeteo
from alertd.sources.tripfile import TripRequest

log = logging.getLogger(__name__)

# How long a trip may last at most, for the forecast window: a chained truck at 27 mph, and four hours of standing.
SLOWEST_MPS = 12.0
STANDING = timedelta(hours=4)


@dataclass(frozen=True, slots=True, kw_only=True)
class NotPlanned:
    """A trip that could not be planned, and why in one line. Never silently left out."""

    trip: TripRequest
    reason: str


def not_planned_for(trip: TripRequest, exc: Exception) -> NotPlanned:
    """The trip with what stopped it. A fault of ours goes whole into the log, and costs this trip only."""
    if isinstance(exc, AlertdError):
        return NotPlanned(trip=trip, reason=str(exc))
    log.error("trip %s: a fault of alertd", trip.id, exc_info=exc)
    return NotPlanned(trip=trip, reason=f"a fault of alertd ({type(exc).__name__}); its log says more")


Reports: TypeAlias = Mapping[str, Sequence[PositionReport]]  # by trip id
_NO_REPORTS: Reports = {}


def trip_input(trip: TripRequest, seen: Whereabouts) -> TripInput:
    return TripInput(
        id=trip.id,
        depart_at=seen.depart_at,
        fix=seen.fix,
        position_notes=seen.notes,
        driver=trip.driver,
        dispatcher=trip.dispatcher,
        used=HoursUsed(
            drive_h=trip.drive_hours_used,
            on_duty_since=trip.duty_began_at,
            cycle_h=trip.cycle_hours_used,
            cycle_limit_h=float(trip.cycle_limit_h),
            since_break_h=trip.driven_since_break_h,
        ),
    )


def _to_compare(trip: TripRequest, now_utc: datetime) -> tuple[str, ...]:
    return trip.other_routes if now_utc < trip.depart_at else ()


class Planner:
    """Holds what is read once, and plans. Built by `planner`."""

    def __init__(self, settings: Settings, ground: Ground, sky: Sky, elevations: Sequence[ElevationProvider]) -> None:
        self.settings, self.ground, self.sky = settings, ground, sky
        self._elevations = elevations
        self._routes: dict[str, tuple[float, Route]] = {}

    async def plan(
        self, trips: Sequence[TripRequest], now_utc: datetime, reports: Reports = _NO_REPORTS
    ) -> list[Plan | NotPlanned]:
        """One outcome a trip, in the order given. `reports`: where the trucks under way were seen.

        Other ways of a trip are compared until it leaves.
        """
        by_route: dict[str, list[TripRequest]] = defaultdict(list)
        for trip in trips:
            for name in (trip.route, *_to_compare(trip, now_utc)):
                by_route[name].append(trip)
        outcomes: dict[str, dict[str, Plan | NotPlanned]] = {}
        for name, sharing in by_route.items():
            try:
                outcomes[name] = await self._on_route(name, sharing, now_utc, reports)
            except Exception as exc:
                outcomes[name] = {trip.id: not_planned_for(trip, exc) for trip in sharing}
        return [
            self.compared(
                outcomes[trip.route][trip.id],
                [(PurePath(name).stem, outcomes[name][trip.id]) for name in _to_compare(trip, now_utc)],
            )
            for trip in trips
        ]

    def compared(
        self, outcome: Plan | NotPlanned, others: Sequence[tuple[str, Plan | NotPlanned]]
    ) -> Plan | NotPlanned:
        """The outcome with what the same trip came to on other ways, by name."""
        if isinstance(outcome, NotPlanned) or not others:
            return outcome
        ways = [(name, other) for name, other in others if isinstance(other, Plan)]
        missed = [(name, other.reason) for name, other in others if isinstance(other, NotPlanned)]
        return with_other_ways(outcome, ways, missed, self.settings.plan)

    async def route(self, name: str, where: str) -> Route:
        """The route of a GPX file, read again only when the file has changed."""
        path = self.ground.gpx(name, where)
        changed = path.stat().st_mtime
        known = self._routes.get(name)
        if known is None or known[0] != changed:
            self._routes[name] = (changed, await self.route_of(path))
        return self._routes[name][1]

    async def _on_route(
        self, name: str, trips: Sequence[TripRequest], now_utc: datetime, reports: Reports
    ) -> dict[str, Plan | NotPlanned]:
        route = await self.route(name, f"trip {trips[0].id}")
        return await self.plan_on(route, trips, now_utc, reports)

    async def plan_on(
        self, route: Route, trips: Sequence[TripRequest], now_utc: datetime, reports: Reports = _NO_REPORTS
    ) -> dict[str, Plan | NotPlanned]:
        """Plan trips that share one route, whatever route they name."""

        def find(trip: TripRequest) -> Whereabouts:
            depart = trip.depart_at.astimezone(UTC)
            return locate(route, reports.get(trip.id, ()), depart, now_utc, self.settings.plan)

        seen = {trip.id: await asyncio.to_thread(find, trip) for trip in trips}
        longest = timedelta(seconds=route.length_m / SLOWEST_MPS) + STANDING
        leaving = [w.depart_at if w.fix is None else w.fix.at for w in seen.values()]
        window = Window(start=min(leaving), end=max(leaving) + longest, now=now_utc)
        weather = await weather_along(route, window, self.sky)

        def one(trip: TripRequest) -> Plan | NotPlanned:
            try:
                asked = trip_input(trip, seen[trip.id])
                rig = self.ground.rig(trip.rig, f"trip {trip.id}")
                return make_plan(asked, route, rig, self.ground.rulesets, weather, self.settings.plan, now_utc)
            except Exception as exc:
                return not_planned_for(trip, exc)

        return {trip.id: await asyncio.to_thread(one, trip) for trip in trips}

    async def route_of(self, path: Path) -> Route:
        """The route of any GPX file, with heights from a source where it has none."""
        return await load_route(path, self.ground, self._elevations)


@asynccontextmanager
async def planner(settings: Settings, clock: Clock) -> AsyncIterator[Planner]:
    """A planner with its sources open. Raises ConfigError for what the settings have wrong."""
    _check_contact(settings)
    ground = read_ground(settings.places)
    async with AsyncExitStack() as stack:
        client = await stack.enter_async_context(
            PoliteClient(
                contact=settings.contact,
                cache_dir=settings.cache,
                now_utc=clock,
                rng=np.random.default_rng(),
                on_trouble=lambda text: log.warning("%s", text),
            )
        )
        providers: list[ForecastProvider] = []
        elevations: list[ElevationProvider] = []
        for name in settings.forecast.sources:
            if name == "nws":
                providers.append(Nws(client, settings.forecast.nws_url))
            elif name == "open-meteo":
                source = OpenMeteo(
                    client,
                    settings.forecast.open_meteo_url,
                    api_key=settings.forecast.open_meteo_key,
                    noncommercial=settings.noncommercial,
                )
                providers.append(source)
                elevations.append(source)
            else:
                raise ConfigError(str(settings.where), "forecast.sources", f'"{name}" is no source', "use nws")
        sky = Sky(
            providers=providers,
            members=settings.forecast.members,
            seed=settings.forecast.seed,
            stale_h=settings.forecast.stale_h,
            road=settings.forecast.road,
        )
        yield Planner(settings, ground, sky, elevations)


def _check_contact(settings: Settings) -> None:
    """Weather services must be told who asks; a stand-in on this machine need not be."""
    urls = {"nws": settings.forecast.nws_url, "open-meteo": settings.forecast.open_meteo_url}
    asked = [urls[name] for name in settings.forecast.sources]
    if not settings.contact and any(urlsplit(url).hostname != "127.0.0.1" for url in asked):
        raise ConfigError(
            str(settings.where),
            "operator.contact",
            "is empty, and weather services want to know who asks",
            "write an e-mail address or web page where you can be reached",
        )
