"""Finds the best rests and breaks of a trip: a dynamic programme over (place, clock states).

The places lie in order along the road. A label is one way to stand at a place: minutes since departure, the minutes
that the hours law counts, and a price of what is not time. At each place a label goes on, or takes a break, a rest
(longer ones wait for a storm to end), or a part of one in two parts. Between places it drives with the minutes and
the price of the road at its departure there, or serves a stop of the trip. A label that another one dominates is
dropped.

`exact` compares only labels of the same minute, so that the result is the best of all choices offered. Otherwise an
earlier label with no less in hand counts as no worse, because it could wait.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from alertd.plan.days.day_law import NEVER, DayLaw, DutyState
from alertd.plan.days.dominance import undominated
from alertd.plan.days.labels import Array, Col, Labels, PlacedStand, RestPlan, RoadTable, Stand, Window
from alertd.plan.days.stand_rules import (
    BREAKS,
    REST_PRICE,
    SPLITS,
    after_stand,
    first_parts,
    is_sensible,
    may_stand,
    offered,
)

REST_WAITS: Final = (0, 60, 120, 180, 240, 360, 480, 600, 720, 840, 1080, 1440)
BREAK_WAITS: Final = (0, 90, 180)
MOST_LABELS: Final = 400  # beyond these, labels that differ by minutes count as one
WEEK_MIN: Final = 7 * 24 * 60


class _Stage(NamedTuple):
    """What led to each label at the next place: its label at this one, the stand there, its begin and end."""

    parent: NDArray[np.intp]
    stand: NDArray[np.int64]
    begins: NDArray[np.int64]
    ends: NDArray[np.int64]


@dataclass
class RestSearch:
    """The search. `exact`: see the module. `waits`: extra minutes of a rest; `break_waits`: of a break.

    bound: the cost of a known legal way; a label that cannot end at it or below is dropped.
    """

    table: RoadTable
    law: DayLaw
    state: DutyState
    window: Window = field(default_factory=Window)
    exact: bool = False
    waits: Sequence[int] = REST_WAITS
    break_waits: Sequence[int] = BREAK_WAITS
    split: bool = True
    most_labels: int = MOST_LABELS
    bound: float = np.inf
    _most: float = field(default=np.inf, init=False)

    def best(self) -> RestPlan | None:
        """The cheapest legal way to the end; None without one.

        A first search without waiting gives a bound: a label that cannot end below it is dropped.
        """
        simple, self._most = None, self.bound
        if self.split or max(self.waits) > 0 or max(self.break_waits) > 0:
            simple = replace(self, waits=(0,), break_waits=(0,), split=False, most_labels=MOST_LABELS).best()
            self._most = self.bound if simple is None else min(simple.cost, self.bound)
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
        """The label at the start, (1, column). The first part of a rest in two parts may have been taken before."""
        s = self.state
        split, driven_1, began_1, began = 0, 0, 0, s.began
        if s.part and self.split and self.law.splits:
            split, driven_1, began_1 = s.completes, s.driven_since, s.part_ended
            began += s.part if s.part_counts else 0
        row = [0, s.driven, began, s.worked, s.since_break, s.cycle, 0, s.short_rests, split, driven_1, began_1]
        row += [s.began, 0]
        return np.asarray([[*row, s.long_days, s.week_began, s.reduced]], dtype=np.int64)

    def step(self, label: Labels, place: int) -> Labels | None:
        """One label at the next place; None where it may not legally drive there."""
        driven, kept = self._drive(label, place)
        return driven if kept.size else None

    def may_stand(self, label: Labels, stand: Stand) -> bool:
        """True where a stand is legal for one label."""
        return bool(may_stand(self.law, label, stand)[0])

    def after(self, label: Labels, stand: Stand, place: int) -> Labels:
        """One label after a stand of the least length."""
        return after_stand(self.law, self.table, label, place, stand, np.zeros(1, dtype=np.int64))

    def work_at(self, label: Labels, place: int) -> int:
        """Minutes of chain work on the way to the next place."""
        return self._chain_work(place, int(label[0, Col.TIME]))

    @cached_property
    def _left(self) -> tuple[Array, Array]:
        """Least minutes of driving and least cost of the road from each place to the end, (place,)."""
        table = self.table
        cost = (table.drive + table.work + table.price).min(axis=1)
        drive, whole = (np.append(np.cumsum(x[::-1])[::-1], 0.0) for x in (table.drive.min(axis=1), cost))
        return drive, whole

    @cached_property
    def _weeks(self) -> bool:
        """Whether a weekly rest may fall due on the way."""
        ends = 15 * self.table.drive.shape[1]
        return self.law.week_rest > 0 and ends - self.state.week_began > self.law.week_span

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
        if not (self.split and law.splits):
            unused |= {Col.DRIVEN_1, Col.BEGAN_1, Col.TRUE}
        if not law.break_parts[0]:
            unused.add(Col.HALF)
        if not self.state.long_days:
            unused.add(Col.LONG_LEFT)
        if not self._weeks:
            unused |= {Col.WEEK_BEGAN, Col.REDUCED_LEFT}
        return [c for c in Col if c not in unused]

    def _hopeful(self, labels: Labels, place: int) -> NDArray[np.bool_]:
        """Labels that may still end at the bound or below it. Each full day of driving ahead needs a rest."""
        law, (drive, cost) = self.law, self._left
        rest = min(law.rest, law.short_rest or law.rest)
        most = max(law.drive, law.long_drive) if self.state.long_days else law.drive
        days = np.ceil(np.maximum(drive[place] - (most - labels[:, Col.DRIVEN]), 0.0) / most)
        least = labels[:, Col.TIME] + cost[place] + days * (rest + REST_PRICE)
        return np.asarray(np.maximum(least, self.window.opens) + labels[:, Col.PRICE] <= self._most + 1e-9)

    def _stands(self, labels: Labels, place: int) -> tuple[Labels, NDArray[np.intp], NDArray[np.int64]]:
        """Labels after every choice at a place, with the label each comes from, and what it does."""
        options = [(labels, np.arange(labels.shape[0]), np.full(labels.shape[0], Stand.NONE, dtype=np.int64))]
        # A break in two parts is worth a look where a stop makes the truck wait anyway.
        known = offered(
            self.law, can_rest=bool(self.table.can_rest[place]), split=self.split,
            halves=self.exact or bool(self.table.dwells), weeks=self._weeks,
        )  # fmt: skip
        for stand in known:
            waits = self.waits if self.table.changes[place] or self.exact else self.waits[:1]
            if stand in BREAKS:
                waits = self.break_waits if self.table.changes[place] or self.exact else self.break_waits[:1]
            if stand in SPLITS or stand in (Stand.BREAK_FIRST, Stand.BREAK_SECOND):
                waits = (0,)
            able = np.flatnonzero(may_stand(self.law, labels, stand))
            for part in first_parts(self.law) if stand is Stand.SPLIT_FIRST else (0,):
                which = np.repeat(able, len(waits))
                wait = np.tile(np.asarray(waits, dtype=np.int64), able.size)
                if not self.exact:
                    fit = (wait > 0) | is_sensible(labels[which], stand)
                    which, wait = which[fit], wait[fit]
                if which.size:
                    after = after_stand(self.law, self.table, labels[which], place, stand, wait, part)
                    self._turn_week(labels[which, Col.TIME], after, np.zeros_like(wait))
                    hope = self._hopeful(after, place)
                    options.append((after[hope], which[hope], np.full(int(hope.sum()), stand, dtype=np.int64)))
        stood, parent, stands = (np.concatenate(x) for x in zip(*options, strict=True))
        keep = self._undominated(stood)
        return stood[keep], parent[keep], stands[keep]

    def _drive(self, labels: Labels, place: int) -> tuple[Labels, NDArray[np.intp]]:
        """The labels at the next place, and the indices of those that may legally get there."""
        law, table, column = self.law, self.table, self.table.column(labels[:, Col.TIME])
        drive, work = table.drive[place, column], table.work[place, column]
        out = labels.copy()
        dwell = table.dwells.get(place)
        if dwell is not None:
            work = np.maximum(dwell.opens - out[:, Col.TIME], 0) + dwell.service
            late = np.maximum(out[:, Col.TIME] - dwell.closes, 0)
            out[:, Col.PRICE] += np.rint(dwell.late_price * late).astype(np.int64)
        out[:, Col.TIME] += drive + work
        out[:, Col.DRIVEN] += drive
        out[:, Col.WORKED] += drive + work
        rested = law.work_breaks & (work >= law.break_takes) & (law.break_takes > 0)
        # Where in the section the chains go on is not known: the larger part of the drive may be before or behind it.
        out[:, Col.SINCE_BREAK] = np.where(rested, drive, out[:, Col.SINCE_BREAK] + drive)
        out[:, Col.HALF] = np.where(rested, 0, out[:, Col.HALF])
        cycle_fits = self._turn_week(labels[:, Col.TIME], out, drive if law.cycle_driving else drive + work)
        out[:, Col.DRIVEN_1] += np.where(out[:, Col.SPLIT] > 0, drive, 0)
        out[:, Col.PRICE] += table.price[place, column]
        window = np.where(out[:, Col.SHORT_LEFT] > 0, law.window_short, law.window)
        most = np.where(out[:, Col.LONG_LEFT] > 0, max(law.drive, law.long_drive), law.drive)
        stays = dwell is not None and not law.work_in_window  # work may go on where driving may not
        fits = stays | (
            (out[:, Col.DRIVEN] <= most)
            & (out[:, Col.TIME] - out[:, Col.BEGAN] <= window)
            & (out[:, Col.WORKED] <= law.duty)
            & (labels[:, Col.SINCE_BREAK] + drive <= law.break_after)
            & cycle_fits
        )
        fits &= out[:, Col.TIME] - out[:, Col.WEEK_BEGAN] <= law.week_span
        fit = np.flatnonzero(fits & self._hopeful(out, place + 1))
        return out[fit], fit

    def _turn_week(self, begins: NDArray[np.int64], out: Labels, counts: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Add what counts in the cycle; after the turn of a calendar week it is the next week's. True where it fits."""
        law, turns = self.law, self.state.week_turns
        if not law.cycle_driving:
            out[:, Col.CYCLE] += counts
            return np.asarray(out[:, Col.CYCLE] <= law.cycle)
        next_turn = begins + (turns - begins) % WEEK_MIN
        old = np.clip(next_turn - begins, 0, counts)
        week = out[:, Col.CYCLE] + old
        crosses = out[:, Col.TIME] > next_turn
        new = np.maximum(week - law.week_carry, 0) + counts - old
        out[:, Col.CYCLE] = np.where(crosses, new, week)
        return np.asarray((week <= law.cycle) & (out[:, Col.CYCLE] <= law.cycle))

    def _undominated(self, labels: Labels) -> NDArray[np.intp]:
        """Indices of the labels that no other one dominates."""
        most = None if self.exact else self.most_labels
        return undominated(labels, self._compared, same_time=self.exact, most=most)

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
            stands=self._trace(end, trail, int(labels[end, Col.TIME])),
            work=sum(self._chain_work(p, t) for p, t in _leaves(end, trail)),
        )

    def _chain_work(self, place: int, minute: int) -> int:
        if place in self.table.dwells:
            return 0
        return int(self.table.work[place, self.table.column(np.asarray([minute]))][0])

    def _trace(self, end: int, trail: Sequence["_Stage"], finish: int) -> tuple[PlacedStand, ...]:
        """The stands on the way to a label at the end, in order."""
        stands, at, next_begins = [], end, finish
        for place, stage in reversed(tuple(enumerate(trail))):
            begins, ends = int(stage.begins[at]), int(stage.ends[at])
            if place in self.table.dwells:
                stands.append(PlacedStand(place, Stand.DWELL, ends, next_begins - ends))
            if stage.stand[at] != Stand.NONE:
                stands.append(PlacedStand(place, Stand(int(stage.stand[at])), begins, ends - begins))
            at, next_begins = int(stage.parent[at]), begins
        return tuple(reversed(stands))


def _leaves(end: int, trail: Sequence[_Stage]) -> list[tuple[int, int]]:
    """Each place on the way to a label at the end, with the minute at which it is left."""
    at, found = end, []
    for place, stage in reversed(tuple(enumerate(trail))):
        found.append((place, int(stage.ends[at])))
        at = int(stage.parent[at])
    return found[::-1]
