"""Plans at rest: a fraction of their size, and unpacked as a plan from the store is, without its other departures."""

import pickle
from dataclasses import replace
from datetime import timedelta
from typing import Final

import numpy as np
import pytest

from alertd.notices.plan_diff import changes_since, describe_changes
from alertd.plan.make_plan import make_plan
from alertd.plan.model.plan import Plan
from alertd.plan.params import PlanParams
from alertd.plan.request import PlanRequest, TripInput
from alertd.plan.serialize import plan_text
from alertd.planning.cycles import held_plan
from alertd.planning.cycles.held_plan import HeldByTrip, HeldPlan, HeldPlans, held_as_shown, hold
from alertd.road.road_class import RoadClass
from alertd.testing.factories import at_hour, make_rig, make_route, make_rules, make_weather

ROUTE: Final = make_route(160e3)


@pytest.fixture(scope="module")
def plan() -> Plan:
    """Snow in the middle of 160 km."""
    weather = make_weather(
        ROUTE, lambda m, d, h: np.where((d >= 40e3) & (d <= 50e3), RoadClass.SNOW, RoadClass.DRY), hours=60
    )
    trip = TripInput(id="QT-1", depart_at=at_hour(6), driver="Odalys Fenwright")
    return make_plan(PlanRequest(trip, ROUTE, make_rig(), {"US-XX": make_rules()}, weather, PlanParams(), at_hour(2)))


def test_a_held_plan_is_the_plan_but_for_departures(plan: Plan) -> None:
    assert plan.departures
    back = hold(plan).unpack()
    assert plan_text(back) == plan_text(replace(plan, departures=()))
    assert replace(back, along=plan.along, departures=plan.departures) == plan
    for name in ("distance_m", "reach_s", "need_frac", "air_temp_c"):
        assert getattr(back.along, name) == pytest.approx(getattr(plan.along, name), abs=5e-5, nan_ok=True)


def test_the_next_plan_is_compared_without_unpacking(plan: Plan) -> None:
    later = replace(plan, arrive_at=plan.arrive_at + timedelta(minutes=25), stretches=(), partial=True)
    lines = changes_since(hold(plan).compared, later)
    assert "arrives 25 min later" in lines
    assert lines == describe_changes(hold(plan).unpack(), later)


def test_columns_of_a_route_are_held_once(plan: Plan) -> None:
    one, other = hold(plan), hold(replace(plan, trip_id="QT-2"))
    assert one.route_columns is other.route_columns


def test_a_trip_of_many_days_keeps_its_hours(plan: Plan) -> None:
    reach_s = tuple(n * 3_600.5 for n in range(len(plan.along.distance_m)))
    held = hold(replace(plan, along=replace(plan.along, reach_s=(*reach_s[:-1], 400_000.25))))
    assert held.unpack().along.reach_s == pytest.approx((*reach_s[:-1], 400_000.25))


def test_gaps_and_empty_columns_stay(plan: Plan) -> None:
    n = len(plan.along.distance_m)
    holed = replace(
        plan, along=replace(plan.along, air_temp_c=(float("nan"), -12.34567, *(n - 2) * (0.5,)), ice_frac=())
    )
    along = hold(holed).unpack().along
    assert np.isnan(along.air_temp_c[0])
    assert along.air_temp_c[1:3] == (-12.3457, 0.5)
    assert along.ice_frac == ()


def test_a_held_plan_is_small(plan: Plan) -> None:
    hold(plan)  # the words of the first plan serve all later ones
    assert hold(replace(plan, trip_id="QT-2")).bytes_n < len(pickle.dumps(plan)) / 6


def test_few_plans_stay_unpacked(plan: Plan, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(held_plan, "UNPACKED", 2)
    fleet = [hold(replace(plan, id=f"plan_{n}", trip_id=f"QT-{n}")) for n in range(5)]
    assert [p.trip_id for p in HeldPlans(fleet)] == [f"QT-{n}" for n in range(5)]
    assert len(held_plan._PACKING._unpacked) == 2
    by_trip = HeldByTrip({one.trip_id: one for one in fleet})
    assert by_trip["QT-3"] == by_trip["QT-3"]
    assert HeldPlans(fleet)[1:3][0].id == "plan_1"
    assert (len(by_trip), "QT-4" in by_trip, "QT-9" in by_trip) == (5, True, False)


def test_a_held_plan_is_not_packed_again(plan: Plan) -> None:
    held = hold(plan)
    assert hold(held) is held


def test_the_next_moment_is_that_of_the_plan(plan: Plan) -> None:
    moments = [plan.arrive_at, *(s.enter_at for s in plan.stretches), *(s.chain_up.arrive_at for s in plan.stretches)]
    held = hold(plan)
    for now in (plan.made_at, *moments, plan.arrive_at + timedelta(minutes=1)):
        assert held.next_moment(now) == min((at for at in moments if at >= now), default=None)


def test_fields_of_a_held_plan_are_read_without_unpacking(plan: Plan, monkeypatch: pytest.MonkeyPatch) -> None:
    _, held = held_as_shown(plan, (), plan.made_at)
    monkeypatch.setattr(HeldPlan, "unpack", None)
    assert (held.id, held.trip_id, held.made_at, held.partial) == (plan.id, plan.trip_id, plan.made_at, plan.partial)
    assert held.issued == tuple((s.provider, s.issued_at or s.fetched_at) for s in plan.sources)
    assert held.upheld == ()
