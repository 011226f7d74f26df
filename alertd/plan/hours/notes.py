"""Describes the driver's hours from a solution and the hours used before, and places breaks."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.plan.chain_up.solution import Solution
from alertd.plan.chain_up.stop_candidates import has_room
from alertd.plan.hours.laws import Duty, HoursRules, later_laws, rules_for
from alertd.plan.hours.limits import (
    MAX_BREAKS,
    HoursUsed,
    Limit,
    Spell,
    break_limit,
    limits,
    timeline,
    with_break,
)
from alertd.plan.model.notes import BreakNote, HoursLimit, HoursNote
from alertd.plan.params import PlanParams
from alertd.route.model import Route
from alertd.route.stops import RouteStop
from alertd.units import HOUR_S, to_miles

Array: TypeAlias = NDArray[np.float64]


def hours_note(
    solution: Solution,
    used: HoursUsed,
    depart_at: datetime,
    arrive_late: datetime,
    known_at: datetime | None,
    params: PlanParams,
    before: Sequence[Spell] = (),
) -> HoursNote | None:
    """The hours of this trip, or None where no hours law is on file for the land where it starts. Times are aware.

    arrive_late: arrival of a second, cautious check: slower all the way and chained at every "be ready" leg too.
    known_at: time of the forecast.
    before: for a truck under way, the spells from departure to the first sample of the route.
    """
    route = solution.sections.route
    rules = rules_for([s.code for s in route.jurisdictions])
    if rules is None:
        return None
    spells = timeline(solution.sections.edge_m, solution.moving_s, solution.stopped_times, before)
    if not spells:
        return None
    later = later_laws(route.jurisdictions, rules)
    spells, breaks = place_breaks(spells, used, rules, depart_at, route, solution, params)
    for law, _, end_m in later:
        due_m = break_limit(spells, used, law).reached_m
        if due_m is not None and due_m <= end_m:
            spells, more = place_breaks(spells, used, law, depart_at, route, solution, params)
            breaks = (*breaks, *more)
    gone_s = before[-1].end_s if before else 0.0
    late = cautious_timeline(solution, (arrive_late - depart_at).total_seconds() - gone_s, params, before)
    late, _ = place_breaks(late, used, rules, depart_at, route, solution, params)
    planned = (*limits(spells, used, rules, depart_at), *_of_later(spells, used, later, depart_at))
    planned_late = (*limits(late, used, rules, depart_at), *_of_later(late, used, later, depart_at))
    ok, late_ok = _all_hold(planned), _all_hold(planned_late)
    return HoursNote(
        law="; ".join((rules.name, *(f"then {law.name}" for law, _, _ in later))),
        law_text="; ".join((rules.text, *(f"{law.name}: {law.text}" for law, _, _ in later))),
        ok=ok,
        ok_if_late=late_ok,
        not_given=_not_given(used, rules),
        limits=tuple(_limit(x, depart_at, route) for x in planned),
        breaks=breaks,
        arrival_delay_s=60.0 * sum(b.minutes for b in breaks if b.at_m is not None),
        adverse_exception=adverse_words(rules, depart_at, known_at),
        known_at=known_at,
        reasons=(
            *_reasons(planned, solution, rules, used, depart_at, ok and not late_ok),
            *stood_words(before, rules, float(route.distance_m[0])),
        ),
    )


def _of_later(
    spells: Sequence[Spell],
    used: HoursUsed,
    later: Sequence[tuple[HoursRules, float, float]],
    depart_at: datetime,
) -> tuple[Limit, ...]:
    """The limits of later lands' laws that are reached there, or before and exceeded at the border."""
    found = []
    for law, start_m, end_m in later:
        for x in limits(spells, used, law, depart_at):
            if x.reached_m is None or x.reached_s is None or x.reached_m > end_m:
                continue
            border_s = next((s.start_s for s in spells if s.start_m <= start_m <= s.end_m), x.reached_s)
            found.append(replace(x, reached_m=max(x.reached_m, start_m), reached_s=max(x.reached_s, border_s)))
    return tuple(found)


def place_breaks(
    spells: tuple[Spell, ...],
    used: HoursUsed,
    rules: HoursRules,
    depart_at: datetime,
    route: Route,
    solution: Solution,
    params: PlanParams,
) -> tuple[tuple[Spell, ...], tuple[BreakNote, ...]]:
    """The timeline with a break wherever one falls due before arrival, and a note for each.

    A break due between the start of the first road that may need chains and its end is taken at the last stop before
    that road. Waiting below the pass also gives time to see the road.
    """
    notes: list[BreakNote] = []
    after_m = float(route.distance_m[0])
    for _ in range(MAX_BREAKS):
        due = break_limit(spells, used, rules)
        if due.reached_s is None or due.reached_m is None:
            break
        stop, reason = _break_stop(route, solution, after_m, due.reached_m, params)
        at_m = None if stop is None else stop.distance_m
        if stop is None and due.reached_m <= 0.0:  # overdue before departure: take it before leaving
            at_m, reason = 0.0, "due before departure: take it before leaving"
        notes.append(
            BreakNote(
                due_at=_utc(depart_at, due.reached_s),
                due_m=due.reached_m,
                at_m=at_m,
                stop_id="" if stop is None else stop.stop.id,
                stop_name="" if stop is None else stop.stop.name,
                milepost="" if stop is None else stop.stop.milepost,
                minutes=rules.break_s / 60.0,
                reason=reason,
            )
        )
        if at_m is None:
            break
        spells, after_m = with_break(spells, at_m, rules.break_s), at_m + 1.0
    return spells, tuple(notes)


def _break_stop(
    route: Route, solution: Solution, after_m: float, due_m: float, params: PlanParams
) -> tuple[RouteStop | None, str]:
    """The stop for a break due at `due_m`, later than `after_m`, and the reason; None without a listed stop between."""
    fit = [
        s
        for s in route.stops
        if after_m <= s.distance_m <= due_m
        and has_room(s, params)
        and solution.need_frac[solution.sections.at(s.distance_m)] < params.ready_probability
    ]
    for leg in solution.legs:
        start_m, end_m = float(solution.sections.start_m[leg.first]), float(solution.sections.end_m[leg.last])
        below = [s for s in fit if s.distance_m <= start_m]
        if start_m <= due_m and due_m <= max(end_m, leg.off_m) and below:
            return below[-1], "falls due on road that may need chains: take it below, and look at the road again there"
    if fit:
        return fit[-1], "last listed stop before it falls due"
    return None, "no listed stop before it falls due: find a legal place yourself"


def cautious_timeline(
    solution: Solution, road_s: float | None, params: PlanParams, before: Sequence[Spell]
) -> tuple[Spell, ...]:
    """The timeline chained at every named leg, with driving stretched so that it takes `road_s`, stops included.

    None stretches nothing. Planned stands are not part of it.
    """
    waiting = [x for x in solution.legs if not x.driven and not x.stays_on]
    stopped_times = [
        *solution.stopped_times,
        *((x.on_m, x.hang_s) for x in waiting),
        *((x.off_m, params.remove_s) for x in waiting),
    ]
    moving, edge_m = solution.moving_s.copy(), solution.sections.edge_m
    for x in waiting:
        share = np.clip((edge_m - x.on_m) / max(x.off_m - x.on_m, 1.0), 0.0, 1.0)
        moving = moving + share * x.slow_s
    if road_s is None:
        return timeline(edge_m, moving, stopped_times, before)
    ahead_s, late_s = float(solution.moving_s[-1]), road_s - sum(s for _, s in solution.stopped_times)
    return timeline(edge_m, moving * max(late_s / max(ahead_s, 1.0), 1.0), stopped_times, before)


def stood_words(before: Sequence[Spell], rules: HoursRules, here_m: float) -> tuple[str, ...]:
    """What a truck under way stood that may be part of a rest, and how it counts. here_m: where the truck is.

    A position does not say whether the driver was off duty, so a stand too short for the long part counts as on duty.
    """
    if rules.split_h is None:
        return ()
    long_h, short_h = rules.split_h
    law = f"{rules.split_total_h:g} h together ({rules.split_section})"
    return tuple(
        f"Stood {x.length_s / HOUR_S:.1f} h at {to_miles(min(x.start_m, here_m)):.0f} mi: counted as on duty, because "
        f"a position does not show rest. Off duty or in the berth, it pairs with {long_h:g} h in the berth for {law}; "
        f"time off duty below {short_h:g} h never stops the {rules.window_h:g} h"
        for x in before
        if x.duty is Duty.ON_DUTY and x.length_s >= short_h * HOUR_S
    )


def _all_hold(found: Sequence[Limit]) -> bool:
    return all(x.reached_s is None for x in found)


def _limit(x: Limit, depart_at: datetime, route: Route) -> HoursLimit:
    before = [s for s in route.stops if x.reached_m is not None and s.distance_m <= x.reached_m]
    stop = before[-1] if before else None
    return HoursLimit(
        kind=x.kind,
        section=x.section,
        allowed_h=x.allowed_h,
        used_before_h=x.used_before_h,
        at_arrival_h=x.at_arrival_h,
        left_h=x.left_h,
        reached_at=None if x.reached_s is None else _utc(depart_at, x.reached_s),
        reached_m=x.reached_m,
        stop_id="" if stop is None else stop.stop.id,
        stop_name="" if stop is None else stop.stop.name,
        stop_m=None if stop is None else stop.distance_m,
    )


def _not_given(used: HoursUsed, rules: HoursRules) -> tuple[str, ...]:
    missing = []
    if used.drive_h is None:
        missing.append("hours driven before")
    if used.since_break_h is None and used.drive_h is None:
        missing.append("driving since the last break")
    if rules.window_h is not None and used.on_duty_since is None:
        missing.append("when the duty day began")
    if rules.cycle_section and used.cycle_h is None:
        missing.append("hours on duty in the last 7 or 8 days")
    return tuple(missing)


def adverse_words(rules: HoursRules, depart_at: datetime, known_at: datetime | None) -> str:
    """The reason why no number includes extra hours for adverse conditions."""
    if rules.unforeseen:
        return rules.unforeseen
    if known_at is None:
        return "not planned with: 49 CFR 395.1(b)(1) is only for conditions that nobody could know before (395.2)"
    when = known_at.astimezone(UTC).strftime("%Y-%m-%d %H:%MZ")
    if known_at <= depart_at:
        return (
            f"not available: this forecast was known before departure ({when}), and 49 CFR 395.1(b)(1) is only for "
            "conditions that were not and could not reasonably be known then (395.2)"
        )
    return (
        f"not planned with: this forecast came after departure ({when}); whether 49 CFR 395.1(b)(1) holds turns on "
        "what carrier and driver could have known before (395.2)"
    )


def _reasons(
    planned: Sequence[Limit],
    solution: Solution,
    rules: HoursRules,
    used: HoursUsed,
    depart_at: datetime,
    only_if_late: bool,
) -> tuple[str, ...]:
    out = []
    for x in planned:
        if x.reached_s is not None and x.reached_m is not None:
            out.append(
                f"{_KINDS[x.kind]}: {x.allowed_h:g} h are full {to_miles(x.reached_m):.0f} mi from the start, "
                f"before arrival ({x.section})"
            )
    stopped_s = sum(s for _, s in solution.stopped_times)
    if stopped_s > 0.0:
        minutes = stopped_s / 60.0
        if rules.chain_work:
            out.append(f"Chain work, {minutes:.0f} min, {rules.chain_work}")
        else:
            out.append(
                f"Chain work, {minutes:.0f} min, is on duty and not driving (395.2, servicing the vehicle): it uses "
                "window and cycle, not the 11 h"
            )
            longest = max(solution.stopped_times, key=lambda s: s[1])
            if longest[1] >= rules.break_s:
                out.append(
                    f"The chain stop of {longest[1] / 60.0:.0f} min at {to_miles(longest[0]):.0f} mi interrupts "
                    f"driving for the 30-minute rule ({rules.break_section})"
                )
    if used.on_duty_since is not None and used.on_duty_since > depart_at:
        out.append("The duty day is said to begin after departure: check when it began")
    if only_if_late:
        out.append("A limit is reached if the truck is as late as one in ten, chained wherever it may have to")
    return tuple(out)


_KINDS = {
    "driving": "Driving hours",
    "break": "Driving without a break",
    "duty": "Hours on duty",
    "window": "Duty window",
    "cycle": "Hours on duty in the cycle",
}


def _utc(depart_at: datetime, after_s: float) -> datetime:
    return (depart_at + timedelta(seconds=round(after_s))).astimezone(UTC)
