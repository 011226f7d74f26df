"""What a dispatcher reads of two plans: everything acted on, nothing small."""

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

from alertd.notices.plan_diff import describe_changes
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice


def test_the_same_plan_says_nothing(saying: Callable[..., Plan]) -> None:
    assert describe_changes(saying(Advice.CHAIN), saying(Advice.CHAIN)) == ()
    assert describe_changes(saying(Advice.CHAIN), saying(Advice.CHAIN, late_min=9)) == ()


def test_stricter_advice_other_stop_and_few_chains_are_named(saying: Callable[..., Plan]) -> None:
    old = replace(saying(Advice.READY), advice=Advice.READY, singles_short=0)
    new = replace(saying(Advice.CHAIN, stop_id="9"), advice=Advice.CHAIN, singles_short=2)
    lines = describe_changes(old, new)
    assert "ready → chain" in lines
    assert "chains short 0 → 2" in lines
    assert "Larch Pass: ready → chain" in lines
    assert any(line.startswith("chain up at ") for line in lines)


def test_stretches_that_come_and_go_are_named(saying: Callable[..., Plan]) -> None:
    one, two = saying(Advice.CHAIN), saying(Advice.CHAIN, Advice.HOLD)
    assert "new: hold at Tarn Pass" in describe_changes(one, two)
    assert "no more: Tarn Pass" in describe_changes(two, one)


def test_a_later_arrival_is_told_from_ten_minutes_on(saying: Callable[..., Plan]) -> None:
    plan = saying(Advice.CHAIN)
    later = replace(plan, arrive_at=plan.arrive_at + timedelta(minutes=25))
    assert describe_changes(plan, later) == ("arrives 25 min later",)
    assert describe_changes(later, plan) == ("arrives 25 min sooner",)
