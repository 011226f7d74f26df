"""What is said of a closed road or a blizzard warning: once, again when its end moves, and relief only when sure."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from alertd.notices.model import Audience
from alertd.notices.reports.brief_text import brief_text
from alertd.notices.sent_state import SentFact, facts_from_plain, facts_to_plain
from alertd.notices.text import gsm7
from alertd.notices.text.dispatcher import dispatcher_text
from alertd.notices.triggers.closures import closure_text
from alertd.notices.triggers.plan_changes import plan_notices
from alertd.plan.model.notes import ClosureNote, PositionFix
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.testing.factories import IMMEDIATE_POLICY, at_hour

Saying = Callable[..., Plan]

SLIDE = ClosureNote(
    what="Road closed (slide)",
    source="the road authority",
    where="",
    start_m=80e3,
    end_m=90e3,
    zone="America/Denver",
    enter_at=at_hour(7),
    begins_at=at_hour(1),
    ends_at=at_hour(12),
    met=True,
    held=True,
    posted=True,
)
BLIZZARD = replace(SLIDE, what="Blizzard Warning", source="NWS Made", posted=False)


class Talk:
    def __init__(self, saying: Saying) -> None:
        self.saying = saying
        self.facts: tuple[SentFact, ...] | None = None
        self.ids: list[str] = []

    def driver(self, *notes: ClosureNote, now_h: float = 3.0, **changes: Any) -> list[str]:
        plan = replace(self.saying(), closures=notes, **changes)
        if any(n.held for n in notes):
            plan = replace(plan, advice=Advice.HOLD)
        notices, facts = plan_notices(plan, self.facts, at_hour(now_h), IMMEDIATE_POLICY)
        self.facts = facts_from_plain(facts_to_plain(facts))
        self.ids += [n.id for n in notices]
        return [n.text for n in notices if n.audience is Audience.DRIVER]


@pytest.fixture
def talk(saying: Saying) -> Talk:
    return Talk(saying)


def test_driver_is_notified_once_and_again_when_the_end_moves(talk: Talk) -> None:
    """Km 80 is mi 50; 12:00 and 07:00 UTC are 05:00 and 00:00 MST."""
    assert talk.driver() == []
    (first,) = talk.driver(SLIDE)
    assert first == (
        "HOLD below mi 50 of this trip: Road closed (slide), until Thu 14 Jan 05:00 MST. Says the road authority. "
        "You would be there 00:00 MST: stop before it, ask office. Signs+officers decide, rules change. Read parked."
    )
    assert talk.driver(SLIDE) == []
    assert talk.driver(replace(SLIDE, ends_at=at_hour(12.9))) == []
    (moved,) = talk.driver(replace(SLIDE, ends_at=at_hour(13)))
    assert "until Thu 14 Jan 06:00 MST" in moved
    (open_end,) = talk.driver(replace(SLIDE, ends_at=None))
    assert "no end given" in open_end


def test_relief_is_sent_once_and_a_repeated_closure_is_new(talk: Talk) -> None:
    talk.driver()
    talk.driver(SLIDE)
    (eased,) = talk.driver()
    assert eased.startswith("HOLD ENDED: Road closed (slide) no longer holds you")
    assert "Ask before you go" in eased
    assert talk.driver() == []
    assert len(talk.driver(SLIDE)) == 1
    assert len(set(talk.ids)) == len(talk.ids)


def test_no_relief_on_a_partial_plan_or_an_unconfirmed_warning(talk: Talk) -> None:
    talk.driver()
    talk.driver(SLIDE, BLIZZARD)
    assert talk.driver(partial=True) == []
    assert talk.driver() == [], "the warning may still hold the truck, so the end of the closure is no relief"
    (eased,) = talk.driver(warnings_known=True)
    assert eased.startswith("HOLD ENDED: Blizzard Warning")


def test_what_lies_behind_the_truck_is_no_relief(talk: Talk) -> None:
    talk.driver()
    talk.driver(SLIDE)
    here = PositionFix(at=at_hour(7), distance_m=85e3, offset_m=0.0)
    plan = replace(talk.saying(), position=here)
    assert plan_notices(plan, talk.facts, at_hour(7), IMMEDIATE_POLICY)[0] == ()


def test_chains_on_the_same_road_are_told_beside_it(talk: Talk, saying: Saying) -> None:
    talk.driver()
    talk.driver(replace(SLIDE, start_m=30e3, end_m=60e3))
    plan = replace(saying(Advice.CHAIN), closures=(replace(SLIDE, start_m=30e3, end_m=60e3),), advice=Advice.HOLD)
    notices, facts = plan_notices(plan, talk.facts, at_hour(3), IMMEDIATE_POLICY)
    (text,) = [n.text for n in notices if n.audience is Audience.DRIVER]
    assert text.startswith("HOLD STILL APPLIES until you hear that it ended. Then: PLAN TO CHAIN")
    assert len(facts) == 2


def test_a_closure_that_asks_no_hold_is_no_news(talk: Talk) -> None:
    talk.driver()
    assert talk.driver(replace(SLIDE, held=False)) == []


def test_the_longest_words_still_fit_two_segments(saying: Saying) -> None:
    long = replace(SLIDE, what="Road closed (" + "w" * 80 + ")", source="s" * 80)
    text = closure_text(replace(saying(), dispatcher="d" * 80), long)
    assert gsm7.segments(text) <= 2
    assert "until Thu 14 Jan 05:00 MST" in text


def test_the_office_reads_it_in_the_brief_and_in_the_trips_text(saying: Saying) -> None:
    line = "Road closed (slide) by the road authority, mi 50 to 56, until Thu 05:00 MST"
    plan = replace(saying(), closures=(SLIDE,), advice=Advice.HOLD, made_at=at_hour(3), cautions=(f"{line}: hold",))
    brief = " ".join(brief_text("Made", [plan], [], at_hour(3), "America/Denver").split())
    assert f"HOLD: {line}" in brief
    assert "1 hold" in brief
    assert f"Caution: {line}: hold" in dispatcher_text(plan)
