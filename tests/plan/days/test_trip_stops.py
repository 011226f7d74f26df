"""Stops of a trip with their windows: where they lie on the road, in which orders, and how they are planned."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from alertd.notices.text import days_text
from alertd.plan.days.trip_stops import orders_on, passes_at
from alertd.plan.describe.alternatives import with_alternatives
from alertd.plan.drive import plan_drive
from alertd.plan.hours.limits import HoursUsed
from alertd.plan.make_plan import make_plan
from alertd.plan.model.days import TripStop
from alertd.plan.model.plan import Plan
from alertd.plan.params import PlanParams
from alertd.plan.request import PlanRequest, TripInput
from alertd.road.road_class import RoadClass
from alertd.route.model import Route
from alertd.testing.factories import MIDNIGHT, at_hour, make_rig, make_route, make_rules, make_stop, make_weather

ROAD = make_route(
    900_000.0, spacing_m=1_000.0, stops=[make_stop(str(n), 40_000.0 * n) for n in range(1, 22)], start_lon_deg=-120.0
)
PARAMS = PlanParams(compare_h=0.0)


def stop_at(route: Route, distance_m: float, name: str = "Drop", **changes: object) -> TripStop:
    i = int(np.searchsorted(route.distance_m, distance_m))
    stop = TripStop(name=name, lat_deg=float(route.lat_deg[i]), lon_deg=float(route.lon_deg[i]))
    return replace(stop, **changes)  # type: ignore[arg-type]


def there_and_back(route: Route) -> Route:
    """A road that turns at its middle, so that it passes each place twice."""
    half = route.distance_m.size // 2
    lat, lon = (x.copy() for x in (route.lat_deg, route.lon_deg))
    lat[half:], lon[half:] = lat[: lat.size - half][::-1], lon[: lon.size - half][::-1]
    return replace(route, lat_deg=lat, lon_deg=lon)


def plan_of(*stops: TripStop, snow_m: tuple[float, float] | None = None, route: Route = ROAD) -> Plan:
    return make_plan(request_of(*stops, snow_m=snow_m, route=route))


def request_of(*stops: TripStop, snow_m: tuple[float, float] | None = None, route: Route = ROAD) -> PlanRequest:
    def script(member: np.ndarray, distance_m: np.ndarray, hour: np.ndarray) -> np.ndarray:
        a, b = snow_m or (0.0, 0.0)
        snow = (distance_m > a) & (distance_m < b) & (np.asarray(member) % 2 == 0)
        return np.where(snow, int(RoadClass.SNOW), int(RoadClass.DRY))

    used = HoursUsed(drive_h=0.0, on_duty_since=at_hour(6.0), cycle_h=0.0, since_break_h=0.0)
    return PlanRequest(
        trip=TripInput(id="QT-1", depart_at=at_hour(6.0), used=used, stops=stops),
        route=route,
        rig=make_rig(),
        rulesets={"US-XX": make_rules()},
        weather=make_weather(route, script, hours=60, members=4, samples_a_column=4),
        params=PARAMS,
        now_utc=MIDNIGHT,
    )


def test_a_stop_is_served_on_duty_and_moves_every_later_mile() -> None:
    # 400 km at 62 mph take 4.0 h: the truck is there about 10:00, waits until 11:00 and unloads for 1 h.
    stop = stop_at(ROAD, 400_000.0, opens_at=at_hour(11.0), closes_at=at_hour(12.0), service_s=3_600.0)
    plan = plan_of(stop)
    assert plan.days is not None
    assert plan.days.legal
    (note,) = plan.days.stops
    drives = timedelta(seconds=400_000.0 / PARAMS.cruise_mps)
    assert note.arrive_at == pytest.approx(at_hour(6.0) + drives, abs=timedelta(minutes=2))
    assert note.leave_at == at_hour(12.0)
    assert note.late_s is not None
    assert note.late_s < 0.0
    without = make_plan(replace(request_of(), trip=replace(request_of().trip, stops=())))
    # The 2 h on duty at the stop also interrupt driving for the 30-minute rule, 49 CFR 395.3(a)(3)(ii).
    behind = next(p for p in plan.along.points if p.distance_m > 420_000.0)
    before = next(p for p in without.along.points if p.distance_m > 420_000.0)
    assert behind.arrive_at - before.arrive_at == pytest.approx(timedelta(hours=2), abs=timedelta(minutes=5))
    assert plan.days.rests == ()


def test_a_late_stop_says_how_late_in_both_futures() -> None:
    # Snow in half of the members before the stop; the window closes half an hour after the unchained arrival.
    stop = stop_at(ROAD, 400_000.0, closes_at=at_hour(10.5), service_s=1_800.0)
    plan = plan_of(stop, snow_m=(250_000.0, 330_000.0))
    assert plan.days is not None
    (note,) = plan.days.stops
    assert note.late_chained_s is not None
    assert note.late_unchained_s is not None
    assert note.late_chained_s > max(note.late_unchained_s, 0.0)
    line = days_text.stop_line(note)
    assert "if chained" in line
    assert "if not" in line


def test_a_stop_off_the_road_is_never_planned_and_said() -> None:
    off = TripStop(name="Elsewhere", lat_deg=10.0, lon_deg=10.0)
    plan = plan_of(off)
    assert plan.days is None
    assert any("Stop Elsewhere is not in the plan" in c for c in plan.cautions)


def test_a_road_passed_once_has_one_order() -> None:
    first, second = stop_at(ROAD, 200_000.0, "A"), stop_at(ROAD, 600_000.0, "B")
    orders = orders_on(ROAD, [second, first])  # wanted B first: this road cannot
    assert [x.stop.name for x in orders.planned] == ["A", "B"]
    assert orders.others == ()
    cautions = plan_of(second, first).cautions
    assert any("does not allow the order of the stops" in c for c in cautions)


def test_a_road_passed_twice_has_the_other_order_as_a_choice() -> None:
    road = there_and_back(ROAD)
    first, second = stop_at(road, 150_000.0, "A"), stop_at(road, 350_000.0, "B")
    assert len(passes_at(road, first)) == 2
    orders = orders_on(road, [first, second])
    assert [x.stop.name for x in orders.planned] == ["A", "B"]
    assert [[x.stop.name for x in o] for o in orders.others] == [["B", "A"]]
    plan = plan_of(first, second, route=road)
    assert plan.days is not None
    (choice,) = (x for x in plan.days.choices if x.kind == "order")
    assert choice.order == ("B", "A")
    assert choice.legal
    assert "stops in the order B, A" in " ".join(days_text.choice_lines(plan))


def test_another_road_serves_the_stops_in_its_own_order() -> None:
    first, second = stop_at(ROAD, 200_000.0, "A"), stop_at(ROAD, 600_000.0, "B")
    back = replace(ROAD, lat_deg=ROAD.lat_deg[::-1].copy(), lon_deg=ROAD.lon_deg[::-1].copy())
    planned, other = plan_of(first, second), plan_of(first, second, route=back)
    (way,) = with_alternatives(planned, [("back", other)], (), PARAMS).other_routes
    assert way.order == ("B", "A")
    assert way.worse_at is not None
    assert "stops in the order B, A" in way.reason


def test_a_stop_behind_the_truck_is_not_planned_again() -> None:
    orders = orders_on(ROAD, [stop_at(ROAD, 200_000.0, "A"), stop_at(ROAD, 600_000.0, "B")])
    assert [x.stop.name for x in orders.ahead_of(300_000.0).planned] == ["B"]


def test_the_spells_of_a_stop_are_on_duty_and_after_a_rest_there() -> None:
    # Opens at 21:00, the duty window of 14 h ends at 20:00: the driver rests somewhere before he goes on.
    stop = stop_at(ROAD, 700_000.0, opens_at=at_hour(21.0), service_s=3_600.0)
    went = plan_drive(request_of(stop))
    assert went.days is not None
    assert went.days.over == ()
    assert any(x.duty.value == "on duty, not driving" and x.length_s >= 3_600.0 for x in went.days.spells)
    assert any(x.duty.value == "off duty" and x.length_s >= 36_000.0 for x in went.days.spells)


def compared(*stops: TripStop, length_m: float = 400_000.0, compare_h: float = 6.0) -> Plan:
    route = make_route(length_m, spacing_m=1_000.0, stops=[make_stop("a", 100e3)], start_lon_deg=-120.0)
    request = request_of(*stops, snow_m=(300e3, 350e3), route=route)
    return make_plan(replace(request, params=PlanParams(compare_h=compare_h)))


def test_a_day_with_a_stop_compares_its_departures() -> None:
    route = make_route(400_000.0, spacing_m=1_000.0, start_lon_deg=-120.0)
    free, plan = compared(), compared(stop_at(route, 100e3, service_s=7_200.0))
    assert plan.days is not None
    assert [d.depart_at for d in plan.departures] == [d.depart_at for d in free.departures]
    assert len(plan.departures) > 20
    for one, other in zip(plan.departures, free.departures, strict=True):
        assert one.arrive_at - other.arrive_at == pytest.approx(timedelta(hours=2), abs=timedelta(minutes=10))
        assert one.hours_ok == other.hours_ok
    assert any(x.kind == "leave" for x in plan.days.choices)


def test_no_departure_is_compared_that_has_to_wait_for_a_window() -> None:
    # 100 km are 1 h 00 min from the start: who leaves before 9:00 waits at the dock, and the comparison has no wait.
    route = make_route(400_000.0, spacing_m=1_000.0, start_lon_deg=-120.0)
    plan = compared(stop_at(route, 100e3, opens_at=at_hour(10.0), closes_at=at_hour(14.0)), compare_h=12.0)
    others = [d.depart_at for d in plan.departures if d.depart_at != plan.depart_at]
    assert at_hour(8.8) <= min(others) <= at_hour(9.2)


def test_a_trip_with_a_night_compares_no_departures() -> None:
    route = make_route(1_300_000.0, spacing_m=1_000.0, start_lon_deg=-120.0)
    assert compared(stop_at(route, 100e3), length_m=1_300_000.0).departures == ()
