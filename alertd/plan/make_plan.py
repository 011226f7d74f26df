"""One trip at one moment: from route, rig, rules and road field to a plan. Same inputs, same bytes."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TypeAlias
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from alertd.plan.chain_up.solution import Solution
from alertd.plan.controls.closures import closure_cautions, closure_notes
from alertd.plan.controls.overlay import belief_frac
from alertd.plan.controls.road_seen import SeenNotes, seen_notes
from alertd.plan.days.choices import Leaving
from alertd.plan.days.days_plan import days_note, delivery_note, end_cautions, one_day_stands
from alertd.plan.days.notes import days_hours_note, since_last_rest
from alertd.plan.days.outlook import UNLIKELY, is_beyond
from alertd.plan.days.trip_stops import stop_cautions
from alertd.plan.departure_picks import leave_by, pick_departures
from alertd.plan.departures import HoldReasons, compare_departures
from alertd.plan.describe.along import along_of
from alertd.plan.describe.arrivals import arrival_window, arrivals_of, not_before
from alertd.plan.describe.bridges import bridge_notes
from alertd.plan.describe.control_notes import needs_ready, posted_cautions, posted_notes
from alertd.plan.describe.holds import hazard_notes, hold_note
from alertd.plan.describe.law import LawOnWay, land_laws, law_cautions, law_change_notes
from alertd.plan.describe.provenance import carry_notes, cautions, rule_notes, source_notes
from alertd.plan.describe.stretches import chains_note, describe, with_sent_place
from alertd.plan.describe.surfaces import is_winter_road, surface_stretches
from alertd.plan.drive import RemainingDrive, in_force, plan_drive
from alertd.plan.hours.notes import hours_note
from alertd.plan.model.alternatives import Departure
from alertd.plan.model.days import DaysNote
from alertd.plan.model.notes import HoursNote
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice, Stretch, SurfaceStretch
from alertd.plan.params import PlanParams
from alertd.plan.request import PlanRequest, TripInput
from alertd.plan.road_ahead.wind import WindHours, wind_hours
from alertd.plan.serialize import with_id
from alertd.route.model import zone_at
from alertd.rules.rig import IdentityKey, Rig

Array: TypeAlias = NDArray[np.float64]


def make_plan(request: PlanRequest) -> Plan:
    """Plan one trip. Raises ValueError when times are naive."""
    trip, route, rig = request.trip, request.route, request.rig
    weather, params, now_utc = request.weather, request.params, request.now_utc
    whole_law = request.rulesets
    request = in_force(request)
    if trip.depart_at.utcoffset() is None or now_utc.utcoffset() is None:
        raise ValueError("departure and now must be aware")
    went = plan_drive(request)
    run, leave, laws = went.solution, went.remaining.leave_at.astimezone(UTC), went.solution.encounter.hourly_need.laws
    stretches = _stretches(run, rig.nameless, leave.timestamp(), params, trip.sent_stops)
    taken_s = float(run.reach_s(route.length_m))
    early, late = (leave + timedelta(seconds=round(s)) for s in np.quantile(run.finish_s, (0.1, 0.9)).tolist())
    if trip.fix is not None and trip.fix.old:  # the truck may have gone on after its last report
        early = min(early, max(trip.fix.at + (early - leave), now_utc.astimezone(UTC)))
    depart_zone, arrive_zone = (zone_at(float(route.lat_deg[i]), float(route.lon_deg[i])) for i in (0, -1))
    arrive_at = leave + timedelta(seconds=round(taken_s))
    active = [s for s in trip.posted.spans if belief_frac(run.encounter.hourly_need, run.encounter.hour, s) > 0.0]
    winter = is_winter_road(run.code, run.sections, params)
    may_require = bool(stretches) or winter or bool(run.unknown.any()) or weather.partial
    carry = carry_notes(
        laws, rig, leave, max(arrive_at, late), (depart_zone, arrive_zone), active, winter_road=may_require
    )
    hangings = [s.hanging for s in stretches]
    sources = source_notes(weather.forecast, now_utc, params)
    used = {(d.jurisdiction, d.clause) for h in hangings for d in h.demands} | {
        (c.jurisdiction, c.clause) for c in carry
    }
    rules = rule_notes(laws, leave.date(), used)
    bridges = bridge_notes(run, leave.timestamp(), params)
    known_at = weather.forecast.issued_at or weather.forecast.fetched_at if weather.forecast.provider else None
    hours = _hours(trip, went, late, known_at, params)
    days = _days(request, went, stretches, known_at)
    if went.days is not None:
        stretches = tuple(s for s in stretches if _is_near(went, s.enter_at, known_at or now_utc))
    bridges = tuple(b for b in bridges if _is_near(went, b.arrive_at, known_at or now_utc))
    over = trip.arrived_at is not None
    surfaces = () if over else _surfaces(run, stretches, leave.timestamp(), params)
    if went.days is not None:
        surfaces = tuple(x for x in surfaces if _is_near(went, x.enter_at, known_at or now_utc))
    partial = not over and (weather.partial or any(s.stale for s in sources) or bool(run.unknown.any()))
    closures = closure_notes(
        trip.closures, run.sections.route, run.reach_s, leave, weather.corridor.clock_z, now_utc, params
    )
    wind = wind_hours(weather.forecast, run.encounter.hourly_need, params)
    own = (n for n in hazard_notes(run, wind, leave, params) if _is_near(went, n.enter_at, known_at or now_utc))
    closures = (*closures, *own)
    posted = posted_notes(trip.posted.spans, run, leave, request.rulesets)
    seen = SeenNotes() if over else seen_notes(trip.seen, run.sections.route, run.reach_s, leave)
    ready = (
        partial
        or bool(seen.cautions)
        or needs_ready(posted)
        or (days is not None and any(x.odds != UNLIKELY for x in days.outlook))
    )
    advice = _advice(stretches, partial=ready, winter=winter)
    if any(c.held for c in closures):
        advice = Advice.HOLD
    elif any(c.kind and c.met for c in closures):
        advice = max(advice, Advice.SLOW, key=lambda a: a.rank)
    if over:
        stretches, closures, posted, bridges, carry, advice = (), (), (), (), (), Advice.CLEAR
    elif advice is Advice.CLEAR and _has_arrived_by_plan(trip, run, late - leave, now_utc, params):
        seen_last = replace(trip.fix, old=False) if trip.fix else None
        return make_plan(replace(request, trip=replace(trip, fix=seen_last)))
    on_way = LawOnWay(
        laws=laws, rig=rig, run=run, leave_at=leave, stretches=stretches, carry=carry, posted=posted, winter=may_require
    )
    law = () if over else land_laws(on_way)
    changes = (
        () if over else law_change_notes(whole_law, laws, rig, now_utc.astimezone(ZoneInfo(depart_zone)).date(), params)
    )
    hold = hold_note(run, stretches, closures, leave, params) if advice is Advice.HOLD else None
    arrivals = None if over or hold is not None else arrivals_of(run, stretches, leave)
    if hold is not None:
        arrive_at, early, late = not_before(hold, (arrive_at, early, late), run)
    elif arrivals is not None:
        early, late = arrival_window(arrivals, run, leave, (early, late), params)
    # Minutes are the mean of both futures: they change little where the advice changes.
    expected_s = None if arrivals is None else (arrivals.expected_at - leave).total_seconds()
    # Other departures are judged by the forecast alone, which what was seen contradicts.
    contradicted = bool(seen.cautions) and not stretches
    compared = () if over or contradicted else _compared(trip, went, wind, now_utc, params)
    plan = Plan(
        id="",
        trip_id=trip.id,
        made_at=now_utc.astimezone(UTC),
        route_name=route.name,
        credits=route.credits,
        route_length_m=route.length_m,
        rig_id=rig.id,
        rig_name=rig.name,
        driver=trip.driver,
        dispatcher=trip.dispatcher,
        depart_at=went.remaining.depart_at,
        depart_zone=depart_zone,
        arrive_zone=arrive_zone,
        advice=advice,
        stretches=stretches,
        arrive_at=arrive_at,
        arrive_early=early,
        arrive_late=late,
        arrive_unhindered=leave + timedelta(seconds=round(run.unhindered_s)),
        cost_s=(taken_s if expected_s is None else expected_s) - run.unhindered_s,
        singles_needed=max((h.singles_n for h in hangings), default=0),
        singles_carried=rig.singles_carried,
        doubles_carried=rig.doubles_carried,
        chain_size=rig.chain_size,
        singles_short=max([h.singles_short for h in hangings] + [c.singles_short for c in carry if c.certain] + [0]),
        carry=carry,
        sources=sources,
        rules=rules,
        cautions=(
            *closure_cautions(closures, now_utc),
            *posted_cautions(posted, now_utc, params),
            *seen.cautions,
            *trip.posted.notes,
            *trip.position_notes,
            *law_cautions(law, changes),
            *cautions(run, sources, rules, carry, bridges, weather.doubt),
            *end_cautions(days, arrive_zone),
            *stop_cautions(request.route, trip.stops, planned=days is not None or over),
            *weather.notes,
        ),
        partial=partial,
        members_n=went.solution.encounter.hourly_need.members,
        chain_probability=run.chain_odds,
        along=along_of(run, leave),
        bridges=bridges,
        departures=compared,
        hours=hours,
        position=trip.fix,
        closures=closures,
        warnings_known=trip.warnings_known,
        posted=posted,
        posted_missing=trip.posted.missing,
        language=trip.language,
        lands=tuple(dict.fromkeys(s.code for s in route.jurisdictions if s.code)),
        surfaces=surfaces,
        chains=None if over or trip.chains is None else chains_note(trip.chains, run, rig, leave, params),
        hanging_since=None if over or trip.hanging is None else trip.hanging.since,
        arrived_at=trip.arrived_at,
        input_notes=(*seen.remarks, *weather.remarks),
        arrivals=arrivals,
        hold=hold,
        law=law,
        law_changes=changes,
        days=None if over else days,
        delivery=None if over else delivery_note(trip.delivery, run, leave, arrive_at, arrivals, arrive_zone),
    )
    return with_id(_with_comparison(plan, sum(x.driven and not x.stays_on for x in run.legs), params))


def _stretches(
    run: Solution, rig: Rig, depart_epoch_s: float, params: PlanParams, sent_stops: frozenset[str]
) -> tuple[Stretch, ...]:
    """The stretches of a solution; the same objects for all trips with it, which are then encoded once."""
    return run.described.answer(
        "stretches",
        (IdentityKey(rig), depart_epoch_s, params, sent_stops),
        lambda: tuple(
            with_sent_place(describe(x, run, rig, depart_epoch_s, params), run, sent_stops, params) for x in run.legs
        ),
    )


def _surfaces(
    run: Solution, stretches: tuple[Stretch, ...], depart_epoch_s: float, params: PlanParams
) -> tuple[SurfaceStretch, ...]:
    """The winter road of a solution; the same objects like `_stretches`."""
    return run.described.answer(
        "surfaces",
        (IdentityKey(stretches), depart_epoch_s, params),
        lambda: surface_stretches(run, stretches, depart_epoch_s, params),
    )


def _hours(
    trip: TripInput, went: RemainingDrive, late: datetime, known_at: datetime | None, params: PlanParams
) -> HoursNote | None:
    """The driver's hours: of the last duty period where the trip has rests."""
    depart_at, before = went.remaining.depart_at, went.remaining.before
    if went.days is None:
        used, depart_at, before = since_last_rest(trip.used, went.solution, depart_at, before)
        return hours_note(went.solution, used, depart_at, late, known_at, params, before)
    return days_hours_note(went.days, trip.used, depart_at, known_at)


def _days(
    request: PlanRequest, went: RemainingDrive, stretches: tuple[Stretch, ...], known_at: datetime | None
) -> DaysNote | None:
    """Rests, outlook and choices of a trip of several days; None for others."""
    trip, now_utc = request.trip, request.now_utc.astimezone(UTC)
    if went.days is None:
        return None
    has_left = trip.fix is not None or trip.chains is not None
    leaving = Leaving(leave_at=went.remaining.leave_at.astimezone(UTC), now_utc=now_utc, has_left=has_left)
    return days_note(went.days, stretches, leaving, known_at or now_utc)


def _is_near(went: RemainingDrive, at: datetime, known_at: datetime) -> bool:
    """False for what a trip of several days meets beyond the good forecast: it is part of the outlook."""
    return went.days is None or not is_beyond(at, known_at)


def _with_comparison(plan: Plan, hangings: int, params: PlanParams) -> Plan:
    """The plan with the planned departure among the others as it is itself, and the departures worth showing."""
    compared = tuple(_as_planned(d, plan, hangings) if d.depart_at == plan.depart_at else d for d in plan.departures)
    return replace(
        plan,
        departures=compared,
        picks=() if plan.partial else pick_departures(compared, plan.depart_at, params),
        leave_by=None if plan.partial else leave_by(compared, plan.depart_at, params),
    )


def _as_planned(d: Departure, plan: Plan, hangings: int) -> Departure:
    """The planned departure of a comparison, with the figures of the plan itself; with a hold it has one arrival."""
    return replace(
        d,
        advice=plan.advice,
        arrive_at=plan.arrive_at,
        arrivals=None if plan.advice is Advice.HOLD else plan.arrivals or d.arrivals,
        probability=plan.chain_probability,
        lost_s=plan.cost_s,
        hangings=hangings,
    )


def _has_arrived_by_plan(
    trip: TripInput, solution: Solution, late: timedelta, now_utc: datetime, params: PlanParams
) -> bool:
    """Whether a truck without new reports has arrived by the plan: little was left to drive, on a clear road."""
    fix = trip.fix
    return fix is not None and fix.old and solution.unhindered_s <= params.fix_nearly_s and fix.at + late < now_utc


def _compared(
    trip: TripInput, went: RemainingDrive, wind: WindHours | None, now_utc: datetime, params: PlanParams
) -> tuple[Departure, ...]:
    """Other departures, where the truck has not left and spends no night on the way; with its stops and breaks."""
    if params.compare_h <= 0.0 or trip.fix is not None or trip.chains is not None:
        return ()
    reasons, depart_at = HoldReasons(closures=trip.closures, wind=wind), went.remaining.depart_at
    hourly_need = went.solution.encounter.hourly_need
    if went.days is None:
        return compare_departures(hourly_need, depart_at, now_utc, trip.used, params, reasons, trip.sent_stops)
    one_day = one_day_stands(went.days)
    if one_day is None:
        return ()
    stands, first = one_day
    need = replace(hourly_need, stands=stands)
    found = compare_departures(need, depart_at, now_utc, trip.used, params, reasons, trip.sent_stops)
    return tuple(d for d in found if d.depart_at == depart_at or d.depart_at >= first)


def _advice(stretches: tuple[Stretch, ...], *, partial: bool, winter: bool) -> Advice:
    """The strictest advice; never clear on a winter road, on old or missing data, or with any road unknown."""
    least = Advice.READY if partial else Advice.SLOW if winter else Advice.CLEAR
    return max((least, *(s.advice for s in stretches)), key=lambda a: a.rank)
