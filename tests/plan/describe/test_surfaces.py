"""Winter road without chains: found by members and length, flat or graded, and never called clear.

Weights and lengths are our own choice; that ice asks for a crawl is CDL manual 2.6.2 (FMCSA/AAMVA).
"""

import re
from dataclasses import replace
from datetime import timedelta
from typing import Any

import numpy as np
import pytest

from alertd.forecast.model import Forecast, PrecipForm
from alertd.notices.model import Audience
from alertd.notices.reports.brief_text import brief_text
from alertd.notices.triggers.plan_changes import plan_notices
from alertd.plan.make_plan import make_plan
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.params import PlanParams
from alertd.plan.request import PlanRequest, TripInput, Weather
from alertd.plan.road_ahead.hourly_need import Corridor
from alertd.road.corridor import member_quantiles, road_cells, run_corridor
from alertd.road.road_class import WORDS, RoadClass
from alertd.route.model import BridgeSpan, Route
from alertd.testing.factories import (
    IMMEDIATE_POLICY,
    MIDNIGHT,
    at_hour,
    make_rig,
    make_route,
    make_rules,
    make_stop,
    make_weather,
)
from alertd.units import MILE_M, to_mph

LENGTH_M = 100 * MILE_M
FLAT = make_route(LENGTH_M, stops=[make_stop("a", 5e3), make_stop("b", 120e3)], spacing_m=1_000.0)
HALF_M = 50 * MILE_M
MEMBERS = 31
ICE, GLAZE, RIME, SNOW, DRY, WET = (
    RoadClass.ICE, RoadClass.GLAZE, RoadClass.RIME, RoadClass.SNOW, RoadClass.DRY, RoadClass.WET
)  # fmt: skip
# No control is expected on ice of a flat road: the made rules post on snow alone.
RULES = {"US-XX": make_rules(classes=(RoadClass.SNOW,), chance=0.1)}


def sky(west_c: float, east_c: float, rain_mmh: float) -> Weather:
    """Two days dry and then steady rain, in two cells west and east of mile 50; below 0 C it freezes as it lands.

    The members differ by 0.5 K about the forecast.
    """
    hours, past = 84, 48
    shape = (MEMBERS, 2, hours)
    spread = 0.5 * np.random.default_rng(3).standard_normal((MEMBERS, 1, 1))
    air = np.array([west_c, east_c])[None, :, None] + np.broadcast_to(spread, shape)
    rain = np.where(np.arange(hours) >= past - 2, rain_mmh, 0.0) + np.zeros(shape)
    nothing = np.full(shape, np.nan)
    start = MIDNIGHT - timedelta(hours=past)
    forecast = Forecast(
        provider="made", licence="none needed", issued_at=MIDNIGHT, fetched_at=MIDNIGHT, start=start,
        lat_deg=np.full(2, 47.45), lon_deg=np.array([-116.2, -115.4]), elevation_m=np.full(2, 900.0),
        air_temp_c=air, rh_frac=np.full(shape, 0.7 if rain_mmh == 0.0 else 0.97), pressure_hpa=nothing,
        wind_mps=np.full(shape, 3.0), cloud_frac=np.ones(shape), shortwave_wm2=nothing, precip_mmwe_h=rain,
        precip_prob_frac=nothing, freezing_level_m=nothing, snow_level_m=nothing, gust_mps=nothing,
        visibility_m=nothing,
        precip_form=np.where((air < 0.0) & (rain > 0.0), PrecipForm.FREEZING, 0).astype(np.int8),
    )  # fmt: skip
    cell = (FLAT.distance_m > HALF_M).astype(int)
    cells = road_cells(FLAT.distance_m, FLAT.elevation_m, cell, FLAT.lat_deg, FLAT.lon_deg)
    quantiles = member_quantiles(MEMBERS, np.random.default_rng(1))
    field = run_corridor(forecast, cells, quantiles=quantiles)
    corridor = Corridor(cells=cells, field=field, clock_z=np.zeros(MEMBERS))
    return Weather(forecast=forecast, corridor=corridor)


@pytest.fixture(scope="module")
def freezing_rain() -> Weather:
    """-1.5 C and freezing rain on the first 50 miles, +5 C and rain beyond."""
    return sky(-1.5, 5.0, 1.0)


def trip(weather: Weather, depart_h: float, **params: Any) -> Plan:
    asked = TripInput(id=f"QT-{depart_h:.0f}", depart_at=at_hour(depart_h), driver="Odalys", dispatcher="office")
    return make_plan(
        PlanRequest(asked, FLAT, make_rig(), RULES, weather, PlanParams(compare_h=0.0, **params), at_hour(2))
    )


def reported(plan: Plan, audience: Audience) -> list[str]:
    notices, _ = plan_notices(plan, None, at_hour(3), IMMEDIATE_POLICY)
    return [n.text for n in notices if n.audience is audience]


@pytest.mark.parametrize("depart_h", [4.5, 6.0, 9.0, 14.0])
def test_ice_on_flat_road_is_slow_and_is_reported(freezing_rain: Weather, depart_h: float) -> None:
    plan = trip(freezing_rain, depart_h, ice_hold_m=1e6)
    assert (plan.advice, plan.stretches, plan.partial) == (Advice.SLOW, (), False)
    (ice,) = plan.surfaces
    assert (ice.icy, ice.chains_asked) == (True, False)
    assert ice.start_m == 0.0
    assert ice.end_m == pytest.approx(HALF_M, abs=2_000.0)
    assert ice.surfaces[0][0] in ("ice", "glaze")
    assert ice.probability > 0.9
    assert ice.enter_at == plan.depart_at
    assert to_mph(ice.speed_mps) == pytest.approx(15.0)  # CDL manual 2.6.2: a crawl; 15 mph is our figure for it
    (driver,) = reported(plan, Audience.DRIVER)
    span = r"ICE mi 0-5[01] of this trip, \d\d:\d\d-\d\d:\d\d P[SD]T\. "
    assert re.match(span + r"Max \d+ mph, .*(Ice|Glaze) (\d in 10|almost certain)\. ", driver)
    assert "Max 15 mph" in driver
    assert "No chain control expected there" in driver
    (office,) = reported(plan, Audience.DISPATCHER)
    assert "SLOW" in office
    assert "ICE (" in office
    assert "mi 0-5" in office
    (fleet,) = (n for n in plan_notices(plan, None, at_hour(3), IMMEDIATE_POLICY)[0] if n.audience is Audience.FLEET)
    assert '"advice":"slow"' in fleet.body
    assert '"icy":true' in fleet.body
    brief = brief_text("Example fleet", [plan], [], at_hour(3), "UTC")
    assert "1 trip: 1 slow" in brief
    assert "ice: max 15 mph" in brief
    assert re.search(r"(ICE|GLAZE) mi 0-5", brief)
    assert "mi 0-5" in brief
    assert "CLEAR" not in brief
    assert "NO WINTER ROAD" not in brief


def test_fifty_miles_of_glaze_is_do_not_start_for_everybody(freezing_rain: Weather) -> None:
    """One order, and not a speed beside it: driver, office, fleet and brief read the same hold."""
    plan = trip(freezing_rain, 6.0)
    assert plan.advice is Advice.HOLD
    (driver,) = reported(plan, Audience.DRIVER)
    assert re.match(r"HOLD: do not start\. Ice over a long way, mi 0-5[01], (\d in 10|almost certain)\. ", driver)
    assert "look again" in driver
    (office,) = reported(plan, Audience.DISPATCHER)
    assert "HOLD: do not start. Ice over a long way" in office
    (fleet,) = (n for n in plan_notices(plan, None, at_hour(3), IMMEDIATE_POLICY)[0] if n.audience is Audience.FLEET)
    assert '"advice":"hold"' in fleet.body
    assert '"at_start":true' in fleet.body
    brief = brief_text("Example fleet", [plan], [], at_hour(3), "UTC")
    assert "1 trip: 1 hold" in brief
    assert "HOLD: do not start. Ice over a long way" in brief
    assert "Arrives not before " in brief


@pytest.mark.parametrize(("air_c", "rain_mmh"), [(6.0, 1.0), (-4.0, 0.0)])
def test_rain_at_six_degrees_and_a_dry_cold_road_are_clear(air_c: float, rain_mmh: float) -> None:
    plan = trip(sky(air_c, air_c, rain_mmh), 6.0)
    assert (plan.advice, plan.surfaces, plan.stretches) == (Advice.CLEAR, (), ())
    assert reported(plan, Audience.DRIVER) == []
    assert reported(plan, Audience.DISPATCHER) == []


def between(first_m: float, last_m: float, there: RoadClass, share: float = 1.0, else_: RoadClass = DRY) -> Any:
    """`there` on this road in this share of ten members, dry elsewhere."""
    return lambda m, d, h: np.where((d >= first_m) & (d <= last_m) & (m < round(10 * share)), there, else_)


def on(planned: Any, script: Any, route: Route | None = None, deck: Any = None, **params: Any) -> Plan:
    route = route or make_route(stops=[make_stop("a", 2e3), make_stop("b", 55e3)])
    return planned(route, make_weather(route, script, deck=deck), rules=RULES, compare_h=0.0, **params)


@pytest.mark.parametrize(
    ("length_m", "share", "icy"),
    [(5e3, 1.0, True), (5e3, 0.3, True), (5e3, 0.2, False), (3_300.0, 1.0, True), (2_500.0, 1.0, False)],
)
def test_ice_is_reported_by_its_odds_and_over_two_miles(planned: Any, length_m: float, share: float, icy: bool) -> None:
    plan = on(planned, between(30e3, 30e3 + length_m, ICE, share))
    assert [s.icy for s in plan.surfaces if s.icy] == [True] * icy
    assert plan.advice is (Advice.SLOW if share >= 0.15 else Advice.CLEAR)
    assert bool(reported(plan, Audience.DRIVER)) is icy


def test_glaze_is_a_message_from_half_the_odds_of_ice(planned: Any) -> None:
    """A driver ignores a message of ice on every clear night; glaze covers all of a road and is not seen."""
    glaze = on(planned, between(30e3, 40e3, GLAZE, 0.2))
    ice = on(planned, between(30e3, 40e3, ICE, 0.2))
    assert [s.icy for s in glaze.surfaces] == [True]
    assert [s.icy for s in ice.surfaces] == [False]
    assert ice.advice is Advice.SLOW


@pytest.mark.parametrize(("share", "beside", "mph"), [(0.9, DRY, 15.0), (0.3, DRY, 31.0), (0.9, SNOW, 31.0)])
def test_likely_glaze_is_a_crawl_however_short(planned: Any, share: float, beside: RoadClass, mph: float) -> None:
    """CDL manual 2.6.2: a crawl on ice, half speed on snow. A mile of glaze in 25 of snow does not slow all of them."""

    def script(m: Any, d: Any, h: Any) -> Any:
        glazed = (d >= 30e3) & (d <= 31_600.0) & (m < round(10 * share))
        return np.where(glazed, GLAZE, np.where((d >= 10e3) & (d <= 50e3), beside, DRY)) + 0 * h

    (run,) = on(planned, script).surfaces
    assert not run.icy
    assert to_mph(run.speed_mps) == pytest.approx(mph, abs=0.5)


def test_patches_with_short_gaps_are_one_run(planned: Any) -> None:
    gaps = lambda m, d, h: np.where((d >= 10e3) & (d <= 40e3) & (d % 5e3 < 3e3), ICE, DRY)  # noqa: E731
    (ice,) = on(planned, gaps).surfaces
    assert ice.icy
    assert (ice.start_m, ice.end_m) == pytest.approx((10e3, 40e3), abs=3_000.0)


def test_ice_that_each_member_has_elsewhere_is_counted_by_member(planned: Any) -> None:
    """Each of ten members has 4 km of ice of its own: no place reaches the odds, the way as a whole does."""
    moving = lambda m, d, h: np.where((d >= 5e3 * m + 5e3) & (d < 5e3 * m + 9e3), ICE, DRY)  # noqa: E731
    plan = on(planned, moving)
    assert max(plan.along.winter_frac) == pytest.approx(0.1)
    assert plan.advice is Advice.SLOW
    (ice,) = plan.surfaces
    assert (ice.icy, ice.probability) == (True, 1.0)


@pytest.mark.parametrize("there", [RIME, RoadClass.SLUSH, SNOW])
def test_frost_or_snow_without_chains_is_slow_without_a_message(planned: Any, there: RoadClass) -> None:
    plan = on(planned, between(10e3, 40e3, there, 0.9))
    assert (plan.advice, plan.stretches) == (Advice.SLOW, ())
    (run,) = plan.surfaces
    assert (run.icy, run.surfaces[0]) == (False, (there.label, 0.9))
    assert reported(plan, Audience.DRIVER) == []
    brief = brief_text("Example fleet", [plan], [], at_hour(3), "UTC")
    assert f"{WORDS[there].upper()} mi 6-25" in brief


def test_short_icy_bridges_make_a_slow_trip_and_no_run(planned: Any) -> None:
    decks = [BridgeSpan(name=f"Deck {n}", start_m=2e3 * n, end_m=2e3 * n + 800.0) for n in range(2, 28)]
    plan = on(planned, lambda m, d, h: DRY, make_route(bridges=decks), deck=lambda m, d, h: ICE)
    assert (plan.advice, plan.surfaces, len(plan.bridges)) == (Advice.SLOW, (), 26)
    assert "bridges" in brief_text("Example fleet", [plan], [], at_hour(3), "UTC")


def test_a_stretch_with_chains_is_not_repeated_and_keeps_its_ice(planned: Any) -> None:
    grade = np.where((np.arange(241) >= 100) & (np.arange(241) <= 120), 0.06, 0.0)  # km 25 to 30: too steep for ice
    route = make_route(grade=grade, stops=[make_stop("a", 2e3), make_stop("b", 58e3)])
    plan = on(planned, between(10e3, 50e3, ICE), route, ice_hold_m=1e6)
    assert [s.start_m for s in plan.stretches] == pytest.approx([25e3], abs=1_500.0)
    assert [(s.icy, s.chains_asked) for s in plan.surfaces] == [(True, False), (True, True), (True, False)]
    texts = reported(plan, Audience.DRIVER)
    assert sorted(t.startswith("ICE") for t in texts) == [False, True]  # both runs of ice are one text
    (order,) = (t for t in texts if not t.startswith("ICE"))
    assert "ice" in order.lower()


def test_a_high_threshold_for_chains_hides_no_ice(planned: Any) -> None:
    plan = on(planned, between(10e3, 40e3, GLAZE, 0.4), ready_probability=0.45)
    assert (plan.advice, [s.icy for s in plan.surfaces]) == (Advice.SLOW, [True])


def test_a_partial_plan_stays_ready_and_names_the_ice(planned: Any) -> None:
    route = make_route()
    weather = replace(make_weather(route, between(10e3, 40e3, ICE)), partial=True)
    plan = planned(route, weather, rules=RULES)
    assert (plan.advice, [s.icy for s in plan.surfaces]) == (Advice.READY, [True])
    assert any(t.startswith("ICE") for t in reported(plan, Audience.DRIVER))


@pytest.mark.parametrize("there", [ICE, GLAZE, RIME, SNOW])
def test_another_departure_is_called_what_its_own_plan_is(planned: Any, there: RoadClass) -> None:
    """Ice or snow until hour 8: the compared departures agree with plans made for them."""
    route = make_route()
    until = lambda m, d, h: np.where((h < 8) & (d > 20e3), there, DRY)  # noqa: E731
    weather = make_weather(route, until)
    plan = planned(route, weather, rules=RULES, depart_h=6.0, compare_h=36.0)
    assert plan.advice is Advice.SLOW
    by_hour = {d.depart_at: d.advice for d in plan.departures}
    for hour in (5.0, 6.0, 8.0, 12.0):
        own = planned(route, weather, rules=RULES, depart_h=hour, compare_h=0.0)
        assert by_hour[at_hour(hour)] is own.advice
    assert {by_hour[at_hour(6)], by_hour[at_hour(12)]} == {Advice.SLOW, Advice.CLEAR}
    assert any("no winter road expected" in r for p in plan.picks for r in p.reasons)
