"""What the law asks for besides chains reaches office and driver: the driver's text has it where no chains are asked.

The duty of the examples is invented; `tests/plan/describe/test_law.py` checks those of the shipped rules.
"""

from collections.abc import Callable
from dataclasses import replace

import pytest

from alertd.i18n import LANGUAGES, Language
from alertd.notices.policy import Policy
from alertd.notices.reports.brief_text import brief_text
from alertd.notices.text import gsm7
from alertd.notices.text.dispatcher import dispatcher_text
from alertd.notices.text.driver_sms import MAX_SEGMENTS
from alertd.notices.text.law_text import other_duties, other_duties_words
from alertd.notices.triggers.all_clear import all_clear_text
from alertd.notices.triggers.scheduled import outlook_text
from alertd.plan.model.law import DutyNote
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.sources.files.translations import load_translator
from alertd.testing.factories import at_hour, make_surface

Saying = Callable[..., Plan]
TIRES = DutyNote(kind="winter tires", text="winter tires on the drive axles (1 Nov to 1 Apr)")
MET = replace(TIRES, kind="winter tires met")
LANE = DutyNote(kind="restriction", text="right lane only on snow")
BARRED = DutyNote(kind="restriction", text="no trucks at all", grave=True)


def under(plan: Plan, *duties: DutyNote) -> Plan:
    return replace(plan, law=tuple(replace(land, duties=duties) for land in plan.law))


def test_duties_that_ask_for_something_are_named_once(saying: Saying) -> None:
    plan = under(saying(), TIRES, MET, LANE, BARRED)
    name = plan.law[0].name
    assert other_duties(plan) == [f"{name}: {TIRES.text}", f"{name}: {LANE.text}"]
    assert other_duties_words(plan) == f"Winter tires are law in {name}."
    assert other_duties_words(under(saying(), LANE)) == f"Other winter law in {name}: ask dispatch."
    assert other_duties_words(under(saying(), MET, BARRED)) == ""


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_text_without_chains_has_the_duty_and_fits(saying: Saying, language: Language) -> None:
    translator = load_translator(language)
    icy = replace(saying(), surfaces=(make_surface(),), advice=Advice.SLOW)
    for text in (
        outlook_text(under(icy, TIRES), translator),
        all_clear_text(under(saying(), TIRES), Policy(), translator),
    ):
        assert gsm7.to_gsm7(other_duties_words(under(saying(), TIRES), translator)) in text
        assert gsm7.segments(text) <= MAX_SEGMENTS


def test_an_order_to_chain_leaves_the_duty_to_page_and_office(saying: Saying) -> None:
    plan = under(saying(Advice.CHAIN), TIRES)
    assert "Winter tires" not in outlook_text(plan)
    assert f"Also law in {plan.law[0].name}: {TIRES.text}" in dispatcher_text(plan)
    brief = brief_text("Invented fleet", [plan], [], at_hour(3), "America/Denver")
    assert "WINTER LAW BESIDES CHAINS" in brief
    assert TIRES.text in " ".join(brief.split())


def test_the_outlook_has_the_most_tires_and_ice_apart(saying: Saying) -> None:
    """The likelier pass may ask for fewer tires; ice elsewhere is not at the passes."""
    plan = saying(Advice.READY, Advice.READY)
    first, last = plan.stretches
    likelier = replace(last, probability=0.9, hanging=replace(last.hanging, singles_n=first.hanging.singles_n - 2))
    mixed = replace(
        plan, stretches=(replace(first, probability=0.4), likelier), surfaces=(make_surface(start_m=60e3, end_m=80e3),)
    )
    text = outlook_text(mixed)
    assert f"{first.hanging.singles_n} tires to chain, chains 9 in 10" in text
    assert "BE READY TO CHAIN at Larch Pass, Tarn Pass, ICE mi 37-50." in text
