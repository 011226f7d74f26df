"""What drivers saw of the road: snow and ice make the plan "ready", a bare or wet road eases nothing."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from alertd.plan.controls.road_seen import RoadSeen, Sight, phases_of, place_seen
from alertd.plan.make_plan import make_plan
from alertd.plan.model.notes import PositionFix
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.params import PlanParams
from alertd.plan.request import PlanRequest, TripInput
from alertd.planning.weather import FetchedWeather, WeatherSources, Window, ask_sources, compute_weather
from alertd.road.lane.block import SPIN_UP_H
from alertd.road.nearby import phase_logit
from alertd.testing.factories import make_rig, make_route, make_rules
from tests.planning.test_weather import Made

NOW = datetime(2027, 1, 14, 6, tzinfo=UTC)
ROAD = make_route(60_000.0)
PLACE = ROAD.distance_m.size // 2  # mi 19
WINDOW = Window(start=NOW, end=NOW + timedelta(hours=8), now=NOW)
MADE: dict[float, FetchedWeather] = {}


async def weather(air_c: float, snow: float = 0.0) -> FetchedWeather:
    if air_c not in MADE:
        made = Made(name="made", temp_c=air_c, precip_mmwe_h=snow)
        sources = WeatherSources(providers=[made], members=6, seed=1, stale_h=6.0)
        MADE[air_c] = compute_weather(await ask_sources(ROAD, WINDOW, sources), sources)
    return MADE[air_c]


def seen(sight: Sight, **changes: Any) -> RoadSeen:
    north_km = changes.pop("north_km", 0.0)
    lat_deg = float(ROAD.lat_deg[PLACE]) + north_km / 111.2
    one = RoadSeen(
        sight=sight, at=NOW - timedelta(minutes=30), lat_deg=lat_deg, lon_deg=float(ROAD.lon_deg[PLACE]),
        where="Made Summit",
    )  # fmt: skip
    return replace(one, **changes)


def plan(fetched: FetchedWeather, *reports: RoadSeen, compare_h: float = 0.0, **trip: Any) -> Plan:
    asked = TripInput(id="T", depart_at=NOW, seen=place_seen(ROAD, reports), **trip)
    params = PlanParams(compare_h=compare_h)
    return make_plan(PlanRequest(asked, ROAD, make_rig(), {"US-XX": make_rules()}, fetched.weather, params, NOW))


@pytest.mark.parametrize(
    ("sight", "words"),
    [
        (Sight.ICE, "ice"), (Sight.SNOW, "snow"), (Sight.SNOW_FALLS, "snow falling"),
        (Sight.FREEZING_RAIN_FALLS, "freezing rain"),
    ],
)  # fmt: skip
async def test_snow_or_ice_seen_makes_a_clear_plan_ready(sight: Sight, words: str) -> None:
    fine = await weather(14.0)
    assert plan(fine).advice is Advice.CLEAR
    warned = plan(fine, seen(sight), compare_h=2.0)
    assert (warned.advice, warned.partial) == (Advice.READY, False)
    line = f"A driver saw {words} at Made Summit, mi 19 on Wed 21:30 PST: be ready to chain"
    assert line in warned.cautions
    assert not warned.departures  # judged by the forecast alone, they would read as a way around


@pytest.mark.parametrize("sight", [Sight.BARE, Sight.WET, Sight.RAIN_FALLS, Sight.NOTHING_FALLS])
async def test_a_bare_or_wet_road_is_shown_and_eases_nothing(sight: Sight) -> None:
    for fetched in (await weather(14.0), await weather(-4.0, 8.0)):
        without, shown = plan(fetched), plan(fetched, seen(sight))
        assert (shown.advice, shown.cautions, shown.stretches) == (
            without.advice, without.cautions, without.stretches,
        )  # fmt: skip
        assert "eases nothing" in shown.input_notes[0]
    both = plan(await weather(14.0), seen(Sight.ICE), seen(sight, at=NOW))
    assert both.advice is Advice.READY


@pytest.mark.parametrize(
    ("changes", "counts"),
    [
        ({"north_km": 9.9}, True), ({"north_km": 10.1}, False), ({"at": NOW - timedelta(hours=2, minutes=30)}, True),
        ({"at": NOW - timedelta(hours=3)}, False),
    ],
)  # fmt: skip
async def test_a_report_counts_within_10_km_and_3_h(changes: dict[str, Any], counts: bool) -> None:
    warned = plan(await weather(14.0), seen(Sight.ICE, **changes))
    assert (warned.advice is Advice.READY) == counts


async def test_a_report_behind_the_truck_says_nothing() -> None:
    start = replace(seen(Sight.ICE), lat_deg=float(ROAD.lat_deg[0]), lon_deg=float(ROAD.lon_deg[0]))
    placed = place_seen(ROAD, [start])[0]
    assert (placed.start_m, placed.at_m) == (0.0, 0.0)
    assert placed.end_m == pytest.approx(10_000.0, abs=300.0)
    fine = await weather(14.0)
    assert plan(fine, start).advice is Advice.READY
    beyond = PositionFix(at=NOW, distance_m=12_000.0, offset_m=0.0)
    assert plan(fine, start, fix=beyond).advice is Advice.CLEAR


async def test_a_chain_order_is_not_lowered_by_what_is_seen() -> None:
    storm = await weather(-4.0, 8.0)
    assert plan(storm).advice.rank > Advice.READY.rank
    for sight in Sight:
        assert plan(storm, seen(sight)).advice is plan(storm).advice


async def test_many_reports_are_a_few_lines() -> None:
    reports = [seen(Sight.ICE, at=NOW - timedelta(minutes=n)) for n in range(1, 9)]
    lines = [c for c in plan(await weather(14.0), *reports).cautions if "driver" in c]
    assert len(lines) == 4
    assert lines[-1] == "5 more reports of the road by drivers"


async def test_snow_seen_counts_as_snow_near_it_and_nothing_as_rain() -> None:
    """At +3 °C the phase is open: snow or ice seen raises the share of snow, a bare or wet road nothing."""
    made = Made(name="made", temp_c=3.0, precip_mmwe_h=1.0)
    sources = WeatherSources(providers=[made], members=20, seed=1, stale_h=6.0)
    answers = await ask_sources(ROAD, WINDOW, sources)

    def snowfall_mmwe(*reports: RoadSeen) -> float:
        phases = phases_of(place_seen(ROAD, reports), ROAD)
        field = compute_weather(answers, sources, phases).weather.corridor.field
        return float(np.nansum(field.snowfall_mmwe_h[:, :, SPIN_UP_H : SPIN_UP_H + 3]))

    without = snowfall_mmwe()
    assert without > 0.0
    for sight in (Sight.SNOW, Sight.ICE, Sight.SNOW_FALLS):
        assert snowfall_mmwe(seen(sight)) > 1.02 * without
        assert snowfall_mmwe(seen(sight), seen(Sight.BARE, at=NOW)) > 1.02 * without
    for sight in (Sight.BARE, Sight.WET, Sight.RAIN_FALLS, Sight.FREEZING_RAIN_FALLS, Sight.NOTHING_FALLS):
        assert snowfall_mmwe(seen(sight)) == without
    both = snowfall_mmwe(seen(Sight.SNOW_FALLS), seen(Sight.RAIN_FALLS, at=NOW))
    assert without <= both < snowfall_mmwe(seen(Sight.SNOW_FALLS))
    assert snowfall_mmwe(seen(Sight.SNOW, at=NOW - timedelta(hours=4))) == without


async def test_snow_seen_400_m_higher_says_nothing_of_this_road() -> None:
    placed = place_seen(ROAD, [seen(Sight.SNOW)])
    (evidence,) = phases_of(placed, ROAD)
    cell = np.array([evidence.lat_deg]), np.array([evidence.lon_deg])
    hour = np.array([evidence.epoch_s + 1800.0])
    for lower_m, counts in ((200.0, True), (400.0, False)):
        at = phase_logit([evidence], *cell, np.array([evidence.elevation_m - lower_m]), hour)
        assert (at is not None) == counts
