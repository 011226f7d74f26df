"""Finds the best rests and breaks of a trip: a dynamic programme over (place, clock states).

The places lie in order along the road. A label is one way to stand at a place: minutes since departure, the minutes
that the hours law counts, and a price of what is not time. At each place a label goes on, or takes a break, a rest
(longer ones wait for a storm to end), or a part of a rest in two parts. Between places it drives with the minutes and
the price of the road at its departure there. A label that another one dominates is dropped.

`exact` compares only labels of the same minute, so that the result is the best of all choices offered. Otherwise an
earlier label with no less in hand counts as no worse, because it could wait.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from enum import IntEnum
from functools import cached_property
from typing import Final, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.plan.days.day_law import NEVER, DayLaw, DutyState

Array: TypeAlias = NDArray[np.float64]
Labels: TypeAlias = NDArray[np.int64]  # (label, column)

STEP_MIN: Final = 15  # minutes between the departures of a road table
REST_WAITS: Final = (0, 60, 120, 180, 240, 360, 480, 600, 720, 840, 1080, 1440)
BREAK_WAITS: Final = (0, 90, 180)
# Prices in minutes [A]: every stop costs the way off the road and back. A rest in two parts is broken sleep.
BREAK_PRICE: Final = 3
REST_PRICE: Final = 10
SPLIT_PRICE: Final = 60
SHORT_PRICE: Final = 15  # a short rest is one fewer for later
BLOCK: Final = 256  # labels compared at once
MOST_LABELS: Final = 400  # beyond these, labels that differ by minutes count as one


class Stand(IntEnum):
    """What is done at a place."""

    NONE = 0
    BREAK = 1
    REST = 2
    SHORT_REST = 3
    SPLIT_FIRST = 4
    SPLIT_SECOND = 5
    RESTART = 6


class Col(IntEnum):
    """Columns of a label, in minutes.

    began: start of the duty window, moved by parts of a rest. true: the same without a part that is not paired yet.
    split: 0, or the minutes that still complete a rest in two parts. driven_1, began_1: since the end of its first
    part.
    """

    TIME = 0
    DRIVEN = 1
    BEGAN = 2
    WORKED = 3
    SINCE_BREAK = 4
    CYCLE = 5
    PRICE = 6
    SHORT_LEFT = 7
    SPLIT = 8
    DRIVEN_1 = 9
    BEGAN_1 = 10
    TRUE = 11


# The sign with which a smaller value is better.
_BETTER: Final = np.asarray([1, 1, -1, 1, 1, 1, 1, -1, 0, 1, -1, -1])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoadTable:
    """The road between places, by departure every STEP_MIN minutes from the start of the search.

    drive, work, price: minutes, (place - 1, departure): driving, work for chains, and prices.
    rest_price, break_price: minutes, (place, departure).
    can_rest: (place,). changes: (place,), the road ahead depends on the hour, so that waiting may help.
    """

    drive: NDArray[np.int64]
    work: NDArray[np.int64]
    price: NDArray[np.int64]
    rest_price: NDArray[np.int64]
    break_price: NDArray[np.int64]
    can_rest: NDArray[np.bool_]
    changes: NDArray[np.bool_]

    @property
    def places(self) -> int:
        return int(self.can_rest.size)

    def column(self, time: NDArray[np.int64]) -> NDArray[np.int64]:
        """Index of the departure at a minute."""
        return np.clip(time // STEP_MIN, 0, self.drive.shape[1] - 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """When the trip may end, in minutes after departure; a minute late costs `late_price` minutes [A].

    An early truck waits.
    """

    opens: int = 0
    closes: int = 10**6
    late_price: float = 2.0


class PlacedStand(NamedTuple):
    """A stand of the result: place, what it is, its begin and its minutes."""

    place: int
    stand: Stand
    begins: int
    minutes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RestPlan:
    """The best way: minutes to the end, the price besides, the cost of both with the window, and the stands.

    work: minutes of chain work among these.
    """

    minutes: int
    price: int
    cost: float
    stands: tuple[PlacedStand, ...]
    work: int = 0


class _Stage(NamedTuple):
    """What led to each label at the next place: its label at this one, the stand there, its begin and end."""

    parent: NDArray[np.intp]
    stand: NDArray[np.int64]
    begins: NDArray[np.int64]
    ends: NDArray[np.int64]


@dataclass
class RestSearch:
    """The search. `exact`: see the module. `waits`: extra minutes of a rest; `break_waits`: of a break."""

    table: RoadTable
    law: DayLaw
    state: DutyState
    window: Window = field(default_factory=Window)
    exact: bool = False
    waits: Sequence[int] = REST_WAITS
    break_waits: Sequence[int] = BREAK_WAITS
    split: bool = True
    most_labels: int = MOST_LABELS
    _most: float = field(default=np.inf, init=False)

    def best(self) -> RestPlan | None:
        """The cheapest legal way to the end; None without one.

        A first search without waiting gives a bound: a label that cannot end below it is dropped.
        """
        simple = None
        if self.split or max(self.waits) > 0 or max(self.break_waits) > 0:
            simple = replace(self, waits=(0,), break_waits=(0,), split=False, most_labels=MOST_LABELS).best()
            self._most = np.inf if simple is None else simple.cost
        found = self._search()
        if simple is None or (found is not None and found.cost <= simple.cost):
            return found
        return simple

    def _search(self) -> RestPlan | None:
        labels = self.first_label()
        trail: list[_Stage] = []
        for place in range(self.table.places - 1):
            stood, parent, stand = self._stands(labels, place)
            driven, kept = self._drive(stood, place)
            keep = self._undominated(driven)
            kept = kept[keep]
            if not kept.size:
                return None
            came_from = parent[kept]
            trail.append(_Stage(came_from, stand[kept], labels[came_from, Col.TIME], stood[kept, Col.TIME]))
            labels = driven[keep]
        return self._end(labels, trail)

    def first_label(self) -> Labels:
        """The label at the start, (1, column)."""
        s = self.state
        row = [0, s.driven, s.began, s.worked, s.since_break, s.cycle, 0, s.short_rests, 0, 0, 0, s.began]
        return np.asarray([row], dtype=np.int64)

    def step(self, label: Labels, place: int) -> Labels | None:
        """One label at the next place; None where it may not legally drive there."""
        driven, kept = self._drive(label, place)
        return driven if kept.size else None

    def may_stand(self, label: Labels, stand: Stand) -> bool:
        """True where a stand is legal for one label."""
        return bool(self._may(label, stand)[0])

    def after(self, label: Labels, stand: Stand, place: int) -> Labels:
        """One label after a stand of the least length."""
        return self._after(label, stand, np.zeros(1, dtype=np.int64), 0, place)

    def work_at(self, label: Labels, place: int) -> int:
        """Minutes of chain work on the way to the next place."""
        return int(self.table.work[place, self.table.column(label[:, Col.TIME])][0])

    @cached_property
    def _left(self) -> tuple[Array, Array]:
        """Least minutes of driving and least cost of the road from each place to the end, (place,)."""
        table = self.table
        cost = (table.drive + table.work + table.price).min(axis=1)
        drive, whole = (np.append(np.cumsum(x[::-1])[::-1], 0.0) for x in (table.drive.min(axis=1), cost))
        return drive, whole

    @cached_property
    def _compared(self) -> list[Col]:
        """The columns in which labels are compared: those that can matter under this law."""
        law, unused = self.law, {Col.SPLIT}
        driving = float(self.table.drive.max(axis=1).sum() + self.table.work.max(axis=1).sum())
        if law.duty >= NEVER:
            unused.add(Col.WORKED)
        if self.state.cycle + driving <= law.cycle:
            unused.add(Col.CYCLE)
        if not law.short_rest:
            unused.add(Col.SHORT_LEFT)
        if law.break_after >= NEVER:
            unused.add(Col.SINCE_BREAK)
        if not (self.split and law.split[0]):
            unused |= {Col.DRIVEN_1, Col.BEGAN_1, Col.TRUE}
        return [c for c in Col if c not in unused]

    def _hopeful(self, labels: Labels, place: int) -> NDArray[np.bool_]:
        """Labels that may still end at the bound or below it. Each full day of driving ahead needs a rest."""
        law, (drive, cost) = self.law, self._left
        rest = min(law.rest, law.short_rest or law.rest)
        days = np.ceil(np.maximum(drive[place] - (law.drive - labels[:, Col.DRIVEN]), 0.0) / law.drive)
        least = labels[:, Col.TIME] + cost[place] + days * (rest + REST_PRICE)
        return np.asarray(np.maximum(least, self.window.opens) + labels[:, Col.PRICE] <= self._most + 1e-9)

    def _stands(self, labels: Labels, place: int) -> tuple[Labels, NDArray[np.intp], NDArray[np.int64]]:
        """Labels after every choice at a place, with the label each comes from, and what it does."""
        options = [(labels, np.arange(labels.shape[0]), np.full(labels.shape[0], Stand.NONE, dtype=np.int64))]
        for stand in self._offered(place):
            waits = self.waits if self.table.changes[place] or self.exact else self.waits[:1]
            if stand is Stand.BREAK:
                waits = self.break_waits if self.table.changes[place] or self.exact else self.break_waits[:1]
            if stand in (Stand.SPLIT_FIRST, Stand.SPLIT_SECOND):
                waits = (0,)
            able = np.flatnonzero(self._may(labels, stand))
            for part in self.law.split if stand is Stand.SPLIT_FIRST else (0,):
                which = np.repeat(able, len(waits))
                wait = np.tile(np.asarray(waits, dtype=np.int64), able.size)
                if not self.exact:
                    fit = (wait > 0) | _sensible(labels[which], stand)
                    which, wait = which[fit], wait[fit]
                if which.size:
                    after = self._after(labels[which], stand, wait, part, place)
                    hope = self._hopeful(after, place)
                    options.append((after[hope], which[hope], np.full(int(hope.sum()), stand, dtype=np.int64)))
        stood, parent, stands = (np.concatenate(x) for x in zip(*options, strict=True))
        keep = self._undominated(stood)
        return stood[keep], parent[keep], stands[keep]

    def _offered(self, place: int) -> list[Stand]:
        law, offered = self.law, []
        if law.break_takes:
            offered.append(Stand.BREAK)
        if self.table.can_rest[place]:
            offered.append(Stand.REST)
            if law.short_rest:
                offered.append(Stand.SHORT_REST)
            if law.restart and law.cycle < 10**6:
                offered.append(Stand.RESTART)
            if law.split[0] and self.split:
                offered += [Stand.SPLIT_FIRST, Stand.SPLIT_SECOND]
        return offered

    def _may(self, labels: Labels, stand: Stand) -> NDArray[np.bool_]:
        """The labels for which a stand makes sense and is legal."""
        law, driven = self.law, labels[:, Col.DRIVEN] > 0
        split, elapsed = labels[:, Col.SPLIT], labels[:, Col.TIME] - labels[:, Col.BEGAN]
        # A rest does not complete a rest in two parts whose first part the window has needed.
        whole = (split == 0) | (labels[:, Col.TIME] - labels[:, Col.TRUE] <= law.window)
        if stand is Stand.BREAK:
            return np.asarray(labels[:, Col.SINCE_BREAK] > 0)
        if stand is Stand.REST:
            return np.asarray(driven & whole & (elapsed <= law.window))
        if stand is Stand.SHORT_REST:
            return np.asarray(driven & (labels[:, Col.SHORT_LEFT] > 0) & (elapsed <= law.window_short))
        if stand is Stand.RESTART:
            return np.asarray(driven & whole & (elapsed <= law.window) & (labels[:, Col.CYCLE] > law.cycle // 2))
        if stand is Stand.SPLIT_FIRST:
            return np.asarray(driven & (split == 0))
        return np.asarray((split > 0) & (labels[:, Col.DRIVEN_1] > 0))

    def _after(self, labels: Labels, stand: Stand, wait: NDArray[np.int64], part: int, place: int) -> Labels:
        law, out = self.law, labels.copy()
        column = self.table.column(out[:, Col.TIME])
        price = self.table.break_price[place, column] if stand is Stand.BREAK else self.table.rest_price[place, column]
        out[:, Col.SINCE_BREAK] = 0
        takes: NDArray[np.int64] | int
        if stand is Stand.BREAK:
            takes, fixed = law.break_takes + wait, BREAK_PRICE
        elif stand is Stand.SPLIT_FIRST:
            takes, fixed = part, SPLIT_PRICE
            out[:, Col.SPLIT] = sum(law.split) - part
            out[:, Col.BEGAN] += part
            out[:, Col.DRIVEN_1] = 0
            out[:, Col.BEGAN_1] = out[:, Col.TIME] + part
        elif stand is Stand.SPLIT_SECOND:
            takes, fixed = out[:, Col.SPLIT].copy(), REST_PRICE
            out[:, Col.DRIVEN] = out[:, Col.DRIVEN_1]
            out[:, Col.BEGAN] = out[:, Col.TRUE] = out[:, Col.BEGAN_1] + takes
            out[:, (Col.SPLIT, Col.DRIVEN_1, Col.BEGAN_1)] = 0
        else:
            base = {Stand.REST: law.rest, Stand.SHORT_REST: law.short_rest, Stand.RESTART: law.restart}[stand]
            takes, fixed = base + wait, REST_PRICE
            out[:, (Col.DRIVEN, Col.WORKED, Col.SPLIT, Col.DRIVEN_1, Col.BEGAN_1)] = 0
            out[:, Col.BEGAN] = out[:, Col.TRUE] = out[:, Col.TIME] + takes
            if stand is Stand.SHORT_REST:
                out[:, Col.SHORT_LEFT] -= 1
                fixed += SHORT_PRICE
            if stand is Stand.RESTART:
                out[:, Col.CYCLE] = 0
        out[:, Col.TIME] += takes
        out[:, Col.PRICE] += price + fixed
        return out

    def _drive(self, labels: Labels, place: int) -> tuple[Labels, NDArray[np.intp]]:
        """The labels at the next place, and the indices of those that may legally get there."""
        law, table, column = self.law, self.table, self.table.column(labels[:, Col.TIME])
        drive, work = table.drive[place, column], table.work[place, column]
        out = labels.copy()
        out[:, Col.TIME] += drive + work
        out[:, Col.DRIVEN] += drive
        out[:, Col.WORKED] += drive + work
        rested = law.work_breaks & (work >= law.break_takes) & (law.break_takes > 0)
        # Where in the section the chains go on is not known: the larger part of the drive may be before or behind it.
        out[:, Col.SINCE_BREAK] = np.where(rested, drive, out[:, Col.SINCE_BREAK] + drive)
        out[:, Col.CYCLE] += drive if law.cycle_driving else drive + work
        out[:, Col.DRIVEN_1] += np.where(out[:, Col.SPLIT] > 0, drive, 0)
        out[:, Col.PRICE] += table.price[place, column]
        window = np.where(out[:, Col.SHORT_LEFT] > 0, law.window_short, law.window)
        fits = (
            (out[:, Col.DRIVEN] <= law.drive)
            & (out[:, Col.TIME] - out[:, Col.BEGAN] <= window)
            & (out[:, Col.WORKED] <= law.duty)
            & (labels[:, Col.SINCE_BREAK] + drive <= law.break_after)
            & (out[:, Col.CYCLE] <= law.cycle)
        )
        fit = np.flatnonzero(fits & self._hopeful(out, place + 1))
        return out[fit], fit

    def _undominated(self, labels: Labels) -> NDArray[np.intp]:
        """Indices of the labels that no other one dominates."""
        order = np.lexsort((labels[:, Col.DRIVEN], labels[:, Col.PRICE], labels[:, Col.TIME]))
        if not self.exact and order.size > self.most_labels:
            order = self._coarse(labels, order)
        own = self._compared
        signed = np.ascontiguousarray((labels[order][:, own] * _BETTER[own]).T.astype(np.int32))
        split = labels[order, Col.SPLIT].astype(np.int32)
        same_time = self.exact * (own.index(Col.TIME) + 1) - 1
        alive_before = np.zeros(0, dtype=np.intp)  # indices into `order`
        for begin in range(0, order.size, BLOCK):
            block = np.arange(begin, min(begin + BLOCK, order.size))
            rivals = np.concatenate((alive_before, block))
            beats = split[rivals][:, None] == split[block][None, :]
            equal = beats.copy()
            for n, values in enumerate(signed):
                a, b = values[rivals][:, None], values[block][None, :]
                beats &= (a == b) if n == same_time else (a <= b)
                equal &= a == b
            beats &= ~equal | (rivals[:, None] < block[None, :])  # of equal labels the first stays
            alive = block[~beats.any(axis=0)]
            alive_before = np.concatenate((alive_before, alive))
        return np.asarray(order[alive_before])

    def _coarse(self, labels: Labels, order: NDArray[np.intp]) -> NDArray[np.intp]:
        """One label, the cheapest, of those whose minutes agree, to the quarter hour or as coarsely as it takes."""
        own = [c for c in self._compared if c not in (Col.PRICE, Col.SHORT_LEFT)]
        by_cost = order[np.argsort(labels[order, Col.TIME] + labels[order, Col.PRICE], kind="stable")]
        for step in (15, 30, 60, 120):
            keys = np.concatenate(
                (labels[by_cost][:, own] // step, labels[by_cost][:, (Col.SHORT_LEFT, Col.SPLIT)]), axis=1
            )
            _, first = np.unique(keys, axis=0, return_index=True)
            if first.size <= self.most_labels:
                break
        kept = by_cost[first]
        return np.asarray(kept[np.lexsort((labels[kept, Col.DRIVEN], labels[kept, Col.PRICE], labels[kept, Col.TIME]))])

    def _end(self, labels: Labels, trail: Sequence["_Stage"]) -> RestPlan | None:
        """The best label at the end, and its stands. A rest in two parts must be complete where it was needed."""
        law, window = self.law, self.window
        whole = (labels[:, Col.SPLIT] == 0) | (labels[:, Col.TIME] - labels[:, Col.TRUE] <= law.window)
        least = np.maximum(labels[:, Col.TIME], window.opens) + labels[:, Col.PRICE]
        cost = least + window.late_price * np.maximum(labels[:, Col.TIME] - window.closes, 0)
        cost = np.where(whole, cost, np.inf)
        if not cost.size or not np.isfinite(cost.min()):
            return None
        end = int(cost.argmin())
        return RestPlan(
            minutes=int(labels[end, Col.TIME]),
            price=int(labels[end, Col.PRICE]),
            cost=float(cost[end]),
            stands=_trace(end, trail),
            work=sum(int(self.table.work[p, self.table.column(np.asarray([t]))][0]) for p, t in _leaves(end, trail)),
        )


def _trace(end: int, trail: Sequence[_Stage]) -> tuple[PlacedStand, ...]:
    """The stands on the way to a label at the end, in order."""
    stands, at = [], end
    for place, stage in reversed(tuple(enumerate(trail))):
        if stage.stand[at] != Stand.NONE:
            begins, ends = int(stage.begins[at]), int(stage.ends[at])
            stands.append(PlacedStand(place, Stand(int(stage.stand[at])), begins, ends - begins))
        at = int(stage.parent[at])
    return tuple(reversed(stands))


# [A] Nobody breaks or sleeps so soon after the last time, unless to wait: minutes.
_LEAST_SINCE_BREAK: Final = 150
_LEAST_DRIVEN: Final = 240


def _sensible(labels: Labels, stand: Stand) -> NDArray[np.bool_]:
    if stand is Stand.BREAK:
        return np.asarray(labels[:, Col.SINCE_BREAK] >= _LEAST_SINCE_BREAK)
    if stand is Stand.SPLIT_SECOND:
        return np.ones(labels.shape[0], dtype=np.bool_)
    return np.asarray(labels[:, Col.DRIVEN] >= _LEAST_DRIVEN)


def _leaves(end: int, trail: Sequence[_Stage]) -> list[tuple[int, int]]:
    """Each place on the way to a label at the end, with the minute at which it is left."""
    at, found = end, []
    for place, stage in reversed(tuple(enumerate(trail))):
        found.append((place, int(stage.ends[at])))
        at = int(stage.parent[at])
    return found[::-1]
