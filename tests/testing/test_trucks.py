"""The demo's trucks: they drive by the plan, hang chains once, and wait before a hold; its clock runs as told."""

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from alertd.plan.make_plan import make_plan
from alertd.plan.model.notes import HoldNote
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.params import PlanParams
from alertd.plan.request import PlanRequest, TripInput
from alertd.plan.serialize import canonical, to_plain
from alertd.records.driver_reports import save_report, truck_reports
from alertd.road.road_class import RoadClass
from alertd.sources.requests.driver_reports import parse_report
from alertd.store.rows import StoredTrip
from alertd.store.store import Store
from alertd.testing.clock import FastClock
from alertd.testing.factories import at_hour, make_rig, make_route, make_rules, make_stop, make_weather
from alertd.testing.trucks import Trucks, place_m

ROUTE = make_route(100e3, stops=[make_stop("1", 30e3), make_stop("2", 60e3)])


@pytest.fixture(scope="module")
def plan() -> Plan:
    """Snow from km 40 to 50; chains on at km 30 and off at km 60, leaving at 06:00 UTC."""
    weather = make_weather(ROUTE, lambda m, d, h: np.where((d >= 40e3) & (d <= 50e3), RoadClass.SNOW, RoadClass.DRY))
    trip = TripInput(id="QT-1", depart_at=at_hour(6), driver="Odalys")
    made = make_plan(
        PlanRequest(trip, ROUTE, make_rig(), {"US-XX": make_rules()}, weather, PlanParams(compare_h=0.0), at_hour(2))
    )
    assert [s.advice for s in made.stretches] == [Advice.CHAIN]
    return made


def test_truck_reports_its_way_and_chains_on_and_off_once(plan: Plan, tmp_path: Path) -> None:
    with Store(tmp_path / "a.db") as store:
        store.put_trip(StoredTrip(id="QT-1", body="{}", created_at=at_hour(2)))
        store.record_plan(plan.id, "QT-1", at_hour(2), canonical({"plan": to_plain(plan), "said": []}), (), {})
        trucks = Trucks(store)
        for minute in range(0, 300):
            trucks.move("QT-1", ROUTE, at_hour(5.5) + timedelta(minutes=minute))
        (on,), (off,) = (store.events("QT-1", kind) for kind in ("chains_on", "chains_off"))
        (stretch,) = plan.stretches
        assert abs(on.at - stretch.chain_up.leave_at) <= timedelta(minutes=4), "chains on are reported when hung"
        assert abs(off.at - stretch.chain_off.leave_at) <= timedelta(minutes=4)
        seen = store.events("QT-1", "position")
        assert at_hour(6) <= seen[0].at
        assert timedelta(0) <= seen[-1].at - plan.arrive_at <= timedelta(minutes=4)
        last = json.loads(seen[-1].body)
        assert last["lon"] == pytest.approx(float(ROUTE.lon_deg[-1]))
        assert len(seen) > 20


def test_chains_of_one_place_are_those_of_its_strictest_advice(plan: Plan, tmp_path: Path) -> None:
    """Snow that may need one tire chained comes before snow that needs more: both are hung for at the same place."""
    (chain,) = plan.stretches
    few = replace(chain.hanging, tires=chain.hanging.tires[:1])
    elsewhere = replace(chain.chain_up, distance_m=chain.chain_up.distance_m - 5e3)
    for n, (place, asked) in enumerate([(chain.chain_up, chain.hanging.tires), (elsewhere, few.tires)]):
        ready = replace(chain, advice=Advice.READY, hanging=few, chain_up=place)
        both = to_plain(replace(plan, stretches=(ready, chain)))
        with Store(tmp_path / f"{n}.db") as store:
            store.put_trip(StoredTrip(id="QT-1", body="{}", created_at=at_hour(2)))
            store.record_plan(plan.id, "QT-1", at_hour(2), canonical({"plan": both, "said": []}), (), {})
            row = {"what": "chains_on", "at": at_hour(6.5).isoformat()}
            save_report(store, "QT-1", parse_report(row, "test"))
            (on,) = truck_reports(store, ["QT-1"], at_hour(7))["QT-1"]
        assert on.tires == asked


def test_a_truck_waits_before_a_hold(plan: Plan) -> None:
    held = to_plain(replace(plan, stretches=tuple(replace(s, advice=Advice.HOLD) for s in plan.stretches)))
    assert place_m(held, plan.arrive_at - timedelta(minutes=5)) == pytest.approx(
        plan.stretches[0].chain_up.distance_m, abs=1.0
    )
    assert place_m(held, at_hour(5)) is None


def test_a_truck_told_to_stay_leaves_when_the_plan_changes(plan: Plan, tmp_path: Path) -> None:
    """It reports its place at the start, and leaves after the first plan without the hold."""
    s = plan.stretches[0]
    hold = HoldNote(
        what="Ice over a long way", start_m=0.0, end_m=s.end_m, zone=s.zone, enter_at=plan.depart_at, wait=s.chain_up,
        at_start=True, until=None, not_before=None,
    )  # fmt: skip
    held = to_plain(replace(plan, hold=hold))
    assert place_m(held, at_hour(5)) is None
    assert place_m(held, at_hour(8)) == 0.0
    waits = to_plain(replace(plan, hold=replace(hold, at_start=False)))
    assert place_m(waits, plan.arrive_at - timedelta(minutes=5)) == pytest.approx(s.chain_up.distance_m)
    with Store(tmp_path / "a.db") as store:
        store.put_trip(StoredTrip(id="QT-1", body="{}", created_at=at_hour(2)))
        store.record_plan("p1", "QT-1", at_hour(2), canonical({"plan": held, "said": []}), (), {})
        trucks = Trucks(store)
        for minute in range(0, 120, 5):
            trucks.move("QT-1", ROUTE, at_hour(6) + timedelta(minutes=minute))
        seen = {json.loads(e.body)["lon"] for e in store.events("QT-1", "position")}
        assert list(seen) == pytest.approx([float(ROUTE.lon_deg[0])])
        store.record_plan("p2", "QT-1", at_hour(8), canonical({"plan": to_plain(plan), "said": []}), (), {})
        trucks.move("QT-1", ROUTE, at_hour(8.2))
        last = max(store.events("QT-1", "position"), key=lambda e: e.at)
    assert json.loads(last.body)["lon"] != pytest.approx(float(ROUTE.lon_deg[0]))


def test_a_fast_clock_runs_as_fast_as_told() -> None:
    at = [100.0]
    clock = FastClock(datetime(2027, 1, 14, 10, tzinfo=UTC), 60.0, lambda: at[0])
    at[0] += 2.5
    assert clock() == datetime(2027, 1, 14, 10, 2, 30, tzinfo=UTC)
    for start, speed in ((clock().astimezone(timezone(timedelta(hours=-7))), 60.0), (clock(), 0.0)):
        with pytest.raises(ValueError, match="fast clock"):
            FastClock(start, speed)


def test_a_fast_clock_stands_while_it_is_stopped() -> None:
    at = [100.0]
    clock = FastClock(datetime(2027, 1, 14, 10, tzinfo=UTC), 60.0, lambda: at[0])
    with clock.stopped():
        at[0] += 9.0
        assert clock() == datetime(2027, 1, 14, 10, tzinfo=UTC)
    at[0] += 1.0
    assert clock() == datetime(2027, 1, 14, 10, 1, tzinfo=UTC)


def test_a_truck_that_stood_does_not_jump_to_its_plan(plan: Plan, tmp_path: Path) -> None:
    """It hangs chains twice as long as planned; no two positions are farther apart than chains allow."""
    slow = replace(plan, stretches=tuple(replace(s, hang_s=2.0 * s.hang_s) for s in plan.stretches))
    with Store(tmp_path / "a.db") as store:
        store.put_trip(StoredTrip(id="QT-1", body="{}", created_at=at_hour(2)))
        store.record_plan(plan.id, "QT-1", at_hour(2), canonical({"plan": to_plain(slow), "said": []}), (), {})
        trucks = Trucks(store)
        for minute in range(0, 400):
            trucks.move("QT-1", ROUTE, at_hour(5.5) + timedelta(minutes=minute))
        (on,), (off,) = (store.events("QT-1", kind) for kind in ("chains_on", "chains_off"))
        seen = sorted((e.at, json.loads(e.body)["lon"]) for e in store.events("QT-1", "position"))
    chained = [(at, lon) for at, lon in seen if on.at <= at <= off.at]
    for (before, west), (after, east) in pairwise(chained):
        km = abs(east - west) * 111.2 * np.cos(np.radians(float(ROUTE.lat_deg[0])))
        assert km <= 40.3 * (after - before) / timedelta(hours=1) + 0.3, "25 mph are 40.2 km/h"
    assert seen[-1][1] == pytest.approx(float(ROUTE.lon_deg[-1]))


def test_a_truck_is_at_its_place_when_the_plan_says_so(plan: Plan) -> None:
    """The plan's samples lie far apart, and the one after the place includes the time to install the chains."""
    up = plan.stretches[0].chain_up
    far = {"begins_at": plan.depart_at.isoformat(), "distance_m": [0.0, up.distance_m + 5e3], "reach_s": [0.0, 14400.0]}
    sparse = {**to_plain(plan), "along": far}
    assert place_m(sparse, up.arrive_at + timedelta(minutes=1)) == pytest.approx(up.distance_m)
    assert place_m(sparse, up.arrive_at - timedelta(minutes=1)) < up.distance_m
