"""Files the plans of a job, group by group, with what they were made from."""

from collections.abc import Mapping, Sequence

from alertd.planning.corridors.job import NotPlanned, PlannedRoad, RouteJob
from alertd.planning.decisions.decided import DecidedPlan
from alertd.planning.replays.plan_packs import pack_plans
from alertd.planning.replays.replay_archive import RoadWriter
from alertd.planning.replays.replay_record import PlannedTrip, ReplayRecord, replay_settings
from alertd.settings.model import Settings
from alertd.sources.http.answer import SourceResponse


def record_of(
    job: RouteJob, settings: Settings, files: Mapping[str, bytes], route: str, elevations: Sequence[SourceResponse]
) -> ReplayRecord:
    """The inputs of the plans of a job. route: the name of the route's file; elevations: the answers for it."""
    return ReplayRecord(
        now_utc=job.answers.window.now,
        departs=job.departs,
        settings=replay_settings(settings),
        files=files,
        route=route,
        responses=(*elevations, *job.responses),
        road_reports=job.road_reports,
        past=job.answers.past,
    )


def file_group(filing: RoadWriter, job: RouteJob, planned: PlannedRoad) -> None:
    """File the plans of a group. Raises StoreError, see `ReplayWriter`."""
    made = [(trip, planned.outcomes[trip.id]) for trip in job.trips if trip.id in planned.outcomes]
    plans = [(trip, plan) for trip, plan in made if not isinstance(plan, NotPlanned)]
    packs = planned.packs
    if not filing.texts:
        packs = ()
    elif packs is None:  # they were planned here
        packs = pack_plans([plan for _, plan in plans if not isinstance(plan, DecidedPlan)])
    filed = [PlannedTrip(trip=t, reports=tuple(job.reports.get(t.id, ())), plan_id=plan.id) for t, plan in plans]
    filing.write(filed, packs)
