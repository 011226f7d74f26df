"""The hours laws of a trip as whole minutes for the search: where lands differ, the strictest number of each."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from alertd.plan.hours.laws import Duty, HoursRules
from alertd.plan.hours.legal import WEEK_S, OffDuty, daily_rests, next_week_s, split_pairs, split_parts, weekly_rests
from alertd.plan.hours.limits import HoursUsed, Spell
from alertd.units import HOUR_S

NEVER: Final = 10**6  # minutes; a limit that the law does not have


@dataclass(frozen=True, slots=True, kw_only=True)
class DayLaw:
    """Limits in minutes.

    window: from the end of a rest to the last driving, with a rest of `rest` to follow; window_short: with a short one.
    short_rest: 0 where the law has none. splits: pairs of a long part and the part that completes it.
    long_drive: the limit of a longer day, 0 without. break_parts: the parts of a break in two, (0, 0) without.
    week_rest, reduced_week_rest: weekly rests, 0 without. week_span: a weekly rest begins so long after the last one.
    week_carry: driving of a week that counts in the next. work_in_window: work, too, ends within the window.
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
    splits: tuple[tuple[int, int], ...]
    work_breaks: bool
    cycle_driving: bool
    short_rests: int = 0
    long_drive: int = 0
    break_parts: tuple[int, int] = (0, 0)
    week_rest: int = 0
    reduced_week_rest: int = 0
    week_span: int = NEVER
    week_carry: int = NEVER
    work_in_window: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class DutyState:
    """Minutes used at the start of the search: driven and worked since the last rest, since the break, in the cycle.

    began: the start of the duty day, in minutes after the departure, zero or less. short_rests: short rests left.
    long_days: longer days left. week_began: end of the last weekly rest, like `began`. reduced: reduced ones left.
    week_turns: minutes to the next calendar week.
    part: the first part of a rest in two parts that was taken, 0 for none; completes: the part that completes it.
    part_ended: its end, like `began`; driven_since: driving since then. part_counts: it still counts in `began`.
    """

    driven: int = 0
    began: int = 0
    worked: int = 0
    since_break: int = 0
    cycle: int = 0
    short_rests: int = 0
    long_days: int = 0
    week_began: int = 0
    reduced: int = 0
    week_turns: int = NEVER
    part: int = 0
    completes: int = 0
    part_ended: int = 0
    driven_since: int = 0
    part_counts: bool = False


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
    splits: tuple[tuple[int, int], ...] = ()
    if parts[0] is not None and all(p == parts[0] for p in parts):
        total, (long, least_part) = round(60.0 * laws[0].split_total_h), (round(60.0 * h) for h in parts[0])
        splits = tuple((n, total - n) for n in range(long, total - least_part + 1, 60))
    has_long = all(x.long_drive_h is not None for x in laws)
    halves = [x.break_parts_s for x in laws]
    weekly = [x.weekly_rest_h for x in laws if x.weekly_rest_h is not None]
    reduced = [x.reduced_weekly_rest_h for x in laws]
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
        splits=splits,
        work_breaks=all(Duty.ON_DUTY in x.break_by for x in laws),
        cycle_driving=of_week,
        short_rests=min(x.short_rests_n for x in laws),
        long_drive=least([x.long_drive_h for x in laws]) if has_long else 0,
        break_parts=_parts([h for h in halves if h is not None]) if all(halves) else (0, 0),
        week_rest=round(60.0 * max(weekly, default=0.0)),
        reduced_week_rest=round(60.0 * max(h for h in reduced if h is not None)) if all(reduced) else 0,
        week_span=least([x.week_span_h for x in laws]),
        week_carry=least(
            [
                x.fortnight_drive_h - x.week_drive_h
                for x in laws
                if x.fortnight_drive_h is not None and x.week_drive_h is not None
            ]
        ),
        work_in_window=any(x.day_h is not None for x in laws),
    )


def _parts(halves: Sequence[tuple[float, float]]) -> tuple[int, int]:
    first, second = (round(max(h[n] for h in halves) / 60.0) for n in (0, 1))
    return first, second


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
    pairs, parts = split_pairs(later, law), split_parts(later, law)
    if pairs:  # all counts from the end of the first part, and the second part does not
        first, second = pairs[-1]
        later = [x for x in later if x.start_s >= first.end_s - 1.0]
        since_s, began_s, driven_s, worked_s = first.end_s, first.end_s + second.length_s, 0.0, 0.0
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
    taken = law.short_rests_n if used.short_rests is None else used.short_rests
    left = max(law.short_rests_n - taken - short, 0)
    weekly_s, reduced = _last_weekly_rest(before, used, law, depart_at)
    long_left = 0 if used.long_days is None else max(law.long_drives_n - used.long_days, 0)
    if law.long_drive_h is not None:
        long_left = max(long_left - _long_days(before, used, rests, law), 0)

    def minutes(seconds: float) -> int:
        return -int(-seconds // 60.0)

    part = completes = part_ended = driven_since = 0
    if parts and law.split_h is not None:
        last, (long_h, short_h) = parts[-1], law.split_h
        least_h = short_h if last.length_s >= long_h * HOUR_S else long_h
        part = int(last.length_s // 60.0)
        completes = max(minutes(law.split_total_h * HOUR_S - last.length_s), round(60.0 * least_h))
        part_ended = -minutes(until_s - last.end_s)
        since = (x for x in later if x.duty is Duty.DRIVING and x.start_s >= last.end_s - 1.0)
        driven_since = minutes(sum(x.length_s for x in since))
    return DutyState(
        driven=minutes(driven_s + rolled_s),
        began=-minutes(until_s - began_s),
        worked=minutes(worked_s),
        since_break=minutes(break_s),
        cycle=minutes(cycle_s),
        short_rests=left,
        long_days=long_left,
        week_began=-minutes(until_s - weekly_s),
        reduced=int(reduced and law.reduced_weekly_rest_h is not None),
        week_turns=NEVER if law.week_drive_h is None else int(_week_turns_s(depart_at, until_s) // 60.0),
        part=part,
        completes=completes,
        part_ended=part_ended,
        driven_since=driven_since,
        part_counts=part > 0 and not (pairs and pairs[-1][1] == parts[-1]),
    )


def _week_turns_s(depart_at: datetime, until_s: float) -> float:
    turns_s = next_week_s(depart_at) - until_s
    return turns_s if turns_s > 0.0 else turns_s % WEEK_S


def _last_weekly_rest(
    before: Sequence[Spell], used: HoursUsed, law: HoursRules, depart_at: datetime
) -> tuple[float, bool]:
    """The end of the last weekly rest in seconds after departure, and whether the next may be a reduced one."""
    since = used.weekly_rest_ended_at
    ended_s = 0.0 if since is None else min((since - depart_at).total_seconds(), 0.0)
    weekly = weekly_rests(before, used, law)
    if not weekly or law.weekly_rest_h is None:
        return ended_s, used.weekly_rest_reduced is False
    return weekly[-1].end_s, weekly[-1].length_s >= law.weekly_rest_h * HOUR_S


def _long_days(before: Sequence[Spell], used: HoursUsed, rests: Sequence[OffDuty], law: HoursRules) -> int:
    """The longer days of driving that ended with a rest on the way."""
    count, from_s = 0, 0.0
    for n, rest in enumerate(rests):
        driven_s = (used.drive_h or 0.0) * HOUR_S if n == 0 else 0.0
        driven_s += sum(
            x.length_s for x in before if x.duty is Duty.DRIVING and from_s <= x.start_s and x.end_s <= rest.start_s
        )
        count, from_s = count + (driven_s > law.drive_h * HOUR_S), rest.end_s
    return count
