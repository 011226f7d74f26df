"""What is left of a trip from where its truck was seen: route, law and road ahead, and the clock they begin at."""

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final

import numpy as np

from alertd.plan.outlook import Corridor
from alertd.plan.params import PlanParams
from alertd.plan.result import PositionFix
from alertd.route.line import Route
from alertd.route.passes import passes_of

_SAMPLED: Final = ("lat_deg", "lon_deg", "distance_m", "elevation_m", "grade", "bearing_deg")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rest:
    """The way still ahead, at distances from the trip's start: all of it before the truck has left.

    `leave_at` is when the truck is at its first sample, `depart_at` when it left the start (not later than it can
    have), `driven_s` the time between. What was stood in it is not known: the hours law is told that all was driven.
    """

    depart_at: datetime
    leave_at: datetime
    driven_s: float
    first: int
    route: Route
    corridor: Corridor


def rest_of(route: Route, depart_at: datetime, fix: PositionFix | None, corridor: Corridor, params: PlanParams) -> Rest:
    """What is left from where the truck was seen; times are aware.

    It is put back by the slack of a fix, to a sample: a stop that the truck may be standing at is not behind it.
    """
    if fix is None:
        return Rest(depart_at=depart_at, leave_at=depart_at, driven_s=0.0, first=0, route=route, corridor=corridor)
    d = route.distance_m
    first = int(np.searchsorted(d, fix.distance_m - params.fix_off_route_m, side="right")) - 1
    first = min(max(first, 0), d.size - 2)
    if first == 0:
        leave = max(depart_at, fix.at)
        return Rest(depart_at=leave, leave_at=leave, driven_s=0.0, first=0, route=route, corridor=corridor)
    depart = min(depart_at, fix.at - timedelta(seconds=round(float(d[first]) / params.cruise_mps)))
    return Rest(
        depart_at=depart,
        leave_at=fix.at,
        driven_s=(fix.at - depart).total_seconds(),
        first=first,
        route=replace(
            route,
            **{name: getattr(route, name)[first:] for name in _SAMPLED},
            passes=passes_of(route, params.pass_grade, params.pass_rise_m, params.pass_top_m),
            stops=tuple(s for s in route.stops if s.distance_m >= d[first]),
            jurisdictions=tuple(x for x in route.jurisdictions if x.end_m >= d[first]),
        ),
        corridor=replace(
            corridor,
            cells=replace(
                corridor.cells,
                column_of_sample=corridor.cells.column_of_sample[first:],
                beside_of_sample=corridor.cells.beside_of_sample[first:],
            ),
        ),
    )
