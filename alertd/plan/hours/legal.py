"""Checks a timeline of several days against one hours law, to the second.

This is the law's own arithmetic on spells that are already placed; the search in `plan.days` has another one. A rest of
the law's daily length starts a new period. In the United States two parts of a rest pair up (49 CFR 395.1(g)(1)(ii)):
neither counts in the duty window, and after the second part all counts from the end of the first. A part may pair
with the one before it and the one behind it. A single part, and time off duty below 2 h, counts in the window.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import groupby, pairwise
from typing import Final, NamedTuple

from alertd.plan.hours.laws import Duty, HoursRules
from alertd.plan.hours.limits import EPSILON_S, HoursUsed, Spell, break_limit
from alertd.units import HOUR_S

WEEK_S: Final = 7.0 * 24.0 * HOUR_S


@dataclass(frozen=True, slots=True, kw_only=True)
class Violation:
    """A limit that the timeline exceeds: by `over_s`, first found at `at_s` after departure, `at_m` from its start."""

    kind: str
    section: str
    over_s: float
    at_s: float
    at_m: float


class OffDuty(NamedTuple):
    """A run of time off duty, in seconds after departure."""

    start_s: float
    end_s: float

    @property
    def length_s(self) -> float:
        return self.end_s - self.start_s


def violations(
    spells: Sequence[Spell], used: HoursUsed, rules: HoursRules, depart_at: datetime
) -> tuple[Violation, ...]:
    """Every limit that the timeline exceeds, each kind once, at its first place. depart_at is aware."""
    found: list[Violation] = []
    due = break_limit(spells, used, rules)
    if rules.break_after_h is not None and due.reached_s is not None and due.reached_m is not None:
        over_s = max(due.at_arrival_h - rules.break_after_h, 0.0) * HOUR_S
        found.append(_violation("break", rules.break_section, over_s, due.reached_s, due.reached_m))
    rests, _ = daily_rests(spells, used, rules)
    began_s = 0.0 if used.on_duty_since is None else min((used.on_duty_since - depart_at).total_seconds(), 0.0)
    driven_s = (used.drive_h or 0.0) * HOUR_S
    worked_s = max(-began_s, driven_s)
    long_left = 0 if used.long_days is None else rules.long_drives_n - used.long_days
    for n, rest in enumerate((*rests, None)):
        until_s = spells[-1].end_s if rest is None else rest.start_s
        from_s = began_s if n == 0 else rests[n - 1].end_s
        period = [x for x in spells if x.start_s >= from_s - EPSILON_S and x.end_s <= until_s + EPSILON_S]
        before_s = (driven_s, worked_s) if n == 0 else (0.0, 0.0)
        law = rules
        is_long = _sum(period, Duty.DRIVING) + before_s[0] > rules.drive_h * HOUR_S + EPSILON_S
        if rules.long_drive_h is not None and long_left > 0 and is_long:
            law, long_left = replace(rules, drive_h=rules.long_drive_h), long_left - 1
        found += _in_period(period, law, from_s, before_s, rest)
    found += _in_cycle(spells, used, rules)
    found += _in_weeks(spells, used, rules, depart_at)
    found += _weekly_rests(spells, used, rules, depart_at)
    return tuple({x.kind: x for x in reversed(found)}.values())


def daily_rests(spells: Sequence[Spell], used: HoursUsed, rules: HoursRules) -> tuple[tuple[OffDuty, ...], int]:
    """The daily rests of a timeline, and by how much the short rests since the last weekly one are more than before.

    A short rest counts where some are left; a weekly rest makes all of them available again.
    """
    before = rules.short_rests_n if used.short_rests is None else used.short_rests
    rests, taken, weekly = [], before, weekly_rests(spells, used, rules)
    for off in off_duty(spells):
        if off.length_s >= rules.rest_h * HOUR_S - EPSILON_S:
            rests.append(off)
            taken = 0 if off in weekly else taken
        elif (
            rules.short_rest_h is not None
            and off.length_s >= rules.short_rest_h * HOUR_S - EPSILON_S
            and taken < rules.short_rests_n
        ):
            rests.append(off)
            taken += 1
    return tuple(rests), taken - before


def weekly_rests(spells: Sequence[Spell], used: HoursUsed, rules: HoursRules) -> tuple[OffDuty, ...]:
    """The weekly rests of a timeline. A reduced one counts where the last weekly rest is known to be a regular one."""
    if rules.weekly_rest_h is None:
        return ()
    found, may_reduce = [], used.weekly_rest_reduced is False
    for off in off_duty(spells):
        regular = off.length_s >= rules.weekly_rest_h * HOUR_S - EPSILON_S
        reduced_h = rules.reduced_weekly_rest_h if may_reduce else None
        if regular or (reduced_h is not None and off.length_s >= reduced_h * HOUR_S - EPSILON_S):
            found.append(off)
            may_reduce = regular
    return tuple(found)


def off_duty(spells: Sequence[Spell]) -> tuple[OffDuty, ...]:
    """The runs of time off duty."""
    runs = (list(group) for off, group in groupby(spells, key=lambda x: x.duty is Duty.OFF) if off)
    return tuple(OffDuty(run[0].start_s, run[-1].end_s) for run in runs)


def _in_period(
    period: Sequence[Spell], rules: HoursRules, began_s: float, before_s: tuple[float, float], rest: OffDuty | None
) -> list[Violation]:
    """Violations between two daily rests. before_s: driving and work of the period before the first spell."""
    found, pairs = [], split_pairs(period, rules)
    parts = tuple(dict.fromkeys(part for pair in pairs for part in pair))
    for x in (s for s in period if s.duty is Duty.DRIVING):
        from_s = max([first.end_s for first, second in pairs if second.end_s <= x.start_s + EPSILON_S] or [began_s])
        since = [s for s in period if from_s - EPSILON_S <= s.start_s and s.end_s <= x.end_s + EPSILON_S]
        whole = from_s == began_s
        driven_s = _sum(since, Duty.DRIVING) + (before_s[0] if whole else 0.0)
        worked_s = driven_s + _sum(since, Duty.ON_DUTY) + (before_s[1] - before_s[0] if whole else 0.0)
        paused_s = sum(p.length_s for p in parts if p.start_s >= from_s - EPSILON_S and p.end_s <= x.end_s)
        elapsed_s = x.end_s - from_s - paused_s
        for kind, section, took_s, most_h in (
            ("driving", rules.drive_section, driven_s, rules.drive_h),
            ("duty", rules.duty_section, worked_s, rules.duty_h),
            ("window", rules.window_section, elapsed_s, rules.window_h),
        ):
            if most_h is not None and took_s > most_h * HOUR_S + EPSILON_S:
                found.append(_violation(kind, section, took_s - most_h * HOUR_S, x.end_s, x.end_m))
    if rules.day_h is not None and period:
        # The rest, or one that begins on arrival, must end within the day: 24 h less its own length are left for work.
        rest_s = rules.rest_h * HOUR_S if rest is None else min(rest.length_s, rules.rest_h * HOUR_S)
        over_s = period[-1].end_s - began_s - (rules.day_h * HOUR_S - rest_s)
        if over_s > EPSILON_S:
            found.append(_violation("day", rules.day_section, over_s, period[-1].end_s, period[-1].end_m))
    return found


def split_parts(period: Sequence[Spell], rules: HoursRules) -> list[OffDuty]:
    """The runs of time off duty that are long enough for a part of a rest in two parts."""
    if rules.split_h is None:
        return []
    return [x for x in off_duty(period) if x.length_s >= rules.split_h[1] * HOUR_S - EPSILON_S]


def split_pairs(period: Sequence[Spell], rules: HoursRules) -> list[tuple[OffDuty, OffDuty]]:
    """The parts of rests in two parts, each with the next one where they pair up."""
    if rules.split_h is None:
        return []
    long_s, total_s = (h * HOUR_S - EPSILON_S for h in (rules.split_h[0], rules.split_total_h))
    return [
        (first, second)
        for first, second in pairwise(split_parts(period, rules))
        if max(first.length_s, second.length_s) >= long_s and first.length_s + second.length_s >= total_s
    ]


def _in_cycle(spells: Sequence[Spell], used: HoursUsed, rules: HoursRules) -> list[Violation]:
    """Violations of the cycle. Hours that leave a rolling cycle on the way are not an input: none are."""
    worked = frozenset((Duty.DRIVING, Duty.ON_DUTY))
    if rules.cycle_h is None:
        return []
    total_s, off_s, most_s = (used.cycle_h or 0.0) * HOUR_S, 0.0, used.cycle_limit_h * HOUR_S
    for x in spells:
        off_s = off_s + x.length_s if x.duty is Duty.OFF else 0.0
        if rules.restart_h is not None and off_s >= rules.restart_h * HOUR_S - EPSILON_S:
            total_s = 0.0
        if x.duty in worked:
            total_s += x.length_s
        if x.duty is Duty.DRIVING and total_s > most_s + EPSILON_S:
            return [_violation("cycle", rules.cycle_section, total_s - most_s, x.end_s, x.end_m)]
    return []


def _in_weeks(spells: Sequence[Spell], used: HoursUsed, rules: HoursRules, depart_at: datetime) -> list[Violation]:
    """Violations of the driving hours of a calendar week, from Monday 00:00 in the zone of `depart_at`, and of two."""
    if rules.week_drive_h is None or rules.fortnight_drive_h is None:
        return []
    week_s = (used.week_drive_h or 0.0) * HOUR_S
    last_s = max((used.fortnight_drive_h or 0.0) * HOUR_S - week_s, 0.0)
    turns_s = next_week_s(depart_at)
    found = []
    for x in (s for s in spells if s.duty is Duty.DRIVING):
        at_s = x.start_s
        while at_s < x.end_s - EPSILON_S:
            if at_s >= turns_s - EPSILON_S:
                week_s, last_s, turns_s = 0.0, week_s, turns_s + WEEK_S
                continue
            until_s = min(x.end_s, turns_s)
            week_s, at_s = week_s + until_s - at_s, until_s
            for kind, took_s, most_h in (
                ("week", week_s, rules.week_drive_h), ("fortnight", week_s + last_s, rules.fortnight_drive_h),
            ):  # fmt: skip
                if took_s > most_h * HOUR_S + EPSILON_S:
                    found.append(_violation(kind, rules.week_section, took_s - most_h * HOUR_S, until_s, x.end_m))
    return found


def next_week_s(depart_at: datetime) -> float:
    """Seconds from a departure to the next Monday 00:00 in its own zone (Article 4(i) of Regulation (EC) 561/2006)."""
    day_s = (depart_at - depart_at.replace(hour=0, minute=0, second=0, microsecond=0)).total_seconds()
    return (7 - depart_at.weekday()) * 24.0 * HOUR_S - day_s


def _weekly_rests(spells: Sequence[Spell], used: HoursUsed, rules: HoursRules, depart_at: datetime) -> list[Violation]:
    """Work later than the span of a week after the last weekly rest; not given, that rest ended at departure."""
    if rules.week_span_h is None or rules.weekly_rest_h is None or not spells:
        return []
    since = used.weekly_rest_ended_at
    ended_s = 0.0 if since is None else min((since - depart_at).total_seconds(), 0.0)
    for off in weekly_rests(spells, used, rules):
        if off.start_s - ended_s > rules.week_span_h * HOUR_S + EPSILON_S:
            break
        ended_s = off.end_s
    late = next((x for x in spells if x.duty is not Duty.OFF and _late_s(x, ended_s, rules) > EPSILON_S), None)
    if late is None:
        return []
    return [_violation("weekly rest", rules.weekly_rest_section, _late_s(late, ended_s, rules), late.end_s, late.end_m)]


def _late_s(x: Spell, ended_s: float, rules: HoursRules) -> float:
    return x.end_s - ended_s - (rules.week_span_h or 0.0) * HOUR_S if x.end_s > ended_s else 0.0


def _sum(spells: Sequence[Spell], duty: Duty) -> float:
    return sum(x.length_s for x in spells if x.duty is duty)


def _violation(kind: str, section: str, over_s: float, at_s: float, at_m: float) -> Violation:
    return Violation(kind=kind, section=section, over_s=over_s, at_s=at_s, at_m=at_m)
