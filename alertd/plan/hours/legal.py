"""Checks a timeline of several days against one hours law, to the second.

This is the law's own arithmetic on spells that are already placed; the search in `plan.days` has another one. A rest of
the law's daily length starts a new period. In the United States two parts of a rest pair up (49 CFR 395.1(g)(1)(ii)):
neither counts in the duty window, and after the second part all counts from the end of the first.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby
from typing import NamedTuple

from alertd.plan.hours.laws import Duty, HoursRules
from alertd.plan.hours.limits import EPSILON_S, HoursUsed, Spell, break_limit
from alertd.units import HOUR_S


@dataclass(frozen=True, slots=True, kw_only=True)
class Violation:
    """A limit that the timeline exceeds: by `over_s`, first found at `at_s` after departure, `at_m` from its start."""

    kind: str
    section: str
    over_s: float
    at_s: float
    at_m: float


class _Off(NamedTuple):
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
    rests, short = daily_rests(spells, used, rules)
    if short and used.short_rests is not None and used.short_rests + short > rules.short_rests_n:
        found.append(_violation("short rests", rules.short_rest_section, 0.0, rests[-1].end_s, spells[-1].end_m))
    began_s = 0.0 if used.on_duty_since is None else min((used.on_duty_since - depart_at).total_seconds(), 0.0)
    driven_s = (used.drive_h or 0.0) * HOUR_S
    worked_s = max(-began_s, driven_s)
    for n, rest in enumerate((*rests, None)):
        until_s = spells[-1].end_s if rest is None else rest.start_s
        from_s = began_s if n == 0 else rests[n - 1].end_s
        period = [x for x in spells if x.start_s >= from_s - EPSILON_S and x.end_s <= until_s + EPSILON_S]
        found += _in_period(period, rules, from_s, (driven_s, worked_s) if n == 0 else (0.0, 0.0), rest)
    found += _in_cycle(spells, used, rules)
    return tuple({x.kind: x for x in reversed(found)}.values())


def daily_rests(spells: Sequence[Spell], used: HoursUsed, rules: HoursRules) -> tuple[tuple[_Off, ...], int]:
    """The daily rests of a timeline, and how many of them are short ones. A short one counts where some are left."""
    left = 0 if used.short_rests is None else rules.short_rests_n - used.short_rests
    rests, short = [], 0
    for off in off_duty(spells):
        if off.length_s >= rules.rest_h * HOUR_S - EPSILON_S:
            rests.append(off)
        elif (
            rules.short_rest_h is not None and off.length_s >= rules.short_rest_h * HOUR_S - EPSILON_S and short < left
        ):
            rests.append(off)
            short += 1
    return tuple(rests), short


def off_duty(spells: Sequence[Spell]) -> tuple[_Off, ...]:
    """The runs of time off duty."""
    runs = (list(group) for off, group in groupby(spells, key=lambda x: x.duty is Duty.OFF) if off)
    return tuple(_Off(run[0].start_s, run[-1].end_s) for run in runs)


def _in_period(
    period: Sequence[Spell], rules: HoursRules, began_s: float, before_s: tuple[float, float], rest: _Off | None
) -> list[Violation]:
    """Violations between two daily rests. before_s: driving and work of the period before the first spell."""
    found, pairs = [], _pairs(period, rules)
    parts = [part for pair in pairs for part in pair]
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


def _pairs(period: Sequence[Spell], rules: HoursRules) -> list[tuple[_Off, _Off]]:
    """The parts of rests in two parts, paired in order."""
    if rules.split_h is None:
        return []
    long_s, short_s = (h * HOUR_S - EPSILON_S for h in rules.split_h)
    parts = [x for x in off_duty(period) if x.length_s >= short_s]
    pairs, n = [], 0
    while n + 1 < len(parts):
        first, second = parts[n], parts[n + 1]
        enough = first.length_s + second.length_s >= rules.split_total_h * HOUR_S - EPSILON_S
        if max(first.length_s, second.length_s) >= long_s and enough:
            pairs.append((first, second))
            n += 1
        n += 1
    return pairs


def _in_cycle(spells: Sequence[Spell], used: HoursUsed, rules: HoursRules) -> list[Violation]:
    """Violations of the limits over days. Hours that leave a rolling cycle on the way are not an input: none are."""
    worked = frozenset((Duty.DRIVING, Duty.ON_DUTY))
    sums = [
        ("cycle", rules.cycle_section, None if rules.cycle_h is None else used.cycle_limit_h, used.cycle_h, worked),
        ("week", rules.week_section, rules.week_drive_h, used.week_drive_h, frozenset((Duty.DRIVING,))),
        ("fortnight", rules.week_section, rules.fortnight_drive_h, used.fortnight_drive_h, frozenset((Duty.DRIVING,))),
    ]
    found = []
    for kind, section, most_h, before_h, counts in sums:
        if most_h is None:
            continue
        total_s, off_s = (before_h or 0.0) * HOUR_S, 0.0
        for x in spells:
            off_s = off_s + x.length_s if x.duty is Duty.OFF else 0.0
            if kind == "cycle" and rules.restart_h is not None and off_s >= rules.restart_h * HOUR_S - EPSILON_S:
                total_s = 0.0
            if x.duty in counts:
                total_s += x.length_s
            if x.duty is Duty.DRIVING and total_s > most_h * HOUR_S + EPSILON_S:
                found.append(_violation(kind, section, total_s - most_h * HOUR_S, x.end_s, x.end_m))
                break
    return found


def _sum(spells: Sequence[Spell], duty: Duty) -> float:
    return sum(x.length_s for x in spells if x.duty is duty)


def _violation(kind: str, section: str, over_s: float, at_s: float, at_m: float) -> Violation:
    return Violation(kind=kind, section=section, over_s=over_s, at_s=at_s, at_m=at_m)
