"""What else a dispatcher can do with a trip: leave at another time, sleep elsewhere, or serve stops in another order.

Each choice is the same search on the road, without waits and rests in two parts (leaving later is a wait), and is then
solved and checked like the plan itself. A naive driver, who drives until the hours are full, is the last of them.
"""

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Final

import numpy as np

from alertd.plan.chain_up.solution import Solution
from alertd.plan.days.day_law import DutyState, day_law
from alertd.plan.days.labels import RestPlan
from alertd.plan.days.naive import best_plan, naive_plan
from alertd.plan.days.place_rests import DaysAsk, DaysSolution, DaysTrip, days_trip, solve_again
from alertd.plan.days.road_table import HOLD_MIN
from alertd.plan.days.search import RestSearch
from alertd.plan.days.stand_rules import NIGHTS
from alertd.plan.days.trip_stops import StopOrders
from alertd.plan.describe.arrivals import SAME_ARRIVAL_S, arrival_pair, arrival_window
from alertd.plan.model.days import DaysChoice
from alertd.plan.road_ahead.hazards import hazards

LATER_H: Final = (-4, -2, 4, 8, 12, 24)
ELSEWHERE_M: Final = 60_000.0  # [A] sleeping elsewhere is at least so far from the planned place
MORE_RESERVE_MIN: Final = 45  # [A] for a choice whose solution is slower than its search
MOST_OTHER_ORDERS: Final = 4  # solved; each needs a table of its own


@dataclass(frozen=True, slots=True, kw_only=True)
class Leaving:
    """When the trip leaves, and how much earlier it could. Aware; `has_left` for a truck under way."""

    leave_at: datetime
    now_utc: datetime
    has_left: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Other:
    """Another way to make the trip: what it is, the trip and rests of it, None where none is legal, minutes later.

    search: what found the rests, to search again where the solution with them is over a limit.
    """

    kind: str
    what: str
    trip: DaysTrip
    rests: RestPlan | None
    shift_min: int = 0
    search: RestSearch | None = None
    order: tuple[str, ...] = field(default=())


def choices_of(found: DaysSolution, leaving: Leaving) -> tuple[DaysChoice, ...]:
    """Other departures, places to sleep and orders of the stops, and the naive driver, compared with the plan."""
    base = _arrivals(found, found.solution, leaving.leave_at)
    others = [*_departures(found, leaving), *_nights(found), *_orders(found), _naive(found)]
    return tuple(_choice(found, leaving, other, base[0]) for other in others)


def _quick(search: RestSearch) -> RestSearch:
    return replace(search, split=False, waits=(0,), break_waits=(0,))


def _departures(found: DaysSolution, leaving: Leaving) -> list[_Other]:
    if leaving.has_left:
        return []
    earliest_min = min(int((leaving.leave_at - leaving.now_utc).total_seconds() // 60.0), found.trip.lead_min)
    search = _quick(found.trip.search)
    out = []
    for hours in (x for x in LATER_H if 60 * x >= -earliest_min):
        then = _leaving(search, found, 60 * hours)
        rests = best_plan(then)
        out.append(
            _Other(kind="leave", what=f"{hours:+d} h", trip=found.trip, rests=rests, shift_min=60 * hours, search=then)
        )
    return out


def _nights(found: DaysSolution) -> list[_Other]:
    """The first night at least `ELSEWHERE_M` earlier or later on the road; later nights stay free."""
    night = next((s for s in found.rests.stands if s.stand in NIGHTS and s.place > 0), None)
    if night is None:
        return []
    search, places, out = _quick(found.trip.search), found.trip.places, []
    here_m = places[night.place - 1].distance_m
    for name, side in (("earlier", -1.0), ("later", 1.0)):
        apart = np.asarray([0.0, *((x.distance_m - here_m) * side for x in places), 0.0])
        until = night.place + int(np.searchsorted([x.distance_m for x in places[night.place :]], here_m + 300_000.0))
        may = search.table.can_rest & ~((apart < ELSEWHERE_M) & (np.arange(apart.size) <= until))
        may |= np.arange(apart.size) > until
        there = replace(search, table=replace(search.table, can_rest=may))
        rests = best_plan(there)
        if rests is not None and any(s.stand in NIGHTS for s in rests.stands):
            what = f"sleep {name} on the road"
            out.append(_Other(kind="sleep", what=what, trip=found.trip, rests=rests, search=there))
    return out


def _orders(found: DaysSolution) -> list[_Other]:
    out = []
    for order in found.ask.stops.others[:MOST_OTHER_ORDERS]:
        trip = days_trip(found.solution, replace(found.ask, stops=StopOrders(planned=order)))
        names = tuple(x.stop.name for x in order)
        rests = best_plan(_quick(trip.search))
        out.append(_Other(kind="order", what="serve the stops in another order", trip=trip, rests=rests, order=names))
    return out


def _naive(found: DaysSolution) -> _Other:
    rests = naive_plan(_quick(found.trip.search))
    return _Other(kind="naive", what="stop only when the hours are full", trip=found.trip, rests=rests)


def _leaving(search: RestSearch, found: DaysSolution, shift_min: int) -> RestSearch:
    """The search of a departure some minutes later, or earlier."""
    state, rest = search.state, search.law.rest
    if shift_min >= rest:
        state = DutyState(
            cycle=state.cycle, short_rests=state.short_rests, long_days=state.long_days, reduced=state.reduced
        )
    elif state.began < 0:
        state = replace(state, began=min(state.began - shift_min, 0))
    state = replace(
        state,
        week_began=min(search.state.week_began - shift_min, 0),
        week_turns=search.state.week_turns - shift_min,
    )
    window = replace(
        search.window, opens=max(search.window.opens - shift_min, 0), closes=search.window.closes - shift_min
    )
    return replace(
        search, table=found.trip.whole.from_minute(found.trip.lead_min + shift_min), state=state, window=window
    )


def _choice(found: DaysSolution, leaving: Leaving, other: _Other, base_at: datetime) -> DaysChoice:
    depart = leaving.leave_at + timedelta(minutes=other.shift_min)
    plan, legal = found.rests, other.rests is not None
    arrive_at, worse_at, odds = base_at + timedelta(minutes=other.shift_min), None, None
    held = False
    if other.rests is not None:
        plan, used = other.rests, found.ask.used
        if other.shift_min >= found.trip.search.law.rest:
            used = replace(used, drive_h=0.0, since_break_h=0.0, on_duty_since=None)
        elif found.trip.search.state.began >= 0:  # the duty day begins with the departure
            used = replace(used, on_duty_since=None)
        solution, legal = solve_again(found, other.trip, plan, other.shift_min, used)
        if not legal and other.search is not None:
            law = day_law(other.trip.laws, used, reserve=other.trip.reserve_min + MORE_RESERVE_MIN)
            more = best_plan(replace(other.search, law=law))
            if more is not None:
                plan = more
                solution, legal = solve_again(found, other.trip, plan, other.shift_min, used)
        arrive_at, worse_at = _arrivals(found, solution, depart)
        odds = solution.chain_odds
        held = plan.price - found.rests.price >= HOLD_MIN or _is_held(solution, found.ask)
    return DaysChoice(
        kind=other.kind,
        what=other.what,
        depart_at=depart.astimezone(UTC),
        arrive_at=arrive_at,
        later_s=(arrive_at - base_at).total_seconds(),
        cost_s=60.0 * (plan.minutes + plan.price - found.rests.minutes - found.rests.price),
        chain_work_s=60.0 * plan.work,
        sleeps=tuple(
            other.trip.places[s.place - 1].name if s.place > 0 else "the start"
            for s in plan.stands
            if s.stand in NIGHTS
        ),
        legal=legal,
        worse_at=worse_at,
        chain_probability=odds,
        order=other.order,
        held=held,
    )


def _is_held(solution: Solution, ask: DaysAsk) -> bool:
    met, need = solution.encounter, solution.encounter.hourly_need
    return any(x.held for x in solution.legs) or any(
        x.holds for x in hazards(need, ask.wind, met.hour, solution.code, ask.params)
    )


def _arrivals(found: DaysSolution, solution: Solution, leave_at: datetime) -> tuple[datetime, datetime]:
    """The expected arrival, and that by which nine in ten arrive."""
    params, leave = found.ask.params, leave_at.astimezone(UTC)
    arrive = leave + timedelta(seconds=round(float(solution.reach_s(solution.sections.route.length_m))))
    first, last = (leave + timedelta(seconds=round(float(np.quantile(solution.finish_s, q)))) for q in (0.1, 0.9))
    if not solution.legs or solution.carried is not None or solution.chained_s - solution.unchained_s < SAME_ARRIVAL_S:
        return arrive, last
    times_s = (solution.unchained_s, solution.chained_s)
    pair = arrival_pair(leave, times_s, solution.chain_odds, solution.chained_share)
    return pair.expected_at, arrival_window(pair, solution, leave, (first, last), params)[1]
