"""Trips of one kind of rig on one road share the compared departures, and their plans stay the same byte for byte."""

from dataclasses import replace
from datetime import timedelta
from typing import Any

import numpy as np
import pytest

from alertd.plan import departures, drive
from alertd.plan.chain_up import route_outcome
from alertd.plan.chain_up.search import cheapest_plan
from alertd.plan.hours.laws import HoursRules
from alertd.plan.hours.limits import HoursUsed
from alertd.plan.make_plan import make_plan
from alertd.plan.params import PlanParams
from alertd.plan.request import PlanRequest, TripInput
from alertd.plan.road_ahead.shared_answers import SharedAnswers
from alertd.plan.serialize import plan_json
from alertd.road.road_class import RoadClass
from alertd.testing.factories import at_hour, make_rig, make_route, make_rules, make_stop, make_weather

ROUTE = make_route(120e3, stops=[make_stop(n, m) for n, m in (("a", 40e3), ("b", 90e3))])
PARAMS = PlanParams(compare_h=12.0)
RULES = {"US-XX": make_rules()}


def storm(m: Any, d: Any, h: Any) -> Any:
    return np.where((d >= 60e3) & (d <= 80e3) & (h >= 9) & (h <= 14) & (m < 7), RoadClass.SNOW, RoadClass.DRY)


WEATHER = make_weather(ROUTE, storm, hours=60)


def requests() -> list[PlanRequest]:
    """Trucks with a rig of their own each, two kinds in turn, on and off the quarter, with and without hours used."""
    kinds = make_rig(), replace(make_rig(), singles_carried=0)
    out = []
    for n, minute in enumerate((0, 0, 30, 37, 37, 52)):
        rig = replace(kinds[n % 2], id=f"truck-{n}", name=f"Truck {n}", chain_size="11R22.5" if n % 3 else "")
        used = HoursUsed() if n % 4 else HoursUsed(drive_h=8.0, on_duty_since=at_hour(3))
        trip = TripInput(id=f"T-{n}", depart_at=at_hour(7) + timedelta(minutes=minute), used=used)
        out.append(PlanRequest(trip, ROUTE, rig, RULES, WEATHER, PARAMS, at_hour(2)))
    return out


def test_shared_plans_equal_those_made_alone_byte_for_byte() -> None:
    shared = [plan_json(make_plan(request)) for request in requests()]
    alone = []
    for request in requests():
        WEATHER.corridor.answers.clear()
        alone.append(plan_json(make_plan(request)))
    assert shared == alone
    assert len(set(shared)) == len(shared)


def test_later_plans_of_an_unchanged_road_equal_new_ones() -> None:
    """Kept answers must not hide what moves with time: five minutes later, and beyond the next quarter."""
    for later in (timedelta(0), timedelta(minutes=5), timedelta(minutes=20)):
        moved = [replace(request, now_utc=request.now_utc + later) for request in requests()]
        kept = [make_plan(request) for request in moved]
        assert all(plan.made_at == at_hour(2) + later for plan in kept)
        if later:
            continue
        first = kept
    WEATHER.corridor.answers.clear()
    alone = [make_plan(request) for request in moved]
    assert [plan_json(plan) for plan in kept] == [plan_json(plan) for plan in alone]
    assert all(a.departures[0].depart_at < b.departures[0].depart_at for a, b in zip(first, kept, strict=True))


def test_an_unchanged_road_is_searched_for_new_departures_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    searched: list[float] = []
    way = departures._way

    def counted(views: Any, *rest: Any, **options: Any) -> Any:
        searched.append(views.depart_epoch_s)
        return way(views, *rest, **options)

    solved: list[float] = []
    solve = drive.best_solution

    def counted_solution(need: Any, depart_epoch_s: float, *rest: Any, **options: Any) -> Any:
        solved.append(depart_epoch_s)
        return solve(need, depart_epoch_s, *rest, **options)

    monkeypatch.setattr(departures, "_way", counted)
    monkeypatch.setattr(drive, "best_solution", counted_solution)
    WEATHER.corridor.answers.clear()
    counts = []
    for later in (0, 5, 20):
        for request in requests():
            make_plan(replace(request, now_utc=request.now_utc + timedelta(minutes=later)))
        counts.append((len(searched), len(solved)))
        searched.clear()
        solved.clear()
    # Two kinds and 48 quarters, three departures off the quarter, and six trips of different kind or minute. Each time
    # the clock passes a quarter, one departure a kind is new.
    assert counts == [(2 * 48 + 3, 6), (2, 0), (2, 0)]


def test_departures_are_compared_once_a_kind_and_minute(monkeypatch: pytest.MonkeyPatch) -> None:
    compared: list[tuple[float, int]] = []
    compare = departures._compare

    def counted(need: Any, grid: tuple[float, int], *rest: Any) -> Any:
        compared.append(grid)
        return compare(need, grid, *rest)

    monkeypatch.setattr(departures, "_compare", counted)
    WEATHER.corridor.answers.clear()
    for request in requests():
        make_plan(request)
    minutes = [(at_hour(7) + timedelta(minutes=m)).timestamp() for m in (37, 52)]
    grid = (at_hour(2).timestamp(), 48)
    # Both kinds: the quarters of the clock. Minute 37 has a truck of each kind, minute 52 one of the second.
    assert sorted(compared) == sorted([grid, grid, (minutes[0], 1), (minutes[0], 1), (minutes[1], 1)])


def test_the_planned_way_is_not_searched_for_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """Off the quarters and with a stop that was sent, which the other departures do not count."""
    request, sent, searched = requests()[0], frozenset({"a"}), []
    WEATHER.corridor.answers.clear()
    need = drive.plan_drive(request).solution.encounter.hourly_need
    planned_at = at_hour(9) + timedelta(minutes=7)
    departures.compare_departures(need, planned_at + timedelta(minutes=8), request.now_utc, HoursUsed(), PARAMS)
    solution = drive.best_solution(need, planned_at.timestamp(), PARAMS, sent_stops=sent)
    assert solution.legs

    def counted(search: Any, *rest: Any) -> Any:
        searched.append(search)
        return cheapest_plan(search, *rest)

    monkeypatch.setattr(route_outcome, "cheapest_plan", counted)
    compared = departures.compare_departures(need, planned_at, request.now_utc, HoursUsed(), PARAMS, sent_stops=sent)
    assert not searched
    planned = next(x for x in compared if x.depart_at == planned_at)
    assert planned.arrive_at == planned_at + timedelta(minutes=round(float(solution.reach_s(ROUTE.length_m)) / 60.0))


def test_hours_of_all_departures_equal_those_of_each_alone() -> None:
    """For drivers with and without hours used; a departure before a known rest has no answer."""
    request = requests()[3]
    need, planned_at = drive.plan_drive(request).solution.encounter.hourly_need, request.trip.depart_at
    rules = HoursRules(
        name="", text="", drive_h=2.5, drive_section="", rest_h=4.0, rest_section="", break_after_h=1.5, break_s=1800.0
    )
    for used in (HoursUsed(), HoursUsed(drive_h=2.0), HoursUsed(drive_h=2.0, on_duty_since=at_hour(5))):
        grid = (at_hour(2).timestamp(), 48)
        found = departures._shared(need, grid, request.now_utc, PARAMS, departures.NO_REASONS)
        together = departures._for_driver(found, used, planned_at, rules)
        for x, departure in zip(found, together, strict=True):
            at = x.departure.depart_at
            then = departures.hours_used_then(used, planned_at, at, rules)
            known = at >= planned_at or at >= (used.on_duty_since or planned_at)
            expected = departures._within_hours(x.spells, then, rules, at) if known else None
            assert departure == replace(x.departure, hours_ok=expected)
        assert {x.hours_ok for x in together} == {None, True, False} or not used.drive_h


def test_a_closure_is_not_shared_with_trips_without_it() -> None:
    first = requests()[0]
    closed = replace(
        first,
        trip=replace(
            first.trip,
            closures=(
                departures.Closure(
                    start_m=50e3, end_m=55e3, begins_at=at_hour(0), ends_at=None, what="Road closed", source="office"
                ),
            ),
        ),
    )
    free, held, again = (make_plan(r) for r in (first, closed, first))
    assert {d.advice.value for d in held.departures} == {"hold"}
    assert "hold" not in {d.advice.value for d in free.departures}
    assert plan_json(free) == plan_json(again)


def test_kept_answers_are_not_computed_again() -> None:
    shared, asked = SharedAnswers(), []

    def compute(missing: list[int]) -> list[int]:
        asked.append(missing)
        return [10 * n for n in missing]

    assert shared.answers("departure", ["a", "b"], compute) == (0, 10)
    assert shared.answers("departure", ["b", "c", "a"], compute) == (10, 10, 0)
    assert asked == [[0, 1], [1]]


def test_equal_parameters_have_one_hash() -> None:
    params = PlanParams(compare_h=12.0)
    assert hash(params) == hash(PARAMS) == hash(replace(PARAMS))
    assert len({params, PARAMS, replace(PARAMS, compare_h=13.0)}) == 2
