"""What the trips of one road are planned from, and what comes out, as values that other processes can take."""

import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import TypeAlias

from alertd.errors import AlertdError
from alertd.plan.chain_up.chains_on import TruckReport
from alertd.plan.model.plan import Plan
from alertd.plan.position.map_match import PositionReport, TripPosition
from alertd.plan.request import TripInput
from alertd.plan.road_by_hour import RoadHours
from alertd.planning.cycles.held_plan import HeldPlan
from alertd.planning.decisions.decided import DecidedPlan, Deciding
from alertd.planning.plan_inputs import PlanInputs
from alertd.planning.road_reports import RoadReports
from alertd.planning.weather import SourceAnswers
from alertd.sources.files.trips import TripRequest
from alertd.sources.http.answer import SourceResponse
from alertd.store.archive import PackedContent

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class NotPlanned:
    """A trip that could not be planned, with the reason in one line. No trip is left out silently."""

    trip: TripRequest
    reason: str


def not_planned_for(trip: TripRequest, exc: Exception) -> NotPlanned:
    """The trip with the reason. An internal error goes into the log with its traceback, and costs this trip only."""
    if isinstance(exc, AlertdError):
        return NotPlanned(trip=trip, reason=str(exc))
    log.error("trip %s: a fault of alertd", trip.id, exc_info=exc, extra={"trip": trip.id})
    return NotPlanned(trip=trip, reason=f"a fault of alertd ({type(exc).__name__}); its log says more")


Outcome: TypeAlias = Plan | NotPlanned
Answer: TypeAlias = Outcome | DecidedPlan  # of a job that says what to decide from
Given: TypeAlias = Answer | HeldPlan  # the outcome of a trip in a cycle: a plan that stands is a packed one


def undecided(answer: Answer) -> Outcome:
    """The outcome of a trip on which no other process was asked to decide."""
    assert not isinstance(answer, DecidedPlan)  # noqa: S101 - narrows the type, holds by construction
    return answer


Reports: TypeAlias = Mapping[str, Sequence[PositionReport | TruckReport]]  # by trip id


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RouteJob:
    """Trips to plan together on one route, the answers of the sources, and what a replay needs besides.

    departs: first and last departure, which set the forecast window. responses: raw answers as received. split: the
    road has more trips than these, planned as other jobs from the same answers. urgent: see `PlanningMode`. ranks:
    places of trips in the cycle by id, see `Turns`. deciding: another process decides on the plans too.
    """

    trips: Sequence[TripRequest]
    answers: SourceAnswers
    departs: tuple[datetime, datetime]
    positions: Mapping[str, TripPosition]
    reports: Reports
    road_reports: RoadReports
    responses: tuple[SourceResponse, ...]
    split: bool = False
    urgent: bool = False
    ranks: Mapping[str, int] = field(default_factory=dict)
    deciding: Deciding | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedTrips:
    """The outcome of each trip by id, and the inputs of those that have a rig; from other processes the trip's only."""

    outcomes: Mapping[str, Answer]
    inputs: Mapping[str, PlanInputs]
    trip_inputs: Mapping[str, TripInput]

    def with_group(self, group: "PlannedTrips") -> "PlannedTrips":
        """These trips and others of the same road."""
        return PlannedTrips(
            outcomes={**self.outcomes, **group.outcomes},
            inputs={**self.inputs, **group.inputs},
            trip_inputs={**self.trip_inputs, **group.trip_inputs},
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlannedRoad:
    """The outcome of each trip of a job by id, and the likely road by the hour, None where it is not known.

    trip_inputs: what the plans of the trips that have a rig were made of, but for what is shared. A road that comes in
    groups has the hours in one of them. packs: the plans for the archive in the order of the job's trips, see
    `pack_plans`; None where they are not packed yet.
    """

    outcomes: Mapping[str, Answer]
    hours: RoadHours | None
    trip_inputs: Mapping[str, TripInput] = field(default_factory=dict)
    packs: tuple[PackedContent, ...] | None = None


def none_planned(job: RouteJob, reason: str) -> PlannedRoad:
    """Every trip of a job as not planned: the office and the drivers hear of it."""
    return PlannedRoad(outcomes={trip.id: NotPlanned(trip=trip, reason=reason) for trip in job.trips}, hours=None)
