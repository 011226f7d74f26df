"""One job answered in bytes, group by group, by a local process or by a worker on another machine."""

import logging
from collections.abc import Iterator
from dataclasses import replace

from alertd.plan.model.plan import Plan
from alertd.planning.corridors.job import Answer, PlannedRoad, RouteJob
from alertd.planning.corridors.plan_road import Ground, RoadPlanning, plan_road
from alertd.planning.corridors.transfer import RouteCache, job_from_bytes
from alertd.planning.corridors.value_bytes import read_value, value_to_bytes
from alertd.planning.decisions.decided import DecidedPlan, decided
from alertd.planning.replays.plan_packs import pack_plans
from alertd.sources.files.trips import TripRequest

log = logging.getLogger(__name__)


def answer_job(
    data: bytes, ground: Ground, routes: RouteCache, field: bytes = b"", *, by_time: bool = True
) -> Iterator[bytes]:
    """Plan the trips of a job: a PlannedRoad for each group. A job without trips is answered by its road field.

    ground: without rigs, which come with the job. field: the road field of a road in several parts, as computed for
    all of them. by_time: see `GroupEnds`. Raises InputError for bytes that cannot be read.
    """
    job, rigs = job_from_bytes(data, routes)
    ground = replace(ground, reference=replace(ground.reference, rigs=rigs))
    if job.split and not job.trips:
        planning = RoadPlanning(job=job, ground=ground)
        yield value_to_bytes(planning.context.fetched.weather.corridor.field)
        del planning
    else:
        if field:
            ground.weather_sources.road_cache.offer(read_value(field))
        for group in plan_road(job, ground, by_time=by_time):
            yield value_to_bytes(_decided(group, job))


def _decided(group: PlannedRoad, job: RouteJob) -> PlannedRoad:
    """The group with its plans packed, and what is sent about them decided, as far as the job asks for it."""
    if job.deciding is None:
        return group
    trips = [trip for trip in job.trips if trip.id in group.outcomes]
    plans = [plan for trip in trips if isinstance(plan := group.outcomes[trip.id], Plan)]
    packs = pack_plans(plans) if job.deciding.archived else None
    outcomes = {trip.id: _answer(trip, group, job) for trip in trips}
    left = {trip_id: i for trip_id, i in group.trip_inputs.items() if not isinstance(outcomes[trip_id], DecidedPlan)}
    return replace(group, outcomes=outcomes, packs=packs, trip_inputs=left)


def _answer(trip: TripRequest, group: PlannedRoad, job: RouteJob) -> Answer:
    outcome, inputs = group.outcomes[trip.id], group.trip_inputs.get(trip.id)
    if job.deciding is None or inputs is None or not isinstance(outcome, Plan):
        return outcome
    try:
        return decided(trip, outcome, inputs, job.deciding)
    except Exception as exc:
        log.warning("trip %s: not decided where it was planned (%s)", trip.id, type(exc).__name__)
        return outcome  # the recording process meets the same error, and reports it
