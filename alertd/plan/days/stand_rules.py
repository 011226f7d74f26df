"""The stands of the search: which the law offers at a place, for which labels, and what each makes of a label."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from alertd.plan.days.day_law import DayLaw
from alertd.plan.days.labels import Col, Labels, RoadTable, Stand

# Prices in minutes [A]: every stop costs the way off the road and back. A rest in two parts is broken sleep.
BREAK_PRICE: Final = 3
REST_PRICE: Final = 10
SPLIT_PRICE: Final = 60
SHORT_PRICE: Final = 15  # a short rest is one fewer for later
# [A] Nobody breaks or sleeps so soon after the last time, unless to wait: minutes.
_LEAST_SINCE_BREAK: Final = 150
_LEAST_DRIVEN: Final = 240
BREAKS: Final = (Stand.BREAK, Stand.BREAK_FIRST, Stand.BREAK_SECOND)
SPLITS: Final = (Stand.SPLIT_FIRST, Stand.SPLIT_SECOND)
NIGHTS: Final = (Stand.REST, Stand.SHORT_REST, Stand.RESTART, Stand.WEEK, Stand.SHORT_WEEK, *SPLITS)


def offered(law: DayLaw, *, can_rest: bool, split: bool, halves: bool, weeks: bool) -> list[Stand]:
    """The stands that a law knows. halves: breaks in two parts; weeks: weekly rests."""
    found = []
    if law.break_takes:
        found.append(Stand.BREAK)
        if halves and law.break_parts[0]:
            found += [Stand.BREAK_FIRST, Stand.BREAK_SECOND]
    if can_rest:
        found.append(Stand.REST)
        if law.short_rest:
            found.append(Stand.SHORT_REST)
        if law.restart and law.cycle < 10**6:
            found.append(Stand.RESTART)
        if law.splits and split:
            found += SPLITS
        if law.week_rest and weeks:
            found += [Stand.WEEK, Stand.SHORT_WEEK] if law.reduced_week_rest else [Stand.WEEK]
    return found


def least_minutes(law: DayLaw, stand: Stand) -> int:
    """What the law requires of a stand; 0 for the parts of a rest, whose length is their choice."""
    return {
        Stand.BREAK: law.break_takes,
        Stand.BREAK_FIRST: law.break_parts[0],
        Stand.BREAK_SECOND: law.break_parts[1],
        Stand.REST: law.rest,
        Stand.SHORT_REST: law.short_rest,
        Stand.RESTART: law.restart,
        Stand.WEEK: law.week_rest,
        Stand.SHORT_WEEK: law.reduced_week_rest,
    }.get(stand, 0)


def may_stand(law: DayLaw, labels: Labels, stand: Stand) -> NDArray[np.bool_]:
    """The labels for which a stand makes sense and is legal."""
    driven = labels[:, Col.DRIVEN] > 0
    split, elapsed = labels[:, Col.SPLIT], labels[:, Col.TIME] - labels[:, Col.BEGAN]
    # A rest does not complete a rest in two parts whose first part the window has needed.
    whole = (split == 0) | (labels[:, Col.TIME] - labels[:, Col.TRUE] <= law.window)
    rested = driven & whole & (elapsed <= law.window)
    if stand is Stand.BREAK_FIRST:
        return np.asarray((labels[:, Col.SINCE_BREAK] > 0) & (labels[:, Col.HALF] == 0))
    if stand is Stand.BREAK_SECOND:
        return np.asarray((labels[:, Col.SINCE_BREAK] > 0) & (labels[:, Col.HALF] == 1))
    if stand is Stand.BREAK:
        return np.asarray(labels[:, Col.SINCE_BREAK] > 0)
    if stand is Stand.SHORT_REST:
        return np.asarray(driven & (labels[:, Col.SHORT_LEFT] > 0) & (elapsed <= law.window_short))
    if stand is Stand.RESTART:
        return np.asarray(rested & (labels[:, Col.CYCLE] > law.cycle // 2))
    if stand is Stand.SHORT_WEEK:
        return np.asarray(rested & (labels[:, Col.REDUCED_LEFT] > 0))
    if stand is Stand.SPLIT_FIRST:
        return np.asarray(driven & (split == 0))
    if stand is Stand.SPLIT_SECOND:
        return np.asarray((split > 0) & (labels[:, Col.DRIVEN_1] > 0))
    return np.asarray(rested)


def is_sensible(labels: Labels, stand: Stand) -> NDArray[np.bool_]:
    """The labels for which a stand without waiting is not too soon after the last one."""
    if stand in BREAKS:
        return np.asarray(labels[:, Col.SINCE_BREAK] >= _LEAST_SINCE_BREAK)
    if stand is Stand.SPLIT_SECOND:
        return np.ones(labels.shape[0], dtype=np.bool_)
    return np.asarray(labels[:, Col.DRIVEN] >= _LEAST_DRIVEN)


def after_stand(
    law: DayLaw, table: RoadTable, labels: Labels, place: int, stand: Stand, wait: NDArray[np.int64], part: int = 0
) -> Labels:
    """The labels after a stand. wait: minutes beyond what the law requires; part: length of a first part of a rest."""
    out = labels.copy()
    column = table.column(out[:, Col.TIME])
    price = table.break_price[place, column] if stand in BREAKS else table.rest_price[place, column]
    takes: NDArray[np.int64] = least_minutes(law, stand) + wait
    fixed = BREAK_PRICE if stand in BREAKS else REST_PRICE
    if stand is Stand.BREAK_FIRST:
        out[:, Col.HALF] = 1
    else:
        out[:, (Col.SINCE_BREAK, Col.HALF)] = 0
    if stand is Stand.SPLIT_FIRST:
        takes, fixed = np.full(out.shape[0], part), SPLIT_PRICE
        out[:, Col.SPLIT] = next(b for a, b in _either(law) if a == part)
        out[:, Col.BEGAN] += part
        out[:, Col.DRIVEN_1] = 0
        out[:, Col.BEGAN_1] = out[:, Col.TIME] + part
    elif stand is Stand.SPLIT_SECOND:
        takes = out[:, Col.SPLIT].copy()
        out[:, Col.DRIVEN] = out[:, Col.DRIVEN_1]
        out[:, Col.BEGAN] = out[:, Col.TRUE] = out[:, Col.BEGAN_1] + takes
        out[:, (Col.SPLIT, Col.DRIVEN_1, Col.BEGAN_1)] = 0
    elif stand not in BREAKS:
        out[:, Col.LONG_LEFT] -= out[:, Col.DRIVEN] > law.drive
        out[:, (Col.DRIVEN, Col.WORKED, Col.SPLIT, Col.DRIVEN_1, Col.BEGAN_1)] = 0
        out[:, Col.BEGAN] = out[:, Col.TRUE] = out[:, Col.TIME] + takes
        if stand is Stand.SHORT_REST:
            out[:, Col.SHORT_LEFT] -= 1
            fixed += SHORT_PRICE
        if stand is Stand.RESTART:
            out[:, Col.CYCLE] = 0
        if stand in (Stand.WEEK, Stand.SHORT_WEEK):
            out[:, Col.WEEK_BEGAN] = out[:, Col.TIME] + takes
            out[:, Col.SHORT_LEFT] = law.short_rests
            out[:, Col.REDUCED_LEFT] = int(stand is Stand.WEEK and law.reduced_week_rest > 0)
    out[:, Col.TIME] += takes
    out[:, Col.PRICE] += price + fixed
    return out


def first_parts(law: DayLaw) -> tuple[int, ...]:
    """The lengths that the first part of a rest in two parts may have."""
    return tuple(a for a, _ in _either(law))


def _either(law: DayLaw) -> list[tuple[int, int]]:
    """The parts of a rest in two parts, in either order."""
    return [*law.splits, *((b, a) for a, b in law.splits)]
