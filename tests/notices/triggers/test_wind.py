"""Wind and poor sight reach the driver as cautions with place, hours and what to do, and end when they end.

What a driver does in wind or whiteout is common practice, no source.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from alertd.i18n import ENGLISH, Translator
from alertd.notices.model import Audience, Notice
from alertd.notices.policy import Policy
from alertd.notices.sent_state import SentFact, facts_from_plain, facts_to_plain
from alertd.notices.text import gsm7
from alertd.notices.triggers import wind
from alertd.notices.triggers.plan_changes import plan_notices
from alertd.notices.upheld import upheld, upheld_words
from alertd.plan.model.notes import ClosureNote, PositionFix
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.settings.languages import Languages
from alertd.testing.factories import IMMEDIATE_POLICY, at_hour

Saying = Callable[..., Plan]
BEFORE = at_hour(3)


def gusts(
    start_m: float = 60e3, end_m: float = 90e3, *, ends_h: float | None = 12.0, held: bool = False
) -> ClosureNote:
    return ClosureNote(
        what="Gusts too strong for this rig" if held else "Strong gusts", source="our forecast", where="",
        start_m=start_m, end_m=end_m, zone="America/Denver", enter_at=at_hour(7), leave_at=at_hour(7.5),
        begins_at=at_hour(6), ends_at=None if ends_h is None else at_hour(ends_h), met=True, held=held, posted=False,
        kind="wind", probability=0.72, detail="up to 58 mph", worst=26.0,
    )  # fmt: skip


def blind() -> ClosureNote:
    return replace(gusts(), what="Poor sight", kind="sight", worst=600.0, detail="down to 600 m")


def with_wind(plan: Plan, *notes: ClosureNote) -> Plan:
    least = Advice.HOLD if any(n.held for n in notes) else Advice.SLOW if notes else plan.advice
    return replace(plan, closures=notes, advice=max(plan.advice, least, key=lambda a: a.rank))


class Talk:
    def __init__(self, policy: Policy = IMMEDIATE_POLICY) -> None:
        self.policy = policy
        self.facts: tuple[SentFact, ...] | None = None

    def hear(self, plan: Plan, now: datetime = BEFORE) -> Sequence[Notice]:
        notices, facts = plan_notices(plan, self.facts, now, self.policy)
        self.facts = facts_from_plain(facts_to_plain(facts))
        return notices

    def driver(self, plan: Plan, now: datetime = BEFORE) -> list[str]:
        return [n.text for n in self.hear(plan, now) if n.audience is Audience.DRIVER]


def test_the_driver_reads_where_when_and_what_to_do(saying: Saying) -> None:
    (text,) = Talk().driver(with_wind(saying(), gusts()))
    assert text.startswith("STRONG GUSTS mi 37-56 of this trip, 00:00-00:30 MST: gusts to 58 mph, 7 in 10.")
    assert "park off the road if it moves you" in text
    assert "Over by about 05:00 MST" in text
    (text,) = Talk().driver(with_wind(saying(), blind()))
    assert text.startswith("POOR SIGHT mi 37-56 of this trip")
    assert "Never stop on the road" in text


@pytest.mark.parametrize("language", ["en", "es", "fr"])
@pytest.mark.parametrize("note", [gusts(), gusts(ends_h=None), blind()], ids=["wind", "no end", "sight"])
def test_it_fits_two_segments_in_every_language(saying: Saying, language: str, note: ClosureNote) -> None:
    translator: Translator = Languages(driver="land", office="en", units="land").translators_for(language).driver
    plan = with_wind(saying(), note)
    for text in (wind.caution_text(plan, note, translator), wind.end_text(plan, wind.caution_facts(note), translator)):
        assert gsm7.to_gsm7(text) == text
        assert gsm7.segments(text) <= 2
        assert language == "en" or wind.what_to_do(note, ENGLISH) not in text


def test_it_is_sent_once_and_again_only_when_it_lasts_longer(saying: Saying) -> None:
    talk = Talk()
    assert len(talk.driver(with_wind(saying(Advice.CHAIN), gusts()))) == 2
    assert talk.driver(with_wind(saying(Advice.CHAIN), gusts(62e3, 91e3, ends_h=12.5))) == []
    assert len(talk.driver(with_wind(saying(Advice.CHAIN), gusts(ends_h=14)))) == 1
    assert len(talk.driver(with_wind(saying(Advice.CHAIN), gusts(ends_h=14), gusts(130e3, 150e3)))) == 1


def test_its_end_is_sent_and_never_on_missing_data(saying: Saying) -> None:
    talk = Talk()
    talk.hear(with_wind(saying(), gusts()))
    lost = replace(saying(), partial=True)
    assert talk.driver(lost) == []
    (row,) = [r for r in upheld(lost, talk.facts or (), BEFORE) if wind.is_caution(r)]
    assert "Strong gusts" in upheld_words(row, lost, BEFORE)
    assert "ICE" not in upheld_words(row, lost, BEFORE)
    (text,) = talk.driver(saying())
    assert text.startswith("EASED: strong gusts mi 37-56 of this trip is no longer expected")
    assert talk.driver(saying()) == []


def test_a_caution_that_becomes_a_hold_does_not_ease(saying: Saying) -> None:
    talk = Talk()
    talk.hear(with_wind(saying(), gusts()))
    (text,) = talk.driver(with_wind(saying(), gusts(held=True)))
    assert text.startswith("HOLD")
    texts = talk.driver(with_wind(saying(), gusts()), BEFORE + timedelta(hours=1))
    assert any("no longer holds you" in t for t in texts)
    assert not any(t.startswith("EASED: strong gusts") for t in texts)


def test_wind_behind_the_truck_is_no_news(saying: Saying) -> None:
    plan = replace(saying(), position=PositionFix(at=at_hour(8), distance_m=95e3, offset_m=0.0))
    assert Talk().driver(with_wind(plan, gusts()), at_hour(8)) == []
