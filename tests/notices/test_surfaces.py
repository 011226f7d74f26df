"""Ice without chains: what of it is sent, what is not repeated, and when relief may be given."""

import json
import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime, time, timedelta
from typing import Any

import pytest

from alertd.i18n import LANGUAGES, Language
from alertd.notices.model import Audience, Notice
from alertd.notices.next_action import ActionKind, next_action
from alertd.notices.policy import Policy
from alertd.notices.sent_state import SentFact, facts_from_plain, facts_to_plain
from alertd.notices.surfaces import ice_text, thawed_text
from alertd.notices.text import gsm7
from alertd.notices.triggers.escalation import escalations
from alertd.notices.triggers.plan_changes import plan_notices
from alertd.notices.triggers.scheduled import ChainStatus, outlook_text, scheduled_notices
from alertd.plan.model.notes import PositionFix
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice, SurfaceStretch
from alertd.plan.serialize import canonical
from alertd.sources.files.translations import load_translator
from alertd.testing.factories import IMMEDIATE_POLICY, at_hour, make_surface

Saying = Callable[..., Plan]
CLEAR, SLOW, READY, CHAIN, HOLD = Advice


def with_ice(plan: Plan, *surfaces: SurfaceStretch, ice_frac: float = 0.0, **changes: Any) -> Plan:
    """The plan over this winter road, which is slow at least."""
    n = len(plan.along.distance_m)
    along = replace(plan.along, ice_frac=(0.9 if surfaces else ice_frac,) * n)
    advice = max(plan.advice, SLOW if surfaces else CLEAR, key=lambda a: a.rank)
    return replace(plan, surfaces=surfaces, along=along, advice=advice, **changes)


class Log:
    """A trip's plans one after another, with what stands as said kept as JSON, as the store keeps it."""

    def __init__(self, policy: Policy = IMMEDIATE_POLICY) -> None:
        self.policy = policy
        self.facts: tuple[SentFact, ...] | None = None

    def next(self, plan: Plan, now: datetime = at_hour(3)) -> tuple[Notice, ...]:  # noqa: B008 - a constant
        notices, facts = plan_notices(plan, self.facts, now, self.policy)
        self.facts = facts_from_plain(json.loads(canonical(facts_to_plain(facts))))
        assert self.facts == facts
        return notices

    def driver(self, plan: Plan, now: datetime = at_hour(3)) -> list[str]:  # noqa: B008 - a constant
        return [n.text for n in self.next(plan, now) if n.audience is Audience.DRIVER]


def kinds(notices: Sequence[Notice]) -> list[tuple[str, str]]:
    return [(n.kind.value, n.audience.value) for n in notices]


def test_ice_is_sent_to_driver_dispatcher_and_fleet_once(saying: Saying) -> None:
    log, plan = Log(), with_ice(saying(), make_surface())
    notices = log.next(plan)
    assert kinds(notices) == [("plan", "driver"), ("plan", "dispatcher"), ("plan", "fleet")]
    assert notices[0].text.startswith("ICE mi 0-38 of this trip, 23:00-01:00 MST. Max 15 mph")
    assert json.loads(notices[-1].body)["data"]["plan"]["advice"] == "slow"
    assert log.next(plan) == ()


def test_new_ice_is_worse_news(saying: Saying) -> None:
    log = Log()
    log.next(saying())
    assert kinds(log.next(with_ice(saying(), make_surface()))) == [
        ("worse", "driver"), ("worse", "dispatcher"), ("worse", "fleet"),
    ]  # fmt: skip


def test_frost_is_news_for_the_fleet_systems_alone(saying: Saying) -> None:
    log = Log()
    log.next(saying())
    frost = with_ice(saying(), make_surface(icy=False))
    assert kinds(log.next(frost)) == [("worse", "fleet")]
    assert log.next(frost) == ()
    assert kinds(log.next(saying())) == [("eased", "fleet")]
    assert kinds(log.next(frost)) == [("worse", "fleet")]


@pytest.mark.parametrize(
    ("end_m", "enter_h", "sent"), [(70e3, 6.0, False), (80e3, 6.0, True), (60e3, 6.9, False), (60e3, 7.0, True)]
)
def test_ice_that_grows_or_moves_by_little_is_no_news(saying: Saying, end_m: float, enter_h: float, sent: bool) -> None:
    log = Log()
    log.next(with_ice(saying(), make_surface()))
    assert bool(log.next(with_ice(saying(), make_surface(end_m=end_m, enter_h=enter_h)))) is sent


def test_ice_is_eased_once_and_comes_again(saying: Saying) -> None:
    log, icy = Log(), with_ice(saying(), make_surface())
    log.next(icy)
    (text,) = log.driver(with_ice(saying()))
    assert text.startswith("EASED: ice mi 0-38 of this trip is no longer expected")
    assert log.next(with_ice(saying())) == ()
    assert log.driver(icy)[0].startswith("ICE ")


def test_relief_waits_until_it_has_lasted_over_a_new_forecast(saying: Saying) -> None:
    log = Log(replace(IMMEDIATE_POLICY, ease_after=timedelta(hours=1), ease_alone_after=timedelta(hours=1)))
    log.next(with_ice(saying(), make_surface()))
    less = with_ice(saying())
    newer = replace(less, sources=tuple(replace(s, issued_at=at_hour(1.5)) for s in less.sources))
    assert log.driver(less, at_hour(3)) == []
    assert log.driver(less, at_hour(4.5)) == []
    assert len(log.driver(newer, at_hour(4.6))) == 1


@pytest.mark.parametrize("frac", [0.11, 0.3])
def test_ice_just_below_the_threshold_is_not_eased(saying: Saying, frac: float) -> None:
    log = Log(replace(IMMEDIATE_POLICY, ready_cleared_probability=0.1))
    log.next(with_ice(saying(), make_surface()))
    assert log.driver(with_ice(saying(), ice_frac=frac)) == []


def test_a_partial_plan_eases_no_ice(saying: Saying) -> None:
    log = Log()
    log.next(with_ice(saying(), make_surface()))
    assert log.next(with_ice(saying(partial=True))) == ()
    assert len(log.driver(with_ice(saying()))) == 1


def test_a_truck_on_the_ice_is_not_sent_relief_or_new_hours(saying: Saying) -> None:
    log = Log()
    log.next(with_ice(saying(), make_surface()))
    there = PositionFix(at=at_hour(7), distance_m=20e3, offset_m=0.0)
    rest = make_surface(start_m=20e3, enter_h=7.5)
    assert log.next(with_ice(saying(), rest, position=there), at_hour(7)) == ()
    assert log.driver(with_ice(saying(), position=there), at_hour(7)) == []


def test_less_chaining_over_ice_is_no_relief(saying: Saying) -> None:
    """Chains were to be hung at km 40 to 50; now the same road is ice without them."""
    log = Log()
    log.next(saying(CHAIN))
    texts = log.driver(with_ice(saying(), make_surface(start_m=30e3, end_m=60e3)))
    assert [t.split()[0] for t in texts] == ["ICE"]


def test_chains_eased_beside_ice_that_was_sent_repeat_the_ice(saying: Saying) -> None:
    log, ice = Log(), make_surface(start_m=30e3, end_m=60e3)
    log.next(with_ice(saying(CHAIN), ice))
    texts = log.driver(with_ice(saying(), ice))
    assert [t.split()[0] for t in texts] == ["ICE"]


def test_ice_wakes_a_driver_who_leaves_into_it(saying: Saying) -> None:
    """Quiet hours end after the trip leaves; what is not grave waits for them."""
    quiet = replace(IMMEDIATE_POLICY, quiet_from=time(0, 0), quiet_to=time(23, 59), quiet_yields=timedelta(hours=3))
    assert len(Log(quiet).driver(with_ice(saying(), make_surface()), at_hour(4))) == 1
    assert Log(quiet).driver(with_ice(saying(), make_surface()), at_hour(2)) == []
    assert Log(quiet).driver(saying(READY), at_hour(4)) == []


def test_held_back_ice_is_sent_later(saying: Saying) -> None:
    log, plan = Log(replace(IMMEDIATE_POLICY, driver_most_an_hour=0)), with_ice(saying(), make_surface())
    assert log.driver(plan) == []
    log.policy = IMMEDIATE_POLICY
    assert [t.split()[0] for t in log.driver(plan)] == ["ICE"]


def test_rows_of_an_older_store_are_read(saying: Saying) -> None:
    """A row as written before there was `slow`; ice is news beside it."""
    row = {
        "advice": "clear", "start_m": 0.0, "end_m": 1.0, "place": "", "stop_id": "a", "tires": "", "singles_short": 0,
        "at": "2027-01-14T05:00:00Z",
    }  # fmt: skip
    notices, _ = plan_notices(with_ice(saying(), make_surface()), facts_from_plain([row]), at_hour(3), IMMEDIATE_POLICY)
    assert kinds(notices)[0] == ("worse", "driver")


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("place", ["", "Fourth of July Pass and Lookout Pass"])
def test_ice_texts_fit_two_segments_in_every_language(saying: Saying, language: Language, place: str) -> None:
    translator, plan = load_translator(language), saying()
    old = replace(plan, rules=tuple(replace(r, aged=("is of 2003",)) for r in plan.rules))
    long = replace(make_surface(start_m=1_500e3, end_m=1_999e3), place=place, jurisdictions=("CA-BC",))
    surface = replace(long, zone="America/St_Johns")
    for text in (
        ice_text(old, (surface,), translator),
        *(thawed_text(old, r, translator) for r in facts_of(surface, old)),
    ):
        assert gsm7.segments(text) <= 2, text
    do = ice_text(old, (surface,), translator)
    assert re.search("9 (in|de|sur) 10", do)
    assert "km" in do if translator.metric else "15 mph" in do


def facts_of(surface: SurfaceStretch, plan: Plan) -> tuple[SentFact, ...]:
    _, facts = plan_notices(with_ice(plan, surface), None, at_hour(3), IMMEDIATE_POLICY)
    return tuple(r for r in facts if r.stop_id == "icy road")


def test_ice_is_sent_again_before_it_and_the_evening_before(saying: Saying) -> None:
    plan = with_ice(saying(), make_surface())
    _, facts = plan_notices(plan, None, at_hour(-5), IMMEDIATE_POLICY)
    (early,) = scheduled_notices(plan, facts, ChainStatus(), at_hour(4), Policy())
    assert (early.kind.value, early.text.split()[0]) == ("early", "ICE")
    assert scheduled_notices(plan, facts, ChainStatus(), at_hour(-3.5), Policy()) == ()
    assert "ICE, no chains expected, at mi 0-38" in outlook_text(plan)
    assert gsm7.segments(outlook_text(plan)) <= 2


def test_the_next_step_is_to_slow_down_for_ice(saying: Saying) -> None:
    plan = with_ice(saying(), make_surface())
    step = next_action(plan, ChainStatus(), None, at_hour(4))
    assert (step.step, step.surface, step.at) == (ActionKind.SLOW, plan.surfaces[0], at_hour(6))
    on_it = next_action(replace(plan, made_at=at_hour(6)), ChainStatus(), None, at_hour(7))
    assert (on_it.step, on_it.surface) == (ActionKind.SLOW, plan.surfaces[0])
    assert (
        next_action(replace(plan, partial=True, advice=READY), ChainStatus(), None, at_hour(7)).step is ActionKind.READY
    )


def test_a_chain_up_soon_after_the_ice_begins_comes_first(saying: Saying) -> None:
    plan = saying(CHAIN)
    (stop,) = (s for s in (next_action(plan, ChainStatus(), None, at_hour(4)),) if s.step is ActionKind.HANG)
    soon = replace(make_surface(), enter_at=stop.at - timedelta(minutes=18))
    first = next_action(with_ice(plan, soon), ChainStatus(), None, at_hour(4))
    assert first.step is ActionKind.HANG
    assert first.then[0].startswith("ICE ")
    early = replace(make_surface(), enter_at=stop.at - timedelta(minutes=48))
    first = next_action(with_ice(plan, early), ChainStatus(), None, at_hour(4))
    assert first.step is ActionKind.SLOW
    assert "chain, " in first.then[0]


def test_ice_that_nobody_confirmed_goes_to_the_dispatcher(saying: Saying) -> None:
    plan = with_ice(saying(), make_surface())
    notices, _ = plan_notices(plan, None, at_hour(3), IMMEDIATE_POLICY)
    late = escalations(plan, notices, (), at_hour(5), Policy())
    assert [n.audience for n in late] == [Audience.DRIVER, Audience.DISPATCHER]
    assert all("ICE mi 0-38" in n.text for n in late)


def test_a_slow_trip_without_a_run_is_not_called_clear(saying: Saying) -> None:
    step = next_action(replace(saying(), advice=SLOW), ChainStatus(), None, at_hour(4))
    assert (step.step, step.surface) == (ActionKind.SLOW, None)
