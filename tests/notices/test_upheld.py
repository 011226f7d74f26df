"""What was sent stays in sight while newer data are missing; a whole plan, or a truck past the place, ends that."""

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

import pytest

from alertd.notices.model import Audience
from alertd.notices.sent_state import SentFact
from alertd.notices.triggers.plan_changes import plan_notices
from alertd.notices.upheld import raised, upheld, upheld_words
from alertd.plan.model.notes import ClosureNote, PositionFix
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.settings.languages import Languages
from alertd.testing.factories import IMMEDIATE_POLICY, at_hour

CHAIN, READY, HOLD = Advice.CHAIN, Advice.READY, Advice.HOLD
Saying = Callable[..., Plan]
SENT_AT, NOW = at_hour(3), at_hour(4)


@pytest.fixture
def sent_facts(saying: Saying) -> tuple[SentFact, ...]:
    return plan_notices(saying(CHAIN, READY), None, SENT_AT, IMMEDIATE_POLICY)[1]


def seen(plan: Plan, facts: tuple[SentFact, ...]) -> Plan:
    return raised(plan, upheld(plan, facts, NOW), NOW)


@pytest.mark.parametrize("lost", [{"partial": True}, {"posted_missing": ("feed is down",)}])
def test_a_lost_stretch_keeps_what_was_sent(
    saying: Saying, sent_facts: tuple[SentFact, ...], lost: dict[str, object]
) -> None:
    plan = replace(saying(READY, READY), **lost)
    shown = seen(plan, sent_facts)
    assert (plan.advice, shown.advice) == (READY, CHAIN)
    assert [s.advice for s in shown.stretches] == [CHAIN, READY]
    assert shown.id == plan.id
    missing = "forecast is" if plan.partial else "reports are"
    assert re.fullmatch(rf"Larch Pass: CHAIN as of \d\d:\d\d \S+; newer {missing} missing\.", shown.cautions[0])
    assert shown.cautions[1:] == plan.cautions


def test_a_stretch_that_is_gone_keeps_its_advice(saying: Saying, sent_facts: tuple[SentFact, ...]) -> None:
    assert seen(saying(None, READY, partial=True), sent_facts).advice is CHAIN
    assert len(upheld(saying(None, None, partial=True), sent_facts, NOW)) == 2


def test_a_whole_plan_is_shown_as_it_is(saying: Saying, sent_facts: tuple[SentFact, ...]) -> None:
    plan = saying(READY, READY)
    assert seen(plan, sent_facts) is plan


def test_a_blizzard_stays_while_its_service_is_silent(saying: Saying) -> None:
    """Weather warnings have a service of their own: a whole forecast does not end a HOLD for one."""
    warning = ClosureNote(
        what="Blizzard Warning", source="NWS", where="", start_m=80e3, end_m=90e3, zone="America/Denver",
        enter_at=at_hour(7), begins_at=at_hour(1), ends_at=None, met=True, held=True, posted=False,
    )  # fmt: skip
    held = replace(saying(), closures=(warning,), advice=HOLD, warnings_known=True)
    sent = plan_notices(held, None, SENT_AT, IMMEDIATE_POLICY)[1]
    silent = saying()
    assert seen(silent, sent).advice is HOLD
    answered = replace(silent, warnings_known=True)
    assert seen(answered, sent) is answered


def test_a_graver_plan_is_shown_as_it_is(saying: Saying, sent_facts: tuple[SentFact, ...]) -> None:
    plan = saying(HOLD, CHAIN, partial=True)
    assert seen(plan, sent_facts) is plan


def test_what_the_truck_has_passed_is_not_upheld(saying: Saying, sent_facts: tuple[SentFact, ...]) -> None:
    plan = saying(None, READY, partial=True)
    past = replace(plan, position=PositionFix(at=NOW, distance_m=100e3, offset_m=0.0))
    assert seen(past, sent_facts) is past
    assert upheld(plan, sent_facts, plan.arrive_late + timedelta(minutes=1)) == ()


def test_other_news_on_lost_data_do_not_lower_the_order(saying: Saying, sent_facts: tuple[SentFact, ...]) -> None:
    """A second pass turns worse while the first is lost: neither the office nor the fleet reads less than CHAIN."""
    plan = saying(READY, HOLD, partial=True)
    notices, after = plan_notices(replace(plan, advice=HOLD), sent_facts, NOW, IMMEDIATE_POLICY)
    (office,) = [n for n in notices if n.audience is Audience.DISPATCHER]
    (fleet,) = [n for n in notices if n.audience is Audience.FLEET]
    assert "Larch Pass (US-XX): plan to chain" in " ".join(office.text.split())
    assert '"advice":"chain"' in fleet.body
    assert any(s.place == "Larch Pass" and s.advice is CHAIN for s in after)


@pytest.mark.parametrize(("language", "order"), [("en", "CHAIN"), ("es", "CADENAS"), ("fr", "CHAÎNES")])
def test_the_words_come_in_the_drivers_language(
    saying: Saying, sent_facts: tuple[SentFact, ...], language: str, order: str
) -> None:
    plan = saying(READY, READY, partial=True)
    (row,) = upheld(plan, sent_facts, NOW)
    words = upheld_words(row, plan, NOW, Languages().translators_for(language).driver)
    assert words.startswith(f"Larch Pass: {order} ")
