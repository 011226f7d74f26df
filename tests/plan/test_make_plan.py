"""Whole plans on made pavement: caution never falls, and the same inputs give the same bytes."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from alertd.plan.make_plan import make_plan
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.params import PlanParams
from alertd.plan.request import PlanRequest, TripInput, Weather
from alertd.plan.serialize import plan_json
from alertd.road.road_class import RoadClass
from alertd.route.model import Route, Summit
from alertd.rules.rig import Rig
from alertd.rules.ruleset import RuleSet
from alertd.testing.factories import at_hour, make_rig, make_route, make_rules, make_stop, make_weather
from alertd.units import to_mph, to_mps

PARAMS = PlanParams(compare_h=0.0)
STOPS = [make_stop(n, m) for n, m in (("a", 5e3), ("b", 25e3), ("c", 55e3))]


def plan_of(
    route: Route, weather: Weather, rig: Rig | None = None, rules: RuleSet | None = None, params: PlanParams = PARAMS
) -> Plan:
    trip = TripInput(id="QT-1", depart_at=at_hour(6))
    return make_plan(
        PlanRequest(trip, route, rig or make_rig(), {"US-XX": rules or make_rules()}, weather, params, at_hour(2))
    )


def snow_between(a: float, b: float):  # type: ignore[no-untyped-def]
    return lambda _, d, h: np.where((d >= a) & (d <= b), RoadClass.SNOW, RoadClass.DRY)


# In rising order of what they ask: on each, grip without and with chains is at most that of the one before, at every
# rank (road.grip: friction ranges, chain ratios), and the made rules post chains on the last two only.
RISING = (RoadClass.DRY, RoadClass.WET, RoadClass.SNOW, RoadClass.ICE)


@example(4294967295, 0.0625, 0.3, [(4, 0, 2)])  # showers that become a core
@example(536870911, 0.0, 0.6, [(0, 0, 2)])
@given(
    st.integers(0, 2**32 - 1),
    st.floats(0.0, 0.07),
    st.sampled_from([0.1, 0.3, 0.6, 1.0]),
    st.lists(st.tuples(st.integers(0, 4), st.integers(0, 7), st.integers(1, 3)), min_size=1, max_size=8),
)
def test_more_snow_never_lowers_the_advice(
    seed: int, grade: float, chance: float, raised: list[tuple[int, int, int]]
) -> None:
    """Random pavement in blocks of 5 km for 5 members, some blocks made worse; the hour does not matter here.

    The odds are those of the trip: where showers become a core with a fringe, the core alone may be less likely.
    """
    base = np.random.default_rng(seed).choice(4, size=(5, 8), p=[0.6, 0.2, 0.15, 0.05])
    worse = base.copy()
    for member, block, by in raised:
        worse[member, block] = min(worse[member, block] + by, 3)
    route = make_route(40e3, grade=grade, stops=STOPS)

    def advice(levels: np.ndarray) -> Plan:
        classes = np.array(RISING)[levels]
        block = np.minimum(route.distance_m // 5e3, 7).astype(int)
        weather = make_weather(
            route,
            lambda m, d, h: classes[:, block][:, :, None] + 0 * h,
            members=5,
            friction=np.linspace(0.1, 0.9, 5),
        )
        return plan_of(route, weather, rules=make_rules(chance=chance))

    before, after = advice(base), advice(worse)
    assert after.advice.rank >= before.advice.rank
    assert after.chain_probability >= before.chain_probability - 1e-12


@pytest.mark.parametrize("grade", [0.0, 0.01, 0.05])
def test_weather_that_is_all_unknown_is_never_clear(grade: float) -> None:
    route = make_route(grade=grade, stops=STOPS)
    plan = plan_of(route, make_weather(route, lambda m, d, h: RoadClass.UNKNOWN))
    assert plan.advice.rank >= Advice.READY.rank
    assert plan.partial
    assert any("Road not known for 100%" in c for c in plan.cautions)


@given(st.floats(1e-9, 1.0), st.integers(0, 2**32 - 1))
def test_any_unknown_road_makes_a_plan_partial_and_not_clear(share: float, seed: int) -> None:
    route = make_route(30e3, stops=STOPS)
    holes = np.random.default_rng(seed).random((10, route.distance_m.size)) < share
    holes[3, 40] = True
    weather = make_weather(route, lambda m, d, h: np.where(holes[:, :, None], RoadClass.UNKNOWN, RoadClass.DRY) + 0 * h)
    plan = plan_of(route, weather)
    assert plan.partial
    assert plan.advice is not Advice.CLEAR
    assert [c for c in plan.cautions if "Road not known" in c and " 0%" not in c]


def test_hours_past_the_end_of_the_forecast_are_unknown() -> None:
    route = make_route(stops=STOPS)
    plan = plan_of(route, make_weather(route, snow_between(1e9, 2e9), hours=6))
    assert plan.partial
    assert plan.advice is Advice.READY


def test_an_old_forecast_makes_a_plan_partial_with_a_caution() -> None:
    route = make_route(stops=STOPS)
    plan = plan_of(route, make_weather(route, snow_between(1e9, 2e9), issued_at=at_hour(-6)))
    assert plan.partial
    assert "Forecast of made is 8 h old: be ready to chain" in plan.cautions


def test_land_without_rules_is_named_once_and_the_sea_never() -> None:
    ends = [("LI", 0.0, 20e3), ("", 20e3, 30e3), ("US-XX", 30e3, 40e3), ("LI", 40e3, 60e3)]
    route = make_route(spans=ends)
    sea = replace(route.jurisdictions[1], name="open sea")
    route = replace(route, jurisdictions=(route.jurisdictions[0], sea, *route.jurisdictions[2:]))
    trip = TripInput(id="QT-1", depart_at=at_hour(6))
    rules = {"US-XX": make_rules()}
    plan = make_plan(
        PlanRequest(trip, route, make_rig(), rules, make_weather(route, snow_between(30e3, 40e3)), PARAMS, at_hour(2))
    )
    said = [c for c in plan.cautions if c.startswith("No chain rule on file")]
    assert said == [
        "No chain rule on file for Land of LI: look at its signs, ask its road authority; the tires named are the "
        "most that its neighbours ask"
    ]
    assert plan.lands == ("LI", "US-XX")


def test_without_a_rule_set_the_strictest_reading_applies() -> None:
    """Not known is never milder than known: all drive tires and two on the trailer, and the caution says so."""
    route = make_route(stops=STOPS)
    trip = TripInput(id="QT-1", depart_at=at_hour(6))
    plan = make_plan(
        PlanRequest(trip, route, make_rig(), {}, make_weather(route, snow_between(30e3, 40e3)), PARAMS, at_hour(2))
    )
    assert plan.advice is Advice.READY
    (stretch,) = plan.stretches
    assert stretch.tires_words == "8 drive: all 4, both drive axles; trailer: 2 outside dual left+right, rear axle"
    assert len([c for c in plan.cautions if c.startswith("No chain rule on file for Land of US-XX")]) == 1
    assert plan.rules == ()


@given(st.integers(0, 10), st.integers(0, 4), st.integers(0, 10), st.integers(0, 4))
def test_more_chains_are_never_shorter(singles: int, doubles: int, more_singles: int, more_doubles: int) -> None:
    route = make_route(stops=STOPS)
    weather = make_weather(route, snow_between(30e3, 40e3))
    few = plan_of(route, weather, rig=make_rig(singles=singles, doubles=doubles))
    many = plan_of(route, weather, rig=make_rig(singles=singles + more_singles, doubles=doubles + more_doubles))
    assert many.singles_short <= few.singles_short
    # Four outside duals on four pairs: a double covers the one asked and the one beside it.
    assert few.singles_short == max(0, 4 - singles - doubles)


def test_same_inputs_give_same_bytes_and_another_time_a_new_id(planned: Any) -> None:
    route = make_route(stops=STOPS, summits=[Summit(distance_m=35e3, elevation_m=1400.0, prominence_m=300.0, name="P")])
    one, two = (planned(route, make_weather(route, snow_between(30e3, 40e3))) for _ in range(2))
    assert plan_json(one) == plan_json(two)
    assert one.id == two.id
    later = planned(route, make_weather(route, snow_between(30e3, 40e3)), now_h=2.5)
    assert later.id != one.id
    since = {"id": "", "sources": (), "departures": (), "picks": ()}
    assert replace(later, made_at=one.made_at, **since) == replace(one, **since)


def test_a_naive_time_is_refused() -> None:
    route = make_route()
    trip = TripInput(id="QT-1", depart_at=at_hour(6).replace(tzinfo=None))
    with pytest.raises(ValueError, match="aware"):
        make_plan(PlanRequest(trip, route, make_rig(), {}, make_weather(route, snow_between(0, 1)), PARAMS, at_hour(2)))


def test_speeds_follow_trade_and_law(planned: Any) -> None:
    """Common practice, no source (job.md): 20 to 25 mph chained, never above 30, not above 20 on bare pavement."""
    route = make_route(stops=STOPS)
    weather = make_weather(route, snow_between(30e3, 40e3))
    (stretch,) = planned(route, weather).stretches
    assert (to_mph(stretch.speed_mps), to_mph(stretch.bare_speed_mps)) == pytest.approx((25, 20))
    (hasty,) = planned(route, weather, chained_mps=to_mps(50.0)).stretches
    assert to_mph(hasty.speed_mps) == pytest.approx(30)
    (law,) = planned(route, weather, rules={"US-XX": make_rules(speed_limit_mps=to_mps(15.0))}).stretches
    assert (to_mph(law.speed_mps), to_mph(law.bare_speed_mps)) == pytest.approx((15, 15))
    assert law.speed_because == "made 2"


def test_what_a_chained_pass_costs_is_the_sum_by_hand(planned: Any) -> None:
    """Hang 4 chains 40 min, remove 20 min; 20 km of bare road at 20 mph and 10 km of snow at 25 mph, not 62 mph."""
    route = make_route(stops=STOPS)
    plan = planned(route, make_weather(route, snow_between(30e3, 40e3)))
    (stretch,) = plan.stretches
    assert (stretch.chain_up.distance_m, stretch.chain_off.distance_m) == (25e3, 55e3)
    fast, bare, snow = (1 / to_mps(v) for v in (62.0, 20.0, 25.0))
    slow_s = 20e3 * (bare - fast) + 10e3 * (snow - fast)
    assert plan.arrivals is not None
    chained_s = (plan.arrivals.chained_at - plan.arrive_unhindered).total_seconds()
    assert chained_s == pytest.approx(2400 + 1200 + slow_s, rel=0.005)
    unchained_s = 10e3 * (2 * fast - fast)  # half speed on the snow
    p = plan.chain_probability
    assert 0.5 < p < 1.0
    assert plan.cost_s == pytest.approx(p * chained_s + (1.0 - p) * unchained_s, rel=0.01)
    assert (stretch.hang_s, stretch.remove_s) == (2400.0, 1200.0)
    assert (stretch.chain_up.leave_at - stretch.chain_up.arrive_at).total_seconds() == 2400
    unchained_on_snow = 2 * fast  # half speed (CDL manual 2.6.2), which is what chains are slower than
    assert stretch.slow_s == pytest.approx(slow_s - 10e3 * (unchained_on_snow - fast), rel=0.01)


def test_a_bar_on_the_rig_is_hold_with_its_reason(planned: Any) -> None:
    route = make_route(stops=STOPS)
    rules = {"US-XX": make_rules(barred="no trailers while posted")}
    plan = planned(route, make_weather(route, snow_between(30e3, 40e3)), rules=rules)
    assert plan.advice is Advice.HOLD
    assert "This rig may not pass while it is posted: no trailers while posted" in plan.stretches[0].reasons


def test_glaze_on_a_steep_climb_is_hold(planned: Any) -> None:
    """Chained on ice 0.08 * 2 on 0.425 of the weight climbs 0.068 - 0.01 of grade (standards.md D6's formula)."""
    route = make_route(grade=0.06, stops=[])
    weather = make_weather(route, lambda m, d, h: np.where(d > 45e3, RoadClass.GLAZE, RoadClass.DRY))
    plan = planned(route, weather)
    assert plan.advice is Advice.HOLD
    assert plan.stretches[0].grip_short_chained_frac == 1.0


def test_one_sample_stretch_at_the_start_has_its_jurisdiction(planned: Any) -> None:
    route = make_route(stops=STOPS)
    plan = planned(route, make_weather(route, lambda m, d, h: np.where(d < 100.0, RoadClass.SNOW, RoadClass.DRY)))
    assert [s.jurisdictions for s in plan.stretches] == [("US-XX",)]


def test_the_arrival_window_holds_the_arrival(planned: Any) -> None:
    route = make_route(150e3, stops=STOPS)
    z = np.linspace(-1.6, 1.6, 11)
    plan = planned(route, make_weather(route, snow_between(30e3, 40e3), members=11, clock_z=z))
    assert plan.arrive_early < plan.arrive_at < plan.arrive_late
    taken_s = (plan.arrive_at - plan.depart_at).total_seconds()
    sigma_s = 600 + 0.1 * taken_s
    assert (plan.arrive_late - plan.arrive_at).total_seconds() == pytest.approx(1.28 * sigma_s, rel=0.01)
