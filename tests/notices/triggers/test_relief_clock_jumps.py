"""Relief is timed by a guarded clock: a jump of the machine's clock, and back, brings none forward."""

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from alertd.notices.model import NoticeKind
from alertd.notices.policy import Policy
from alertd.notices.triggers.plan_changes import plan_notices
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.service.clock_guard import GuardedClock
from alertd.testing.factories import IMMEDIATE_POLICY, at_hour

MINUTE, HOUR, DAY = timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)
POLICY = replace(IMMEDIATE_POLICY, ease_after=Policy().ease_after)  # relief lasts, and no margin of chances is asked


@pytest.mark.parametrize("jump", [HOUR, -2 * HOUR, DAY, 31 * DAY, 3 * 365 * DAY], ids=str)
def test_jump_of_the_clock_brings_no_relief_forward(jump: timedelta, saying: Callable[..., Plan]) -> None:
    """The road is milder from 02:00; one source supports that, so relief is due after two hours and not before."""
    began = at_hour(1)
    real, off = began, timedelta(0)

    def wall() -> datetime:
        return real + off

    clock = GuardedClock(wall, lambda: real.timestamp())
    facts, eased_at = None, []
    for minute in range(0, 300, 10):
        real = began + minute * MINUTE
        off = jump if 70 <= minute < 110 else timedelta(0)
        clock.record_offset("api.example", (real - clock()).total_seconds())
        milder = minute >= 60
        plan = saying(Advice.READY if milder else Advice.CHAIN, Advice.CHAIN)
        plan = replace(plan, sources=tuple(replace(s, issued_at=real, fetched_at=real) for s in plan.sources))
        notices, facts = plan_notices(plan, facts, clock(), replace(POLICY, may_ease=clock.trusted))
        if any(n.kind is NoticeKind.EASED for n in notices):
            eased_at.append(minute)
    assert eased_at
    assert eased_at[0] == 60 + 120
