"""The hours laws of a trip as whole minutes for the search: where lands differ, the strictest number of each."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from alertd.plan.hours.laws import Duty, HoursRules
from alertd.plan.hours.legal import daily_rests
from alertd.plan.hours.limits import HoursUsed, Spell
from alertd.units import HOUR_S

NEVER: Final = 10**6  # minutes; a limit that the law does not have


@dataclass(frozen=True, slots=True, kw_only=True)
class DayLaw:
    """Limits in minutes.

    window: from the end of a rest to the last driving, with a rest of `rest` to follow; window_short: with a short one.
    short_rest: 0 where the law has none. split: the long part and the part that completes it, (0, 0) without.
    work_breaks: work off the wheel counts as the break.
    """

    drive: int
    window: int
    window_short: int
    duty: int
    break_after: int
    break_takes: int
    rest: int
    short_rest: int
    cycle: int
    restart: int
    split: tuple[int, int]
    work_breaks: bool
    cycle_driving: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class DutyState:
    """Minutes used at the start of the search: driven and worked since the last rest, since the break, in the cycle.

    began: the start of the duty day, in minutes after the departure, zero or less. short_rests: short rests left.
    """

    driven: int = 0
    began: int = 0
    worked: int = 0
    since_break: int = 0
    cycle: int = 0
    short_rests: int = 0


def day_law(laws: Sequence[HoursRules], used: HoursUsed, *, reserve: int = 0) -> DayLaw:
    """The strictest of each number of these laws, at least one, less a reserve in minutes."""

    def least(hours: Sequence[float | None]) -> int:
        given = [round(h * 60.0) for h in hours if h is not None]
        return min(given) - reserve if given else NEVER

    rest = max(round((x.planned_rest_h or x.rest_h) * 60.0) for x in laws)
    windows = [x.window_h if x.day_h is None else x.day_h - x.rest_h for x in laws]
    short = [x.short_rest_h for x in laws]
    has_short = all(h is not None for h in short)
    window, parts = least(windows), [x.split_h for x in laws]
    split = (0, 0)
    if parts[0] is not None and all(p == parts[0] for p in parts):
        long = round(60.0 * parts[0][0])
        split = long, max(round(60.0 * laws[0].split_total_h) - long, round(60.0 * parts[0][1]))
    week = [x.week_drive_h for x in laws]
    of_week = all(h is not None for h in week)
    return DayLaw(
        drive=least([x.drive_h for x in laws]),
        window=window,
        window_short=least([x.day_h - (x.short_rest_h or x.rest_h) for x in laws if x.day_h]) if has_short else window,
        duty=least([x.duty_h for x in laws]),
        break_after=least([x.break_after_h for x in laws]),
        break_takes=max(round(x.break_s / 60.0) for x in laws),
        rest=rest,
        short_rest=round(60.0 * max(h for h in short if h is not None)) if has_short else 0,
        cycle=least(week if of_week else [used.cycle_limit_h if x.cycle_h is not None else None for x in laws]),
        restart=max((round(60.0 * x.restart_h) for x in laws if x.restart_h is not None), default=0),
        split=split,
        work_breaks=all(Duty.ON_DUTY in x.break_by for x in laws),
        cycle_driving=of_week,
    )


def state_of(used: HoursUsed, law: HoursRules, depart_at: datetime, before: Sequence[Spell] = ()) -> DutyState:
    """The minutes used where the road ahead begins, rounded up. depart_at is aware.

    before: the spells from departure to there. A daily rest among them starts a new duty day.
    """
    until_s = before[-1].end_s if before else 0.0
    rests, short = daily_rests(before, used, law)
    since_s = rests[-1].end_s if rests else None
    later = [x for x in before if since_s is None or x.start_s >= since_s - 1.0]
    began_s = 0.0 if used.on_duty_since is None else min((used.on_duty_since - depart_at).total_seconds(), 0.0)
    driven_s = worked_s = 0.0
    if since_s is None:
        driven_s = (used.drive_h or 0.0) * HOUR_S
        worked_s = max(-began_s, driven_s)
    else:
        began_s = since_s
    rolled_s = sum(x.length_s for x in later if x.duty is Duty.DRIVING)
    worked_s += sum(x.length_s for x in later if x.duty is not Duty.OFF)
    break_s = (
        0.0 if since_s is not None else (used.drive_h or 0.0 if used.since_break_h is None else used.since_break_h)
    )
    break_s *= HOUR_S
    for x in later:
        if x.duty is Duty.DRIVING:
            break_s += x.length_s
        elif x.duty in law.break_by and x.length_s >= law.break_s:
            break_s = 0.0
    duties = (Duty.DRIVING,) if law.week_drive_h is not None else (Duty.DRIVING, Duty.ON_DUTY)
    cycle_h = used.week_drive_h if law.week_drive_h is not None else used.cycle_h
    if law.fortnight_drive_h is not None and law.week_drive_h is not None and used.fortnight_drive_h is not None:
        cycle_h = max(cycle_h or 0.0, used.fortnight_drive_h - (law.fortnight_drive_h - law.week_drive_h))
    cycle_s = (cycle_h or 0.0) * HOUR_S + sum(x.length_s for x in before if x.duty in duties)
    left = 0 if used.short_rests is None else max(law.short_rests_n - used.short_rests - short, 0)

    def minutes(seconds: float) -> int:
        return -int(-seconds // 60.0)

    return DutyState(
        driven=minutes(driven_s + rolled_s),
        began=-minutes(until_s - began_s),
        worked=minutes(worked_s),
        since_break=minutes(break_s),
        cycle=minutes(cycle_s),
        short_rests=left,
    )
