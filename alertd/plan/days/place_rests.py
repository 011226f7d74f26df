"""Places the rests and breaks of a trip that is longer than one duty period, and solves it with them.

The search works on minutes of the road between places. The solution knows the chain stops to the second, so its
timeline is checked against the law; where it is over a limit, the search runs again with that much less allowed. The
same rests are then checked for the truck that chains wherever it may have to.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Final

import numpy as np

from alertd.plan.chain_up.solution import Solution
from alertd.plan.days.day_law import DayLaw, day_law, state_of
from alertd.plan.days.labels import STEP_MIN, Dwell, PlacedStand, RestPlan, RoadTable, Stand, Window
from alertd.plan.days.naive import best_plan
from alertd.plan.days.rest_places import RestPlace, Room, rest_places
from alertd.plan.days.road_table import road_table
from alertd.plan.days.search import RestSearch
from alertd.plan.days.trip_stops import AT_END_M, PlacedStop, StopOrders
from alertd.plan.hours.laws import Duty, HoursRules, later_laws, rules_for
from alertd.plan.hours.legal import Violation, violations
from alertd.plan.hours.limits import HoursUsed, Spell, timeline, with_break
from alertd.plan.hours.notes import cautious_timeline
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.hourly_need import HourlyNeed
from alertd.plan.road_ahead.stands import Stands, stands_of
from alertd.plan.road_ahead.timing import free_s
from alertd.plan.road_ahead.wind import WindHours
from alertd.rules.rig import IdentityKey
from alertd.units import HOUR_S

RESERVE_MIN: Final = 15  # [A] minutes of each limit that a plan leaves to the driver
MOST_ROUNDS: Final = 5
NEAR_MIN: Final = 240  # [A] a solution's road counts for departures so near its own
EARLIER_MIN: Final = 360  # choices look at departures up to this much earlier
SLACK_MIN: Final = 2_880  # [A] the search looks at departures up to two days later than a dry road needs

Solve = Callable[[HourlyNeed, float], Solution]  # of a need with stands, leaving so many seconds later


@dataclass(frozen=True, slots=True, kw_only=True)
class DaysAsk:
    """What a trip of several days is planned for.

    depart_at: aware. before: the spells up to the first sample. wind: on the way, None where none matters.
    """

    used: HoursUsed
    depart_at: datetime
    params: PlanParams
    before: tuple[Spell, ...] = ()
    wind: WindHours | None = None
    window: Window = field(default_factory=Window)
    stops: StopOrders = field(default_factory=StopOrders)

    @property
    def leave_s(self) -> float:
        """Seconds from departure to the first section."""
        return self.before[-1].end_s if self.before else 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DaysTrip:
    """A trip of several days as the search sees it: its table, law and state, to be asked again for choices.

    places: between the start and the end. laws: of all lands on the way, the first where it starts.
    stops: those to serve, by the index of their place in the table.
    leave_s: seconds from departure to the first section.
    whole: the table from `lead_min` minutes before the departure on.
    """

    places: tuple[RestPlace, ...]
    table: RoadTable
    laws: tuple[HoursRules, ...]
    search: RestSearch
    reserve_min: int
    leave_s: float
    whole: RoadTable
    lead_min: int
    stops: Mapping[int, PlacedStop]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DaysSolution:
    """The solution with its stands.

    over: what still exceeds the law, empty for a legal plan. over_if_chained: the same for a truck that chains wherever
    it may have to. solve, hourly_need: to solve it again.
    """

    trip: DaysTrip
    ask: DaysAsk
    rests: RestPlan
    solution: Solution
    spells: tuple[Spell, ...]
    over: tuple[Violation, ...]
    solve: Solve
    hourly_need: HourlyNeed
    over_if_chained: tuple[Violation, ...] = ()

    def place_of(self, stand: PlacedStand) -> RestPlace | None:
        """The place of a stand; None at the start of the road ahead."""
        return self.trip.places[stand.place - 1] if stand.place > 0 else None

    def at_m(self, stand: PlacedStand) -> float:
        """Distance of a stand from the start of the trip."""
        place = self.place_of(stand)
        return float(self.solution.sections.edge_m[0]) if place is None else place.distance_m


def laws_of(solution: Solution) -> tuple[HoursRules, ...]:
    """The hours laws of the lands on the way, the first where it starts; empty where none is on file there."""
    spans = solution.sections.route.jurisdictions
    first = rules_for([s.code for s in spans])
    return () if first is None else (first, *(law for law, _, _ in later_laws(spans, first)))


def spells_of(solution: Solution, before: Sequence[Spell] = ()) -> tuple[Spell, ...]:
    """The timeline of a solution, its stands included."""
    spells = timeline(solution.sections.edge_m, solution.moving_s, solution.stopped_times, before)
    return _with_stands(spells, solution.stands)


def _with_stands(spells: tuple[Spell, ...], stands: Stands) -> tuple[Spell, ...]:
    # The last one first: of two stands at one place, the later one is placed before the earlier one goes in front.
    for at_m, takes_s, works in reversed(list(zip(stands.at_m, stands.takes_s, stands.on_duty, strict=True))):
        spells = with_break(spells, float(at_m), float(takes_s), Duty.ON_DUTY if works else Duty.OFF)
    return spells


def needs_rest(solution: Solution, used: HoursUsed, depart_at: datetime, before: Sequence[Spell] = ()) -> bool:
    """True where a limit that only a rest lifts is full before the end."""
    if not before and _is_within_a_day(solution, used, depart_at):
        return False
    spells = spells_of(solution, before)
    if not spells or spells[-1].end_m <= spells[0].start_m:
        return False
    over = (x for law in laws_of(solution) for x in violations(spells, used, law, depart_at))
    return any(x.kind in ("driving", "window", "duty") for x in over)


def _is_within_a_day(solution: Solution, used: HoursUsed, depart_at: datetime) -> bool:
    """True where driving, duty and window stay within each law even if all hours of the trip count in each of them."""
    began_s = 0.0 if used.on_duty_since is None else (depart_at - used.on_duty_since).total_seconds()
    stopped_s = sum(s for _, s in solution.stopped_times if s > 0.0)
    trip_s = float(solution.moving_s[-1]) + stopped_s + solution.stands.total_s
    most_h = (h for law in laws_of(solution) for h in (law.drive_h, law.duty_h, law.window_h) if h is not None)
    return trip_s + max(began_s, (used.drive_h or 0.0) * HOUR_S) <= min(most_h, default=0.0) * HOUR_S


def days_trip(solution: Solution, ask: DaysAsk) -> DaysTrip:
    """The search of a trip, from its solution without rests."""
    hourly_need, laws, params = solution.encounter.hourly_need, laws_of(solution), ask.params
    route = hourly_need.sections.route
    places, stops = _with_stops(rest_places(route, params), ask.stops, route.length_m, float(route.distance_m[0]))
    dry_min = float(free_s(hourly_need.sections, IdentityKey(hourly_need.rig), params).sum()) / 60.0
    days = dry_min / (60.0 * laws[0].drive_h)
    span_min = int(dry_min * 1.5 + 60.0 * (laws[0].planned_rest_h or laws[0].rest_h) * (days + 1.0)) + SLACK_MIN
    span_min += int(sum(x.stop.service_s for x in stops.values()) / 60.0)
    state = state_of(ask.used, laws[0], ask.depart_at, ask.before)
    if laws[0].week_span_h is not None and state.week_began + 60 * laws[0].week_span_h < span_min - SLACK_MIN:
        span_min += round(60 * (laws[0].weekly_rest_h or 0.0))
    lead_min = 0 if ask.before else EARLIER_MIN
    leaves = ask.depart_at + timedelta(seconds=ask.leave_s)
    whole = road_table(hourly_need, places, leaves.timestamp() - 60.0 * lead_min, span_min + lead_min, params, ask.wind)
    whole = _with_dwells(whole, stops, leaves - timedelta(minutes=lead_min))
    table = whole.from_minute(lead_min)
    return DaysTrip(
        places=places,
        table=table,
        laws=laws,
        search=RestSearch(
            table=table, law=day_law(laws, ask.used, reserve=RESERVE_MIN), state=state, window=ask.window
        ),
        reserve_min=RESERVE_MIN,
        leave_s=ask.leave_s,
        whole=whole,
        lead_min=lead_min,
        stops=stops,
    )


def _with_stops(
    places: Sequence[RestPlace], stops: StopOrders, end_m: float, start_m: float
) -> tuple[tuple[RestPlace, ...], Mapping[int, PlacedStop]]:
    """The places with each stop as two, before and after its service; and the stops by their place in the table."""
    rows: list[tuple[float, int, RestPlace, PlacedStop | None]] = [(x.distance_m, -1, x, None) for x in places]
    for n, placed in enumerate(stops.planned):
        if placed.distance_m > end_m - AT_END_M:
            continue  # the delivery
        at_m = max(placed.distance_m, start_m + 1.0)
        at = RestPlace(name=placed.stop.name, distance_m=at_m, room=Room.CUSTOMER)
        rows += [(at_m, 2 * n, at, placed), (at_m, 2 * n + 1, at, None)]
    rows.sort(key=lambda row: row[:2])
    return tuple(row[2] for row in rows), {n + 1: row[3] for n, row in enumerate(rows) if row[3] is not None}


def _with_dwells(table: RoadTable, stops: Mapping[int, PlacedStop], zero: datetime) -> RoadTable:
    """The table with the service of each stop. zero: its first departure."""
    work, dwells = table.work.copy(), {}
    for place, placed in stops.items():
        stop, service = placed.stop, round(placed.stop.service_s / 60.0)
        work[place] = service
        opens = 0 if stop.opens_at is None else -int((zero - stop.opens_at).total_seconds() // 60.0)
        closes = 10**6 if stop.closes_at is None else int((stop.closes_at - zero).total_seconds() // 60.0)
        dwells[place] = Dwell(opens=opens, closes=closes, service=service)
    return replace(table, work=work, dwells=dwells)


def solve_with_rests(trip: DaysTrip, hourly_need: HourlyNeed, solve: Solve, ask: DaysAsk) -> DaysSolution | None:
    """The trip with its rests, legal by every law on the way; None where no search finds a legal way.

    solve: solves the trip for an hourly need with stands.
    """
    found: DaysSolution | None = None
    for _ in range(MOST_ROUNDS):
        law: DayLaw = day_law(trip.laws, ask.used, reserve=trip.reserve_min)
        rests = best_plan(replace(trip.search, law=law))
        if rests is None:
            break
        solution = solve(replace(hourly_need, stands=_stands(trip, hourly_need, rests)), 0.0)
        spells = spells_of(solution, ask.before)
        over = _over(trip.laws, spells, ask)
        found = DaysSolution(
            trip=trip, ask=ask, rests=rests, solution=solution, spells=spells, over=over, solve=solve,
            hourly_need=hourly_need,
        )  # fmt: skip
        if not over:
            dry_s = 60.0 * _dry_min(trip, hourly_need, ask.params)
            chained = _with_stands(cautious_timeline(solution, None, ask.params, ask.before), solution.stands)
            return replace(
                found,
                solution=replace(solution, unhindered_s=dry_s),
                over_if_chained=_over(trip.laws, chained, ask),
            )
        trip = _as_solved(trip, found)
    return found


def solve_again(
    found: DaysSolution, trip: DaysTrip, rests: RestPlan, shift_min: int, used: HoursUsed
) -> tuple[Solution, bool]:
    """The solution of other rests, leaving some minutes later, and whether it is legal."""
    need = found.hourly_need
    solution = found.solve(replace(need, stands=_stands(trip, need, rests)), 60.0 * shift_min)
    ask = replace(found.ask, used=used, depart_at=found.ask.depart_at + timedelta(minutes=shift_min))
    return solution, not _over(trip.laws, spells_of(solution, ask.before), ask)


def _over(laws: Sequence[HoursRules], spells: Sequence[Spell], ask: DaysAsk) -> tuple[Violation, ...]:
    return tuple(x for law in laws for x in violations(spells, ask.used, law, ask.depart_at))


def _stands(trip: DaysTrip, hourly_need: HourlyNeed, rests: RestPlan) -> Stands:
    return stands_of([(_at_m(trip, hourly_need, x), 60.0 * x.minutes, x.stand is Stand.DWELL) for x in rests.stands])


def _dry_min(trip: DaysTrip, hourly_need: HourlyNeed, params: PlanParams) -> float:
    """Minutes of the same trip on a dry road, with the rests that it needs then."""
    sections = hourly_need.sections
    ends_m = np.asarray([sections.edge_m[0], *(x.distance_m for x in trip.places), sections.edge_m[-1]])
    free = np.append(0.0, np.cumsum(free_s(sections, IdentityKey(hourly_need.rig), params)))
    drive = np.rint(np.diff(np.interp(ends_m, sections.edge_m, free)) / 60.0).astype(np.int64)[:, None]
    none = np.zeros_like(drive)
    table = replace(
        trip.table, drive=drive, work=none, price=none,
        rest_price=trip.table.rest_price[:, :1], break_price=trip.table.break_price[:, :1],
        changes=np.zeros_like(trip.table.changes),
    )  # fmt: skip
    search = replace(trip.search, table=table, split=False, waits=(0,), break_waits=(0,), window=Window())
    best = best_plan(search)
    return float(drive.sum()) if best is None else float(best.minutes)


def _as_solved(trip: DaysTrip, found: DaysSolution) -> DaysTrip:
    """The trip with a table that is as slow as the solution, where that was slower between two places."""
    route, table, solution = found.solution.sections.route, trip.table, found.solution
    ends_m = np.asarray([route.distance_m[0], *(x.distance_m for x in trip.places), route.length_m])
    moving_min = np.diff(np.interp(ends_m, solution.sections.edge_m, solution.moving_s)) / 60.0
    stops = [(m, s / 60.0) for m, s in solution.stopped_times]
    work_min = np.asarray([sum(s for m, s in stops if a < m <= b) for a, b in pairwise(ends_m.tolist())])
    at_min = np.zeros(ends_m.size - 1)
    takes = dict.fromkeys(range(ends_m.size), 0)
    for stand in found.rests.stands:
        takes[stand.place] += stand.minutes
    now = 0.0
    for i in range(at_min.size):
        at_min[i] = now + takes[i]
        now = at_min[i] + moving_min[i] + work_min[i]
    column, edge = table.column(at_min.astype(np.int64)), np.arange(at_min.size)
    more_drive = np.ceil(np.maximum(moving_min - table.drive[edge, column], 0.0)).astype(np.int64)
    more_work = np.ceil(np.maximum(work_min - table.work[edge, column], 0.0)).astype(np.int64)
    near = np.abs(np.arange(table.drive.shape[1]) - column[:, None]) <= NEAR_MIN // STEP_MIN
    slower = replace(table, drive=table.drive + more_drive[:, None] * near, work=table.work + more_work[:, None] * near)
    return replace(trip, table=slower, search=replace(trip.search, table=slower))


def _at_m(trip: DaysTrip, hourly_need: HourlyNeed, stand: PlacedStand) -> float:
    if stand.place == 0:
        return float(hourly_need.sections.edge_m[0])
    return trip.places[stand.place - 1].distance_m
