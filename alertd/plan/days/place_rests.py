"""Places the rests and breaks of a trip that is longer than one duty period, and solves it with them.

The search works on minutes of the road between places. The solution knows the chain stops to the second, so its
timeline is checked against the law; where it is over a limit, the search runs again with that much less allowed.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import pairwise
from typing import Final

import numpy as np

from alertd.plan.chain_up.solution import Solution
from alertd.plan.days.day_law import DayLaw, day_law, state_of
from alertd.plan.days.labels import PlacedStand, RestPlan, RoadTable, Window
from alertd.plan.days.rest_places import RestPlace, rest_places
from alertd.plan.days.road_table import road_table
from alertd.plan.days.search import RestSearch
from alertd.plan.hours.laws import HoursRules, later_laws, rules_for
from alertd.plan.hours.legal import Violation, violations
from alertd.plan.hours.limits import HoursUsed, Spell, timeline, with_break
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.hourly_need import HourlyNeed
from alertd.plan.road_ahead.stands import stands_of
from alertd.plan.road_ahead.timing import free_s
from alertd.rules.rig import IdentityKey

RESERVE_MIN: Final = 15  # [A] minutes of each limit that a plan leaves to the driver
MOST_ROUNDS: Final = 5
EARLIER_MIN: Final = 360  # choices look at departures up to this much earlier
SLACK_MIN: Final = 2_880  # [A] the search looks at departures up to two days later than a dry road needs

Solve = Callable[[HourlyNeed], Solution]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DaysTrip:
    """A trip of several days as the search sees it: its table, law and state, to be asked again for choices.

    places: between the start and the end. laws: of all lands on the way, the first where it starts.
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DaysSolution:
    """The solution with its stands. over: what still exceeds the law, empty for a legal plan."""

    trip: DaysTrip
    rests: RestPlan
    solution: Solution
    spells: tuple[Spell, ...]
    over: tuple[Violation, ...]

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
    for at_m, takes_s in zip(solution.stands.at_m.tolist(), solution.stands.takes_s.tolist(), strict=True):
        spells = with_break(spells, at_m, takes_s)
    return spells


def needs_rest(solution: Solution, used: HoursUsed, depart_at: datetime, before: Sequence[Spell] = ()) -> bool:
    """True where a limit that only a rest lifts is full before the end."""
    spells = spells_of(solution, before)
    if not spells or spells[-1].end_m <= spells[0].start_m:
        return False
    over = (x for law in laws_of(solution) for x in violations(spells, used, law, depart_at))
    return any(x.kind in ("driving", "window", "duty") for x in over)


def days_trip(
    solution: Solution,
    used: HoursUsed,
    depart_at: datetime,
    window: Window,
    params: PlanParams,
    before: Sequence[Spell] = (),
) -> DaysTrip:
    """The search of a trip, from its solution without rests. depart_at is aware."""
    hourly_need, laws = solution.encounter.hourly_need, laws_of(solution)
    leave_s = before[-1].end_s if before else 0.0
    places = rest_places(hourly_need.sections.route, params)
    dry_min = float(free_s(hourly_need.sections, IdentityKey(hourly_need.rig), params).sum()) / 60.0
    days = dry_min / (60.0 * laws[0].drive_h)
    span_min = int(dry_min * 1.5 + 60.0 * (laws[0].planned_rest_h or laws[0].rest_h) * (days + 1.0)) + SLACK_MIN
    lead_min = 0 if before else EARLIER_MIN
    leaves_epoch_s = depart_at.timestamp() + leave_s - 60.0 * lead_min
    whole = road_table(hourly_need, places, leaves_epoch_s, span_min + lead_min, params)
    table = whole.from_minute(lead_min)
    return DaysTrip(
        places=places,
        table=table,
        laws=laws,
        search=RestSearch(
            table=table,
            law=day_law(laws, used, reserve=RESERVE_MIN),
            state=state_of(used, laws[0], depart_at, before),
            window=window,
        ),
        reserve_min=RESERVE_MIN,
        leave_s=leave_s,
        whole=whole,
        lead_min=lead_min,
    )


def solve_with_rests(
    trip: DaysTrip,
    hourly_need: HourlyNeed,
    solve: Solve,
    used: HoursUsed,
    depart_at: datetime,
    params: PlanParams,
    before: Sequence[Spell] = (),
) -> DaysSolution | None:
    """The trip with its rests, legal by every law on the way; None where no search finds a legal way.

    solve: solves the trip for an hourly need with stands.
    """
    found: DaysSolution | None = None
    reserve = trip.reserve_min
    for _ in range(MOST_ROUNDS):
        law: DayLaw = day_law(trip.laws, used, reserve=reserve)
        rests = replace(trip.search, law=law).best()
        if rests is None:
            break
        stands = [(_at_m(trip, hourly_need, x), 60.0 * x.minutes) for x in rests.stands]
        solution = solve(replace(hourly_need, stands=stands_of(stands)))
        spells = spells_of(solution, before)
        over = tuple(x for law_of in trip.laws for x in violations(spells, used, law_of, depart_at))
        found = DaysSolution(trip=trip, rests=rests, solution=solution, spells=spells, over=over)
        if not over:
            dry_s = 60.0 * _dry_min(trip, hourly_need, params)
            return replace(found, solution=replace(solution, unhindered_s=dry_s))
        trip = _as_solved(trip, found)
    return found


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
    best = replace(trip.search, table=table, split=False, waits=(0,), break_waits=(0,), window=Window()).best()
    return float(drive.sum()) if best is None else float(best.minutes)


def _as_solved(trip: DaysTrip, found: DaysSolution) -> DaysTrip:
    """The trip with a table that is as slow as the solution, where that was slower between two places."""
    route, table, solution = found.solution.sections.route, trip.table, found.solution
    ends_m = np.asarray([route.distance_m[0], *(x.distance_m for x in trip.places), route.length_m])
    moving_min = np.diff(np.interp(ends_m, solution.sections.edge_m, solution.moving_s)) / 60.0
    stops = [(m, s / 60.0) for m, s in solution.stopped_times]
    work_min = np.asarray([sum(s for m, s in stops if a < m <= b) for a, b in pairwise(ends_m.tolist())])
    at_min = np.zeros(ends_m.size - 1)
    takes = {x.place: x.minutes for x in found.rests.stands}
    now = 0.0
    for i in range(at_min.size):
        at_min[i] = now + takes.get(i, 0)
        now = at_min[i] + moving_min[i] + work_min[i]
    column, edge = table.column(at_min.astype(np.int64)), np.arange(at_min.size)
    more_drive = np.ceil(np.maximum(moving_min - table.drive[edge, column], 0.0)).astype(np.int64)
    more_work = np.ceil(np.maximum(work_min - table.work[edge, column], 0.0)).astype(np.int64)
    slower = replace(table, drive=table.drive + more_drive[:, None], work=table.work + more_work[:, None])
    return replace(trip, table=slower, search=replace(trip.search, table=slower))


def _at_m(trip: DaysTrip, hourly_need: HourlyNeed, stand: PlacedStand) -> float:
    if stand.place == 0:
        return float(hourly_need.sections.edge_m[0])
    return trip.places[stand.place - 1].distance_m
