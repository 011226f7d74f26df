"""Reasons to wait: ice over a long way, gusts and no sight; where and until when to wait, and no arrival before it."""

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from typing import Any

import numpy as np
import pytest

from alertd.forecast.model import WEATHER_FIELDS
from alertd.notices.headline import arrival, headlines
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.request import Weather
from alertd.road.road_class import RoadClass
from alertd.rules.rig import Axle, AxleRole, Rig
from alertd.testing.factories import MIDNIGHT, at_hour, make_rig, make_route, make_rules, make_stop, make_weather
from alertd.units import MILE_M, to_mps

FLAT = make_route(160e3, stops=[make_stop("a", 30e3), make_stop("b", 120e3)])
RULES = {"US-XX": make_rules(chance=0.0)}
HOURS = 48


def icy(from_m: float, to_m: float, members: int = 10, until_h: int = 20) -> Callable[..., Any]:
    """Glaze between two places in so many of ten members, until an hour of the field."""
    return lambda m, d, h: np.where(
        (d >= from_m) & (d <= to_m) & (m < members) & (h < until_h), RoadClass.GLAZE, RoadClass.DRY
    )


def windy(weather: Weather, gust_mps: Any = np.nan, sight_m: Any = np.nan) -> Weather:
    """The same pavement, with gusts and sight broadcast over (member, cell, hour)."""
    shape = (weather.corridor.field.road_class.shape[0], 1, HOURS + 1)
    fields: dict[str, Any] = {n: np.full(shape, np.nan) for n in WEATHER_FIELDS if n != "precip_form"}
    fields |= {"gust_mps": np.array(np.broadcast_to(gust_mps, shape), dtype=np.float64)}
    fields |= {"visibility_m": np.array(np.broadcast_to(sight_m, shape), dtype=np.float64)}
    fields["precip_form"] = np.zeros(shape, dtype=np.int8)
    start = MIDNIGHT - timedelta(hours=1)
    return replace(weather, forecast=replace(weather.forecast, start=start, **fields))


def dry(m: Any, d: Any, h: Any) -> Any:
    return RoadClass.DRY + 0 * (m + d.astype(np.int64) + h)


def triples() -> Rig:
    """A tractor with three short trailers, loaded."""
    one = make_rig()
    more = [Axle(unit=u, role=AxleRole.TRAILER, dual=True, load_kg=8_000.0) for u in (2, 3)]
    return replace(one, axles=(*one.axles, *more))


@pytest.mark.parametrize(("miles", "advice"), [(19.0, Advice.SLOW), (25.0, Advice.HOLD)])
def test_ice_over_twenty_miles_is_a_hold(planned: Callable[..., Plan], miles: float, advice: Advice) -> None:
    """Common practice, no source: nobody starts an hour and a half at a crawl with no place to leave the road."""
    weather = make_weather(FLAT, icy(50e3, 50e3 + miles * MILE_M), hours=HOURS)
    assert planned(FLAT, weather, rules=RULES, compare_h=0.0).advice is advice


def test_ice_in_too_few_members_is_no_hold(planned: Callable[..., Plan]) -> None:
    weather = make_weather(FLAT, icy(50e3, 110e3, members=2), hours=HOURS)
    plan = planned(FLAT, weather, rules=RULES, compare_h=0.0)
    assert (plan.advice, plan.hold) == (Advice.SLOW, None)


def test_hold_names_the_stop_before_it_and_when_to_look(planned: Callable[..., Plan]) -> None:
    """The ice is gone from hour 20 of the field, 21:00: from there it takes a dry road's time from km 50 to km 160."""
    weather = make_weather(FLAT, icy(50e3, 110e3, until_h=20), hours=HOURS)
    plan = planned(FLAT, weather, rules=RULES, compare_h=0.0)
    assert plan.hold is not None
    assert (plan.hold.wait.stop_id, plan.hold.at_start) == ("a", False)
    assert plan.hold.until == at_hour(20)
    drive_h = 110e3 / to_mps(62.0) / 3600.0
    assert plan.hold.not_before is not None
    assert abs(plan.hold.not_before - at_hour(20 + drive_h)) < timedelta(minutes=2)
    assert min(plan.arrive_at, plan.arrive_early, plan.arrive_late) >= plan.hold.not_before
    assert headlines(plan)[0].startswith("HOLD: lie over at Stop a")
    assert arrival(plan).startswith("not before")


def test_ice_from_the_start_is_do_not_start(planned: Callable[..., Plan]) -> None:
    plan = planned(FLAT, make_weather(FLAT, icy(0.0, 80e3), hours=HOURS), rules=RULES, compare_h=0.0)
    assert plan.hold is not None
    assert plan.hold.at_start
    assert headlines(plan)[0].startswith("HOLD: do not start")


def test_no_end_within_the_forecast_is_no_arrival_in_it(planned: Callable[..., Plan]) -> None:
    plan = planned(FLAT, make_weather(FLAT, icy(50e3, 110e3, until_h=99), hours=HOURS), rules=RULES, compare_h=0.0)
    assert plan.hold is not None
    assert (plan.hold.until, plan.hold.not_before) == (None, None)
    assert plan.arrive_at >= at_hour(HOURS)


@pytest.mark.parametrize(
    ("gust_mph", "rig", "advice"),
    [
        (49.0, "empty", Advice.CLEAR),
        (51.0, "empty", Advice.SLOW),  # Wyoming DOT warns light trailers off above 50 mph
        (61.0, "empty", Advice.HOLD),  # and closes the road to them from 60 mph
        (81.0, "triples", Advice.HOLD),  # 36 m/s
        (51.0, "loaded", Advice.CLEAR),
        (66.0, "loaded", Advice.SLOW),
        (81.0, "loaded", Advice.SLOW),
        (91.0, "loaded", Advice.HOLD),
    ],
)
def test_gusts_by_rig(planned: Callable[..., Plan], gust_mph: float, rig: str, advice: Advice) -> None:
    rigs = {"loaded": make_rig(), "empty": replace(make_rig(), gross_mass_kg=15_000.0), "triples": triples()}
    weather = windy(make_weather(FLAT, dry, hours=HOURS), gust_mps=to_mps(gust_mph))
    plan = planned(FLAT, weather, rules=RULES, rig=rigs[rig], compare_h=0.0)
    assert plan.advice is advice
    assert bool(headlines(plan)) == (advice is not Advice.CLEAR)


@pytest.mark.parametrize(("gust_mph", "mass_kg"), [(51.0, 15_000.0), (66.0, 36_000.0)])
def test_snow_lowers_the_limit_of_gusts(planned: Callable[..., Plan], gust_mph: float, mass_kg: float) -> None:
    """Wyoming DOT: control is harder on slick roads (no figure); how much lower is ours."""
    snow = make_weather(FLAT, lambda m, d, h: RoadClass.SNOW + 0 * (m + d.astype(np.int64) + h), hours=HOURS)
    rig = replace(make_rig(), gross_mass_kg=mass_kg)
    plan = planned(FLAT, windy(snow, gust_mps=to_mps(gust_mph)), rules=RULES, rig=rig, compare_h=0.0)
    assert plan.advice is Advice.HOLD


def test_refrozen_ice_counts_by_half(planned: Callable[..., Plan]) -> None:
    def refrozen(miles: float) -> Weather:
        end_m = 30e3 + miles * MILE_M
        ice = lambda m, d, h: np.where((d >= 30e3) & (d <= end_m), RoadClass.ICE, RoadClass.DRY) + 0 * (m + h)  # noqa: E731
        return make_weather(FLAT, ice, hours=HOURS)

    advice = [planned(FLAT, refrozen(x), rules=RULES, compare_h=0.0).advice for x in (30.0, 50.0)]
    assert advice == [Advice.SLOW, Advice.HOLD]


@pytest.mark.parametrize(("sight_m", "advice"), [(150.0, Advice.HOLD), (700.0, Advice.SLOW), (2_000.0, Advice.CLEAR)])
def test_sight_of_a_blizzard_is_a_hold(planned: Callable[..., Plan], sight_m: float, advice: Advice) -> None:
    """NWS glossary: a blizzard has sight below a quarter mile, 402 m."""
    weather = windy(make_weather(FLAT, dry, hours=HOURS), sight_m=sight_m)
    assert planned(FLAT, weather, rules=RULES, compare_h=0.0).advice is advice


def test_hold_for_wind_ends_when_the_gusts_do(planned: Callable[..., Plan]) -> None:
    gust = np.where(np.arange(HOURS + 1) < 15, 36.0, 5.0)
    plan = planned(
        FLAT,
        windy(make_weather(FLAT, dry, hours=HOURS), gust_mps=gust),
        rules=RULES,
        rig=triples(),
        depart_h=8.0,
        compare_h=36.0,
    )
    assert plan.hold is not None
    assert plan.hold.until == at_hour(15)
    assert next(d for d in plan.departures if d.depart_at == at_hour(8)).advice is Advice.HOLD
    assert next(d for d in plan.departures if d.depart_at == at_hour(16)).advice is Advice.CLEAR
    assert all(p.departure.advice is not Advice.HOLD for p in plan.picks)
    assert plan.picks


def test_wind_that_is_not_known_holds_nobody(planned: Callable[..., Plan]) -> None:
    plan = planned(FLAT, make_weather(FLAT, dry, hours=HOURS), rules=RULES, compare_h=0.0)
    assert (plan.advice, plan.hold) == (Advice.CLEAR, None)
