"""Cuts a trip at the position of its truck: route, law and road ahead, and the clock at that point."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final

import numpy as np

from alertd.plan.hours.laws import Duty
from alertd.plan.hours.limits import Spell
from alertd.plan.model.notes import PositionFix
from alertd.plan.params import PlanParams
from alertd.plan.position.map_match import Stood
from alertd.plan.road_ahead.hourly_need import Corridor
from alertd.route.model import Route
from alertd.route.passes import passes_of
from alertd.route.sustained_grade import sustained_grade
from alertd.units import HOUR_S

# [A] Nobody stands on duty for so long: it is a rest, or the long part of one.
REST_LEAST_S: Final = 7.0 * HOUR_S
_SAMPLED: Final = ("lat_deg", "lon_deg", "distance_m", "elevation_m", "grade", "bearing_deg")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RemainingTrip:
    """The way ahead, at distances from the start of the trip; the whole way before departure.

    depart_at: when the truck left the start, or the latest time at which it can have left.
    leave_at: when the truck is at the first sample.
    before: the spells between: driving, and on duty for known stops. With an old position the truck leaves it now; the
        time since then counts neither as driving nor as rest.
    """

    depart_at: datetime
    leave_at: datetime
    before: tuple[Spell, ...]
    first: int
    route: Route
    corridor: Corridor


def remaining_trip(
    route: Route,
    depart_at: datetime,
    fix: PositionFix | None,
    corridor: Corridor,
    params: PlanParams,
    now_utc: datetime,
    stood: Sequence[Stood] = (),
) -> RemainingTrip:
    """The trip that remains from the position of the truck; times are aware.

    The position moves back by the tolerance of a fix, to a sample. A stop where the truck may be standing is then not
    behind it.
    """
    if fix is None:
        return RemainingTrip(
            depart_at=depart_at, leave_at=depart_at, before=(), first=0, route=route, corridor=corridor
        )
    d = route.distance_m
    leave = max(fix.at, now_utc) if fix.old else fix.at
    first = int(np.searchsorted(d, fix.distance_m - params.fix_off_route_m, side="right")) - 1
    first = min(max(first, 0), d.size - 2)
    if first == 0:
        leave = max(depart_at, leave)
        return RemainingTrip(depart_at=leave, leave_at=leave, before=(), first=0, route=route, corridor=corridor)
    here_m = float(d[first])
    halts = [x for x in stood if x.ended_at <= fix.at]
    stood_s = sum((x.ended_at - x.began_at).total_seconds() for x in halts)
    depart = min(depart_at, fix.at - timedelta(seconds=round(here_m / params.cruise_mps + stood_s)))
    if fix.old:
        halts.append(Stood(began_at=fix.at, ended_at=leave, distance_m=here_m))
    return RemainingTrip(
        depart_at=depart,
        leave_at=leave,
        before=_before(depart, leave, here_m, halts),
        first=first,
        route=replace(
            route,
            **{name: getattr(route, name)[first:] for name in _SAMPLED},
            curve_mps=None if route.curve_mps is None else route.curve_mps[first:],
            passes=passes_of(route, params.pass_grade, params.pass_rise_m, params.pass_top_m),
            sustained=sustained_grade(route)[first:],
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


def _before(depart: datetime, leave: datetime, here_m: float, halts: Sequence[Stood]) -> tuple[Spell, ...]:
    """The time from the start to the position of the truck: driving, and on duty where it stood.

    A standing truck is not driven: 49 CFR part 395, subpart B, appendix A, 4.4.1.2 (from memory) requires a recorder to
    log a vehicle that stands for some minutes as on duty, not driving. A stand of `REST_LEAST_S` is a rest off duty. A
    shorter one is not credited as a part of a rest (49 CFR 395.1(g)(1)(ii)): a position does not show rest.
    """
    out: list[Spell] = []
    now_s, at_m, total_s = 0.0, 0.0, (leave - depart).total_seconds()
    for halt in sorted(halts, key=lambda x: x.began_at):
        began_s, ended_s = (
            min(max((t - depart).total_seconds(), now_s), total_s) for t in (halt.began_at, halt.ended_at)
        )
        if ended_s <= began_s:
            continue
        halt_m = min(max(halt.distance_m, at_m), here_m)
        if began_s > now_s:
            out.append(Spell(duty=Duty.DRIVING, start_s=now_s, end_s=began_s, start_m=at_m, end_m=halt_m))
        duty = Duty.OFF if ended_s - began_s >= REST_LEAST_S else Duty.ON_DUTY
        out.append(Spell(duty=duty, start_s=began_s, end_s=ended_s, start_m=halt_m, end_m=halt_m))
        now_s, at_m = ended_s, halt_m
    if total_s > now_s:
        out.append(Spell(duty=Duty.DRIVING, start_s=now_s, end_s=total_s, start_m=at_m, end_m=here_m))
    return tuple(out)
