"""Plans many trips: one road field per route, shared by every truck on it."""

import asyncio
import logging
from collections.abc import AsyncGenerator, AsyncIterator, Awaitable, Callable, Collection, Mapping, Sequence
from contextlib import AsyncExitStack, aclosing, asynccontextmanager, nullcontext
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path, PurePath
from typing import TypeAlias

import numpy as np

from alertd.clock import Clock
from alertd.forecast.provider import ElevationProvider
from alertd.plan.describe.alternatives import with_alternatives
from alertd.plan.model.plan import Plan
from alertd.plan.position.map_match import TripPosition, locate
from alertd.planning.corridors.field_shelf import open_shelf
from alertd.planning.corridors.job import (
    Answer,
    Given,
    NotPlanned,
    Outcome,
    PlannedTrips,
    Reports,
    RouteJob,
    not_planned_for,
    undecided,
)
from alertd.planning.corridors.plan_road import Ground
from alertd.planning.corridors.runner import ROADS_AT_ONCE, RoadRunner
from alertd.planning.cycles.held_plan import HeldPlan
from alertd.planning.cycles.kept_plans import KeptPlans, RoadInputs
from alertd.planning.cycles.merged import merged
from alertd.planning.cycles.plan_here import GROUPS_WAITING, GroupWithInputs, plan_here
from alertd.planning.cycles.road_parts import AskedRoads, Road, WayOutcomes, parts_of_roads, ranks_of, routes_to_compare
from alertd.planning.cycles.turns import PLAIN, PlanningMode, Turns
from alertd.planning.decisions.decided import Deciding
from alertd.planning.latest_plans import LatestPlans
from alertd.planning.plan_inputs import window_of
from alertd.planning.providers import check_contact, check_feed_contact, open_weather_sources, provider_hosts
from alertd.planning.replays.filed_group import file_group, record_of
from alertd.planning.replays.replay_archive import ReplayWriter, RoadWriter
from alertd.planning.replays.replay_record import ComparisonRecord
from alertd.planning.replays.response_recorder import record_response, recording
from alertd.planning.road_cache import RoadFieldCache
from alertd.planning.road_reports import NO_ROAD_REPORTS, RoadReports
from alertd.planning.road_stations import RoadStationObserver
from alertd.planning.signed_links import SignedLinks
from alertd.planning.weather import WeatherSources, ask_sources
from alertd.records.posted_controls import RoadFeeds
from alertd.route.model import Route
from alertd.settings.file_snapshot import of_rigs, of_route
from alertd.settings.model import Settings
from alertd.settings.reference_data import ReferenceData, load_reference_data, load_route
from alertd.sources.files.trips import TripRequest
from alertd.sources.http.answer import SourceResponse
from alertd.sources.http.client import HttpClient
from alertd.sources.http.options import Connection, HttpOptions
from alertd.sources.kept_forecasts import KEPT_FOLDER
from alertd.sources.road_feeds.config import read_feeds
from alertd.sources.road_stations.fetch import read_services

log = logging.getLogger(__name__)


_NO_REPORTS: Reports = {}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _RouteSource:
    """The file a route was built from, and the answers of the elevation source for it."""

    file: Mapping[str, bytes]
    responses: tuple[SourceResponse, ...]


_Part: TypeAlias = tuple[str, list[tuple[TripRequest, Given]]]  # of one road, and its name


class Planner:
    """Holds the reference data, the sources and the routes, and plans. `create_planner` makes one.

    writer: files the inputs of each plan, so that it can be replayed.
    """

    def __init__(
        self,
        settings: Settings,
        reference: ReferenceData,
        weather_sources: WeatherSources,
        elevations: Sequence[ElevationProvider],
        writer: ReplayWriter | None = None,
    ) -> None:
        self.settings, self.reference, self.weather_sources = settings, reference, weather_sources
        self._elevations, self._writer = elevations, writer
        self.feeds: RoadFeeds | None = None
        self.runner: RoadRunner | None = None  # plans roads in other processes; None plans them in this one
        self.latest = LatestPlans()
        self.links = SignedLinks(settings.links_key, settings.public_url)
        self.kept = KeptPlans(
            timedelta(minutes=settings.plan_every_min), min(weather_sources.stale_h, settings.plan.stale_forecast_h)
        )
        self._routes: dict[str, tuple[float, Route]] = {}
        self._origins: dict[Route, _RouteSource] = {}
        self._limit_roads(ROADS_AT_ONCE)
        # Only waiting for sources overlaps. Computing takes one thread, so that web requests find others free.
        self._computing = Turns()

    def use(self, runner: RoadRunner) -> None:
        """Plan roads with `runner`, from the next cycle on."""
        self.runner = runner
        self._limit_roads(runner.roads_at_once)

    def _limit_roads(self, at_once: int) -> None:
        self._roads_at_once, self._at_once = at_once, asyncio.Semaphore(at_once)

    @property
    def ground(self) -> Ground:
        """What the plans of all roads have in common."""
        return Ground(reference=self.reference, weather_sources=self.weather_sources, params=self.settings.plan)

    async def plan(
        self,
        trips: Sequence[TripRequest],
        now_utc: datetime,
        reports: Reports = _NO_REPORTS,
        road_reports: RoadReports = NO_ROAD_REPORTS,
    ) -> list[Outcome]:
        """One outcome a trip, in the order given. reports: positions, chains and arrivals by trip id.

        Routes are planned at the same time, and other routes of a trip are compared until it leaves.
        """
        found: dict[str, Outcome] = {}  # no packed plans: those that stand are not asked for
        async with aclosing(self.plan_in_turn(trips, now_utc, reports, road_reports)) as groups:
            async for group in groups:
                found |= {trip.id: undecided(outcome) for trip, outcome in group if not isinstance(outcome, HeldPlan)}
        return [found[trip.id] for trip in trips]

    async def plan_in_turn(
        self,
        trips: Sequence[TripRequest],
        now_utc: datetime,
        reports: Reports = _NO_REPORTS,
        road_reports: RoadReports = NO_ROAD_REPORTS,
        first: Collection[str] = (),
        mode: PlanningMode = PLAIN,
    ) -> AsyncGenerator[list[tuple[TripRequest, Given]], None]:
        """Groups of trips with their outcomes, each soon after it is planned: mostly some trips of one road.

        The trips are planned in the order given, as far as their roads allow. first: ids of trips that wait for no
        others on their road.
        """
        self.reference = await asyncio.to_thread(self.reference.reload_gathered, self.settings.places)
        if self.runner is not None and not mode.urgent:
            await self.runner.begin(self.ground, len(trips))
            if self.runner.roads_at_once != self._roads_at_once:  # it has started processes
                self._limit_roads(self.runner.roads_at_once)
        roads, jobs = parts_of_roads(trips, now_utc, first)
        ranks, ways = ranks_of(trips, first), WayOutcomes(trips, now_utc)

        async def ask(road: Road) -> RouteJob:
            on_road = roads[road]
            route = await self.route(road[1], f"trip {on_road[0].id}")
            return replace(await self.prepare(route, on_road, now_utc, reports, road_reports), ranks=ranks)

        async def plan(road: Road, sharing: list[TripRequest]) -> AsyncGenerator[_Part, None]:
            by_id = {trip.id: trip for trip in sharing}
            async with aclosing(self._plan_route(sharing, lambda: asked.job(road), mode)) as parts:
                async for part in parts:
                    yield road[1], [(by_id[trip_id], outcome) for trip_id, outcome in part.items()]
            asked.end(road)

        asked = AskedRoads(ask, [(late, name) for late, name, _ in jobs], together=mode.urgent)
        sources = [plan((late, name), sharing) for (late, name, _), sharing in jobs.items()]
        async with aclosing(asked), aclosing(merged(sources, GROUPS_WAITING)) as parts:
            async for name, outcomes in parts:
                found = [(trip, ways.add(trip, name, outcome)) for trip, outcome in outcomes]
                if group := [(trip, await self._compared(trip, on, now_utc)) for trip, on in found if on is not None]:
                    yield group

    async def _plan_route(
        self,
        trips: Sequence[TripRequest],
        prepared: Callable[[], Awaitable[RouteJob]],
        mode: PlanningMode,
    ) -> AsyncGenerator[Mapping[str, Given], None]:
        """Plan some or all trips of one route, group by group. Never fails: a failure is each trip's outcome.

        prepared: returns the job of all trips of the route.
        """
        left = {trip.id: trip for trip in trips}
        try:
            async with nullcontext() if mode.urgent else self._at_once:
                job = await prepared()
                if len(trips) < len(job.trips):
                    job = replace(job, trips=trips, split=True)
                reports = job.reports
                road = await asyncio.to_thread(
                    RoadInputs.of, job.answers, job.responses, self.reference, job.road_reports
                )
                if mode.keep is not None and (
                    stands := await asyncio.to_thread(
                        self.kept.standing, trips, road, reports, job.answers.window.now, mode.keep
                    )
                ):
                    left = {trip_id: trip for trip_id, trip in left.items() if trip_id not in stands}
                    yield stands
                if not left:
                    return
                deciding = self._deciding(tuple(left.values()), job, road, mode)
                job = replace(job, trips=tuple(left.values()), urgent=mode.urgent, deciding=deciding)
                async with aclosing(self.plan_in_groups(job)) as groups:
                    async for planned in groups:
                        made = [left.pop(trip_id) for trip_id in planned.outcomes]
                        await asyncio.to_thread(self.kept.keep_all, made, planned, road, reports)
                        yield planned.outcomes
        except Exception as exc:
            yield {trip.id: not_planned_for(trip, exc) for trip in left.values()}

    def _deciding(
        self, trips: Sequence[TripRequest], job: RouteJob, road: RoadInputs | None, mode: PlanningMode
    ) -> Deciding | None:
        """What another process needs to decide on the plans; None where they are made here.

        A trip with several routes is decided here, once its plans on all of them are known.
        """
        if mode.basis_of is None or not self._elsewhere(urgent=mode.urgent):
            return None
        alone = [trip for trip in trips if not routes_to_compare(trip, job.answers.window.now)]
        return Deciding(
            bases={trip.id: mode.basis_of(trip) for trip in alone},
            longest=None if road is None else self.kept.longest,
            archived=self._writer is not None and self._writer.texts,
        )

    def _elsewhere(self, *, urgent: bool) -> bool:
        return self.runner is not None and self.runner.running and not urgent

    async def prepare(
        self,
        route: Route,
        trips: Sequence[TripRequest],
        now_utc: datetime,
        reports: Reports = _NO_REPORTS,
        road_reports: RoadReports = NO_ROAD_REPORTS,
    ) -> RouteJob:
        """Place the trucks on a route and ask the sources, whatever route the trips name."""

        def position_of(trip: TripRequest) -> TripPosition:
            reported = reports.get(trip.id, ())
            return locate(route, reported, trip.depart_at.astimezone(UTC), now_utc, self.settings.plan)

        positions = await asyncio.to_thread(lambda: {trip.id: position_of(trip) for trip in trips})
        leaving = [p.depart_at if p.fix is None else p.fix.at for p in positions.values()]
        leaving += [max(p.fix.at, now_utc) for p in positions.values() if p.fix is not None and p.fix.old]
        departs = (min(leaving), max(leaving))
        with recording() as responses:
            window = window_of(route, departs, now_utc, self.settings.plan)
            answers = await ask_sources(route, window, self.weather_sources, self.reference.zones)
        return RouteJob(
            trips=trips,
            answers=answers,
            departs=departs,
            positions=positions,
            reports=reports,
            road_reports=road_reports,
            responses=tuple(responses),
        )

    async def plan_trips(self, job: RouteJob) -> PlannedTrips:
        """Compute the road of a route and plan each trip on it. A failure costs the trip that it concerns only."""
        whole = PlannedTrips(outcomes={}, inputs={}, trip_inputs={})
        async with aclosing(self.plan_in_groups(job)) as groups:
            async for group in groups:
                whole = whole.with_group(group)
        return whole

    async def plan_in_groups(self, job: RouteJob) -> AsyncGenerator[PlannedTrips, None]:
        """The same, each group of trips soon after it is planned."""
        elsewhere = self._elsewhere(urgent=job.urgent)
        here = plan_here(job, self.ground, self._computing)
        filing = self._filing(job)
        async with aclosing(self._plan_elsewhere(job) if elsewhere else here) as groups:
            async for planned, inputs in groups:
                if planned.hours is not None:
                    self.latest.save_road(job.answers.route, planned.hours)
                if planned.outcomes:
                    if filing is not None:
                        await asyncio.to_thread(file_group, filing, job, planned)
                    yield PlannedTrips(outcomes=planned.outcomes, inputs=inputs, trip_inputs=planned.trip_inputs)

    async def _plan_elsewhere(self, job: RouteJob) -> AsyncGenerator[GroupWithInputs, None]:
        assert self.runner is not None  # noqa: S101 - the caller has looked
        async with aclosing(self.runner.plan(job)) as groups:
            async for planned in groups:
                yield planned, {}

    def _filing(self, job: RouteJob) -> RoadWriter | None:
        """Files the inputs of the plans of a job; None where no writer is set."""
        origin = self._origins.get(job.answers.route)
        if self._writer is None or origin is None:
            return None
        files = {**of_rigs(self.reference.files, {trip.rig for trip in job.trips}), **origin.file}
        return self._writer.road(record_of(job, self.settings, files, next(iter(origin.file)), origin.responses))

    async def _compared(self, trip: TripRequest, on: Mapping[str, Given], now_utc: datetime) -> Given:
        """The outcome of a trip from those on all of its routes."""
        outcome = on[trip.route]
        if isinstance(outcome, HeldPlan):  # of a trip with other routes no plan is kept
            return outcome
        ways = [(PurePath(name).stem, on[name]) for name in routes_to_compare(trip, now_utc)]
        others = [(name, other) for name, other in ways if not isinstance(other, HeldPlan)]
        return await self.with_alternatives(outcome, others) if others else outcome

    async def with_alternatives(self, answer: Answer, other_answers: Sequence[tuple[str, Answer]]) -> Outcome:
        """The outcome with those of the same trip on other routes, by name."""
        outcome, others = undecided(answer), [(name, undecided(other)) for name, other in other_answers]
        if isinstance(outcome, NotPlanned) or not others:
            return outcome
        plans = [(name, other) for name, other in others if isinstance(other, Plan)]
        missed = [(name, other.reason) for name, other in others if isinstance(other, NotPlanned)]
        plan = with_alternatives(outcome, plans, missed, self.settings.plan)
        if self._writer is not None:
            record = ComparisonRecord(
                planned=outcome.id, others=tuple((name, p.id) for name, p in plans), missed=tuple(missed)
            )
            await asyncio.to_thread(self._writer.write_comparison, plan, record)
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

    def known_route(self, name: str) -> Route | None:
        """The route of a GPX file as last read; None where it was not read yet. Reads nothing."""
        known = self._routes.get(name)
        return None if known is None else known[1]

    async def route_of(self, path: Path) -> Route:
        """The route of any GPX file, with elevations from a source where it has none."""
        with recording() as responses:
            route = await load_route(path, self.reference, self._elevations)
        if self._writer is not None:
            self._origins[route] = _RouteSource(file=of_route(path), responses=tuple(responses))
        return route


@asynccontextmanager
async def create_planner(
    settings: Settings,
    clock: Clock,
    writer: ReplayWriter | None = None,
    on_response: Callable[[SourceResponse], None] = record_response,
    *,
    connection: Connection | None = None,
) -> AsyncIterator[Planner]:
    """A planner with its sources open. Raises ConfigError on mistakes in the settings.

    on_response: called with each answer of a source; it must call `record_response`. connection: how servers are
    asked; None for the usual way.
    """
    connection = connection or Connection()
    check_contact(settings)
    reference = load_reference_data(settings.places)
    async with AsyncExitStack() as stack:
        client = await stack.enter_async_context(
            HttpClient(
                HttpOptions(
                    contact=settings.contact,
                    cache_dir=settings.cache,
                    now_utc=clock,
                    rng=np.random.default_rng(),
                    on_error=lambda text: log.warning("%s", text),
                    on_response=on_response,
                    host_limits=provider_hosts(),
                    trust_env=settings.environment_proxy,
                    retry=connection.retry,
                    transport=connection.transport,
                )
            )
        )
        shelf = stack.enter_context(open_shelf(settings.cache))
        weather_sources, elevations = open_weather_sources(
            settings.forecast, settings.noncommercial, str(settings.where), client, settings.cache / KEPT_FOLDER
        )
        weather_sources = replace(weather_sources, road_cache=RoadFieldCache(shelf=shelf))
        stations = read_services(settings.road_stations) if settings.road_stations else ()
        check_feed_contact(settings, stations)
        if stations:
            observer = RoadStationObserver(client=client, services=stations)
            weather_sources = replace(weather_sources, road_stations=observer)
        planning = Planner(settings, reference, weather_sources, elevations, writer)
        feeds = read_feeds(settings.feeds, reference.rulesets) if settings.feeds else ()
        check_feed_contact(settings, feeds)
        planning.feeds = RoadFeeds(client=client, feeds=feeds)
        yield planning
