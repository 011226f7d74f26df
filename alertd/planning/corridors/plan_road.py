"""The planning of one road: its field first, then its trips, handed over in groups."""

import asyncio
from collections.abc import AsyncGenerator, Iterator
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Final

from alertd.plan.make_plan import make_plan
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.hourly_need import Corridor
from alertd.plan.road_by_hour import RoadHours, road_hours
from alertd.planning.corridors.groups import GroupEnds, in_turn
from alertd.planning.corridors.job import Answer, PlannedRoad, RouteJob, not_planned_for
from alertd.planning.plan_inputs import PlanInputs, RouteContext, build_context, build_plan_inputs
from alertd.planning.weather import WeatherSources
from alertd.route.model import Route
from alertd.settings.reference_data import ReferenceData
from alertd.sources.files.trips import TripRequest
from alertd.units import HOUR_S

_BACK: Final = timedelta(hours=6)  # a truck under way has part of its road by the hour behind it


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ground:
    """What the plans of all roads have in common."""

    reference: ReferenceData
    weather_sources: WeatherSources
    params: PlanParams


@dataclass(slots=True, kw_only=True, eq=False)
class RoadPlanning:
    """One job in steps, so that a process with other work can do some of it between two steps.

    Call `compute_road`, then `plan_trip` for each of `turns`. A failure costs the trip that it concerns only.
    """

    job: RouteJob
    ground: Ground
    outcomes: dict[str, Answer] = field(default_factory=dict)
    inputs: dict[str, PlanInputs] = field(default_factory=dict)
    _context: RouteContext | None = None

    @property
    def context(self) -> RouteContext:
        """What the plans of the job have in common. `compute_road` comes first."""
        if self._context is None:
            self.compute_road()
        assert self._context is not None  # noqa: S101 - narrows the type, holds by construction
        return self._context

    @property
    def turns(self) -> list[TripRequest]:
        """The trips in the order to plan them: see `in_turn`."""
        return in_turn(self.job.trips, self.ground.reference.rigs)

    def compute_road(self) -> None:
        """Compute the road field, and place on it what is posted."""
        job, ground = self.job, self.ground
        self._context = build_context(
            job.answers, job.positions, job.road_reports, ground.reference, ground.weather_sources, ground.params
        )

    def plan_trip(self, trip: TripRequest) -> None:
        """Plan one trip."""
        try:
            self.inputs[trip.id] = build_plan_inputs(trip, self.context)
            self.outcomes[trip.id] = make_plan(self.inputs[trip.id].request)
        except Exception as exc:
            self.outcomes[trip.id] = not_planned_for(trip, exc)

    def take(self) -> PlannedRoad:
        """The outcomes of the trips planned since the last call."""
        outcomes, inputs, self.outcomes, self.inputs = self.outcomes, self.inputs, {}, {}
        trip_inputs = {trip_id: one.request.trip for trip_id, one in inputs.items()}
        return PlannedRoad(outcomes=outcomes, hours=None, trip_inputs=trip_inputs)

    def done(self) -> PlannedRoad:
        """The same, with the likely road by the hour."""
        context = self.context
        context.fetched.weather.corridor.answers.forget("roads")  # until the next cycle they would only take memory
        hours = hours_of(context.route, context.fetched.weather.corridor, context.now_utc)
        return replace(self.take(), hours=hours)


def plan_road(job: RouteJob, ground: Ground, *, by_time: bool = True) -> Iterator[PlannedRoad]:
    """Plan one job in a process that has no other work, group by group. by_time: see `GroupEnds`.

    The last group, which may be empty, has the road by the hour.
    """
    planning = RoadPlanning(job=job, ground=ground)
    planning.compute_road()
    group = GroupEnds(by_time=by_time)
    for trip in planning.turns:
        planning.plan_trip(trip)
        if group.ends():
            yield planning.take()
    yield planning.done()


def hours_of(route: Route, corridor: Corridor, now: datetime) -> RoadHours:
    """The likely road of a route by the hour, as the pages show it; whole corridors are too large for many routes."""
    first_s = (now - _BACK).timestamp()
    return road_hours(route, corridor, first_s, first_s + 47 * HOUR_S)


async def plan_in_threads(job: RouteJob, ground: Ground) -> AsyncGenerator[PlannedRoad, None]:
    """The groups of `plan_road`, each planned in a thread."""
    groups = plan_road(job, ground)
    while (group := await asyncio.to_thread(next, groups, None)) is not None:
        yield group
