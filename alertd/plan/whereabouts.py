"""From what a truck's device reported to the place on its route that a plan counts from."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from alertd.plan.params import PlanParams
from alertd.plan.result import PositionFix
from alertd.route.line import Route
from alertd.route.snap import find_passes, project
from alertd.route.timezone import zone_at
from alertd.units import HOUR_S, to_miles


@dataclass(frozen=True, slots=True, kw_only=True)
class PositionReport:
    """Where a truck was at a moment, as its device said. `at` is aware."""

    at: datetime
    lat_deg: float
    lon_deg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Whereabouts:
    """What the reports of a trip come to: a departure, a place to count from, and what the plan must say of them.

    depart_at: when it is to leave, or when it was last seen at its start if that was later. fix: None when no report
    can be counted from.
    """

    depart_at: datetime
    fix: PositionFix | None = None
    notes: tuple[str, ...] = ()


def locate(
    route: Route, reports: Sequence[PositionReport], depart_at: datetime, now_utc: datetime, params: PlanParams
) -> Whereabouts:
    """Follow a trip's reports along its route, oldest first.

    Where the route passes a place more than once, the truck is where it can have come to since it was last seen, not
    further on. What was reported before departure counts only once it lies on the way. What cannot be counted with
    never shortens the way ahead, and is said.
    """
    last = PositionFix(at=depart_at - timedelta(hours=params.fix_early_h), distance_m=0.0, offset_m=0.0)
    fix, left_at, doubt = None, depart_at, ""
    for report in sorted(reports, key=lambda r: r.at):
        found = _follow(route, report, last, params)
        at_start = found is not None and found.distance_m <= params.fix_off_route_m
        if report.at < depart_at and (found is None or at_start):
            last = found or last
        elif found is None:
            doubt = _doubt(route, report, params)
        else:
            fix, last, doubt = found, found, ""
            left_at = report.at if at_start else left_at
    if fix is not None and now_utc - fix.at > timedelta(hours=params.fix_old_h):
        return Whereabouts(depart_at=depart_at, notes=tuple(filter(None, (doubt, _old(route, fix, now_utc)))))
    return Whereabouts(depart_at=left_at, fix=fix, notes=(doubt,) if doubt else ())


def _follow(route: Route, report: PositionReport, last: PositionFix, params: PlanParams) -> PositionFix | None:
    """The report on the route; None off it, or further on than a truck can have come since it was last seen.

    At or past the last place before behind it: a truck turns round now and then, and what lies ahead of it then is
    more road, never less.
    """
    slack_m = params.fix_off_route_m
    passes = find_passes(route, report.lat_deg, report.lon_deg, max_offset_m=slack_m)
    reach_m = last.distance_m + slack_m + params.fix_fastest_mps * (report.at - last.at).total_seconds()
    near = [p for p in passes if last.distance_m - slack_m <= p[0] <= reach_m]
    behind = [p for p in passes if p[0] < last.distance_m - slack_m]
    if not near and not behind:
        return None
    distance_m, offset_m = near[0] if near else behind[-1]
    return PositionFix(at=report.at, distance_m=distance_m, offset_m=offset_m)


def _doubt(route: Route, report: PositionReport, params: PlanParams) -> str:
    (along_m,), (offset_m,) = project(route, np.array([report.lat_deg]), np.array([report.lon_deg]))
    when = _clock(report.at, report.lat_deg, report.lon_deg)
    if abs(offset_m) > params.fix_off_route_m:
        miles = to_miles(abs(float(offset_m)))
        off = f"{miles:.0f}" if miles >= 1.5 else f"{miles:.1f}"
        return f"Truck was seen {off} mi off the route at {when}; this plan holds only if it comes back to it"
    return (
        f"Truck was reported {to_miles(float(along_m)):.0f} mi on the way at {when}, further than it can have come: "
        "not counted with; check which truck reports for this trip"
    )


def _old(route: Route, fix: PositionFix, now_utc: datetime) -> str:
    i = int(np.argmin(np.abs(route.distance_m - fix.distance_m)))
    when = _clock(fix.at, float(route.lat_deg[i]), float(route.lon_deg[i]))
    hours = (now_utc - fix.at).total_seconds() / HOUR_S
    return (
        f"Truck was last seen {hours:.0f} h ago, at {when} {to_miles(fix.distance_m):.0f} mi on the way: too long ago "
        "to count from, so this plan goes by the departure"
    )


def _clock(at: datetime, lat_deg: float, lon_deg: float) -> str:
    return at.astimezone(ZoneInfo(zone_at(lat_deg, lon_deg))).strftime("%H:%M %Z")
