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
from alertd.plan.controls.placement import NOTHING_POSTED, Posted, PostedOnRoute, closed_by_post, place_posted
from alertd.plan.describe.alternatives import with_other_ways
from alertd.plan.model import Plan
from alertd.plan.position.map_match import PositionReport, Whereabouts, locate
from alertd.planning import replay_record
from alertd.planning.latest_plans import Shown
from alertd.planning.plan_inputs import Making, trip_input, window_of
from alertd.planning.providers import check_contact, check_feed_contact, open_sky
from alertd.planning.replay_record import Inputs, Keep, Made, Ways, hear, listening
from alertd.planning.signed_links import Links
from alertd.planning.weather import Fetched, Sky, weather_along
from alertd.records.posted_controls import Feeds
from alertd.route.model import Route
from alertd.settings.file_snapshot import of_route
from alertd.settings.model import Settings
from alertd.settings.reference_data import Ground, load_route, read_ground
from alertd.sources.files.trips import TripRequest
from alertd.sources.http.answer import Heard
from alertd.sources.http.client import PoliteClient
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
class Seen:
    """A route with the weather for trips that leave between two moments, and what the sources said for it.

    where: each trip's truck, by its id, as `reports` say. posted: closures as the operator posted them; placed: on the
    route. controls: what road authorities have posted; on_route: of that, what concerns this route.
    """

    route: Route
    now_utc: datetime
    departs: tuple[datetime, datetime]
    where: Mapping[str, Whereabouts]
    reports: Reports
    fetched: Fetched
    heard: tuple[Heard, ...]
    posted: tuple[PostedClosure, ...]
    placed: tuple[Closure, ...]
    controls: Posted
    on_route: PostedOnRoute


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Origin:
    """The file a route was built from, and what a source of heights said for it."""

    file: Mapping[str, bytes]
    heard: tuple[Heard, ...]


def _to_compare(trip: TripRequest, now_utc: datetime) -> tuple[str, ...]:
    return trip.other_routes if now_utc < trip.depart_at else ()


class Planner:
    """Holds what is read once, and plans. Built by `planner`. keep: is given what each plan was made from."""

    def __init__(
        self,
        settings: Settings,
        ground: Ground,
        sky: Sky,
        elevations: Sequence[ElevationProvider],
        keep: Keep | None = None,
    ) -> None:
        self.settings, self.ground, self.sky = settings, ground, sky
        self._elevations, self._keep = elevations, keep
        self.feeds: Feeds | None = None
        self.shown = Shown()
        self.links = Links(settings.links_key, settings.public_url)
        self._routes: dict[str, tuple[float, Route]] = {}
        self._origins: dict[Route, _Origin] = {}

    async def plan(
        self,
        trips: Sequence[TripRequest],
        now_utc: datetime,
        reports: Reports = _NO_REPORTS,
        posted: Sequence[PostedClosure] = (),
        controls: Posted = NOTHING_POSTED,
    ) -> list[Plan | NotPlanned]:
        """One outcome a trip, in the order given. `reports`: of trucks, places, chains, arrival; `posted`: closures.

        `controls`: what road authorities have posted. Other ways of a trip are compared until it leaves.
        """
        self.ground = await asyncio.to_thread(self.ground.gathered_anew, self.settings.places)
        by_route: dict[str, list[TripRequest]] = defaultdict(list)
        for trip in trips:
            for name in (trip.route, *_to_compare(trip, now_utc)):
                by_route[name].append(trip)
        outcomes: dict[str, dict[str, Plan | NotPlanned]] = {}
        for name, sharing in by_route.items():
            try:
                outcomes[name] = await self._on_route(name, sharing, now_utc, reports, posted, controls)
            except Exception as exc:
                outcomes[name] = {trip.id: not_planned_for(trip, exc) for trip in sharing}
        return [
            await self.compared(
                outcomes[trip.route][trip.id],
                [(PurePath(name).stem, outcomes[name][trip.id]) for name in _to_compare(trip, now_utc)],
            )
            for trip in trips
        ]

    async def compared(
        self, outcome: Plan | NotPlanned, others: Sequence[tuple[str, Plan | NotPlanned]]
    ) -> Plan | NotPlanned:
        """The outcome with what the same trip came to on other ways, by name."""
        if isinstance(outcome, NotPlanned) or not others:
            return outcome
        ways = [(name, other) for name, other in others if isinstance(other, Plan)]
        missed = [(name, other.reason) for name, other in others if isinstance(other, NotPlanned)]
        plan = with_other_ways(outcome, ways, missed, self.settings.plan)
        if self._keep is not None:
            made_of = Ways(planned=outcome.id, others=tuple((name, w.id) for name, w in ways), missed=tuple(missed))
            await asyncio.to_thread(self._keep.ways, plan, made_of)
        return plan

    async def route(self, name: str, where: str) -> Route:
        """The route of a GPX file, read again only when the file has changed."""
        path = self.ground.gpx(name, where)
        changed = path.stat().st_mtime
        known = self._routes.get(name)
        if known is None or known[0] != changed:
            self._routes[name] = (changed, await self.route_of(path))
            if known is not None:
                self._origins.pop(known[1], None)
        return self._routes[name][1]

    async def _on_route(
        self,
        name: str,
        trips: Sequence[TripRequest],
        now_utc: datetime,
        reports: Reports,
        posted: Sequence[PostedClosure],
        controls: Posted,
    ) -> dict[str, Plan | NotPlanned]:
        route = await self.route(name, f"trip {trips[0].id}")
        return await self.plan_on(route, trips, now_utc, reports, posted, controls)

    async def plan_on(
        self,
        route: Route,
        trips: Sequence[TripRequest],
        now_utc: datetime,
        reports: Reports = _NO_REPORTS,
        posted: Sequence[PostedClosure] = (),
        controls: Posted = NOTHING_POSTED,
    ) -> dict[str, Plan | NotPlanned]:
        """Plan trips that share one route, whatever route they name."""
        return await self.plan_in(await self.look(route, trips, now_utc, reports, posted, controls), trips)

    async def look(
        self,
        route: Route,
        trips: Sequence[TripRequest],
        now_utc: datetime,
        reports: Reports = _NO_REPORTS,
        posted: Sequence[PostedClosure] = (),
        controls: Posted = NOTHING_POSTED,
    ) -> Seen:
        """Ask the sources for what trips on this route need."""

        def find(trip: TripRequest) -> Whereabouts:
            told = reports.get(trip.id, ())
            return locate(route, told, trip.depart_at.astimezone(UTC), now_utc, self.settings.plan)

        where = {trip.id: await asyncio.to_thread(find, trip) for trip in trips}
        leaving = [w.depart_at if w.fix is None else w.fix.at for w in where.values()]
        leaving += [max(w.fix.at, now_utc) for w in where.values() if w.fix is not None and w.fix.old]
        departs = (min(leaving), max(leaving))
        with listening() as heard:
            window = window_of(route, departs, now_utc, self.settings.plan)
            fetched = await weather_along(route, window, self.sky, self.ground.zones)
        placed = await asyncio.to_thread(place_closures, route, posted)
        on_route = await asyncio.to_thread(
            place_posted, route, controls, self.ground.rulesets, now_utc, self.settings.plan
        )
        return Seen(
            route=route,
            now_utc=now_utc,
            departs=departs,
            where=where,
            reports=reports,
            fetched=fetched,
            heard=tuple(heard),
            posted=tuple(posted),
            placed=(*placed, *closed_by_post(on_route)),
            controls=controls,
            on_route=on_route,
        )

    async def plan_in(self, seen: Seen, trips: Sequence[TripRequest]) -> dict[str, Plan | NotPlanned]:
        """Plan the trips that were looked out for."""

        def one(trip: TripRequest) -> Plan | NotPlanned:
            try:
                return self.making(trip, seen).plan()
            except Exception as exc:
                return not_planned_for(trip, exc)

        # Trucks of one rig share what the road asks of it, which is kept for a few rigs at a time.
        by_rig = sorted(trips, key=lambda trip: trip.rig)
        outcomes = {trip.id: await asyncio.to_thread(one, trip) for trip in by_rig}
        await asyncio.to_thread(self.shown.keep_road, seen.route, seen.fetched.weather.corridor, seen.now_utc)
        origin = self._origins.get(seen.route)
        if self._keep is not None and origin is not None:
            made = [
                Made(trip=trip, reports=tuple(seen.reports.get(trip.id, ())), plan=plan)
                for trip in trips
                if isinstance(plan := outcomes[trip.id], Plan)
            ]
            made_from = Inputs(
                now_utc=seen.now_utc,
                departs=seen.departs,
                chosen=replay_record.chosen(self.settings),
                files={**self.ground.files, **origin.file},
                route=next(iter(origin.file)),
                heard=(*origin.heard, *seen.heard),
                closures=seen.posted,
                posted=seen.controls,
            )
            await asyncio.to_thread(self._keep.plans, made, made_from)
        return outcomes

    def making(self, trip: TripRequest, seen: Seen) -> Making:
        """What the plan of a trip is made from. Raises InputError for a rig that is not known."""
        return Making(
            trip=trip_input(trip, seen.where[trip.id], seen.placed, seen.fetched.warned, seen.on_route),
            route=seen.route,
            rig=self.ground.rig(trip.rig, f"trip {trip.id}"),
            rulesets=self.ground.rulesets,
            fetched=seen.fetched,
            road=self.sky.road,
            params=self.settings.plan,
            now_utc=seen.now_utc,
        )

    async def route_of(self, path: Path) -> Route:
        """The route of any GPX file, with heights from a source where it has none."""
        with listening() as heard:
            route = await load_route(path, self.ground, self._elevations)
        if self._keep is not None:
            self._origins[route] = _Origin(file=of_route(path), heard=tuple(heard))
        return route


@asynccontextmanager
async def planner(
    settings: Settings, clock: Clock, keep: Keep | None = None, on_answer: Callable[[Heard], None] = hear
) -> AsyncIterator[Planner]:
    """A planner with its sources open. Raises ConfigError for what the settings have wrong.

    on_answer: is told of each answer of a source; it must call `hear`.
    """
    check_contact(settings)
    ground = read_ground(settings.places)
    async with AsyncExitStack() as stack:
        client = await stack.enter_async_context(
            PoliteClient(
                contact=settings.contact,
                cache_dir=settings.cache,
                now_utc=clock,
                rng=np.random.default_rng(),
                on_trouble=lambda text: log.warning("%s", text),
                on_answer=on_answer,
            )
        )
        sky, elevations = open_sky(settings.forecast, settings.noncommercial, str(settings.where), client)
        planning = Planner(settings, ground, sky, elevations, keep)
        feeds = read_feeds(settings.feeds, ground.rulesets) if settings.feeds else ()
        check_feed_contact(settings, feeds)
        planning.feeds = Feeds(client=client, feeds=feeds)
        yield planning
