"""Describes a trip of several days: its rests in order, and the hours of its last duty period."""

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Final

from alertd.plan.chain_up.solution import Solution
from alertd.plan.days.labels import PlacedStand, Stand
from alertd.plan.days.place_rests import DaysSolution
from alertd.plan.days.rest_places import Room
from alertd.plan.days.stand_rules import least_minutes
from alertd.plan.describe.stretches import place_of
from alertd.plan.hours.laws import Duty, HoursRules, rules_for
from alertd.plan.hours.legal import Violation, daily_rests
from alertd.plan.hours.limits import HoursUsed, Spell, limits
from alertd.plan.hours.notes import adverse_words, stood_words
from alertd.plan.model.days import START_PLACE, RestNote
from alertd.plan.model.notes import HoursLimit, HoursNote
from alertd.plan.params import PlanParams
from alertd.route.model import Route, zone_at
from alertd.route.passes import passes_of
from alertd.units import HOUR_S

KINDS: Final = {
    Stand.BREAK: "break",
    Stand.REST: "rest",
    Stand.SHORT_REST: "short rest",
    Stand.SPLIT_FIRST: "first part of a rest",
    Stand.SPLIT_SECOND: "second part of a rest",
    Stand.RESTART: "restart",
    Stand.BREAK_FIRST: "first part of a break",
    Stand.BREAK_SECOND: "second part of a break",
    Stand.WEEK: "weekly rest",
    Stand.SHORT_WEEK: "reduced weekly rest",
}
PASS_AHEAD_M: Final = 120_000.0  # [A] a rest is "before" a pass that begins within this distance


def rest_notes(found: DaysSolution, leave_at: datetime, params: PlanParams) -> tuple[RestNote, ...]:
    """A note for each break and rest, at the times of the solution. leave_at is aware."""
    route, law, search = found.solution.sections.route, found.trip.laws[0], found.trip.search.law
    notes = []
    for stand in (x for x in found.rests.stands if x.stand is not Stand.DWELL):
        at_m, place = found.at_m(stand), found.place_of(stand)
        begins_s = float(found.solution.reach_s(at_m)) + _stood_there_s(found, stand)
        wait_min = max(stand.minutes - (least_minutes(search, stand.stand) or stand.minutes), 0)
        ahead = _pass_ahead(route, at_m, params)
        begins = (leave_at + timedelta(seconds=round(begins_s))).astimezone(UTC)
        notes.append(
            RestNote(
                kind=KINDS[stand.stand],
                place=START_PLACE if place is None else place.name,
                stop_id="" if place is None or place.stop is None else place.stop.stop.id,
                room=Room.UNLISTED.value if place is None else place.room.value,
                distance_m=at_m,
                zone=_zone(route, at_m),
                begins_at=begins,
                ends_at=begins + timedelta(minutes=stand.minutes),
                wait_s=60.0 * wait_min,
                section=_section(stand, law),
                reason=_reason(stand, wait_min, ahead),
                pass_ahead=ahead,
            )
        )
    return tuple(notes)


def _stood_there_s(found: DaysSolution, stand: PlacedStand) -> float:
    """Seconds of earlier stands at the same point of the road."""
    at_m, all_of = found.at_m(stand), found.rests.stands
    return 60.0 * sum(x.minutes for x in all_of[: all_of.index(stand)] if found.at_m(x) == at_m)


def _zone(route: Route, at_m: float) -> str:
    i = min(int(route.distance_m.searchsorted(at_m)), route.distance_m.size - 1)
    return zone_at(float(route.lat_deg[i]), float(route.lon_deg[i]))


def _pass_ahead(route: Route, at_m: float, params: PlanParams) -> str:
    """The name of the next pass where it is near, "" where there is none or it has no name."""
    spans = passes_of(route, params.pass_grade, params.pass_rise_m, params.pass_top_m)
    ahead = [(a, b) for a, b in spans if at_m <= a <= at_m + PASS_AHEAD_M]
    return next((name for a, b in ahead if (name := place_of(route, a, b))), "")


def _section(stand: PlacedStand, law: HoursRules) -> str:
    return {
        Stand.BREAK: law.break_section,
        Stand.REST: law.rest_section,
        Stand.SHORT_REST: law.short_rest_section,
        Stand.SPLIT_FIRST: law.split_section,
        Stand.SPLIT_SECOND: law.split_section,
        Stand.RESTART: law.restart_section,
        Stand.BREAK_FIRST: law.break_section,
        Stand.BREAK_SECOND: law.break_section,
        Stand.WEEK: law.weekly_rest_section,
        Stand.SHORT_WEEK: law.weekly_rest_section,
    }[stand.stand]


def place_if_chained(found: DaysSolution) -> str:
    """The last place to rest before the hours end for a truck that chains wherever it may have to; "" if as planned."""
    if not found.over_if_chained:
        return ""
    first = min(found.over_if_chained, key=lambda x: x.at_s)
    least_m = first.at_m - first.over_s * found.ask.params.cruise_mps
    before = [x.name for x in found.trip.places if x.distance_m <= least_m and x.room is not Room.CUSTOMER]
    return before[-1] if before else START_PLACE


def _reason(stand: PlacedStand, wait_min: int, ahead: str) -> str:
    before = f" below {ahead}" if ahead else ""
    if stand.stand is Stand.WEEK:  # Regulation (EC) 561/2006, Article 8(8), as amended by (EU) 2020/1054
        return "a regular weekly rest is not taken in the vehicle"
    if stand.stand is Stand.SHORT_WEEK:  # Article 8(6)
        return "what it lacks of 45 h is due in one piece before the end of the third week after this one"
    if wait_min > 0:
        return f"waits{before} {wait_min / 60.0:g} h more than the law requires: the road ahead gets better"
    return before.strip()


def days_hours_note(found: DaysSolution, used: HoursUsed, depart_at: datetime, known_at: datetime | None) -> HoursNote:
    """The hours of the last duty period, and whether every period keeps every limit. Times are aware.

    The rests are checked again for the truck that chains wherever it may have to; see `place_if_chained`.
    """
    law, spells = found.trip.laws[0], found.spells
    rests, _ = daily_rests(spells, used, law)
    worked_s = sum(x.length_s for x in spells if x.duty is not Duty.OFF and (not rests or x.end_s <= rests[-1].start_s))
    last, fresh = spells, used
    began_at = depart_at
    if rests:
        last = tuple(_shifted(x, rests[-1].end_s) for x in spells if x.start_s >= rests[-1].end_s - 1.0)
        began_at = depart_at + timedelta(seconds=rests[-1].end_s)
        cycle_h = None if used.cycle_h is None else used.cycle_h + worked_s / HOUR_S
        fresh = replace(used, drive_h=0.0, since_break_h=0.0, on_duty_since=began_at, cycle_h=cycle_h)
    last_driven_h = sum(x.length_s for x in last if x.duty is Duty.DRIVING) / HOUR_S + (fresh.drive_h or 0.0)
    if law.long_drive_h is not None and last_driven_h > law.drive_h and not found.over:
        law = replace(law, drive_h=law.long_drive_h)
    of_last = limits(last or spells, fresh, law, began_at)
    return HoursNote(
        law="; ".join((found.trip.laws[0].name, *(f"then {x.name}" for x in found.trip.laws[1:]))),
        law_text="; ".join(x.text for x in found.trip.laws),
        ok=not found.over,
        ok_if_late=not found.over and not found.over_if_chained,
        not_given=(),
        limits=tuple(
            HoursLimit(
                kind=x.kind,
                section=x.section,
                allowed_h=x.allowed_h,
                used_before_h=x.used_before_h,
                at_arrival_h=x.at_arrival_h,
                left_h=x.left_h,
                reached_at=None,
                reached_m=None,
                stop_id="",
                stop_name="",
                stop_m=None,
            )
            for x in of_last
        ),
        breaks=(),
        arrival_delay_s=0.0,
        adverse_exception=adverse_words(law, depart_at, known_at),
        known_at=known_at,
        reasons=(
            *(f"{x.kind}: {over_words(x)} ({x.section})" for x in found.over),
            *(
                f"{x.kind}, chained wherever it may have to: {over_words(x)} ({x.section})"
                for x in found.over_if_chained
            ),
            "Hours of the last duty period; the rests before it are in the plan",
            *stood_words(found.ask.before, found.trip.laws[0], float(found.solution.sections.edge_m[0])),
        ),
    )


def over_words(found: Violation) -> str:
    """How far a limit is exceeded, in whole minutes upwards: "0 min" would read as kept. Without a length, in words."""
    return f"over by {math.ceil(found.over_s / 60.0)} min" if found.over_s > 0.0 else "not kept"


def since_last_rest(
    used: HoursUsed, run: Solution, depart_at: datetime, before: Sequence[Spell]
) -> tuple[HoursUsed, datetime, tuple[Spell, ...]]:
    """The hours, the departure and the spells since the last daily rest of a truck under way; all without one."""
    law = rules_for([s.code for s in run.sections.route.jurisdictions])
    rests = () if law is None else daily_rests(before, used, law)[0]
    if not rests:
        return used, depart_at, tuple(before)
    end_s = rests[-1].end_s
    worked_s = sum(x.length_s for x in before if x.duty is not Duty.OFF and x.end_s <= end_s)
    began_at = depart_at + timedelta(seconds=end_s)
    cycle_h = None if used.cycle_h is None else used.cycle_h + worked_s / HOUR_S
    fresh = replace(used, drive_h=0.0, since_break_h=0.0, on_duty_since=began_at, cycle_h=cycle_h)
    return fresh, began_at, tuple(_shifted(x, end_s) for x in before if x.start_s >= end_s - 1.0)


def _shifted(x: Spell, by_s: float) -> Spell:
    return replace(x, start_s=x.start_s - by_s, end_s=x.end_s - by_s)


def not_given(used: HoursUsed, laws: Sequence[HoursRules]) -> tuple[str, ...]:
    """The names of the trip's fields that were not given and change a plan of several days."""
    law, missing = laws[0], []
    if used.drive_h is None:
        missing.append("drive_hours_used")
    if used.on_duty_since is None and law.window_h is not None:
        missing.append("on_duty_since")
    if law.cycle_h is not None and used.cycle_h is None:
        missing.append("cycle_hours_used")
    if law.week_drive_h is not None and used.week_drive_h is None:
        missing.append("week_drive_hours_used")
    if law.short_rest_h is not None and used.short_rests is None:
        missing.append("short_rests_used")
    if law.week_span_h is not None and used.weekly_rest_ended_at is None:
        missing.append("weekly_rest_ended")
    return tuple(missing)


def not_placed(laws: Sequence[HoursRules]) -> tuple[str, ...]:
    """What these laws ask of a trip of several days that a plan does not place, each once."""
    return tuple(dict.fromkeys(x.not_placed for x in laws if x.not_placed))
