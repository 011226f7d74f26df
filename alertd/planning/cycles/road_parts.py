"""The trips of a cycle by road, and the trips whose plans on all their roads are known."""

import asyncio
from collections import Counter
from collections.abc import Callable, Collection, Coroutine, Iterable, Mapping, Sequence
from datetime import datetime
from typing import Final, TypeAlias

from alertd.planning.corridors.job import Given, RouteJob
from alertd.sources.files.trips import TripRequest

MOST_TOGETHER: Final = 200  # trips of one job; the others of the road are planned as other jobs from the same answers

# What a road needs of its sources comes within half a second or so; a slow source delays a cycle by no more than this.
FIRST_ALONE_S: Final = 2.0  # [A]

Road: TypeAlias = tuple[bool, str]  # whether its trips wait for those that come first, and its name


def routes_to_compare(trip: TripRequest, now_utc: datetime) -> tuple[str, ...]:
    """The other routes of a trip; none once it has left."""
    return trip.other_routes if now_utc < trip.depart_at else ()


def parts_of_roads(
    trips: Sequence[TripRequest], now_utc: datetime, first: Collection[str]
) -> tuple[dict[Road, list[TripRequest]], dict[tuple[bool, str, int], list[TripRequest]]]:
    """The trips of each road, and those of each part of at most MOST_TOGETHER; trips of `first` apart and before."""
    roads: dict[Road, list[TripRequest]] = {}
    parts: dict[tuple[bool, str, int], list[TripRequest]] = {}
    for trip in sorted(trips, key=lambda trip: trip.id not in first):
        for name in _ways(trip, now_utc):
            on_road = roads.setdefault((trip.id not in first, name), [])
            parts.setdefault((trip.id not in first, name, len(on_road) // MOST_TOGETHER), []).append(trip)
            on_road.append(trip)
    return roads, parts


def ranks_of(trips: Sequence[TripRequest], first: Collection[str]) -> dict[str, int]:
    """The place of each trip among all, by id."""
    return {trip.id: n for n, trip in enumerate(sorted(trips, key=lambda trip: trip.id not in first))}


class WayOutcomes:
    """Outcomes of trips by road, until all of a trip are known."""

    def __init__(self, trips: Sequence[TripRequest], now_utc: datetime) -> None:
        self._now_utc = now_utc
        self._missing = {trip.id: len(_ways(trip, now_utc)) for trip in trips}
        self._found: dict[tuple[str, str], Given] = {}

    def add(self, trip: TripRequest, name: str, outcome: Given) -> Mapping[str, Given] | None:
        """Take the outcome of a trip on a road; returns all of the trip by road with the last of them."""
        self._found[trip.id, name] = outcome
        self._missing[trip.id] -= 1
        if self._missing[trip.id]:
            return None
        return {name: self._found.pop((trip.id, name)) for name in _ways(trip, self._now_utc)}


class AskedRoads:
    """The jobs of roads. Sources are asked once for a road, however many parts its trips are planned in.

    Its field is then the same in all parts. A job holds forecasts of tens of megabytes, so it is forgotten with the
    last part. Servers answer few requests at a time, and a road needs several, so the first road is asked for alone.
    """

    def __init__(
        self, ask: Callable[[Road], Coroutine[None, None, RouteJob]], parts: Iterable[Road], *, together: bool = False
    ) -> None:
        """ask: makes the job of a road. parts: the road of each part. together: none is asked alone."""
        self._ask, self._parts_n, self._together = ask, Counter(parts), together
        self._first: asyncio.Task[RouteJob] | None = None
        self._jobs: dict[Road, asyncio.Task[RouteJob]] = {}

    async def job(self, road: Road) -> RouteJob:
        """The job of a road. Raises what asking raises."""
        if road not in self._jobs:
            self._jobs[road] = asyncio.create_task(self._ask_after(self._first, road))
            self._first = self._first or self._jobs[road]
        return await asyncio.shield(self._jobs[road])

    async def _ask_after(self, first: asyncio.Task[RouteJob] | None, road: Road) -> RouteJob:
        if first is not None and not self._together:
            await asyncio.wait([first], timeout=FIRST_ALONE_S)
        return await self._ask(road)

    def end(self, road: Road) -> None:
        """One part of a road is planned."""
        self._parts_n[road] -= 1
        if not self._parts_n[road]:
            self._jobs.pop(road, None)

    async def aclose(self) -> None:
        """Ask no more."""
        jobs = tuple(self._jobs.values())
        self._jobs.clear()
        for job in jobs:
            job.cancel()
        if jobs:
            await asyncio.wait(jobs)


def _ways(trip: TripRequest, now_utc: datetime) -> tuple[str, ...]:
    """The routes that a trip is planned on."""
    return tuple(dict.fromkeys((trip.route, *routes_to_compare(trip, now_utc))))
