"""The planning of one road: its field first, then its trips, those of one kind of rig together."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from alertd.plan.make_plan import make_plan
from alertd.plan.params import PlanParams
from alertd.planning.corridors.job import Outcome, PlannedRoad, RouteJob, not_planned_for
from alertd.planning.latest_plans import hours_of
from alertd.planning.plan_inputs import PlanInputs, RouteContext, build_context, build_plan_inputs
from alertd.planning.weather import WeatherSources
from alertd.settings.reference_data import ReferenceData
from alertd.sources.files.trips import TripRequest


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
    outcomes: dict[str, Outcome] = field(default_factory=dict)
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
        """Trucks of one kind share the road's needs for it, which are cached for a few kinds at a time."""
        return by_kind(self.job.trips, self.ground.reference)

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

    def done(self) -> PlannedRoad:
        """The outcomes of the trips planned so far."""
        context = self.context
        context.fetched.weather.corridor.answers.forget("roads")  # until the next cycle they would only take memory
        hours = hours_of(context.route, context.fetched.weather.corridor, context.now_utc)
        trip_inputs = {trip_id: inputs.request.trip for trip_id, inputs in self.inputs.items()}
        return PlannedRoad(outcomes=self.outcomes, hours=hours, trip_inputs=trip_inputs)


def plan_road(job: RouteJob, ground: Ground) -> PlannedRoad:
    """All steps of one job, for a process that has no other work."""
    planning = RoadPlanning(job=job, ground=ground)
    for trip in planning.turns:
        planning.plan_trip(trip)
    return planning.done()


def by_kind(trips: Sequence[TripRequest], reference: ReferenceData) -> list[TripRequest]:
    """The trips with those of one kind of rig together; the kind of the earliest departure first."""
    kinds: dict[object, list[TripRequest]] = {}
    for trip in sorted(trips, key=lambda trip: trip.depart_at):
        rig = reference.rigs.get(trip.rig)
        kinds.setdefault(None if rig is None else rig.nameless, []).append(trip)
    return [trip for same in kinds.values() for trip in same]
