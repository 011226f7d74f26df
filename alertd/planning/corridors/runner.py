"""What plans roads outside this process."""

from collections.abc import AsyncGenerator
from typing import Final, Protocol

from alertd.planning.corridors.job import PlannedRoad, RouteJob
from alertd.planning.corridors.plan_road import Ground

# Roads whose sources are asked at the same time: a slow source then delays a cycle once and not once per road. Each
# may hold tens of megabytes of forecasts.
ROADS_AT_ONCE: Final = 4


class RoadRunner(Protocol):
    """Plans each road of a cycle elsewhere: in local processes, or in workers of a shared store."""

    @property
    def roads_at_once(self) -> int:
        """For how many roads sources are asked and answers awaited at the same time."""
        ...

    @property
    def running(self) -> bool:
        """Whether roads go there now. Where not, the planner plans them in its own process."""
        ...

    async def begin(self, ground: Ground, trips_n: int) -> None:
        """Called before the roads of so many trips are planned, with what their plans have in common."""
        ...

    def plan(self, job: RouteJob) -> AsyncGenerator[PlannedRoad, None]:
        """Plan one road, each trip in one of the groups. A process that ends early costs time only."""
        ...
