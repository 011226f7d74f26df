"""Hanging that was reported begun: it counts as work, and the arrival does not slip while it goes on."""

from dataclasses import replace
from datetime import timedelta

import numpy as np

from alertd.plan.chain_up.chains_on import Report, TruckReport
from alertd.plan.chain_up.hanging import HangingNow, hanging_now
from alertd.plan.make_plan import make_plan
from alertd.plan.model.notes import PositionFix
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.params import PlanParams
from alertd.plan.position.map_match import PositionReport, locate
from alertd.plan.request import PlanRequest, TripInput
from alertd.road.road_class import RoadClass
from alertd.testing.factories import at_hour, make_rig, make_route, make_rules, make_stop, make_weather

ROUTE = make_route(100e3, stops=[make_stop("1", 30e3), make_stop("2", 60e3)])
PARAMS = PlanParams(compare_h=0.0)
WEATHER = make_weather(ROUTE, lambda m, d, h: np.where((d >= 40e3) & (d <= 50e3), RoadClass.SNOW, RoadClass.DRY))
BEGUN = at_hour(6.5)


def planned(after_min: float, *, hanging: bool, old: bool = False) -> Plan:
    """The plan of a truck that stands at stop 1 since `BEGUN`, so long afterwards."""
    now = BEGUN + timedelta(minutes=after_min)
    fix = PositionFix(at=now - timedelta(hours=3) if old else now, distance_m=30e3, offset_m=0.0, old=old)
    trip = TripInput(id="QT-1", depart_at=at_hour(6), fix=fix, hanging=HangingNow(since=BEGUN) if hanging else None)
    trip = replace(trip, hanging=replace(trip.hanging, takes_s=2400.0)) if trip.hanging else trip
    return make_plan(PlanRequest(trip, ROUTE, make_rig(), {"US-XX": make_rules()}, WEATHER, PARAMS, now))


def report(minute: float, what: Report) -> TruckReport:
    return TruckReport(at=BEGUN + timedelta(minutes=minute), what=what)


def test_arrival_stays_while_chains_are_being_hung() -> None:
    """Without the report each position at the stop moves the arrival by the time since the last one."""
    first, later = planned(0, hanging=True), planned(30, hanging=True)
    assert [s.advice for s in first.stretches] == [Advice.CHAIN]
    assert abs(later.arrive_at - first.arrive_at) < timedelta(minutes=2)
    assert planned(30, hanging=False).arrive_at - first.arrive_at > timedelta(minutes=25)
    assert later.hanging_since == BEGUN
    assert later.position is not None
    assert later.position.at == BEGUN + timedelta(minutes=30)


def test_work_that_takes_longer_ends_no_sooner_than_now() -> None:
    late = planned(90, hanging=True)
    (stretch,) = late.stretches
    assert stretch.chain_up.leave_at >= BEGUN + timedelta(minutes=89)
    assert stretch.chain_up.leave_at <= BEGUN + timedelta(minutes=93)


def test_the_newest_report_on_chains_decides() -> None:
    now = BEGUN + timedelta(minutes=60)
    begun = report(0, Report.HANGING_BEGUN)
    assert hanging_now([begun, report(9, Report.HANGING_BEGUN)], now) == HangingNow(since=BEGUN)
    assert hanging_now([begun, report(40, Report.CHAINS_ON)], now) is None
    assert hanging_now([report(-5, Report.CHAINS_OFF), begun], now) == HangingNow(since=BEGUN)
    assert hanging_now([begun], BEGUN + timedelta(hours=5)) is None, "its end was not reported"


def test_a_truck_that_goes_on_is_not_hanging() -> None:
    def seen(minute: float, at_m: float) -> PositionReport:
        lon = float(np.interp(at_m, ROUTE.distance_m, ROUTE.lon_deg))
        return PositionReport(at=BEGUN + timedelta(minutes=minute), lat_deg=float(ROUTE.lat_deg[0]), lon_deg=lon)

    way = [seen(-20, 10e3), seen(0, 30e3), seen(10, 30e3)]
    begun = report(0, Report.HANGING_BEGUN)
    there = locate(ROUTE, [*way, begun], at_hour(6), BEGUN + timedelta(minutes=11), PARAMS)
    assert there.hanging == HangingNow(since=BEGUN)
    gone = locate(ROUTE, [*way, begun, seen(40, 55e3)], at_hour(6), BEGUN + timedelta(minutes=41), PARAMS)
    assert gone.hanging is None
    assert any("the truck went on: report chains on" in note for note in gone.notes)
