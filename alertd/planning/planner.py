"""Plans many trips at once: one road field for each route, shared by every truck on it."""

import asyncio
import logging
from collections import defaultdict
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path, PurePath
from typing import TypeAlias

import numpy as np

from alertd.clock import Clock
from alertd.errors import AlertdError
from alertd.forecast.provider import ElevationProvider
from alertd.plan.chain_up.chains_on import TruckReport
from alertd.plan.controls.closures import Closure, PostedClosure, place_closures
from alertd.plan.controls.placement import (
    NOTHING_POSTED,
    PostedConditions,
    PostedOnRoute,
    place_posted,
    posted_closures,
)
from alertd.plan.describe.alternatives import with_alternatives
from alertd.plan.model import Plan
from alertd.plan.position.map_match import PositionReport, TripPosition, locate
from alertd.planning import replay_record
from alertd.planning.latest_plans import LatestPlans
from alertd.planning.plan_inputs import PlanInputs, trip_input, window_of
from alertd.planning.providers import check_contact, check_feed_contact, open_weather_sources, provider_hosts
from alertd.planning.replay_record import (
    ComparisonRecord,
    PlannedTrip,
    ReplayRecord,
    ReplayWriter,
    record_response,
    recording,
)
from alertd.planning.signed_links import SignedLinks
from alertd.planning.weather import FetchedWeather, WeatherSources, weather_along
from alertd.records.posted_controls import RoadFeeds
from alertd.route.model import Route
from alertd.settings.file_snapshot import of_route
from alertd.settings.model import Settings
from alertd.settings.reference_data import ReferenceData, load_reference_data, load_route
from alertd.sources.files.trips import TripRequest
from alertd.sources.http.answer import SourceResponse
from alertd.sources.http.client import HttpClient
from alertd.sources.road_feeds.config import read_feeds

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class NotPlanned:
    """A trip that could not be planned, and why in one line. Never silently left out."""

    trip: TripRequest
    reason: str


def not_planned_for(trip: TripRequest, exc: Exception) -> NotPlanned:
    """The trip with what stopped it. A fault of ours goes whole into the log, and costs this trip only."""
    if isinstance(exc, AlertdError):
        return NotPlanned(trip=trip, reason=str(exc))
    log.error("trip %s: a fault of alertd", trip.id, exc_info=exc, extra={"trip": trip.id})
    return NotPlanned(trip=trip, reason=f"a fault of alertd ({type(exc).__name__}); its log says more")


Reports: TypeAlias = Mapping[str, Sequence[PositionReport | TruckReport]]  # by trip id
_NO_REPORTS: Reports = {}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RouteContext:
    """A route with the weather for trips that leave between two moments, and what the sources said for it.

    where: each trip's truck, by its id, as `reports` say. posted: closures as the operator posted them; placed: on the
    route. controls: what road authorities have posted; on_route: of that, what concerns this route.
    """

    route: Route
    now_utc: datetime
    departs: tuple[datetime, datetime]
    where: Mapping[str, TripPosition]
    reports: Reports
    fetched: FetchedWeather
    responses: tuple[SourceResponse, ...]
    posted: tuple[PostedClosure, ...]
    placed: tuple[Closure, ...]
    controls: PostedConditions
    on_route: PostedOnRoute


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _RouteSource:
    """The file a route was built from, and what a source of heights said for it."""

    file: Mapping[str, bytes]
    responses: tuple[SourceResponse, ...]


def _to_compare(trip: TripRequest, now_utc: datetime) -> tuple[str, ...]:
    return trip.other_routes if now_utc < trip.depart_at else ()


class Planner:
    """Holds what is read once, and plans. Built by `planner`. keep: is given what each plan was made from."""

    def __init__(
        self,
        settings: Settings,
        reference: ReferenceData,
        weather_sources: WeatherSources,
        elevations: Sequence[ElevationProvider],
        writer: ReplayWriter | None = None,
    ) -> None:
        self.settings, self.reference, self.weather_sources = settings, reference, weather_sources
        self._elevations, self._keep = elevations, writer
        self.feeds: RoadFeeds | None = None
        self.latest = LatestPlans()
        self.links = SignedLinks(settings.links_key, settings.public_url)
        self._routes: dict[str, tuple[float, Route]] = {}
        self._origins: dict[Route, _RouteSource] = {}

    async def plan(
        self,
        trips: Sequence[TripRequest],
        now_utc: datetime,
        reports: Reports = _NO_REPORTS,
        posted: Sequence[PostedClosure] = (),
        controls: PostedConditions = NOTHING_POSTED,
    ) -> list[Plan | NotPlanned]:
        """One outcome a trip, in the order given. `reports`: of trucks, places, chains, arrival; `posted`: closures.

        `controls`: what road authorities have posted. Other ways of a trip are compared until it leaves.
        """
        self.reference = await asyncio.to_thread(self.reference.reload_gathered, self.settings.places)
        by_route: dict[str, list[TripRequest]] = defaultdict(list)
        for trip in trips:
            for name in (trip.route, *_to_compare(trip, now_utc)):
                by_route[name].append(trip)
        outcomes: dict[str, dict[str, Plan | NotPlanned]] = {}
        for name, sharing in by_route.items():
            try:
                outcomes[name] = await self._plan_named_route(name, sharing, now_utc, reports, posted, controls)
            except Exception as exc:
                outcomes[name] = {trip.id: not_planned_for(trip, exc) for trip in sharing}
        return [
            await self.with_alternatives(
                outcomes[trip.route][trip.id],
                [(PurePath(name).stem, outcomes[name][trip.id]) for name in _to_compare(trip, now_utc)],
            )
            for trip in trips
        ]

    async def with_alternatives(
        self, outcome: Plan | NotPlanned, others: Sequence[tuple[str, Plan | NotPlanned]]
    ) -> Plan | NotPlanned:
        """The outcome with what the same trip came to on other ways, by name."""
        if isinstance(outcome, NotPlanned) or not others:
            return outcome
        ways = [(name, other) for name, other in others if isinstance(other, Plan)]
        missed = [(name, other.reason) for name, other in others if isinstance(other, NotPlanned)]
        plan = with_alternatives(outcome, ways, missed, self.settings.plan)
        if self._keep is not None:
            made_of = ComparisonRecord(
                planned=outcome.id, others=tuple((name, w.id) for name, w in ways), missed=tuple(missed)
            )
            await asyncio.to_thread(self._keep.write_comparison, plan, made_of)
        return plan

    async def route(self, name: str, where: str) -> Route:
        """The route of a GPX file, read again only when the file has changed."""
        path = self.reference.gpx(name, where)
        changed = path.stat().st_mtime
        known = self._routes.get(name)
        if known is None or known[0] != changed:
            self._routes[name] = (changed, await self.route_of(path))
            if known is not None:
                self._origins.pop(known[1], None)
        return self._routes[name][1]

    async def _plan_named_route(
        self,
        name: str,
        trips: Sequence[TripRequest],
        now_utc: datetime,
        reports: Reports,
        posted: Sequence[PostedClosure],
        controls: PostedConditions,
    ) -> dict[str, Plan | NotPlanned]:
        route = await self.route(name, f"trip {trips[0].id}")
        return await self.plan_on_route(route, trips, now_utc, reports, posted, controls)

    async def plan_on_route(
        self,
        route: Route,
        trips: Sequence[TripRequest],
        now_utc: datetime,
        reports: Reports = _NO_REPORTS,
        posted: Sequence[PostedClosure] = (),
        controls: PostedConditions = NOTHING_POSTED,
    ) -> dict[str, Plan | NotPlanned]:
        """Plan trips that share one route, whatever route they name."""
        return await self.plan_trips(await self.build_context(route, trips, now_utc, reports, posted, controls), trips)

    async def build_context(
        self,
        route: Route,
        trips: Sequence[TripRequest],
        now_utc: datetime,
        reports: Reports = _NO_REPORTS,
        posted: Sequence[PostedClosure] = (),
        controls: PostedConditions = NOTHING_POSTED,
    ) -> RouteContext:
        """Ask the sources for what trips on this route need."""

        def find(trip: TripRequest) -> TripPosition:
            told = reports.get(trip.id, ())
            return locate(route, told, trip.depart_at.astimezone(UTC), now_utc, self.settings.plan)

        where = {trip.id: await asyncio.to_thread(find, trip) for trip in trips}
        leaving = [w.depart_at if w.fix is None else w.fix.at for w in where.values()]
        leaving += [max(w.fix.at, now_utc) for w in where.values() if w.fix is not None and w.fix.old]
        departs = (min(leaving), max(leaving))
        with recording() as responses:
            window = window_of(route, departs, now_utc, self.settings.plan)
            fetched = await weather_along(route, window, self.weather_sources, self.reference.zones)
        placed = await asyncio.to_thread(place_closures, route, posted)
        on_route = await asyncio.to_thread(
            place_posted, route, controls, self.reference.rulesets, now_utc, self.settings.plan
        )
        return RouteContext(
            route=route,
            now_utc=now_utc,
            departs=departs,
            where=where,
            reports=reports,
            fetched=fetched,
            responses=tuple(responses),
            posted=tuple(posted),
            placed=(*placed, *posted_closures(on_route)),
            controls=controls,
            on_route=on_route,
        )

    async def plan_trips(self, context: RouteContext, trips: Sequence[TripRequest]) -> dict[str, Plan | NotPlanned]:
        """Plan the trips that were looked out for."""

        def one(trip: TripRequest) -> Plan | NotPlanned:
            try:
                return self.plan_inputs(trip, context).plan()
            except Exception as exc:
                return not_planned_for(trip, exc)

        # Trucks of one rig share what the road asks of it, which is kept for a few rigs at a time.
        by_rig = sorted(trips, key=lambda trip: trip.rig)
        outcomes = {trip.id: await asyncio.to_thread(one, trip) for trip in by_rig}
        await asyncio.to_thread(self.latest.save_road, context.route, context.fetched.weather.corridor, context.now_utc)
        origin = self._origins.get(context.route)
        if self._keep is not None and origin is not None:
            made = [
                PlannedTrip(trip=trip, reports=tuple(context.reports.get(trip.id, ())), plan=plan)
                for trip in trips
                if isinstance(plan := outcomes[trip.id], Plan)
            ]
            made_from = ReplayRecord(
                now_utc=context.now_utc,
                departs=context.departs,
                settings=replay_record.replay_settings(self.settings),
                files={**self.reference.files, **origin.file},
                route=next(iter(origin.file)),
                responses=(*origin.responses, *context.responses),
                closures=context.posted,
                posted=context.controls,
            )
            await asyncio.to_thread(self._keep.write_plans, made, made_from)
        return outcomes

    def plan_inputs(self, trip: TripRequest, context: RouteContext) -> PlanInputs:
        """What the plan of a trip is made from. Raises InputError for a rig that is not known."""
        return PlanInputs(
            trip=trip_input(trip, context.where[trip.id], context.placed, context.fetched.warnings, context.on_route),
            route=context.route,
            rig=self.reference.rig(trip.rig, f"trip {trip.id}"),
            rulesets=self.reference.rulesets,
            fetched=context.fetched,
            road=self.weather_sources.road,
            params=self.settings.plan,
            now_utc=context.now_utc,
        )

    async def route_of(self, path: Path) -> Route:
        """The route of any GPX file, with heights from a source where it has none."""
        with recording() as responses:
            route = await load_route(path, self.reference, self._elevations)
        if self._keep is not None:
            self._origins[route] = _RouteSource(file=of_route(path), responses=tuple(responses))
        return route


@asynccontextmanager
async def create_planner(
    settings: Settings,
    clock: Clock,
    writer: ReplayWriter | None = None,
    on_response: Callable[[SourceResponse], None] = record_response,
) -> AsyncIterator[Planner]:
    """A planner with its sources open. Raises ConfigError for what the settings have wrong.

    on_response: is told of each answer of a source; it must call `hear`.
    """
    check_contact(settings)
    reference = load_reference_data(settings.places)
    async with AsyncExitStack() as stack:
        client = await stack.enter_async_context(
            HttpClient(
                contact=settings.contact,
                cache_dir=settings.cache,
                now_utc=clock,
                rng=np.random.default_rng(),
                on_error=lambda text: log.warning("%s", text),
                on_response=on_response,
                host_limits=provider_hosts(),
            )
        )
        weather_sources, elevations = open_weather_sources(
            settings.forecast, settings.noncommercial, str(settings.where), client
        )
        planning = Planner(settings, reference, weather_sources, elevations, writer)
        feeds = read_feeds(settings.feeds, reference.rulesets) if settings.feeds else ()
        check_feed_contact(settings, feeds)
        planning.feeds = RoadFeeds(client=client, feeds=feeds)
        yield planning
