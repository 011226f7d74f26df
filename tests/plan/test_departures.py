"""Leaving at another time: what is compared, what is picked, and why."""

from dataclasses import replace
from datetime import timedelta
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alertd.notices.text.departures import departure_lines
from alertd.plan.departure_picks import pick_departures
from alertd.plan.departures import compare_departures, hours_used_then
from alertd.plan.describe.arrivals import arrival_pair
from alertd.plan.hours.laws import EU, US, HoursRules
from alertd.plan.hours.limits import HoursUsed
from alertd.plan.make_plan import make_plan
from alertd.plan.model.alternatives import Departure
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.params import PlanParams
from alertd.plan.request import PlanRequest, TripInput
from alertd.plan.road_ahead.hourly_need import hourly_need_for
from alertd.road.road_class import RoadClass
from alertd.testing.factories import at_hour, make_rig, make_route, make_rules, make_stop, make_weather

PARAMS = PlanParams()
RIG = make_rig()
ROUTE = make_route(120e3, stops=[make_stop(n, m) for n, m in (("a", 40e3), ("b", 90e3))])
NOW_H = 2.0


def storm(from_h: int, to_h: int, members: int = 10) -> Any:
    """Snow at km 60 to 80 in so many of ten members, from one hour of the field to another."""
    return lambda m, d, h: np.where(
        (d >= 60e3) & (d <= 80e3) & (h >= from_h) & (h <= to_h) & (m < members), RoadClass.SNOW, RoadClass.DRY
    )


def plan_at(hour: float, script: Any, chance: float = 1.0) -> Plan:
    made = make_weather(ROUTE, script, hours=60)
    trip = TripInput(id="QT-1", depart_at=at_hour(hour))
    laws = {"US-XX": make_rules(chance=chance)}
    return make_plan(PlanRequest(trip, ROUTE, RIG, laws, made, PARAMS, at_hour(NOW_H)))


def compared(
    script: Any, planned_h: float = 10.0, used: HoursUsed | None = None, chance: float = 1.0
) -> tuple[Departure, ...]:
    weather = make_weather(ROUTE, script, hours=60)
    rules = {"US-XX": make_rules(chance=chance)}
    hourly_need = hourly_need_for(ROUTE, RIG, rules, weather.corridor, PARAMS, at_hour(NOW_H).timestamp())
    return compare_departures(hourly_need, at_hour(planned_h), at_hour(NOW_H), used or HoursUsed(), PARAMS)


def at(found: tuple[Departure, ...], hour: float) -> Departure:
    return next(d for d in found if d.depart_at == at_hour(hour))


def test_every_quarter_of_an_hour_for_a_day_and_a_half_from_now() -> None:
    found = compared(storm(99, 99))
    assert len(found) == 144
    assert found[0].depart_at == at_hour(NOW_H)
    assert {b.depart_at - a.depart_at for a, b in pairwise(found)} == {timedelta(minutes=15)}


def test_the_grid_holds_the_planned_minute() -> None:
    found = compared(storm(99, 99), planned_h=10.0 + 7 / 60)
    assert at(found, 10.0 + 7 / 60)
    assert found[0].depart_at == at_hour(NOW_H)
    off_the_quarter = [d.depart_at for d in found if d.depart_at.timestamp() % 900.0]
    assert off_the_quarter == [at_hour(10.0 + 7 / 60)]
    assert [d.depart_at for d in found] == sorted(d.depart_at for d in found)


def test_departure_into_the_storm_costs_its_chains_by_hand() -> None:
    """Snow holds from half past 10 to half past 14; km 60 comes 36 min after leaving and km 80 48 (62 mph).

    In it: hang 40 min and remove 20, 30 km bare at 20 and 20 km of snow at 25 mph instead of 62.
    """
    found = compared(storm(11, 14))
    assert at(found, 8.0).advice is Advice.CLEAR
    inside = at(found, 11.0)
    mph = 0.44704
    lost_s = 2400 + 1200 + 30e3 * (1 / (20 * mph) - 1 / (62 * mph)) + 20e3 * (1 / (25 * mph) - 1 / (62 * mph))
    assert (inside.advice, inside.hangings, inside.probability) == (Advice.CHAIN, 1, pytest.approx(1.0))
    assert inside.lost_s == pytest.approx(lost_s, abs=60.0)
    assert at(found, 16.0).advice is Advice.CLEAR


def test_early_chaining_may_bring_the_truck_past_the_snow() -> None:
    """Left at 13:30 the pass comes at 14:06 unchained: snow. Who stops to chain is there at 14:46, when it has gone;

    that departure still asks for chains, for whoever does not stop is in the snow.
    """
    found = compared(storm(11, 14))
    assert at(found, 13.5).advice is Advice.CHAIN
    assert at(found, 14.25).advice is Advice.CLEAR


def test_hours_beyond_the_forecast_are_left_out() -> None:
    weather = make_weather(ROUTE, storm(99, 99), hours=20)
    hourly_need = hourly_need_for(
        ROUTE, RIG, {"US-XX": make_rules()}, weather.corridor, PARAMS, at_hour(NOW_H).timestamp()
    )
    found = compare_departures(hourly_need, at_hour(10), at_hour(NOW_H), HoursUsed(), PARAMS)
    # The last hour known is 19:00, which stands until 19:30; the drive takes 1 h 12 min.
    assert at_hour(18.0) < found[-1].depart_at + timedelta(hours=1) <= at_hour(19.5)


def test_a_truck_that_should_have_left_is_not_compared() -> None:
    assert compared(storm(11, 14), planned_h=1.0) == ()


def test_nearest_departure_without_chains_is_picked_with_reasons() -> None:
    found = compared(storm(11, 14), planned_h=11.0)
    picks = pick_departures(found, at_hour(11), PARAMS)
    earlier = picks[0]
    assert earlier.departure.advice is Advice.CLEAR
    assert earlier.leave_later_s == (earlier.departure.depart_at - at_hour(11)).total_seconds() < 0
    assert earlier.arrive_later_s < earlier.leave_later_s  # no chains: it gains more than it leaves earlier
    assert earlier.reasons[0] == "no chains expected by this forecast (chains under 1 in 10 instead of almost certain)"
    assert any("less lost to chains and snow" in reason for reason in earlier.reasons)


def held_until(hours_h: float, *others: Departure) -> tuple[Departure, ...]:
    """The planned departure on hold, so many hours on the way, and other ones."""
    planned = at(compared(storm(99, 99)), 10.0)
    held = replace(
        planned, advice=Advice.HOLD, arrive_at=at_hour(10.0 + hours_h), arrivals=None, probability=1.0, hours_ok=True
    )
    return (held, *others)


def test_a_hold_is_compared_in_hours_and_as_waiting() -> None:
    """17 h 28 min on the way instead of 1 h 12 min: nobody reads "976 min lost to chains" at 4 a.m."""
    dry = compared(storm(99, 99))
    later = replace(at(dry, 20.0), advice=Advice.CHAIN, probability=1.0, arrivals=None)
    (pick,) = pick_departures(held_until(17.4667, later), at_hour(10), PARAMS)
    assert pick.reasons[0] == "not held, passable with chains"  # both are almost certain: no odds to compare
    assert pick.reasons[1].endswith(" min less lost to waiting, chains and snow")
    assert pick.reasons[1].startswith("16 h ")


def test_two_picks_of_one_advice_are_an_hour_apart() -> None:
    dry = compared(storm(99, 99))
    for apart_h, shown in ((0.25, 1), (1.0, 2)):
        found = held_until(30.0, at(dry, 20.0), at(dry, 20.0 + apart_h))
        assert len(pick_departures(found, at_hour(10), PARAMS)) == shown


def test_waiting_is_picked_when_the_arrival_is_no_later() -> None:
    """Snow until half past 14; chained from 13:45 the truck loses more than an hour, and left 30 min later nothing."""
    found = compared(storm(11, 14), planned_h=13.75)
    picks = pick_departures(found, at_hour(13.75), PARAMS)
    late = [p for p in picks if p.leave_later_s > 0]
    assert late
    assert all(p.arrive_later_s <= 0 for p in late)


def test_nothing_is_picked_on_a_road_that_is_not_known() -> None:
    found = compared(lambda m, d, h: np.where(h >= 8, RoadClass.UNKNOWN, RoadClass.DRY) + 0 * d + 0 * m)
    assert all(p.departure.unknown_frac == 0.0 for p in pick_departures(found, at_hour(10), PARAMS))
    assert at(found, 20.0).advice is Advice.READY


def test_earlier_departure_is_not_known_legal_before_duty_begins() -> None:
    found = compared(storm(11, 14), used=HoursUsed(on_duty_since=at_hour(9.5)))
    assert at(found, 9.0).hours_ok is None
    assert at(found, 9.5).hours_ok is True
    assert at(found, 10.0).hours_ok is True


def test_departure_outside_the_window_is_marked_and_not_picked() -> None:
    """On duty since 0:00, so the 14 h of 49 CFR 395.3(a)(2) end at 14:00; the drive takes 1 h 12 min without chains."""
    route = make_route(120e3, stops=ROUTE.stops, spans=[("US-XX", 0.0, 120e3)])
    weather = make_weather(route, storm(99, 99), hours=60)
    hourly_need = hourly_need_for(route, RIG, {"US-XX": make_rules()}, weather.corridor, PARAMS, at_hour(2).timestamp())
    used = HoursUsed(on_duty_since=at_hour(0.0))
    found = compare_departures(hourly_need, at_hour(10), at_hour(2), used, PARAMS)
    assert at(found, 12.5).hours_ok is True
    assert at(found, 13.0).hours_ok is False
    assert at(found, 20.0).hours_ok is True  # ten hours after the planned departure a new day begins


@pytest.mark.parametrize(
    ("rules", "rest_h", "break_h"),
    [
        (US, 10.0, 0.5),  # 49 CFR 395.3(a)(1) and (a)(3)(ii)
        (EU, 11.0, 0.75),  # Regulation (EC) 561/2006, Articles 4(g) and 8(2), and Article 7
    ],
)
def test_a_wait_is_a_rest_or_a_break_by_its_own_law(rules: HoursRules, rest_h: float, break_h: float) -> None:
    used = HoursUsed(drive_h=6.0, on_duty_since=at_hour(0), since_break_h=5.0, cycle_h=40.0)

    def after(wait_h: float) -> HoursUsed:
        return hours_used_then(used, at_hour(8), at_hour(8 + wait_h), rules)

    assert after(break_h - 0.05) == used
    assert after(break_h) == after(rest_h - 0.05) == replace(used, since_break_h=0.0)
    rest = after(rest_h)
    assert (rest.drive_h, rest.on_duty_since, rest.since_break_h) == (0.0, at_hour(8 + rest_h), 0.0)
    assert rest.cycle_h == 40.0


def test_ten_hours_off_are_no_daily_rest_in_the_eu() -> None:
    """Article 8(2): 11 h. 8.5 h were driven before and 1 h 12 min are ahead, against the 9 h of Article 6(1)."""
    route = make_route(120e3, stops=ROUTE.stops, spans=[("AT-7", 0.0, 120e3)])
    weather = make_weather(route, storm(99, 99), hours=60)
    hourly_need = hourly_need_for(
        route, RIG, {"AT-7": make_rules("AT-7")}, weather.corridor, PARAMS, at_hour(2).timestamp()
    )
    found = compare_departures(hourly_need, at_hour(4), at_hour(2), HoursUsed(drive_h=8.5), PARAMS)
    assert at(found, 14.5).hours_ok is False
    assert at(found, 15.0).hours_ok is True


@settings(max_examples=15, deadline=None)
@given(st.integers(6, 20), st.integers(0, 10), st.integers(0, 10), st.integers(0, 56))
def test_a_departure_compared_is_the_plan_made_for_it(from_h: int, lasts_h: int, members: int, quarter: int) -> None:
    """The same scenes and the same choice: arrival to the rounding of minutes, and never a milder word."""
    script = storm(from_h, from_h + lasts_h, members)
    one = at(compared(script), NOW_H + quarter / 4)
    plan = plan_at(NOW_H + quarter / 4, script)
    assert abs(one.arrive_at - plan.arrive_at) <= timedelta(minutes=4)
    assert one.advice.rank == plan.advice.rank


def test_clear_plan_compares_departures_too() -> None:
    asked, free = plan_at(11, storm(11, 14)), plan_at(6, storm(11, 14))
    assert (len(asked.departures), len(free.departures)) == (144, 144)
    assert asked.picks == pick_departures(asked.departures, at_hour(11), PARAMS)
    assert (free.advice, free.picks) == (Advice.CLEAR, ())


@pytest.mark.parametrize(("hour", "members", "chance"), [(6, 10, 1.0), (11, 10, 1.0), (11, 4, 1.0), (11, 10, 0.4)])
def test_planned_departure_is_the_plan_itself(hour: float, members: int, chance: float) -> None:
    """Clear, chained and ready: the comparison gives the advice, odds and arrivals of the plan, to the minute."""
    plan = plan_at(hour, storm(11, 14, members), chance)
    own = at(compared(storm(11, 14, members), hour, chance=chance), hour)
    shown = at(plan.departures, hour)
    assert (own.advice, shown.advice) == (plan.advice, plan.advice)
    assert own.probability == pytest.approx(plan.chain_probability)
    assert (shown.arrive_at, shown.probability, shown.lost_s) == (plan.arrive_at, plan.chain_probability, plan.cost_s)
    assert shown.hangings == own.hangings == (plan.advice is Advice.CHAIN)
    assert own.lost_s == pytest.approx(plan.cost_s, abs=120.0)
    assert abs(own.arrive_at - plan.arrive_at) <= timedelta(minutes=1)
    if plan.arrivals is not None and own.arrivals is not None:
        assert shown.arrivals == plan.arrivals
        assert abs(own.arrivals.unchained_at - plan.arrivals.unchained_at) <= timedelta(minutes=1)
        assert abs(own.arrivals.chained_at - plan.arrivals.chained_at) <= timedelta(minutes=2)


def test_ready_trip_has_both_arrivals_by_hand() -> None:
    """Snow on 20 of 120 km in four members of ten, driven at half of 62 mph in these members without chains."""
    plan, mph = plan_at(11, storm(11, 14, 4)), 0.44704
    pair = plan.arrivals
    assert plan.advice is Advice.READY
    assert pair is not None
    bare_s = 120e3 / (62 * mph) + 0.4 * 20e3 * (1 / (31 * mph) - 1 / (62 * mph))
    assert (pair.unchained_at - at_hour(11)).total_seconds() == pytest.approx(bare_s, abs=60.0)
    assert pair.chained_at - pair.unchained_at > timedelta(minutes=60)
    assert pair.chain_probability == pytest.approx(0.4)
    mean_s = 0.6 * (pair.unchained_at - at_hour(11)).total_seconds()
    mean_s += 0.4 * (pair.chained_at - at_hour(11)).total_seconds()
    assert (pair.expected_at - at_hour(11)).total_seconds() == pytest.approx(mean_s, abs=2.0)
    assert plan.arrive_early <= pair.unchained_at
    assert plan.arrive_late >= pair.chained_at


def test_clear_trip_has_one_arrival() -> None:
    assert plan_at(6, storm(11, 14)).arrivals is None


def test_leave_by_names_the_last_hour_before_the_snow() -> None:
    """The pass is 36 min away and snow holds from 10:30: left at 09:45 the truck passes before it, at 10:00 not."""
    plan = plan_at(7, storm(11, 14))
    assert plan.advice is Advice.CLEAR
    assert plan.leave_by is not None
    assert at_hour(9.5) <= plan.leave_by.at <= at_hour(10.0)
    assert plan.leave_by.worse.advice is Advice.CHAIN
    assert departure_lines(plan)[0].startswith("Leave by ")


def test_leave_by_is_left_out_where_the_snow_is_far_off() -> None:
    assert plan_at(3, storm(30, 40)).leave_by is None


def departure(hour: float, advice: Advice, odds: float, drive_h: float = 2.0, chained_h: float = 3.0) -> Departure:
    leave = at_hour(hour)
    unchained, chained = leave + timedelta(hours=drive_h), leave + timedelta(hours=chained_h)
    pair = arrival_pair(leave, (drive_h * 3600.0, chained_h * 3600.0), odds)
    return Departure(
        depart_at=leave, arrive_at=chained if advice is Advice.CHAIN else unchained, advice=advice, probability=odds,
        unknown_frac=0.0, lost_s=0.0, hangings=0, hours_ok=True, arrivals=pair,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("other", "worth"),
    [
        (departure(15, Advice.READY, 0.49), False),  # another advice on the other side of a threshold, 51 % or 49
        (departure(15, Advice.READY, 0.30), True),
        (departure(10.5, Advice.CHAIN, 0.20), False),  # within the hour, the same advice
        (departure(10.5, Advice.CLEAR, 0.02), True),
        (departure(15, Advice.HOLD, 0.9), False),
        (departure(15, Advice.CHAIN, 0.51), False),  # five hours later for nothing
    ],
)
def test_gain_below_what_matters_is_not_offered(other: Departure, worth: bool) -> None:
    planned = departure(10, Advice.CHAIN, 0.51)
    assert bool(pick_departures([planned, other], at_hour(10), PARAMS)) is worth


def test_quicker_in_the_mean_and_later_with_chains_is_no_gain() -> None:
    """Common practice, no source: a driver weighs the bad day, not only the mean one."""
    planned = departure(10, Advice.READY, 0.4, 3.0, 3.5)
    other = departure(8, Advice.READY, 0.4, 2.0, 4.0)
    assert pick_departures([planned, other], at_hour(10), PARAMS) == ()
