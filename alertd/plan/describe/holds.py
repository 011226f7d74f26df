"""Describes reasons to wait: the hazards of our own forecast as notes, and where and until when to wait."""

import math
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from typing import Final

import numpy as np

from alertd.plan.chain_up.solution import Solution
from alertd.plan.chain_up.stop_candidates import has_room
from alertd.plan.describe.stretches import first_passable, stop_choice
from alertd.plan.model.notes import ClosureNote, HoldNote
from alertd.plan.model.stretches import Advice, Stretch
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.hazards import ICE, SIGHT, WIND, Hazard, hazards, hours_on_hold
from alertd.plan.road_ahead.timing import free_s
from alertd.plan.road_ahead.wind import WindHours
from alertd.route.model import zone_at
from alertd.rules.rig import IdentityKey
from alertd.units import HOUR_S, to_miles, to_mph

OUR_FORECAST: Final = "our forecast"
WHAT: Final = {
    (ICE, True): "Ice over a long way",
    (WIND, True): "Gusts too strong for this rig",
    (WIND, False): "Strong gusts",
    (SIGHT, True): "No sight: fog, snow or blowing snow",
    (SIGHT, False): "Poor sight",
}


def hazard_notes(
    run: Solution, wind: WindHours | None, leave_at: datetime, params: PlanParams
) -> tuple[ClosureNote, ...]:
    """One note for each hazard on the way, in the order of the road."""
    need = run.encounter.hourly_need
    found = hazards(need, wind, run.encounter.hour, run.code, params)
    return tuple(_note(x, run, wind, leave_at, params) for x in found)


def _note(x: Hazard, run: Solution, wind: WindHours | None, leave_at: datetime, params: PlanParams) -> ClosureNote:
    sections, need = run.sections, run.encounter.hourly_need
    start_m, end_m = float(sections.edge_m[x.first]), float(sections.edge_m[x.last + 1])
    at = int(sections.first[x.first])
    enter = leave_at + timedelta(seconds=round(float(run.reach_s(start_m))))
    leave = leave_at + timedelta(seconds=round(float(run.reach_s(end_m))))
    ends = None
    first = max(math.ceil((enter.timestamp() - need.first_epoch_s) / HOUR_S), 0)
    if first < need.hours:
        ends = first_passable(hours_on_hold(x, need, wind, first, params), first, need)
    return ClosureNote(
        what=WHAT[x.kind, x.holds],
        source=OUR_FORECAST,
        where="",
        start_m=start_m,
        end_m=end_m,
        zone=zone_at(float(sections.route.lat_deg[at]), float(sections.route.lon_deg[at])),
        enter_at=enter.astimezone(UTC),
        begins_at=leave_at.astimezone(UTC),
        ends_at=ends,
        met=True,
        held=x.holds,
        posted=False,
        kind=x.kind,
        probability=x.frac,
        detail=_detail(x),
        worst=x.worst,
        leave_at=leave.astimezone(UTC),
    )


def _detail(x: Hazard) -> str:
    if x.kind == ICE:
        return f"{to_miles(x.worst):.0f} mi of it, half speed or less"
    if x.kind == WIND:
        return f"up to {to_mph(x.worst):.0f} mph"
    return f"down to {math.ceil(x.worst / 50.0) * 50:.0f} m"


def hold_note(
    run: Solution,
    stretches: Sequence[Stretch],
    notes: Sequence[ClosureNote],
    leave_at: datetime,
    params: PlanParams,
) -> HoldNote | None:
    """The first reason to wait on the way; None without one.

    The arrival is not before any of the reasons ends, and then takes at least the time of a dry road from there.
    """
    held = [
        (n.start_m, n.end_m, n.what if n.kind else f"{n.what} by {n.source}", n.ends_at, n.zone, n.enter_at)
        for n in notes
        if n.held
    ]
    held += [
        (s.start_m, s.end_m, _why(s), s.hold_until, s.zone, s.enter_at) for s in stretches if s.advice is Advice.HOLD
    ]
    if not held:
        return None
    start_m, end_m, what, until, zone, enter = min(held, key=lambda h: (h[0], h[3] is not None))
    route = run.sections.route

    def reach(distance_m: float) -> datetime:
        return leave_at + timedelta(seconds=round(float(run.reach_s(distance_m))))

    before = [s for s in route.stops if s.distance_m <= start_m and s.stop.listed and has_room(s, params)]
    stop = max(before, key=lambda s: s.distance_m, default=None)
    wait = stop_choice(route, stop, 0, start_m, "the last listed stop before it" if stop else "", reach, 0.0)
    dry_s = _dry_clock(run, params)
    ends = [None if h[3] is None else h[3] + timedelta(seconds=round(dry_s(h[0]))) for h in held]
    known = [e for e in ends if e is not None]
    return HoldNote(
        what=what,
        start_m=start_m,
        end_m=end_m,
        zone=zone,
        enter_at=enter,
        wait=wait,
        at_start=stop is None and float(route.distance_m[0]) <= 0.0,
        until=until,
        not_before=max(known) if len(known) == len(ends) else None,
    )


def _why(s: Stretch) -> str:
    if s.barred:
        return "Rig may be barred"
    if s.snow_closed_frac > 0.0 and s.snow_closed_frac >= s.grip_short_chained_frac:
        return "Road expected to be closed by snow"
    return "Grip short even with chains"


def _dry_clock(run: Solution, params: PlanParams) -> Callable[[float], float]:
    """Seconds on a dry road from a place to the end."""
    sections = run.sections
    free = free_s(sections, IdentityKey(run.encounter.hourly_need.rig), params)
    at_edge = np.append(0.0, np.cumsum(free))

    def left_s(from_m: float) -> float:
        return float(at_edge[-1] - np.interp(from_m, sections.edge_m, at_edge))

    return left_s
