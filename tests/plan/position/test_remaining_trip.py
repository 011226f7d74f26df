"""A plan that counts from where the truck was seen: what is behind is over, and the clock begins anew."""

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from typing import Any

import numpy as np
import pytest

from alertd.plan.hours.laws import Duty
from alertd.plan.hours.limits import HoursUsed, Spell, timeline
from alertd.plan.make_plan import make_plan
from alertd.plan.model.notes import PositionFix
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.params import PlanParams
from alertd.plan.position.remaining_trip import remaining_trip
from alertd.plan.request import PlanRequest, TripInput, Weather
from alertd.road.road_class import RoadClass
from alertd.route.model import Route
from alertd.testing.factories import at_hour, make_rig, make_route, make_rules, make_stop, make_weather
from alertd.units import to_mps

PARAMS = PlanParams(compare_h=0.0)
CRUISE_MPS = to_mps(62.0)
STOPS = [make_stop(n, m) for n, m in (("a", 25e3), ("b", 55e3), ("c", 105e3), ("d", 135e3))]
ROAD = make_route(160e3, stops=STOPS, spans=[("US-XX", 0.0, 80e3), ("US-YY", 80e3, 160e3)])
RULES = {"US-XX": make_rules(), "US-YY": make_rules("US-YY")}
PASSES = (30e3, 40e3), (110e3, 120e3)


def fix(hour: float, distance_m: float) -> PositionFix:
    return PositionFix(at=at_hour(hour), distance_m=distance_m, offset_m=3.0)


def snow(*passes: tuple[float, float]) -> Callable[..., Any]:
    def script(m: Any, d: Any, h: Any) -> Any:
        return np.where(np.any([(d >= a) & (d <= b) for a, b in passes], axis=0), RoadClass.SNOW, RoadClass.DRY) + 0 * h

    return script


def plan_of(
    seen: PositionFix | None,
    *passes: tuple[float, float],
    route: Route = ROAD,
    weather: Weather | None = None,
    **trip: Any,
) -> Plan:
    asked = TripInput(id="QT-1", depart_at=at_hour(6), fix=seen, **trip)
    sky = weather or make_weather(route, snow(*passes))
    return make_plan(PlanRequest(asked, route, make_rig(), RULES, sky, PARAMS, at_hour(2)))


def test_the_clock_starts_anew_where_and_when_the_truck_was_seen() -> None:
    """Seen at km 100 at 09:00, put back by the slack of 500 m: 60.5 km at 62 mph are 2183 s; 10:45 was due without."""
    plan = plan_of(fix(9.0, 100e3))
    assert plan.arrive_at == at_hour(9.0) + timedelta(seconds=round(60_500 / CRUISE_MPS))
    assert plan.depart_at == at_hour(6)
    assert plan.position == fix(9.0, 100e3)
    assert plan.route_length_m == 160e3
    assert plan.along.distance_m[0] == 99_500.0
    assert (plan.along.begins_at, plan.along.reach_s[0]) == (at_hour(9.0), 0.0)


def test_the_error_of_the_clock_starts_anew_too() -> None:
    """10 min and a tenth of the time since it was seen, not since departure (both assumed)."""
    z = np.linspace(-1.6, 1.6, 11)
    plan = plan_of(fix(9.0, 100e3), weather=make_weather(ROAD, snow(), members=11, clock_z=z))
    ahead_s = 60_500 / CRUISE_MPS
    assert (plan.arrive_late - plan.arrive_at).total_seconds() == pytest.approx(1.28 * (600 + 0.1 * ahead_s), abs=2.0)


def test_pass_behind_is_over_and_one_ahead_has_its_new_hour() -> None:
    both = plan_of(None, *PASSES)
    assert [(s.start_m, s.chain_up.stop_id) for s in both.stretches] == [(30e3, "a"), (110e3, "c")]
    plan = plan_of(fix(9.0, 60e3), *PASSES)
    (stretch,) = plan.stretches
    assert (stretch.start_m, stretch.end_m, stretch.chain_up.stop_id) == (110e3, 120e3, "c")
    assert stretch.chain_up.arrive_at == at_hour(9.0) + timedelta(seconds=round((105e3 - 59.5e3) / CRUISE_MPS))
    assert stretch.jurisdictions == ("US-YY",)
    assert plan.singles_needed == 4


def test_rest_of_the_trip_agrees_with_the_whole_on_a_pass_ahead() -> None:
    """Seen where and when the plan itself had the truck, the pass behind taken out: the same stretch, 18 s apart."""
    whole = plan_of(None, PASSES[1])
    rest = plan_of(fix(6 + round(50e3 / CRUISE_MPS) / 3600, 50e3), PASSES[1])
    (one,), (other,) = whole.stretches, rest.stretches
    late = other.chain_up.arrive_at - one.chain_up.arrive_at
    assert late.total_seconds() == pytest.approx(500 / CRUISE_MPS, abs=2.0)

    def timeless(stretch: Any) -> Any:
        stops = {
            name: replace(getattr(stretch, name), arrive_at=at_hour(0), leave_at=at_hour(0))
            for name in ("chain_up", "chain_off")
        }
        slow_s = round(stretch.slow_s, 6)  # a sum over another number of sections
        return replace(stretch, enter_at=at_hour(0), leave_at=at_hour(0), slow_s=slow_s, **stops)

    assert timeless(one) == timeless(other)
    assert (rest.arrive_at - whole.arrive_at).total_seconds() == pytest.approx(500 / CRUISE_MPS, abs=2.0)


def test_snow_that_falls_while_the_truck_is_late_is_met() -> None:
    """Snow on the second pass from 10 h on (the state of an hour stands from half past): due there at 07:07."""

    def later(m: Any, d: Any, h: Any) -> Any:
        return np.where((d >= 110e3) & (d <= 120e3) & (h >= 10), RoadClass.SNOW, RoadClass.DRY)

    weather = make_weather(ROAD, later)
    assert plan_of(None, weather=weather).advice is Advice.CLEAR
    assert plan_of(fix(9.5, 100e3), weather=weather).advice is Advice.CHAIN


def test_no_stop_behind_is_named_and_the_present_one_is() -> None:
    """300 m past stop "a" by its device, the truck may be standing there; 2 km past it cannot be sent back."""
    at_it = plan_of(fix(7.0, 25.3e3), PASSES[0])
    assert at_it.stretches[0].chain_up.stop_id == "a"
    hang_s = at_it.stretches[0].hang_s
    assert at_it.stretches[0].chain_up.leave_at - at_it.stretches[0].chain_up.arrive_at == timedelta(seconds=hang_s)
    (past,) = plan_of(fix(7.0, 27e3), PASSES[0]).stretches
    assert (past.chain_up.stop_id, past.chain_up.name) == ("", "present place")
    assert past.chain_up.reason == "no listed stop before the snow that beats it: hang them where the truck is"
    assert past.chain_up.distance_m == 26.5e3
    assert past.chain_up.arrive_at == at_hour(7.0)


def test_a_truck_in_the_snow_has_the_rest_of_it_ahead() -> None:
    (stretch,) = plan_of(fix(7.0, 35e3), PASSES[0]).stretches
    assert (stretch.start_m, stretch.end_m) == (34.5e3, 40e3)
    assert stretch.chain_off.stop_id == "b"


def test_law_behind_is_no_longer_said_and_zones_keep_their_place() -> None:
    assert [r.jurisdiction for r in plan_of(None).rules] == ["US-XX", "US-YY"]
    assert [r.jurisdiction for r in plan_of(fix(9.0, 100e3)).rules] == ["US-YY"]


def test_hours_driven_since_departure_count_by_the_actual_clock() -> None:
    """06:00 to 09:30 are 3.5 h at the wheel whatever the plan had thought; 60.5 km at 62 mph are 0.61 h more."""
    used = HoursUsed(drive_h=1.0, cycle_h=40.0, on_duty_since=at_hour(5))
    note = plan_of(fix(9.5, 100e3), used=used).hours
    assert note is not None
    ahead_h = 60_500 / CRUISE_MPS / 3600
    by_kind = {x.kind: x.at_arrival_h for x in note.limits}
    assert by_kind["driving"] == pytest.approx(1.0 + 3.5 + ahead_h, abs=1e-3)
    assert by_kind["window"] == pytest.approx(1.0 + 3.5 + ahead_h, abs=1e-3)
    assert by_kind["cycle"] == pytest.approx(40.0 + 3.5 + ahead_h, abs=1e-3)
    assert by_kind["break"] == pytest.approx(1.0 + 3.5 + ahead_h, abs=1e-3)


def test_break_due_by_now_is_not_placed_at_a_stop_behind() -> None:
    """49 CFR 395.3(a)(3)(ii): 7 h before and 2 h since departure are past 8 h; no stop behind can be taken."""
    note = plan_of(fix(8.0, 60e3), used=HoursUsed(drive_h=7.0)).hours
    assert note is not None
    assert not note.ok
    (rest,) = note.breaks
    assert (rest.stop_id, rest.at_m) == ("", None)
    assert rest.due_at == at_hour(7.0)


def test_a_timeline_begins_with_what_was_driven_before_it() -> None:
    d = np.arange(40e3, 60e3 + 1.0, 250.0)
    driven = Spell(duty=Duty.DRIVING, start_s=0.0, end_s=3600.0, start_m=0.0, end_m=40e3)
    first, *rest = timeline(d, (d - 40e3) / 20.0, [(50e3, 1800.0)], (driven,))
    assert (first.duty, first.start_s, first.end_s, first.start_m, first.end_m) == (Duty.DRIVING, 0, 3600, 0, 40e3)
    assert [(x.duty, x.start_m) for x in rest if x.duty is Duty.ON_DUTY] == [(Duty.ON_DUTY, 50e3)]
    assert rest[-1].end_s == pytest.approx(3600 + 1000 + 1800)
    assert sum(x.length_s for x in (first, *rest) if x.duty is Duty.DRIVING) == pytest.approx(4600)


def test_a_truck_that_left_early_left_no_later_than_it_can_have() -> None:
    """Seen at km 100 at 06:30, half an hour after departure: 99.5 km at 62 mph are 3590 s, so it left by 05:30."""
    plan = plan_of(fix(6.5, 100e3))
    assert plan.depart_at == at_hour(6.5) - timedelta(seconds=round(99_500 / CRUISE_MPS))
    assert plan.hours is not None
    driving = next(x for x in plan.hours.limits if x.kind == "driving")
    assert driving.at_arrival_h == pytest.approx(160_000 / CRUISE_MPS / 3600, abs=1e-3)


def test_truck_seen_at_its_start_has_the_whole_way_ahead() -> None:
    plan = plan_of(fix(7.25, 100.0), *PASSES)
    late = timedelta(hours=1.25)
    whole = plan_of(None, *PASSES)
    assert (plan.depart_at, plan.arrive_at) == (whole.depart_at + late, whole.arrive_at + late)
    assert [s.start_m for s in plan.stretches] == [30e3, 110e3]
    assert plan_of(fix(5.0, 100.0)).depart_at == at_hour(6)


def test_a_truck_at_the_end_of_its_way_is_planned_still() -> None:
    plan = plan_of(fix(9.0, 160e3), *PASSES)
    assert plan.stretches == ()
    assert plan.arrive_at - at_hour(9.0) <= timedelta(seconds=30)


def test_unknown_road_ahead_is_still_never_clear() -> None:
    weather = make_weather(ROAD, lambda m, d, h: np.where(d < 80e3, RoadClass.DRY, RoadClass.UNKNOWN) + 0 * h)
    plan = plan_of(fix(9.0, 100e3), weather=weather)
    assert plan.partial
    assert plan.advice is not Advice.CLEAR
    assert any("Road not known for 100% of the way" in c for c in plan.cautions)


def test_cautions_on_the_position_come_first() -> None:
    plan = plan_of(None, position_notes=("Truck was seen 3 mi off the route",))
    assert plan.cautions[0] == "Truck was seen 3 mi off the route"
    assert plan.position is None


@pytest.mark.parametrize("distance_m", [0.0, 400.0, 700.0, 30e3, 159.9e3, 160e3])
def test_route_law_and_road_are_cut_at_the_same_sample(distance_m: float) -> None:
    weather = make_weather(ROAD, snow())
    rest = remaining_trip(ROAD, at_hour(6), fix(7.0, distance_m), weather.corridor, PARAMS, at_hour(7.1))
    n = rest.route.distance_m.size
    assert n >= 2
    assert rest.corridor.cells.column_of_sample.size == n
    assert ROAD.distance_m.size - rest.first == n
    assert rest.route.distance_m[0] <= distance_m
    assert all(x.length_s > 0.0 for x in rest.before)
