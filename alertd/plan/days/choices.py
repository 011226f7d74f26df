"""What else a dispatcher can do with a trip of several days: leave at another time, or sleep elsewhere.

Each choice is the same search on the same table of the road, without waits and rests in two parts: leaving later is a
wait. A naive driver, who drives
until the hours are full, is the last of them.
"""

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Final

import numpy as np

from alertd.plan.days.day_law import DutyState
from alertd.plan.days.labels import PlacedStand, RestPlan, Stand
from alertd.plan.days.naive import naive_plan
from alertd.plan.days.place_rests import DaysSolution
from alertd.plan.days.search import RestSearch
from alertd.plan.model.days import DaysChoice

LATER_H: Final = (-4, -2, 4, 8, 12, 24)
ELSEWHERE_M: Final = 60_000.0  # [A] sleeping elsewhere is at least so far from the planned place
_NIGHTS: Final = (Stand.REST, Stand.SHORT_REST, Stand.RESTART, Stand.SPLIT_FIRST, Stand.SPLIT_SECOND)


@dataclass(frozen=True, slots=True, kw_only=True)
class Leaving:
    """When the trip leaves, and how much earlier it could. Aware; `has_left` for a truck under way."""

    leave_at: datetime
    now_utc: datetime
    has_left: bool


def choices_of(found: DaysSolution, leaving: Leaving) -> tuple[DaysChoice, ...]:
    """Other departures, other places to sleep, and the naive driver, each compared with the plan."""
    search = replace(found.trip.search, split=False, waits=(0,), break_waits=(0,))
    base = found.rests
    choices = []
    if not leaving.has_left:
        earliest_min = int((leaving.leave_at - leaving.now_utc).total_seconds() // 60.0)
        for hours in LATER_H:
            shift = 60 * hours
            if shift < -earliest_min or shift < -found.trip.lead_min:
                continue
            other = _leaving(search, found, shift).best()
            choices.append(_choice(found, leaving, "leave", f"{hours:+d} h", (other, shift)))
    night = next((s for s in base.stands if s.stand in _NIGHTS and s.place > 0), None)
    if night is not None:
        places = found.trip.places
        here_m = places[night.place - 1].distance_m
        for name, side in (("earlier", -1.0), ("later", 1.0)):
            apart = np.asarray([0.0, *((x.distance_m - here_m) * side for x in places), 0.0])
            # The first night is on that side of the planned place; later nights stay free.
            until = night.place + int(
                np.searchsorted([x.distance_m for x in places[night.place :]], here_m + 300_000.0)
            )
            may = search.table.can_rest & ~((apart < ELSEWHERE_M) & (np.arange(apart.size) <= until))
            may |= np.arange(apart.size) > until
            other = replace(search, table=replace(search.table, can_rest=may)).best()
            if other is not None:
                choices.append(_choice(found, leaving, "sleep", f"sleep {name} on the road", (other, 0)))
    naive = naive_plan(search)
    choices.append(_choice(found, leaving, "naive", "stop only when the hours are full", (naive, 0)))
    return tuple(choices)


def _leaving(search: RestSearch, found: DaysSolution, shift_min: int) -> RestSearch:
    """The search of a departure some minutes later, or earlier."""
    state, rest = search.state, search.law.rest
    if shift_min >= rest:
        state = DutyState(cycle=state.cycle, short_rests=state.short_rests)
    elif state.began < 0:
        state = replace(state, began=min(state.began - shift_min, 0))
    window = replace(
        search.window, opens=max(search.window.opens - shift_min, 0), closes=search.window.closes - shift_min
    )
    return replace(
        search, table=found.trip.whole.from_minute(found.trip.lead_min + shift_min), state=state, window=window
    )


def _choice(
    found: DaysSolution, leaving: Leaving, kind: str, what: str, made: tuple[RestPlan | None, int]
) -> DaysChoice:
    other, shift_min = made
    base, legal = found.rests, other is not None
    plan = base if other is None else other
    depart = leaving.leave_at + timedelta(minutes=shift_min)
    return DaysChoice(
        kind=kind,
        what=what,
        depart_at=depart.astimezone(UTC),
        arrive_at=(depart + timedelta(minutes=plan.minutes)).astimezone(UTC),
        later_s=60.0 * (shift_min + plan.minutes - base.minutes),
        cost_s=60.0 * (plan.minutes + plan.price - base.minutes - base.price),
        chain_work_s=60.0 * plan.work,
        sleeps=tuple(_name(found, s) for s in plan.stands if s.stand in _NIGHTS),
        legal=legal,
    )


def _name(found: DaysSolution, stand: PlacedStand) -> str:
    return found.trip.places[stand.place - 1].name if stand.place > 0 else "the start"
