"""Computes the legal hours that driving, chaining and breaks use, and where each limit is reached.

The law is a few numbers (`laws.HoursRules`) applied to a timeline of spells. Hanging or removing chains is on duty, not
driving: it uses the window and the cycle, not the driving hours. The two hours for adverse driving conditions (49 CFR
    395.1(b)(1)) are in no number here, because a forecast before departure makes the conditions known (395.2).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.plan.hours.laws import Duty, HoursRules
from alertd.units import HOUR_S

Array: TypeAlias = NDArray[np.float64]

SPELL_LONGEST_M = 10_000.0  # distance is linear in time within a spell
EPSILON_S = 1e-6
MAX_BREAKS = 4  # on one trip; the driving hours end long before that


@dataclass(frozen=True, slots=True, kw_only=True)
class Spell:
    """A spell of one duty: seconds since departure and metres along the route. The truck stands unless it drives."""

    duty: Duty
    start_s: float
    end_s: float
    start_m: float
    end_m: float

    @property
    def length_s(self) -> float:
        return self.end_s - self.start_s


@dataclass(frozen=True, slots=True, kw_only=True)
class HoursUsed:
    """Hours used before departure; None means "not given", and then counts from departure only.

    week_drive_h, fortnight_drive_h: driving in this week, and in this and the last. short_rests: short rests taken
    since the last weekly rest. long_days: longer days of driving in this week. Not given, none is left of either.
    weekly_rest_ended_at: end of the last weekly rest. weekly_rest_reduced: whether it was a reduced one; not given, the
    next one is not.

    Raises ValueError for naive times.
    """

    drive_h: float | None = None
    on_duty_since: datetime | None = None
    cycle_h: float | None = None
    cycle_limit_h: float = 70.0
    since_break_h: float | None = None
    week_drive_h: float | None = None
    fortnight_drive_h: float | None = None
    short_rests: int | None = None
    long_days: int | None = None
    weekly_rest_ended_at: datetime | None = None
    weekly_rest_reduced: bool | None = None

    def __post_init__(self) -> None:
        if self.on_duty_since is not None and self.on_duty_since.utcoffset() is None:
            raise ValueError("on_duty_since must be aware")
        if self.weekly_rest_ended_at is not None and self.weekly_rest_ended_at.utcoffset() is None:
            raise ValueError("weekly_rest_ended_at must be aware")


def timeline(
    distance_m: Array, moving_s: Array, stopped_times: Sequence[tuple[float, float]], before: Sequence[Spell] = ()
) -> tuple[Spell, ...]:
    """Spells from moving seconds at each sample, (sample,), and (distance_m, seconds) of each stop for chains.

    before: the spells from the start of the trip to the first sample.
    """
    here_m, end_m = float(distance_m[0]), float(distance_m[-1])
    marks = np.arange(here_m, end_m, SPELL_LONGEST_M)
    cuts = sorted({*marks.tolist(), *(min(m, end_m) for m, _ in stopped_times), end_m})
    stops_s: dict[float, list[float]] = {}
    for stop_m, stopped_s in stopped_times:
        if stopped_s > 0.0:
            stops_s.setdefault(min(stop_m, end_m), []).append(stopped_s)
    spells = list(before)
    at_s, last_m = before[-1].end_s if before else 0.0, here_m
    drives_s = np.diff(np.interp([here_m, *cuts], distance_m, moving_s)).tolist()
    for cut_m, drive_s in zip(cuts, drives_s, strict=True):
        if drive_s > 0.0:
            spells.append(Spell(duty=Duty.DRIVING, start_s=at_s, end_s=at_s + drive_s, start_m=last_m, end_m=cut_m))
            at_s += drive_s
        last_m = cut_m
        for stopped_s in stops_s.get(cut_m, ()):
            spells.append(Spell(duty=Duty.ON_DUTY, start_s=at_s, end_s=at_s + stopped_s, start_m=cut_m, end_m=cut_m))
            at_s += stopped_s
    return tuple(spells)


def with_break(spells: Sequence[Spell], at_m: float, break_s: float, duty: Duty = Duty.OFF) -> tuple[Spell, ...]:
    """The timeline with a break where the truck first reaches `at_m`; all later spells shift."""
    out: list[Spell] = []
    late_s, placed = 0.0, False
    for x in spells:
        later = replace(x, start_s=x.start_s + late_s, end_s=x.end_s + late_s)
        if placed or x.end_m < at_m or x.duty is not Duty.DRIVING:
            out.append(later)
            continue
        share = (at_m - x.start_m) / max(x.end_m - x.start_m, 1e-9)
        cut_s = later.start_s + min(max(share, 0.0), 1.0) * x.length_s
        before = replace(later, end_s=cut_s, end_m=at_m)
        rest = Spell(duty=duty, start_s=cut_s, end_s=cut_s + break_s, start_m=at_m, end_m=at_m)
        after = replace(later, start_s=cut_s + break_s, end_s=later.end_s + break_s, start_m=at_m)
        out += [s for s in (before, rest, after) if s.length_s > 0.0]
        late_s, placed = break_s, True
    return tuple(out)


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """One limit on a timeline, in hours.

    reached_s: when driving must stop, in seconds since departure; None when the trip ends before.
    """

    kind: str
    section: str
    allowed_h: float
    used_before_h: float
    at_arrival_h: float
    reached_s: float | None
    reached_m: float | None

    @property
    def left_h(self) -> float:
        return self.allowed_h - self.at_arrival_h


def limits(spells: Sequence[Spell], used: HoursUsed, rules: HoursRules, depart_at: datetime) -> tuple[Limit, ...]:
    """Every limit of the law on this timeline: driving, break, window, cycle. Raises ValueError without spells."""
    if not spells:
        raise ValueError("no spells")
    out = [
        _counted(spells, "driving", rules.drive_section, rules.drive_h, used.drive_h or 0.0, frozenset((Duty.DRIVING,)))
    ]
    if rules.break_after_h is not None:
        out.append(break_limit(spells, used, rules))
    if rules.duty_h is not None:
        # Hours on duty before departure are not an input of their own; those since the duty day began are no fewer.
        before_h = max(_since_duty_began_h(used, depart_at), used.drive_h or 0.0)
        worked = frozenset((Duty.DRIVING, Duty.ON_DUTY))
        out.append(_counted(spells, "duty", rules.duty_section, rules.duty_h, before_h, worked))
    if rules.window_h is not None:
        before_h = _since_duty_began_h(used, depart_at)
        out.append(_counted(spells, "window", rules.window_section, rules.window_h, before_h, frozenset(Duty)))
    if rules.cycle_section and used.cycle_h is not None:
        worked = frozenset((Duty.DRIVING, Duty.ON_DUTY))
        out.append(_counted(spells, "cycle", rules.cycle_section, used.cycle_limit_h, used.cycle_h, worked))
    return tuple(out)


def _since_duty_began_h(used: HoursUsed, depart_at: datetime) -> float:
    if used.on_duty_since is None:
        return 0.0
    return max((depart_at - used.on_duty_since).total_seconds() / HOUR_S, 0.0)


def _counted(
    spells: Sequence[Spell], kind: str, section: str, allowed_h: float, before_h: float, counts: frozenset[Duty]
) -> Limit:
    """A limit on the sum of some duties. It is reached when the sum is full and the truck still has to drive."""
    total_s, allowed_s = before_h * HOUR_S, allowed_h * HOUR_S
    reached: tuple[float, float] | None = None
    for x in spells:
        if reached is None and x.duty is Duty.DRIVING and total_s + x.length_s > allowed_s + EPSILON_S:
            reached = _within(x, max(allowed_s - total_s, 0.0))
        if x.duty in counts:
            total_s += x.length_s
    return _limit(kind, section, allowed_h, before_h, total_s / HOUR_S, reached)


def break_limit(spells: Sequence[Spell], used: HoursUsed, rules: HoursRules) -> Limit:
    """Driving since the last break that counts, and where the next one falls due; never where the law has no break."""
    before_h = used.drive_h or 0.0 if used.since_break_h is None else used.since_break_h
    after_h = np.inf if rules.break_after_h is None else rules.break_after_h
    driven_s, allowed_s = before_h * HOUR_S, after_h * HOUR_S
    stopped_s, first_part = 0.0, False
    reached: tuple[float, float] | None = None
    for x in spells:
        if x.duty is Duty.DRIVING:
            stopped_s = 0.0
            if reached is None and driven_s + x.length_s > allowed_s + EPSILON_S:
                reached = _within(x, max(allowed_s - driven_s, 0.0))
            driven_s += x.length_s
            continue
        was_s = stopped_s
        stopped_s = stopped_s + x.length_s if x.duty in rules.break_by else 0.0
        is_break = stopped_s >= rules.break_s - EPSILON_S
        if rules.break_parts_s is not None:
            first_s, second_s = (s - EPSILON_S for s in rules.break_parts_s)
            is_break = is_break or (first_part and stopped_s >= second_s)
            # One spell is one part: continued standing is not a second part.
            first_part = False if is_break else first_part or (was_s == 0.0 and stopped_s >= first_s)
        if is_break:
            driven_s = 0.0
    return _limit("break", rules.break_section, after_h, before_h, driven_s / HOUR_S, reached)


def _within(x: Spell, after_s: float) -> tuple[float, float]:
    share = min(after_s / x.length_s, 1.0)
    return x.start_s + after_s, x.start_m + share * (x.end_m - x.start_m)


def _limit(
    kind: str, section: str, allowed_h: float, before_h: float, at_arrival_h: float, reached: tuple[float, float] | None
) -> Limit:
    return Limit(
        kind=kind,
        section=section,
        allowed_h=allowed_h,
        used_before_h=before_h,
        at_arrival_h=at_arrival_h,
        reached_s=None if reached is None else reached[0],
        reached_m=None if reached is None else reached[1],
    )
