"""The truck's own chain stops move its clock, and so the road that it meets."""

import numpy as np
import pytest

from alertd.plan.chain_up.solution import Solution, best_solution
from alertd.plan.model.stretches import Advice
from alertd.plan.params import PlanParams
from alertd.plan.request import Weather
from alertd.plan.road_ahead.hourly_need import hourly_need_for
from alertd.road.road_class import RoadClass
from alertd.route.model import Route
from alertd.route.stops import StopKind
from alertd.testing.factories import at_hour, make_rig, make_route, make_rules, make_stop, make_weather

PARAMS = PlanParams()
STOPS = [make_stop(n, m) for n, m in (("a", 10e3), ("b", 45e3), ("c", 150e3), ("d", 190e3))]


def run(route: Route, weather: Weather, chance: float = 0.6, depart_h: float = 6.0) -> Solution:
    rules = {"US-XX": make_rules(chance=chance)}
    hourly_need = hourly_need_for(route, make_rig(), rules, weather.corridor, PARAMS, at_hour(0).timestamp())
    return best_solution(hourly_need, at_hour(depart_h).timestamp(), PARAMS)


def first_pass_and_later_storm(onset_h: int, chance: float):  # type: ignore[no-untyped-def]
    """Snow at km 20 to 40 at all hours, and at km 160 to 180 from an hour of the field on."""
    route = make_route(200e3, stops=STOPS)
    weather = make_weather(
        route,
        lambda _, d, h: np.where(
            ((d >= 20e3) & (d <= 40e3)) | ((d >= 160e3) & (d <= 180e3) & (h >= onset_h)), RoadClass.SNOW, RoadClass.DRY
        ),
    )
    return run(route, weather, chance), route


def test_storm_between_unchained_and_chained_arrival_is_found() -> None:
    """Unchained, km 160 comes at 8.0 h and the storm rounds to 9 h; hanging and removal cost 60 min and the chained

    running more, so that the truck is there after 9 h.
    """
    unchained, route = first_pass_and_later_storm(onset_h=99, chance=0.2)
    assert 6 + unchained.reach_s(180e3) / 3600 < 8.5
    assert [route.distance_m[x.first] for x in unchained.legs] == [20e3]
    chained, route = first_pass_and_later_storm(onset_h=9, chance=0.6)
    assert 6 + chained.reach_s(160e3) / 3600 >= 8.5
    assert [route.distance_m[x.first] for x in chained.legs] == [20e3, 160e3]


def test_storm_met_only_after_a_forced_chain_up_is_found() -> None:
    """At 20 % the plan keeps the unchained clock, but the control may be posted and the driver an hour later."""
    result, route = first_pass_and_later_storm(onset_h=9, chance=0.2)
    assert result.stopped_times == ()
    assert result.later_road
    assert 6 + result.reach_s(180e3) / 3600 < 8.5
    assert [(route.distance_m[x.first], x.driven) for x in result.legs] == [(20e3, False), (160e3, False)]
    assert (result.road_class[:, route.distance_m == 170e3] == RoadClass.SNOW).all()


def test_stretch_chained_in_a_later_round_moves_the_clock() -> None:
    """On a dry road km 37 comes before half past six; slowed by the snow before it, after, when more members have snow.

    The same stretch then passes from 42 % to 60 %, and the clock must hold its hanging time, or every later
    arrival is most of an hour early.
    """
    route = make_route(200e3, stops=STOPS)

    def script(member, d, h):  # type: ignore[no-untyped-def]
        lying = (d >= 20e3) & (d <= 40e3) & (member < 7)
        later = (d >= 37e3) & (d <= 40e3) & (h >= 7)
        return np.where(lying | later, RoadClass.SNOW, RoadClass.DRY)

    result = run(route, make_weather(route, script, members=10), chance=0.6, depart_h=6.07)
    (leg,) = result.legs
    assert leg.probability == pytest.approx(0.6)
    assert leg.driven
    assert list(result.stopped_times) == [(10e3, leg.hang_s), (45e3, PARAMS.remove_s)]


@pytest.mark.parametrize("chance", [0.2, 0.6, 1.0])
@pytest.mark.parametrize("onset_h", [7, 8, 9, 10])
def test_every_chained_leg_of_a_run_stands_in_its_clock(chance: float, onset_h: int) -> None:
    result, _ = first_pass_and_later_storm(onset_h, chance)
    expected = [(m, s) for x in result.legs if x.driven for m, s in ((x.on_m, x.hang_s), (x.off_m, 1200.0))]
    assert list(result.stopped_times) == expected


def test_snow_that_chaining_up_would_miss_is_still_chained_for() -> None:
    """Snow at km 155 in the eighth hour only: the truck meets it, and after hanging chains for it no longer does.

    It may not be run unchained, for who does not stop is there in the eighth hour.
    """
    route = make_route(200e3, stops=STOPS)
    weather = make_weather(
        route, lambda _, d, h: np.where((d >= 155e3) & (d <= 180e3) & (h == 8), RoadClass.SNOW, RoadClass.DRY)
    )
    result = run(route, weather, chance=0.9, depart_h=6.6)
    assert list(result.stopped_times) == [(150e3, result.legs[0].hang_s), (190e3, PARAMS.remove_s)]


def test_the_clock_is_the_sum_of_moving_and_standing() -> None:
    result, route = first_pass_and_later_storm(onset_h=99, chance=0.6)
    moving = float(result.moving_s[-1])
    assert result.reach_s(route.length_m) == pytest.approx(moving + 2400.0 + 1200.0)
    assert result.reach_s(10e3) == pytest.approx(float(np.interp(10e3, result.sections.edge_m, result.moving_s)))


def test_four_chains_take_forty_minutes() -> None:
    """Our own assumption after standards.md D5: 10 min a chain, at least 30; no agency or study value exists."""
    result, _ = first_pass_and_later_storm(onset_h=99, chance=0.6)
    assert [x.hang_s for x in result.legs] == [2400.0]


def test_poor_place_shows_its_fault_and_the_second_choice(planned) -> None:  # type: ignore[no-untyped-def]
    """A turnout for two at km 50 beats 30 km more chained on bare road: 38 min slower and 15 of wear, against 30."""
    poor = make_stop("t", 50e3, kind=StopKind.TURNOUT, spaces=2, name="Narrow Pullout")
    route = make_route(120e3, stops=[make_stop("a", 20e3, name="Far Plaza"), poor, make_stop("d", 90e3)])
    weather = make_weather(route, lambda _, d, h: np.where((d >= 55e3) & (d <= 80e3), RoadClass.SNOW, RoadClass.DRY))
    (stretch,) = planned(route, weather, rules={"US-XX": make_rules(chance=0.9)}).stretches
    assert stretch.chain_up.stop_id == "t"
    assert stretch.chain_up.reason.startswith("the best listed before the snow, but small; next best is Far Plaza, ")
    assert "23 min worse all told: 38 min longer at chained speed, more wear on bare road" in stretch.chain_up.reason


def slick(until_h: int):  # type: ignore[no-untyped-def]
    """Glaze at km 45 to 60 of a 6 % climb until an hour of the field, snow behind it."""

    def script(_, d, h):  # type: ignore[no-untyped-def]
        return np.where(d < 45e3, RoadClass.DRY, np.where(h < until_h, RoadClass.GLAZE, RoadClass.SNOW))

    return script


def test_hold_ends_with_the_first_hour_a_chained_rig_can_climb(planned) -> None:  # type: ignore[no-untyped-def]
    """Chained on glaze 0.05 * 2 of 0.425 climbs 4 %, on snow 0.2 * 1.5 of it 12 % (standards.md D6's formula)."""
    route = make_route(60e3, grade=0.06)
    (held,) = planned(route, make_weather(route, slick(until_h=11))).stretches
    assert (held.advice, held.hold_until) == (Advice.HOLD, at_hour(11))
    assert held.enter_at < held.hold_until


def test_a_hold_without_end_in_the_forecast_has_none(planned) -> None:  # type: ignore[no-untyped-def]
    route = make_route(60e3, grade=0.06)
    (held,) = planned(route, make_weather(route, slick(until_h=99))).stretches
    assert (held.advice, held.hold_until) == (Advice.HOLD, None)
    (chained,) = planned(route, make_weather(route, slick(until_h=0))).stretches
    assert (chained.advice, chained.hold_until) == (Advice.CHAIN, None)


def test_a_lull_of_one_hour_ends_no_hold(planned) -> None:  # type: ignore[no-untyped-def]
    route = make_route(60e3, grade=0.06)

    def script(_, d, h):  # type: ignore[no-untyped-def]
        clear = (h == 10) | (h >= 14)
        return np.where(d < 45e3, RoadClass.DRY, np.where(clear, RoadClass.SNOW, RoadClass.GLAZE))

    (held,) = planned(route, make_weather(route, script)).stretches
    assert held.hold_until == at_hour(14)


def test_a_bar_ends_when_it_is_no_longer_likely(planned) -> None:  # type: ignore[no-untyped-def]
    route = make_route(60e3, stops=STOPS[:2])
    weather = make_weather(route, lambda _, d, h: np.where((d > 20e3) & (h < 12), RoadClass.SNOW, RoadClass.DRY))
    rules = {"US-XX": make_rules(barred="no trailers while posted")}
    (held,) = planned(route, weather, rules=rules).stretches
    assert (held.advice, held.hold_until) == (Advice.HOLD, at_hour(12))
