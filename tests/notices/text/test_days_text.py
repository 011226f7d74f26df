"""Words of a trip of several days, in each language of a driver."""

from dataclasses import replace
from datetime import timedelta

import pytest
from jsonschema import Draft202012Validator

from alertd.i18n import LANGUAGES, Language
from alertd.notices.formats.webhook_event import plan_event
from alertd.notices.model import NoticeKind
from alertd.notices.policy import Policy
from alertd.notices.text import days_text, gsm7
from alertd.notices.text.dispatcher import dispatcher_text
from alertd.notices.text.driver_sms import MAX_SEGMENTS
from alertd.notices.triggers.all_clear import all_clear_text
from alertd.notices.triggers.scheduled import outlook_text
from alertd.plan.days.notes import not_placed
from alertd.plan.hours.laws import AETR, CANADA, EU, SWISS, US
from alertd.plan.hours.limits import HoursUsed
from alertd.plan.make_plan import make_plan
from alertd.plan.model.days import DeliveryWindow, RestNote
from alertd.plan.model.plan import Plan
from alertd.plan.params import PlanParams
from alertd.plan.request import PlanRequest, TripInput
from alertd.road.road_class import RoadClass
from alertd.sources.files.translations import load_translator
from alertd.testing.event_schema import strict_event_schema
from alertd.testing.factories import MIDNIGHT, at_hour, make_rig, make_route, make_rules, make_stop, make_weather

every_language = pytest.mark.parametrize("language", LANGUAGES)


@pytest.fixture(scope="module")
def two_days() -> Plan:
    """A dry trip of 15 hours of driving, which needs one night."""
    stops = [make_stop(str(n), 40_000.0 * n) for n in range(1, 37)]
    route = make_route(1_500_000.0, spacing_m=2_000.0, stops=stops, start_lon_deg=-120.0)
    trip = TripInput(
        id="QT-1",
        depart_at=at_hour(6.0),
        used=HoursUsed(drive_h=0.0, on_duty_since=at_hour(6.0), cycle_h=0.0, since_break_h=0.0),
        delivery=DeliveryWindow(closes_at=at_hour(30.0)),
    )
    weather = make_weather(route, lambda m, d, h: int(RoadClass.DRY), hours=72, members=2, samples_a_column=8)
    rules = {"US-XX": make_rules()}
    return make_plan(PlanRequest(trip, route, make_rig(), rules, weather, PlanParams(compare_h=0.0), MIDNIGHT))


def night_of(plan: Plan) -> RestNote:
    assert plan.days is not None
    return next(x for x in plan.days.rests if x.kind == "rest")


@pytest.mark.parametrize(("language", "words"), [("es", "Descanso: "), ("fr", "Repos : ")])
def test_rests_are_in_the_drivers_language(two_days: Plan, language: Language, words: str) -> None:
    lines = days_text.rest_and_outlook_lines(two_days, load_translator(language))
    assert any(line.startswith(words) for line in lines)
    english = days_text.rest_and_outlook_lines(two_days)
    assert not set(lines) & set(english)
    for word in ("SLEEP", "BREAK", "Rest", "late by", "to spare", "Delivery"):
        assert any(word in line for line in english) or word in ("late by", "to spare", "BREAK")
        assert not any(word in line for line in lines)


@pytest.mark.parametrize("language", ["es", "fr"])
def test_each_part_of_a_rest_line_is_translated(two_days: Plan, language: Language) -> None:
    translator, night = load_translator(language), night_of(two_days)
    for room, english in (("town", "room not known"), ("unlisted", "listed place")):
        at = RestNote(**{n: getattr(night, n) for n in RestNote.__slots__} | {"room": room, "pass_ahead": "Made Pass"})
        assert english in days_text.rest_line(at)
        assert english not in days_text.rest_line(at, translator)
        assert "Made Pass" in days_text.rest_line(at, translator)
    waits = RestNote(**{n: getattr(night, n) for n in RestNote.__slots__} | {"wait_s": 5_400.0})
    assert "waits 1 h 30 min more than the law requires" in days_text.rest_line(waits)
    assert "1 h 30 min" in days_text.rest_line(waits, translator)
    assert "the law" not in days_text.rest_line(waits, translator)


@every_language
def test_the_text_before_rolling_names_the_next_rest(two_days: Plan, language: Language) -> None:
    translator = load_translator(language)
    text = all_clear_text(two_days, Policy(), translator)
    assert gsm7.segments(text) <= MAX_SEGMENTS
    assert gsm7.to_gsm7(days_text.next_rest_words(two_days, 26, translator)) in text
    eve = outlook_text(two_days, translator)
    assert gsm7.segments(eve) <= MAX_SEGMENTS


def test_the_next_rest_is_no_break(two_days: Plan) -> None:
    night = night_of(two_days)
    words = days_text.next_rest_words(two_days, 26)
    assert night.place in words
    assert night.ends_at - night.begins_at >= timedelta(hours=10)  # 49 CFR 395.3(a)(1)


def test_missing_hours_and_what_is_not_placed_are_said(two_days: Plan) -> None:
    assert two_days.days is not None
    weekly = "the weekly rest is not placed"
    plan = replace(two_days, days=replace(two_days.days, asks=("cycle_hours_used",), not_placed=(weekly,)))
    first, later = (" ".join(dispatcher_text(plan, asks=asks).split()) for asks in (True, False))
    assert "Hours not given count as unused: give cycle_hours_used with the trip" in first
    assert "cycle_hours_used" not in later
    assert "Hours not given count as unused" in later
    assert all(f"Not in this plan: {weekly}" in text for text in (first, later))


def test_what_a_law_asks_and_no_plan_places_is_said() -> None:
    # SOR/2005-313, section 25, from memory: 24 h off duty in 14 days. The weekly rest of Regulation (EC) 561/2006,
    # Article 8(6), is part of the plan. 49 CFR 395.3 has no such rest.
    assert not_placed([US, EU, SWISS, AETR]) == ()
    (canada,) = not_placed([CANADA, CANADA])
    assert "section 25" in canada


def test_the_event_of_a_trip_of_several_days_is_valid(two_days: Plan) -> None:
    schema = strict_event_schema()
    event = plan_event("ntc_" + "0" * 32, NoticeKind.PLAN, two_days, MIDNIGHT)
    assert event["data"]["plan"]["days"]["rests"]
    Draft202012Validator(schema).validate(event)


def test_hours_are_asked_once_on_a_short_clear_trip() -> None:
    route = make_route(200_000.0, spacing_m=2_000.0, start_lon_deg=-120.0)
    trip = TripInput(id="QT-1", depart_at=at_hour(6.0))
    weather = make_weather(route, lambda m, d, h: int(RoadClass.DRY), members=2, samples_a_column=8)
    plan = make_plan(
        PlanRequest(trip, route, make_rig(), {"US-XX": make_rules()}, weather, PlanParams(compare_h=0.0), MIDNIGHT)
    )
    assert plan.stretches == ()
    first, later = (" ".join(dispatcher_text(plan, asks=asks).split()) for asks in (True, False))
    assert first.count("hours driven before") == 1
    assert "hours driven before" not in later


def test_choices_say_time_worse_future_law_and_chains(two_days: Plan) -> None:
    assert two_days.days is not None
    lines = days_text.choice_lines(two_days)
    assert len(lines) == len(two_days.days.choices)
    for line, choice in zip(lines, two_days.days.choices, strict=True):
        assert choice.worse_at is None or choice.worse_at >= choice.arrive_at
        assert "no legal way" in line or all(x in line for x in ("arrives", "9 in 10 by", "legal", "chains"))
