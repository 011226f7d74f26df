"""Matches a truck's reports to its route: the position from which a plan starts."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from alertd.plan.chain_up.chains_on import CLOCKS_APART, ChainsOn, Report, TruckReport, chains_on, ran_fast
from alertd.plan.chain_up.hanging import HangingNow, hanging_now
from alertd.plan.model.notes import PositionFix
from alertd.plan.params import PlanParams
from alertd.route.model import Route, zone_at
from alertd.route.project import find_passes, project
from alertd.units import HOUR_S, to_miles

# Assumed: a truck farther than this from the end, this close in time to a reported arrival, has not arrived.
FAR_FROM_END_M: Final = 16_000.0
SAME_TIME: Final = timedelta(minutes=5)
# Assumed: a truck that is hanging chains rolls a few feet. The last position before may be a few miles old.
WENT_ON_M: Final = 8_000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PositionReport:
    """A position of a truck as reported by its device. `at` is aware."""

    at: datetime
    lat_deg: float
    lon_deg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Stood:
    """A stop of the truck at `distance_m` along its route. Times are aware."""

    began_at: datetime
    ended_at: datetime
    distance_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TripPosition:
    """The result of the reports of a trip.

    depart_at: planned departure, or the last time that the truck was at its start if that was later.
    fix: the position from which the plan starts; None without a usable report.
    notes: cautions for the plan.
    stood: stops on the way, before the fix.
    chains: chains on.
    hanging: hanging in progress at the place of `fix`.
    arrived_at: None under way.
    sent_stops: ids of the chain-up stops last sent to the driver.
    """

    depart_at: datetime
    fix: PositionFix | None = None
    notes: tuple[str, ...] = ()
    stood: tuple[Stood, ...] = ()
    chains: ChainsOn | None = None
    hanging: HangingNow | None = None
    arrived_at: datetime | None = None
    sent_stops: frozenset[str] = frozenset()


def locate(
    route: Route,
    reports: Sequence[PositionReport | TruckReport],
    depart_at: datetime,
    now_utc: datetime,
    params: PlanParams,
) -> TripPosition:
    """Match a trip's reports to its route, oldest first.

    Where the route passes a place more than once, the truck is at a pass that it can have reached since its last
    position. Reports before departure count only when they are on the way. Reports that cannot be used never shorten
    the way ahead, and cause a note. The last position is kept however old it is, and a truck that has arrived stays
    there.
    """
    last = PositionFix(at=depart_at - timedelta(hours=params.fix_early_h), distance_m=0.0, offset_m=0.0)
    fix, left_at, doubt = None, depart_at, ""
    seen: list[PositionFix] = []
    end_m, on_way = float(route.distance_m[-1]), False
    arrived_seen = [r.at for r in reports if isinstance(r, TruckReport) and r.what is Report.ARRIVED_SEEN]
    arrived_at = min(arrived_seen, default=None)
    for report in sorted((r for r in reports if isinstance(r, PositionReport)), key=lambda r: r.at):
        if arrived_at is not None:
            break
        match = _follow(route, report, last, params)
        at_start = match is not None and match.distance_m <= params.fix_off_route_m
        if report.at < depart_at and (match is None or at_start):
            last = match or last
        elif match is None:
            doubt = _doubt(route, report, params)
        else:
            fix, last, doubt = match, match, ""
            left_at = report.at if at_start else left_at
            seen.append(match)
        on_way = on_way or (match is not None and match.distance_m < end_m - params.fix_arrived_m)
        if on_way and fix is not None and fix.distance_m >= end_m - params.fix_arrived_m:
            arrived_at = fix.at
    notes = [doubt] if doubt else []
    if arrived_at is None:
        arrived_at, contradicted = _reported_arrival(route, reports, seen, now_utc, params)
        notes += contradicted
    if arrived_at is not None:
        at_end = PositionFix(at=arrived_at, distance_m=end_m, offset_m=0.0)
        return TripPosition(depart_at=left_at, fix=at_end, stood=_stood(seen, params), arrived_at=arrived_at)
    fix = _where_chained(reports, fix, last, now_utc, params)
    if fix is not None and now_utc - fix.at > timedelta(hours=params.fix_old_h):
        fix = replace(fix, old=True)
        notes.append(_old(route, fix, now_utc))
    on = chains_on((r for r in reports if isinstance(r, TruckReport)), now_utc)
    if on is not None and fix is None and on.since > left_at:  # on the way, at an unknown place
        on = replace(on, placed=False)
    if on is not None:
        on = replace(on, hung_m=_hung_m(on, seen if fix is None else [*seen, fix], left_at))
    fast = None if on is None else ran_fast(seen, on.since)
    if on is not None and fast is not None:
        on = replace(on, doubt=_too_fast(route, on, fast))
        notes.append(on.doubt)
    hanging, went_on = _hanging(route, reports, seen, fix, now_utc)
    notes += went_on
    return TripPosition(
        depart_at=left_at,
        fix=fix,
        hanging=hanging,
        notes=tuple(notes),
        stood=_stood(seen, params),
        chains=on,
        sent_stops=frozenset(r.stop_id for r in reports if isinstance(r, TruckReport) and r.stop_id),
    )


def _where_chained(
    reports: Sequence[PositionReport | TruckReport],
    fix: PositionFix | None,
    last: PositionFix,
    now_utc: datetime,
    params: PlanParams,
) -> PositionFix | None:
    """The place of a report of chains, if newer than any position and within reach of the truck."""
    named = [
        r for r in reports if isinstance(r, TruckReport) and r.place_m is not None and r.at <= now_utc + CLOCKS_APART
    ]
    for r in sorted(named, key=lambda r: r.at):
        reach_m = last.distance_m + params.fix_off_route_m + params.fix_fastest_mps * (r.at - last.at).total_seconds()
        if r.at > last.at and r.place_m is not None and last.distance_m <= r.place_m <= reach_m:
            fix = last = PositionFix(at=r.at, distance_m=r.place_m, offset_m=0.0)
    return fix


def _hanging(
    route: Route,
    reports: Sequence[PositionReport | TruckReport],
    seen: Sequence[PositionFix],
    fix: PositionFix | None,
    now_utc: datetime,
) -> tuple[HangingNow | None, list[str]]:
    """The hanging in progress, and a note where the truck went on without a report that it was done."""
    begun = hanging_now((r for r in reports if isinstance(r, TruckReport)), now_utc)
    if begun is None or fix is None:
        return None, []
    before = [f for f in seen if f.at <= begun.since]
    after = [f for f in seen if f.at > begun.since]
    there = before[-1] if before else after[0] if after else fix
    if fix.distance_m <= there.distance_m + WENT_ON_M:
        return begun, []
    at = _clock_at(route, begun.since, there.distance_m)
    return None, [f"Hanging chains was reported begun at {at}, and the truck went on: report chains on if they are"]


def _hung_m(on: ChainsOn, seen: Sequence[PositionFix], left_at: datetime) -> float | None:
    """The last place of the truck by the time of the report of chains on, oldest first; its start before it left."""
    before = [fix.distance_m for fix in seen if fix.at <= on.since]
    return before[-1] if before else 0.0 if on.since <= left_at else None


def _reported_arrival(
    route: Route,
    reports: Sequence[PositionReport | TruckReport],
    seen: Sequence[PositionFix],
    now_utc: datetime,
    params: PlanParams,
) -> tuple[datetime | None, list[str]]:
    """The arrival reported by a person, and a note where the positions contradict it."""
    reported = [r.at for r in reports if isinstance(r, TruckReport) and r.what is Report.ARRIVED]
    reported = [at for at in reported if at <= now_utc + CLOCKS_APART]
    if not reported:
        return None, []
    at, end_m = min(reported), float(route.distance_m[-1])
    far = _contradicts(at, end_m, seen, params)
    if far is None:
        return at, []
    text = (
        f"Arrival was reported, but the truck was seen {to_miles(far.distance_m):.0f} mi on the way at "
        f"{_clock_at(route, far.at, far.distance_m)}: planned as under way"
    )
    return None, [text]


def _contradicts(at: datetime, end_m: float, seen: Sequence[PositionFix], params: PlanParams) -> PositionFix | None:
    """A position that contradicts a reported arrival: too far from the end before or then, or under way since.

    A truck that drives back over the same road after its arrival contradicts nothing.
    """
    far = [f for f in seen if end_m - f.distance_m > FAR_FROM_END_M]
    for f in far:
        left_s = (at - f.at).total_seconds()
        out_of_reach = left_s >= 0.0 and end_m - f.distance_m > params.fix_fastest_mps * left_s + params.fix_off_route_m
        at_that_time = abs(left_s) <= SAME_TIME.total_seconds()
        goes_on = any(g.at > f.at >= at and g.distance_m - f.distance_m > FAR_FROM_END_M / 2.0 for g in seen)
        if out_of_reach or at_that_time or goes_on:
            return f
    return None


def _stood(seen: Sequence[PositionFix], params: PlanParams) -> tuple[Stood, ...]:
    """Where and when the truck stood. A continuing stop counts up to its last position."""
    out: list[Stood] = []
    first = 0
    for n in range(1, len(seen) + 1):
        if n < len(seen) and abs(seen[n].distance_m - seen[first].distance_m) <= params.fix_stands_m:
            continue
        began, ended = seen[first], seen[n - 1]
        if (ended.at - began.at).total_seconds() >= params.fix_stands_s:
            out.append(Stood(began_at=began.at, ended_at=ended.at, distance_m=began.distance_m))
        first = n
    return tuple(out)


def _follow(route: Route, report: PositionReport, last: PositionFix, params: PlanParams) -> PositionFix | None:
    """The report on the route; None when off the route, or too far ahead of the last position.

    The match is near or beyond the last position, else behind it. A truck sometimes turns round; the road ahead is then
    longer, never shorter.
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
        off_text = f"{miles:.0f}" if miles >= 1.5 else f"{miles:.1f}"
        return f"Truck was seen {off_text} mi off the route at {when}; this plan holds only if it comes back to it"
    return (
        f"Truck was reported {to_miles(float(along_m)):.0f} mi on the way at {when}, further than it can have come: "
        "not counted with; check which truck reports for this trip"
    )


def _old(route: Route, fix: PositionFix, now_utc: datetime) -> str:
    hours = (now_utc - fix.at).total_seconds() / HOUR_S
    return (
        f"Truck was last seen {hours:.0f} h ago, at {_clock_at(route, fix.at, fix.distance_m)} "
        f"{to_miles(fix.distance_m):.0f} mi on the way: planned from there as if it went on now, and for every hour "
        "since; it may be anywhere from there on"
    )


def _too_fast(route: Route, on: ChainsOn, fast: PositionFix) -> str:
    return (
        f"Chains were reported on at {_clock_at(route, on.since, fast.distance_m)}, but the truck ran faster than "
        f"chains allow from {to_miles(fast.distance_m):.0f} mi on the way: planned without chains; report them off"
    )


def _clock_at(route: Route, at: datetime, distance_m: float) -> str:
    """Local time at a place of the route."""
    i = int(np.argmin(np.abs(route.distance_m - distance_m)))
    return _clock(at, float(route.lat_deg[i]), float(route.lon_deg[i]))


def _clock(at: datetime, lat_deg: float, lon_deg: float) -> str:
    return at.astimezone(ZoneInfo(zone_at(lat_deg, lon_deg))).strftime("%H:%M %Z")
