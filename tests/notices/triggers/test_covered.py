"""A driver who follows a hold, or the first of two orders, gets no text about what he does not come to yet."""

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta

from alertd.notices.model import Audience, NoticeKind
from alertd.notices.policy import Policy
from alertd.notices.sent_state import SentFact
from alertd.notices.triggers.plan_changes import plan_notices
from alertd.notices.triggers.scheduled import ChainStatus, scheduled_notices
from alertd.plan.model.notes import HoldNote, PositionFix
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice, Stretch
from alertd.testing.factories import at_hour

Saying = Callable[..., Plan]
POLICY = Policy()
HOLD, CHAIN, READY = Advice.HOLD, Advice.CHAIN, Advice.READY
ROLLING = at_hour(6.1)  # the trip leaves at 06:00


def with_hold(plan: Plan, stretch_n: int, *, at_start: bool = False) -> Plan:
    """Return the plan with a hold before one of its stretches; the place to wait is that stretch's stop."""
    s = plan.stretches[stretch_n]
    hold = HoldNote(
        what="Grip short even with chains", start_m=s.start_m, end_m=s.end_m, zone=s.zone, enter_at=s.enter_at,
        wait=s.chain_up, at_start=at_start, until=None, not_before=None,
    )  # fmt: skip
    return replace(plan, hold=hold)


def to_driver(plan: Plan, facts: tuple[SentFact, ...] | None, now: datetime) -> tuple[list[str], tuple[SentFact, ...]]:
    """Return the driver's texts, also those that the office passes on, and the facts afterwards."""
    notices, after = plan_notices(plan, facts, now, POLICY)
    return [n.text for n in notices if n.audience is Audience.DRIVER or n.passed_on], after


def at_start(plan: Plan, now: datetime) -> Plan:
    """Return the plan of a truck that reported its place at the start just now."""
    fix = PositionFix(at=now, distance_m=0.0, offset_m=0.0)
    return replace(plan, depart_at=now, position=fix)


def test_a_hold_at_the_start_for_want_of_grip_is_sent(saying: Saying) -> None:
    """The hold itself is not covered by the hold."""
    texts, _ = to_driver(with_hold(saying(HOLD, CHAIN), 0, at_start=True), None, at_hour(4.5))
    (text,) = texts
    assert text.startswith("HOLD at Stop 1")


def test_a_truck_that_stays_gets_no_text_about_the_road(saying: Saying) -> None:
    """Hour after hour the order to chain has another time; the order comes when the hold has ended."""
    texts, facts = to_driver(with_hold(saying(HOLD, CHAIN), 0, at_start=True), None, at_hour(4.5))
    assert len(texts) == 1
    for hours in (1, 2, 3, 4):
        now = at_hour(6.0 + hours)
        later = at_start(with_hold(saying(HOLD, CHAIN, late_min=60.0 * hours), 0, at_start=True), now)
        texts, facts = to_driver(later, facts, now)
        assert texts == []
    texts, _ = to_driver(saying(None, CHAIN), facts, at_hour(10.5))
    assert any("PLAN TO CHAIN" in text for text in texts)


def test_a_truck_of_unknown_place_is_not_taken_to_stay(saying: Saying) -> None:
    """It may have left in spite of the hold: then the order to chain must reach it."""
    _, facts = to_driver(with_hold(saying(HOLD), 0, at_start=True), None, at_hour(4.5))
    texts, _ = to_driver(with_hold(saying(HOLD, CHAIN), 0, at_start=True), facts, ROLLING)
    assert any("PLAN TO CHAIN" in text for text in texts)


def test_no_prepass_text_asks_to_chain_behind_a_hold(saying: Saying) -> None:
    plan = saying(CHAIN)
    now = plan.stretches[0].chain_up.arrive_at - timedelta(minutes=30)
    assert scheduled_notices(at_start(plan, now), (), ChainStatus(), now, POLICY) != ()
    assert scheduled_notices(at_start(with_hold(plan, 0, at_start=True), now), (), ChainStatus(), now, POLICY) == ()


def test_before_rolling_one_text_names_the_first_place(saying: Saying) -> None:
    """The further place of the day has its own pre-pass text, once, and nothing else."""
    plan = saying(CHAIN, READY)
    further = plan.stretches[1]
    plan = replace(plan, stretches=(plan.stretches[0], later_by(further, hours=5)))
    texts, facts = to_driver(plan, None, at_hour(4.5))
    (text,) = texts
    assert text.startswith("PLAN TO CHAIN at Stop 1")
    texts, facts = to_driver(plan, facts, ROLLING)
    assert texts == []
    passed = replace(plan, stretches=plan.stretches[1:])
    now = passed.stretches[0].chain_up.arrive_at - timedelta(minutes=40)
    texts, facts = to_driver(passed, facts, now)
    assert texts == []
    (call,) = scheduled_notices(passed, facts, ChainStatus(), now, POLICY)
    assert call.kind is NoticeKind.APPROACH
    assert "LOOK FOR SIGNS, be ready to chain at" in call.text


def later_by(stretch: Stretch, hours: float) -> Stretch:
    """Return a stretch whose place is reached later."""
    up, by = stretch.chain_up, timedelta(hours=hours)
    up = replace(up, arrive_at=up.arrive_at + by, leave_at=up.leave_at + by)
    return replace(stretch, chain_up=up, enter_at=stretch.enter_at + by, leave_at=stretch.leave_at + by)


def test_a_graver_or_short_further_place_is_not_left_out(saying: Saying) -> None:
    """To hold there, or chains short for it, changes what the driver does before he leaves."""
    plan = saying(CHAIN, HOLD)
    texts, _ = to_driver(replace(plan, stretches=(plan.stretches[0], later_by(plan.stretches[1], 5))), None, at_hour(5))
    assert len(texts) == 2
    plan = saying(CHAIN, CHAIN)
    far = later_by(plan.stretches[1], 5)
    short = replace(far, hanging=replace(far.hanging, singles_short=2))
    texts, _ = to_driver(replace(plan, stretches=(plan.stretches[0], short)), None, at_hour(5))
    assert len(texts) == 2


def test_a_place_to_be_ready_at_is_not_sent_twice(saying: Saying) -> None:
    """The pre-pass text of an order to chain always comes; one to be ready only if anything changed since."""
    for advice, comes in ((READY, False), (CHAIN, True)):
        plan = saying(advice)
        _, facts = to_driver(plan, None, at_hour(4.1))
        now = plan.stretches[0].chain_up.arrive_at - timedelta(minutes=20)
        now = max(now, at_hour(6.2))
        assert bool(scheduled_notices(plan, facts, ChainStatus(), now, POLICY)) is comes
    moved = saying(READY, stop_id="9")
    assert scheduled_notices(
        moved, plan_notices(saying(READY), None, at_hour(4.1), POLICY)[1], ChainStatus(), now, POLICY
    )
