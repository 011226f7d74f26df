"""One job answered in bytes, by a local process or by a worker on another machine."""

import gc
from dataclasses import dataclass

from alertd.planning.corridors.plan_road import Ground, RoadPlanning
from alertd.planning.corridors.transfer import RouteCache, job_from_bytes, read_value, value_to_bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """planned: a PlannedRoad. field: the road field, of a job that asks for it alone; else empty."""

    planned: bytes
    field: bytes = b""


def answer_job(data: bytes, ground: Ground, routes: RouteCache, field: bytes = b"") -> Answer:
    """Plan the trips of a job. Raises InputError for bytes that cannot be read.

    field: the road field of a road in several parts, as computed for all of them.
    """
    job = job_from_bytes(data, routes)
    if field:
        ground.weather_sources.road_cache.offer(read_value(field))
    planning = RoadPlanning(job=job, ground=ground)
    for trip in planning.turns:
        planning.plan_trip(trip)
    planned = value_to_bytes(planning.done())
    computed = value_to_bytes(planning.context.fetched.weather.corridor.field) if job.split and not job.trips else b""
    del planning, job
    gc.collect()  # a road's arrays leave before the next road's come
    return Answer(planned=planned, field=computed)
