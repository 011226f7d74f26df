"""What plans roads outside this process."""

from typing import Protocol

from alertd.planning.corridors.job import PlannedRoad, RouteJob
from alertd.planning.corridors.plan_road import Ground


class RoadRunner(Protocol):
    """Plans each road of a cycle elsewhere: in local processes, or in workers of a shared store."""

    @property
    def running(self) -> bool:
        """Whether roads go there now. Where not, the planner plans them in its own process."""
        ...

    async def begin(self, ground: Ground, trips_n: int) -> None:
        """Called before the roads of so many trips are planned, with what their plans have in common."""
        ...

    async def plan(self, job: RouteJob) -> PlannedRoad:
        """Plan one road. A process that ends early costs time only: the road is planned again."""
        ...
