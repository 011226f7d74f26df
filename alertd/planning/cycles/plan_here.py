"""Plans a road in this process, in steps between which other roads, urgent trips and a shutdown have their turn."""

import asyncio
from collections.abc import AsyncGenerator, Mapping, Sequence
from itertools import accumulate
from typing import Final, TypeAlias

from alertd.planning.corridors.groups import GroupEnds
from alertd.planning.corridors.job import PlannedRoad, RouteJob
from alertd.planning.corridors.plan_road import Ground, RoadPlanning
from alertd.planning.cycles.merged import merged
from alertd.planning.cycles.turns import Turns
from alertd.planning.plan_inputs import PlanInputs
from alertd.sources.files.trips import TripRequest

GROUPS_WAITING: Final = 4  # planned groups that wait to be recorded; then planning waits too

GroupWithInputs: TypeAlias = tuple[PlannedRoad, Mapping[str, PlanInputs]]


def plan_here(job: RouteJob, ground: Ground, turns: Turns) -> AsyncGenerator[GroupWithInputs, None]:
    """Plan one road, group by group. What the caller does with a group does not delay the next."""
    return merged([_plan(RoadPlanning(job=job, ground=ground), turns)], GROUPS_WAITING)


async def _plan(planning: RoadPlanning, turns: Turns) -> AsyncGenerator[GroupWithInputs, None]:
    job, trips = planning.job, planning.turns
    ranks, ends = lowest_left(trips, job.ranks), GroupEnds()
    async with turns.turn(urgent=job.urgent, rank=ranks[0]):
        await asyncio.to_thread(planning.compute_road)
    for trip, rank in zip(trips, ranks, strict=False):
        async with turns.turn(urgent=job.urgent, rank=rank):
            await asyncio.to_thread(planning.plan_trip, trip)
        if ends.ends():
            inputs = planning.inputs
            yield planning.take(), inputs
    async with turns.turn(urgent=job.urgent, rank=ranks[-1]):
        inputs = planning.inputs
        done = await asyncio.to_thread(planning.done)
    yield done, inputs


def lowest_left(trips: Sequence[TripRequest], ranks: Mapping[str, int]) -> list[int]:
    """For each trip the rank of the most urgent one from it on: that one waits for it too. [0] without trips."""
    lowest = list(accumulate((ranks.get(trip.id, 0) for trip in reversed(trips)), min))
    return lowest[::-1] or [0]
