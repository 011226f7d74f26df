"""A plan of a truck with chains on, of one not heard of, and of one that has arrived."""

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from typing import Any

import numpy as np
import pytest

from alertd.plan.chain_up.chains_on import ChainsOn
from alertd.plan.hours.limits import HoursUsed
from alertd.plan.make_plan import make_plan
from alertd.plan.model.notes import PositionFix
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.params import PlanParams
from alertd.plan.position.map_match import Stood
from alertd.plan.request import PlanRequest, TripInput
from alertd.road.road_class import RoadClass
from alertd.rules.rig import Tire
from alertd.testing.factories import at_hour, make_rig, make_route, make_rules, make_stop, make_weather
from alertd.units import to_mps

PARAMS = PlanParams(compare_h=0.0)
STOPS = [make_stop(n, m) for n, m in (("a", 25e3), ("b", 55e3), ("c", 105e3), ("d", 135e3))]
ROAD = make_route(160e3, stops=STOPS)
RULES = {"US-XX": make_rules()}
FIRST, SECOND = (30e3, 40e3), (110e3, 120e3)
ON = ChainsOn(since=at_hour(8.5))
CRUISE_MPS = to_mps(62.0)


def fix(hour: float, distance_m: float, *, old: bool = False) -> PositionFix:
    return PositionFix(at=at_hour(hour), distance_m=distance_m, offset_m=0.0, old=old)


def snow(*passes: tuple[float, float], until_h: float = 99.0) -> Callable[..., Any]:
    def script(m: Any, d: Any, h: Any) -> Any:
        there = np.any([(d >= a) & (d <= b) for a, b in passes], axis=0) & (h < until_h)
        return np.where(there, RoadClass.SNOW, RoadClass.DRY)

    return script


def plan_of(seen: PositionFix | None, script: Callable[..., Any], now_h: float = 9.1, **trip: Any) -> Plan:
    asked = TripInput(id="QT-1", depart_at=at_hour(6), fix=seen, **trip)
    weather = make_weather(ROAD, script, issued_at=at_hour(now_h - 1.0))
    return make_plan(PlanRequest(asked, ROAD, make_rig(), RULES, weather, PARAMS, at_hour(now_h)))


def test_chains_that_are_on_are_not_hung_again() -> None:
    """The same truck without them hangs for 40 min first: 4 chains at 10 min (assumed)."""
    bare = plan_of(fix(9.0, 25.2e3), snow(FIRST))
    plan = plan_of(fix(9.0, 25.2e3), snow(FIRST), chains=ON)
    (stretch,) = plan.stretches
    assert (stretch.advice, stretch.chained, stretch.hang_s) == (Advice.CHAIN, True, 0.0)
    assert (stretch.chain_up.stop_id, stretch.chain_up.arrive_at) == ("", at_hour(9.0))
    assert plan.chains is not None
    assert plan.chains.off is not None
    assert (plan.chains.since, plan.chains.off.stop_id, plan.chains.missing_n) == (ON.since, "b", 0)
    assert plan.chains.off.stop_id == stretch.chain_off.stop_id
    # 300 m of bare road at 20 instead of 62 mph are 23 s more; the hanging is 2400 s less.
    assert (bare.arrive_at - plan.arrive_at).total_seconds() == pytest.approx(2400.0, abs=60.0)


def test_chained_truck_keeps_chained_speed_to_the_removal_place() -> None:
    """From km 34.5: 5.5 km of snow at 25 mph, 15 km bare at 20 mph, 20 min to take off, 105 km at 62 mph."""
    plan = plan_of(fix(9.0, 35e3), snow(FIRST), chains=ON)
    assert plan.chains is not None
    assert plan.chains.off is not None
    to_off_s = 5.5e3 / to_mps(25.0) + 15e3 / to_mps(20.0)
    assert (plan.chains.off.arrive_at - at_hour(9.0)).total_seconds() == pytest.approx(to_off_s, rel=0.02)
    whole_s = to_off_s + PARAMS.remove_s + 105e3 / CRUISE_MPS
    assert (plan.arrive_at - at_hour(9.0)).total_seconds() == pytest.approx(whole_s, rel=0.02)


def test_the_next_pass_is_planned_from_where_chains_come_off() -> None:
    plan = plan_of(fix(9.0, 35e3), snow(FIRST, SECOND), chains=ON)
    first, second = plan.stretches
    assert (first.chained, first.chain_off.stop_id) == (True, "b")
    assert (second.chained, second.chain_up.stop_id, second.hang_s) == (False, "c", 2400.0)
    assert second.chain_up.arrive_at > first.chain_off.leave_at


def test_past_the_snow_chains_come_off_at_the_next_stop() -> None:
    plan = plan_of(fix(9.0, 42e3), snow(FIRST), chains=ON)
    assert (plan.stretches, plan.advice) == ((), Advice.CLEAR)
    assert plan.chains is not None
    assert plan.chains.off is not None
    assert plan.chains.off.stop_id == "b"


def test_chains_do_not_stay_on_over_20_miles_of_bare_road() -> None:
    """Standing at "b" with the next snow 55 km ahead: they come off there, not past it."""
    plan = plan_of(fix(9.0, 55e3), snow(SECOND), chains=ON)
    assert plan.chains is not None
    assert plan.chains.off is not None
    assert plan.chains.off.stop_id == "b"
    assert [(s.chained, s.chain_up.stop_id) for s in plan.stretches] == [(False, "c")]


@pytest.mark.parametrize("at_m", [55e3, 60e3])
def test_chains_stay_on_for_the_snow_they_were_hung_for(at_m: float) -> None:
    """The only place is 25 km before the snow: a plan that had them hung there does not take them off there."""
    ahead = snow((80e3, 90e3))
    assert [s.chain_up.stop_id for s in plan_of(fix(8.0, 45e3), ahead, now_h=8.1).stretches] == ["b"]
    plan = plan_of(fix(9.0, at_m), ahead, chains=replace(ON, hung_m=55e3))
    assert [(s.chained, s.hang_s, s.chain_off.stop_id) for s in plan.stretches] == [(True, 0.0, "c")]
    assert plan.chains is not None
    assert plan.chains.off is not None
    assert plan.chains.off.stop_id == "c"


def test_chains_of_an_earlier_pass_come_off_before_a_gap() -> None:
    plan = plan_of(fix(9.0, 45e3), snow((80e3, 90e3)), chains=replace(ON, hung_m=25e3))
    assert plan.chains is not None
    assert plan.chains.off is not None
    assert plan.chains.off.stop_id == "b"


def test_tires_that_are_not_chained_yet_are_named_and_take_time() -> None:
    """The rule asks for the outer tires of both drive axles; those of one are on."""
    asked = set(plan_of(fix(9.0, 25.2e3), snow(FIRST)).stretches[0].hanging.tires)
    one_axle = frozenset(t for t in asked if t.axle_idx == 1)
    assert len(asked) == 2 * len(one_axle) == 4
    more = plan_of(fix(9.0, 25.2e3), snow(FIRST), chains=replace(ON, tires=one_axle))
    whole = plan_of(fix(9.0, 25.2e3), snow(FIRST), chains=replace(ON, tires=frozenset(asked)))
    assert more.chains is not None
    assert whole.chains is not None
    assert (more.chains.missing_n, whole.chains.missing_n) == (2, 0)
    assert more.chains.missing_words
    assert more.arrive_at - whole.arrive_at == timedelta(seconds=2 * PARAMS.hang_s_per_chain)
    other = frozenset(Tire(4, side, "outside") for side in ("left", "right"))
    wrong = plan_of(fix(9.0, 25.2e3), snow(FIRST), chains=replace(ON, tires=other))
    assert wrong.chains is not None
    assert wrong.chains.missing_n == 4


def test_doubted_chains_leave_the_plan_as_it_is_without() -> None:
    without = plan_of(fix(9.0, 25.2e3), snow(FIRST))
    for on in (replace(ON, doubt="ran too fast"), replace(ON, placed=False)):
        plan = plan_of(fix(9.0, 25.2e3), snow(FIRST), chains=on)
        assert plan.stretches == without.stretches
        assert plan.arrive_at == without.arrive_at
        assert plan.chains is not None
        assert plan.chains.off is None
        assert plan.chains.doubt == on.doubt


def test_what_the_truck_stood_is_not_driven() -> None:
    """06:00 to 09:30 with 40 min of halt: 2 h 50 min driven, 3 h 30 min of the duty window (49 CFR 395.3)."""
    halt = Stood(began_at=at_hour(7.0), ended_at=at_hour(7.0) + timedelta(minutes=40), distance_m=50e3)
    used = HoursUsed(drive_h=0.0, cycle_h=40.0, on_duty_since=at_hour(6), since_break_h=0.0)
    note = plan_of(fix(9.5, 100e3), snow(), now_h=9.6, used=used, stood=(halt,)).hours
    whole = plan_of(fix(9.5, 100e3), snow(), now_h=9.6, used=used).hours
    assert note is not None
    assert whole is not None
    for kind, less_h in (("driving", 40 / 60), ("window", 0.0), ("cycle", 0.0)):
        stood_h, driven_h = (next(x.at_arrival_h for x in n.limits if x.kind == kind) for n in (note, whole))
        assert driven_h - stood_h == pytest.approx(less_h, abs=1e-6)


def test_a_truck_not_heard_of_goes_on_from_its_last_place_now() -> None:
    """Seen at km 60 at 07:00, planned at 10:00: 100.5 km at 62 mph from now, or since 07:00 at the earliest."""
    plan = plan_of(fix(7.0, 60e3, old=True), snow(SECOND), now_h=10.0)
    assert plan.position == fix(7.0, 60e3, old=True)
    assert plan.along.distance_m[0] == 59.5e3
    assert plan.along.begins_at == at_hour(10.0)
    assert [s.chain_up.stop_id for s in plan.stretches] == ["c"]
    assert plan.arrive_early == at_hour(10.0)
    assert plan.depart_at == at_hour(6)


def test_snow_that_a_silent_truck_may_have_met_is_not_forgotten() -> None:
    """Snow on the second pass until 09:00: met by a truck that went on at 07:00, not by one that goes on at 10:00."""
    fresh = plan_of(fix(10.0, 60e3), snow(SECOND, until_h=9.0), now_h=10.0)
    assert fresh.advice is Advice.CLEAR
    silent = plan_of(fix(7.0, 60e3, old=True), snow(SECOND, until_h=9.0), now_h=10.0)
    assert silent.advice is Advice.CHAIN
    assert dict(silent.stretches[0].surfaces)["snow"] == 1.0


def test_a_silent_truck_near_the_end_has_arrived_by_the_plan() -> None:
    """20 km are 12 min at 62 mph; on a road that asks for nothing. With snow on it, it has not."""
    plan = plan_of(fix(7.0, 140e3, old=True), snow(), now_h=10.0)
    assert plan.arrive_late < at_hour(10.0)
    assert plan_of(fix(7.0, 140e3, old=True), snow((145e3, 150e3)), now_h=10.0).arrive_at > at_hour(10.0)
    assert plan_of(fix(7.0, 60e3, old=True), snow(), now_h=10.0).arrive_at > at_hour(10.0)


def test_a_truck_that_arrived_is_asked_for_nothing_even_blind() -> None:
    unknown = lambda m, d, h: np.where(d < 80e3, RoadClass.DRY, RoadClass.UNKNOWN) + 0 * h  # noqa: E731
    plan = plan_of(fix(8.5, 160e3), unknown, now_h=15.0, arrived_at=at_hour(8.5))
    assert (plan.arrived_at, plan.advice, plan.partial, plan.stretches) == (at_hour(8.5), Advice.CLEAR, False, ())
    assert plan.chains is None
    again = plan_of(fix(8.5, 160e3), unknown, now_h=16.0, arrived_at=at_hour(8.5))
    assert again.arrive_at == plan.arrive_at
