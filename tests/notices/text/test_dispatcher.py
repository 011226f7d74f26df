"""The office's text of one trip."""

from collections.abc import Callable
from dataclasses import replace

from alertd.notices.model import Audience
from alertd.notices.text.dispatcher import dispatcher_text
from alertd.notices.triggers.plan_changes import plan_notices
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.testing.factories import IMMEDIATE_POLICY, at_hour


def test_words_for_one_trip_say_how_sure_how_old_and_who_decides(saying: Callable[..., Plan]) -> None:
    text = dispatcher_text(saying(Advice.CHAIN))
    assert "chains 6 in 10" in text
    assert "Forecast 2 h old" in text
    assert "rules as 2026" in text.replace("of ", "")
    assert "Posted signs and officers decide" in text


def test_office_text_names_a_requested_other_way(saying: Callable[..., Plan]) -> None:
    line = "Another way is better. By way of south: no chains expected (5%), arrives 35 min later"
    plan = replace(saying(Advice.CHAIN), route_choice=line)
    assert line in " ".join(dispatcher_text(plan).split())


def test_hours_that_are_not_given_are_asked_once(saying: Callable[..., Plan]) -> None:
    first = saying(Advice.CHAIN)
    assert first.hours is not None
    assert "hours driven before" in first.hours.not_given
    notices, facts = plan_notices(first, None, at_hour(3), IMMEDIATE_POLICY)
    later, _ = plan_notices(saying(Advice.HOLD), facts, at_hour(4), IMMEDIATE_POLICY)
    asked, again = (
        " ".join(next(n.text for n in sent if n.audience is Audience.DISPATCHER).split()) for sent in (notices, later)
    )
    assert "not given, so counted from departure only: hours driven before" in asked
    assert "hours driven before" not in again
    assert "counted from departure" in again  # an hour that is not known never reads as one that is left
