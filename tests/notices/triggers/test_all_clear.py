"""Silence is never to be read as clear: one message where no chains are expected, one where no plan could be made."""

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest
from jsonschema import Draft202012Validator

from alertd.i18n import ALL_ENGLISH, ENGLISH, LANGUAGES, Language
from alertd.notices.model import Audience
from alertd.notices.policy import Policy
from alertd.notices.sent_state import fact_of
from alertd.notices.text import gsm7
from alertd.notices.triggers.all_clear import all_clear, all_clear_text
from alertd.notices.triggers.unplanned import to_driver, unplanned_text
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.sources.files.translations import load_translator
from alertd.testing.event_schema import strict_event_schema
from alertd.testing.factories import at_hour

Saying = Callable[..., Plan]
HOUR = timedelta(hours=1)
ZONE = "America/Denver"
AWAKE = replace(Policy(), quiet_from=Policy().quiet_to)  # no quiet hours
SCHEMA = strict_event_schema()
every_language = pytest.mark.parametrize("language", LANGUAGES)


@pytest.fixture
def clear(saying: Saying) -> Plan:
    """Two passes without snow, planned at 03:00 UTC for a departure at 06:00 UTC."""
    plan = saying()
    bare = np.zeros_like(np.asarray(plan.along.winter_frac))
    return replace(plan, along=replace(plan.along, winter_frac=bare), bridges=(), made_at=at_hour(3), depart_zone="UTC")


def sent_at(plan: Plan, now: datetime, policy: Policy = AWAKE) -> list[Audience]:
    return [n.audience for n in all_clear(plan, (), now, policy, ALL_ENGLISH)]


def test_a_clear_trip_gets_one_message_that_says_as_of_when(clear: Plan) -> None:
    (notice,) = all_clear(clear, (), at_hour(3), AWAKE, ALL_ENGLISH)
    again = replace(clear, id="plan_" + "0" * 32, made_at=at_hour(4))
    (same,) = all_clear(again, (), at_hour(4), AWAKE, ALL_ENGLISH)
    assert notice.id == same.id
    assert "no chains expected, as of 03:00 UTC. Next look by 03:30 UTC" in notice.text
    assert "Signs+officers decide" in notice.text
    assert "Forecast" in notice.text
    Draft202012Validator(SCHEMA).validate(json.loads(notice.body))


@pytest.mark.parametrize(
    "change",
    [
        {"partial": True},
        {"posted_missing": True},
        {"sources": ()},
        {"advice": Advice.READY},
        {"made_at": at_hour(0)},
    ],
    ids=str,
)
def test_data_in_doubt_or_any_other_advice_is_never_called_clear(clear: Plan, change: dict[str, object]) -> None:
    assert sent_at(clear, at_hour(3)) == [Audience.DRIVER]
    assert sent_at(replace(clear, **change), at_hour(3)) == []


def test_a_winter_road_without_chains_is_not_called_clear(clear: Plan) -> None:
    assert sent_at(replace(clear, advice=Advice.SLOW), at_hour(3)) == []


def test_who_was_told_of_chains_gets_relief_in_other_words(clear: Plan, saying: Saying) -> None:
    result = fact_of(saying(Advice.CHAIN).stretches[0])
    assert all_clear(clear, (result,), at_hour(3), AWAKE, ALL_ENGLISH) == ()
    assert all_clear(clear, (replace(result, advice=Advice.CLEAR),), at_hour(3), AWAKE, ALL_ENGLISH) == ()


def test_it_comes_the_evening_before_and_not_in_quiet_hours(clear: Plan) -> None:
    """The trip leaves at 06:00; the message is due at 18:30 the evening before, quiet hours are 21:00 to 04:00."""
    policy = Policy()

    def at(hour: float) -> list[Audience]:
        return sent_at(replace(clear, made_at=at_hour(hour)), at_hour(hour), policy)

    assert [bool(at(hour)) for hour in (-6.0, -5.4, -3.1, -2.9, 3.9, 4.1)] == [False, True, True, False, False, True]


def test_once_under_way_the_office_passes_it_on(clear: Plan) -> None:
    under_way = replace(clear, made_at=at_hour(7))
    (notice,) = all_clear(under_way, (), at_hour(7), AWAKE, ALL_ENGLISH)
    assert notice.audience is Audience.DISPATCHER
    assert notice.text.startswith("PASS ON WHEN PARKED to Odalys Fenwright: ")
    (before,) = all_clear(clear, (), at_hour(3), AWAKE, ALL_ENGLISH)
    assert notice.id == before.id


@every_language
def test_both_messages_fit_two_segments_in_every_language(clear: Plan, language: Language) -> None:
    translator = load_translator(language, metric=False)
    long = replace(clear, route_name="Wren and Galena to the coast over two passes and a long bridge, northern way")
    text = all_clear_text(replace(long, made_at=at_hour(-4)), AWAKE, translator)
    assert gsm7.segments(text) <= 2
    unplanned = unplanned_text("T" * 64, at_hour(6), ZONE, translator)
    assert gsm7.segments(unplanned) <= 2
    assert text == gsm7.to_gsm7(text)
    if language != "en":
        assert "chains" not in text + unplanned


def test_a_trip_without_a_plan_is_told_to_its_driver_once() -> None:
    (first,) = to_driver("T-1", at_hour(20), ZONE, at_hour(14), Policy(), ENGLISH)
    (again,) = to_driver("T-1", at_hour(20), ZONE, at_hour(15), Policy(), ENGLISH)
    assert first.id == again.id
    assert first.audience is Audience.DRIVER
    assert first.text.startswith("BE READY TO CHAIN: no plan could be made for trip T-1, leaving ")
    Draft202012Validator(SCHEMA).validate(json.loads(first.body))


@pytest.mark.parametrize(("now_h", "result"), [(7.0, False), (9.0, False), (12.0, True), (20.5, False)])
def test_no_word_early_at_night_or_at_the_wheel(now_h: float, result: bool) -> None:
    """Leaves at 20:00 UTC; quiet hours in Denver end at 11:00 UTC."""
    assert bool(to_driver("T-1", at_hour(20), ZONE, at_hour(now_h), Policy(), ENGLISH)) is result


def test_who_leaves_within_the_night_is_woken_for_it() -> None:
    assert to_driver("T-1", at_hour(10), ZONE, at_hour(8), Policy(), ENGLISH)
    assert not to_driver("T-1", at_hour(10), ZONE, at_hour(6), Policy(), ENGLISH)
