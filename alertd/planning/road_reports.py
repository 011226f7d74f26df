"""What is posted for roads, by operators and by road authorities, before it is placed on a route."""

from dataclasses import dataclass

from alertd.plan.controls.closures import PostedClosure
from alertd.plan.controls.placement import NOTHING_POSTED, PostedConditions


@dataclass(frozen=True, slots=True, kw_only=True)
class RoadReports:
    """closures: as operators posted them. controls: as road authorities posted them. Both on any route."""

    closures: tuple[PostedClosure, ...] = ()
    controls: PostedConditions = NOTHING_POSTED


NO_ROAD_REPORTS = RoadReports()
