"""One job answered in bytes, group by group, by a local process or by a worker on another machine."""

from collections.abc import Iterator

from alertd.planning.corridors.plan_road import Ground, RoadPlanning, plan_road
from alertd.planning.corridors.transfer import RouteCache, job_from_bytes, read_value, value_to_bytes


def answer_job(
    data: bytes, ground: Ground, routes: RouteCache, field: bytes = b"", *, by_time: bool = True
) -> Iterator[bytes]:
    """Plan the trips of a job: a PlannedRoad for each group. A job without trips is answered by its road field.

    field: the road field of a road in several parts, as computed for all of them. by_time: see `GroupEnds`. Raises
    InputError for bytes that cannot be read.
    """
    job = job_from_bytes(data, routes)
    if job.split and not job.trips:
        planning = RoadPlanning(job=job, ground=ground)
        yield value_to_bytes(planning.context.fetched.weather.corridor.field)
        del planning
    else:
        if field:
            ground.weather_sources.road_cache.offer(read_value(field))
        for group in plan_road(job, ground, by_time=by_time):
            yield value_to_bytes(group)
