"""The office's text of one trip."""

from collections.abc import Callable
from dataclasses import replace

from alertd.notices.text.dispatcher import dispatcher_text
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice


def test_words_for_one_trip_say_how_sure_how_old_and_who_decides(saying: Callable[..., Plan]) -> None:
    text = dispatcher_text(saying(Advice.CHAIN))
    assert "60% likely" in text
    assert "Forecast 2 h old" in text
    assert "rules as 2026" in text.replace("of ", "")
    assert "Posted signs and officers decide" in text


def test_office_text_names_a_requested_other_way(saying: Callable[..., Plan]) -> None:
    line = "Another way is better. By way of south: no chains expected (5%), arrives 35 min later"
    plan = replace(saying(Advice.CHAIN), route_choice=line)
    assert line in " ".join(dispatcher_text(plan).split())
