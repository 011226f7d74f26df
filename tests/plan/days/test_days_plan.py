"""Plans of trips of several days on a made road: rests in the clock of every later mile, outlook and delivery."""

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest
from numpy.typing import ArrayLike

from alertd.forecast.model import WEATHER_FIELDS
from alertd.notices.text import days_text
from alertd.plan.days.days_plan import end_cautions
from alertd.plan.days.notes import over_words
from alertd.plan.hours.legal import Violation
from alertd.plan.hours.limits import HoursUsed
from alertd.plan.make_plan import make_plan
from alertd.plan.model.days import DeliveryWindow
from alertd.plan.model.notes import PositionFix
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.params import PlanParams
from alertd.plan.position.map_match import Stood
from alertd.plan.request import PlanRequest, TripInput
from alertd.road.road_class import RoadClass
from alertd.route.model import Route, Summit
from alertd.testing.factories import (
    MIDNIGHT,
    Script,
    at_hour,
    make_rig,
    make_route,
    make_rules,
    make_stop,
    make_weather,
)

LONG_M = 1_500_000.0  # 15.1 h of driving at 62 mph: one night
ROUTE = make_route(
    LONG_M,
    spacing_m=1_000.0,
    stops=[make_stop(str(n), 40_000.0 * n) for n in range(1, 37)],
    summits=[Summit(distance_m=1_300_000.0, elevation_m=900.0, prominence_m=500.0, name="Made Pass")],
    start_lon_deg=-120.0,
)
FRESH = HoursUsed(drive_h=0.0, on_duty_since=at_hour(6.0), cycle_h=0.0, since_break_h=0.0)


def plan_at(script: Script, now_utc: datetime) -> Plan:
    """The plan of a departure at hour 30, made at some time before it."""
    return plan_of(script, hours=110, depart_h=30.0, now_utc=now_utc)


def plan_of(
    script: Script,
    *,
    hours: int = 72,
    depart_h: float = 6.0,
    delivery: DeliveryWindow | None = None,
    now_utc: datetime = MIDNIGHT,
    route: Route = ROUTE,
    gust_mps: ArrayLike = np.nan,
) -> Plan:
    weather = make_weather(route, script, hours=hours, members=6, samples_a_column=4)
    shape = (6, 1, hours)
    known = {n: np.full(shape, np.nan) for n in WEATHER_FIELDS if n != "precip_form"}
    known["gust_mps"] = np.array(np.broadcast_to(gust_mps, shape))
    return make_plan(
        PlanRequest(
            trip=TripInput(
                id="QT-1",
                depart_at=at_hour(depart_h),
                used=FRESH if depart_h == 6.0 else HoursUsed(),
                delivery=delivery,
            ),
            route=route,
            rig=make_rig(),
            rulesets={"US-XX": make_rules()},
            weather=replace(
                weather,
                forecast=replace(
                    weather.forecast,
                    fetched_at=now_utc,
                    issued_at=now_utc,
                    precip_form=np.zeros(shape, np.int8),
                    **known,
                ),
            ),
            params=PlanParams(compare_h=0.0),
            now_utc=now_utc,
        )
    )


def dry(member: object, distance_m: object, hour: object) -> int:
    return int(RoadClass.DRY)


@pytest.fixture(scope="module")
def plain() -> Plan:
    return plan_of(dry)


def test_a_night_is_part_of_the_way(plain: Plan) -> None:
    # 49 CFR 395.3: 15.1 h of driving need one rest of 10 h, and in the 11 h of a day one break of 30 min.
    assert plain.days is not None
    kinds = [x.kind for x in plain.days.rests]
    assert kinds.count("rest") == 1
    assert kinds.count("break") <= 2
    assert plain.days.legal
    assert plain.hours is not None
    assert plain.hours.ok
    assert all(x.room == "listed" for x in plain.days.rests)
    stood = sum((x.ends_at - x.begins_at for x in plain.days.rests), timedelta())
    drive = LONG_M / PlanParams().cruise_mps
    assert plain.arrive_at - plain.depart_at - stood == pytest.approx(
        timedelta(seconds=drive), abs=timedelta(minutes=1)
    )


def test_rests_are_no_delay_against_a_dry_road(plain: Plan) -> None:
    assert abs(plain.cost_s) <= 120.0


def test_later_miles_are_met_after_the_night(plain: Plan) -> None:
    assert plain.days is not None
    night = next(x for x in plain.days.rests if x.kind == "rest")
    behind = [p for p in plain.along.points if p.distance_m > night.distance_m + 1_000.0]
    assert behind[0].arrive_at >= night.ends_at


def test_the_road_behind_the_night_has_its_own_hour() -> None:
    # Snow near the end that falls until hour 20: without the night the truck would be there at hour 20.
    def script(member: object, distance_m: np.ndarray, hour: np.ndarray) -> np.ndarray:
        snow = (distance_m > 1_350_000.0) & (distance_m < 1_450_000.0) & (hour < 24)
        return np.where(snow, int(RoadClass.SNOW), int(RoadClass.DRY))

    plan = plan_of(script)
    assert plan.days is not None
    assert not plan.stretches
    assert plan.advice is Advice.CLEAR


def test_the_night_is_longer_where_the_storm_ends_then() -> None:
    # The pass is closed for chains in every member until hour 44; a dry road has the truck there at hour 33.
    def script(member: object, distance_m: np.ndarray, hour: np.ndarray) -> np.ndarray:
        snow = (distance_m > 1_250_000.0) & (distance_m < 1_480_000.0) & (hour < 38)
        return np.where(snow, int(RoadClass.GLAZE), int(RoadClass.DRY))

    plan = plan_of(script)
    assert plan.days is not None
    assert sum(x.wait_s for x in plan.days.rests) >= 3_600.0
    assert plan.days.legal
    naive = next(x for x in plan.days.choices if x.kind == "naive")
    assert naive.cost_s > 0.0


def _steep_road() -> Route:
    at = np.arange(0.0, LONG_M + 500.0, 1_000.0)
    return make_route(
        LONG_M,
        grade=np.where((at > 1_300_000.0) & (at < 1_312_000.0), 0.07, 0.0),
        spacing_m=1_000.0,
        stops=ROUTE.stops,
        summits=ROUTE.summits,
        start_lon_deg=-120.0,
    )


def _glaze_on_the_grade(from_h: float, until_h: float) -> Script:
    def script(member: object, distance_m: np.ndarray, hour: np.ndarray) -> np.ndarray:
        icy = (distance_m > 1_296_000.0) & (distance_m < 1_316_000.0) & (hour >= from_h) & (hour < until_h)
        return np.where(icy, int(RoadClass.GLAZE), int(RoadClass.DRY))

    return script


def test_a_grade_too_slick_for_chains_is_slept_out() -> None:
    # 12 km of 7 %, shorter than the ice that stops every truck. The law alone has the truck there about hour 31.
    plan = plan_of(_glaze_on_the_grade(0.0, 36.0), route=_steep_road())
    assert plan.days is not None
    assert plan.advice is not Advice.HOLD
    assert sum(x.wait_s for x in plan.days.rests) >= 3_600.0
    assert plan.days.legal
    naive = next(x for x in plan.days.choices if x.kind == "naive")
    assert naive.cost_s > 4 * 3_600.0


def test_a_grade_that_freezes_later_is_passed_before() -> None:
    dry_plan = plan_of(dry, route=_steep_road())
    plan = plan_of(_glaze_on_the_grade(34.0, 72.0), route=_steep_road())
    assert plan.days is not None
    assert plan.advice is not Advice.HOLD
    assert plan.arrive_at <= dry_plan.arrive_at + timedelta(minutes=30)


def test_gusts_too_strong_for_the_rig_are_slept_out() -> None:
    # The law alone sends the truck on about hour 27. Gusts of 45 m/s stop every rig with a van (`PlanParams`).
    hour = np.arange(72)
    plan = plan_of(dry, gust_mps=np.where((hour >= 24) & (hour < 34), 45.0, 5.0))
    assert plan.days is not None
    assert not any(c.held for c in plan.closures)
    assert sum(x.wait_s for x in plan.days.rests) >= 3_600.0


def test_a_pass_beyond_48_hours_is_an_outlook() -> None:
    # Departure at hour 30: the snow is reached about hour 54, beyond the good forecast.
    def script(member: object, distance_m: np.ndarray, hour: np.ndarray) -> np.ndarray:
        snow = (distance_m > 1_290_000.0) & (distance_m < 1_310_000.0)
        return np.where(snow, int(RoadClass.SNOW), int(RoadClass.DRY))

    plan = plan_of(script, hours=110, depart_h=30.0)
    assert plan.days is not None
    assert plan.stretches == ()
    assert plan.surfaces == ()
    (note,) = plan.days.outlook
    assert (note.place, note.odds) == ("Made Pass", "likely")
    assert note.latest_at - note.earliest_at >= timedelta(hours=6)
    assert note.probability is not None
    assert note.probability < 0.6  # drawn towards the base
    assert plan.advice is Advice.READY
    assert plan.singles_needed == 4
    assert note.decided_at < note.earliest_at


def test_a_trip_without_any_forecast_names_no_end_of_it() -> None:
    days = plan_of(dry, hours=20).days
    assert days is not None
    assert "when the truck is about mile" in end_cautions(days, "America/Denver")[0]
    assert end_cautions(replace(days, forecast_ends_m=0.0), "America/Denver") == ()


@pytest.mark.parametrize(("over_s", "words"), [(0.0, "not kept"), (1.0, "over by 1 min"), (3600.0, "over by 60 min")])
def test_hours_over_a_limit_never_read_as_zero(over_s: float, words: str) -> None:
    assert over_words(Violation(kind="break", section="7", over_s=over_s, at_s=0.0, at_m=0.0)) == words


def test_a_forecast_that_ends_on_the_way_is_never_clear() -> None:
    plan = plan_of(dry, hours=20)
    assert plan.days is not None
    assert plan.days.forecast_ends_at == at_hour(20.0)
    assert plan.advice is Advice.READY
    assert plan.partial
    assert any("The forecast ends" in c for c in plan.cautions)


def test_a_short_trip_has_no_days() -> None:
    route = make_route(300_000.0, spacing_m=1_000.0)
    request = PlanRequest(
        trip=TripInput(id="QT-1", depart_at=at_hour(6.0), used=FRESH),
        route=route,
        rig=make_rig(),
        rulesets={"US-XX": make_rules()},
        weather=make_weather(route, dry, members=2),
        params=PlanParams(compare_h=0.0),
        now_utc=MIDNIGHT,
    )
    assert make_plan(request).days is None


def test_delivery_says_how_late_the_truck_is(plain: Plan) -> None:
    closes = plain.arrive_at - timedelta(hours=3)
    plan = plan_of(dry, delivery=DeliveryWindow(closes_at=closes))
    assert plan.delivery is not None
    assert plan.delivery.late_s == pytest.approx(3 * 3600.0, abs=60.0)
    assert plan.delivery.late_probability is not None
    assert plan.delivery.late_probability > 0.9
    assert "late by 3 h 00 min" in days_text.delivery_line(plan)


def test_hours_not_given_are_asked_once() -> None:
    plan = plan_of(dry, depart_h=7.0, hours=90)
    assert plan.days is not None
    assert plan.days.asks == ("drive_hours_used", "on_duty_since", "cycle_hours_used")
    assert plan.hours is not None
    assert plan.hours.not_given == ()


def test_a_truck_that_has_slept_has_its_hours_again(plain: Plan) -> None:
    # Reported: driven 950 km, then stood for 10 h. The rest of the way takes 5.5 h: no other night, and all legal.
    left, woke = at_hour(6.0), at_hour(26.5)
    at_m = 950_000.0
    request = PlanRequest(
        trip=TripInput(
            id="QT-1",
            depart_at=left,
            used=FRESH,
            fix=PositionFix(at=woke, distance_m=at_m, offset_m=0.0),
            stood=(Stood(began_at=woke - timedelta(hours=10), ended_at=woke, distance_m=at_m),),
        ),
        route=ROUTE,
        rig=make_rig(),
        rulesets={"US-XX": make_rules()},
        weather=make_weather(ROUTE, dry, hours=72, members=2, samples_a_column=4),
        params=PlanParams(compare_h=0.0),
        now_utc=woke,
    )
    plan = make_plan(request)
    assert plan.days is None
    assert plan.hours is not None
    assert plan.hours.ok
    driving = next(x for x in plan.hours.limits if x.kind == "driving")
    assert driving.at_arrival_h == pytest.approx((LONG_M - at_m) / PlanParams().cruise_mps / 3600.0, abs=0.1)
