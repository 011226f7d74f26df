"""When a driver is result: relief that lasts, the night, a limit an hour, and nothing lost by waiting."""

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, time, timedelta

import pytest

from alertd.notices.model import Audience, Notice
from alertd.notices.policy import Policy, recipient
from alertd.notices.sent_state import SentFact, facts_from_plain, facts_to_plain
from alertd.notices.triggers.plan_changes import plan_notices
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.serialize import canonical
from alertd.testing.factories import IMMEDIATE_POLICY, at_hour

CLEAR, SLOW, READY, CHAIN, HOLD = Advice
Saying = Callable[..., Plan]


class Talk:
    """A trip's plans one after another; the driver's messages are counted as the service counts them."""

    def __init__(self, policy: Policy) -> None:
        self.policy = policy
        self.facts: tuple[SentFact, ...] | None = None
        self.fetched_times: list[datetime] = []

    def hear(self, plan: Plan, hour: float) -> list[Notice]:
        now = at_hour(hour)
        notices, facts = plan_notices(plan, self.facts, now, self.policy, self.fetched_times)
        self.facts = facts_from_plain(json.loads(canonical(facts_to_plain(facts))))
        assert self.facts == facts
        self.fetched_times += [now for n in notices if n.audience is Audience.DRIVER]
        return list(notices)

    def driver(self, plan: Plan, hour: float) -> list[str]:
        return [n.text for n in self.hear(plan, hour) if n.audience is Audience.DRIVER]


def forecast_of(plan: Plan, hour: float) -> Plan:
    """The plan on a forecast issued at that hour."""
    return replace(plan, sources=tuple(replace(s, issued_at=at_hour(hour)) for s in plan.sources))


def lasting(**changes: object) -> Policy:
    hour = timedelta(hours=1)
    return replace(IMMEDIATE_POLICY, ease_after=hour, ease_alone_after=hour, **changes)  # type: ignore[arg-type]


def test_relief_waits_until_it_has_lasted_over_a_newer_forecast(saying: Saying) -> None:
    talk = Talk(lasting())
    talk.hear(forecast_of(saying(CHAIN), -4), -3)
    assert talk.driver(forecast_of(saying(), -2), -2) == []
    assert talk.driver(forecast_of(saying(), -2), -0.5) == [], "the same forecast again is no second opinion"
    assert talk.driver(forecast_of(saying(), -1), -0.4)[0].startswith("EASED")


def test_relief_that_is_taken_back_meanwhile_is_never_given(saying: Saying) -> None:
    talk = Talk(lasting())
    talk.hear(forecast_of(saying(CHAIN), -4), -3)
    talk.hear(forecast_of(saying(), -2), -2)
    assert talk.driver(forecast_of(saying(CHAIN), -1), -1) == [], "and what was said before is not said again"
    assert talk.driver(forecast_of(saying(), 0), 0.0) == [], "the clock begins anew"
    assert talk.driver(forecast_of(saying(), 1), 1.5)[0].startswith("EASED")


def test_a_partial_plan_in_between_begins_the_wait_anew(saying: Saying) -> None:
    talk = Talk(lasting())
    talk.hear(forecast_of(saying(CHAIN), -4), -3)
    talk.hear(forecast_of(saying(), -2), -2)
    talk.hear(forecast_of(saying(partial=True), -1), -1)
    assert talk.driver(forecast_of(saying(), 0), 0.0) == []


def test_a_road_about_the_threshold_is_not_eased(saying: Saying) -> None:
    """Raised at 0.5 and eased only below 0.4: with 0.45 in between nothing is said, however long it lasts."""
    talk = Talk(lasting(chain_cleared_probability=0.4))
    talk.hear(forecast_of(saying(CHAIN), -4), -3)
    plan = saying(READY)
    between = replace(plan, stretches=(replace(plan.stretches[0], probability=0.45),))
    below = replace(plan, stretches=(replace(plan.stretches[0], probability=0.35),))
    for hour in (-2.0, 0.0, 2.0):
        assert talk.driver(forecast_of(between, hour), hour) == []
    talk.hear(forecast_of(below, 3), 3.0)
    assert talk.driver(forecast_of(below, 4), 4.5) != []


def test_a_choice_about_its_price_is_not_eased(saying: Saying) -> None:
    """Going on cost 1.0 of chaining ahead; at 0.9 nothing is sent, whatever the odds, and below 0.8 it is."""
    talk = Talk(lasting(chain_cleared_worth=0.8))
    talk.hear(forecast_of(saying(CHAIN), -4), -3)
    plan = saying(READY)
    between, below = (
        replace(plan, stretches=(replace(plan.stretches[0], probability=0.2, chain_worth=worth),))
        for worth in (0.9, 0.7)
    )
    for hour in (-2.0, 0.0, 2.0):
        assert talk.driver(forecast_of(between, hour), hour) == []
    talk.hear(forecast_of(below, 3), 3.0)
    assert talk.driver(forecast_of(below, 4), 4.5) != []


def test_moves_wait_for_the_gap_and_worse_changes_do_not(saying: Saying) -> None:
    talk = Talk(replace(IMMEDIATE_POLICY, least_gap=timedelta(minutes=30), soon=timedelta(0)))
    talk.hear(saying(CHAIN), 0.0)
    assert talk.driver(saying(CHAIN, stop_id="2"), 0.2) == []
    assert len(talk.driver(saying(HOLD, stop_id="2"), 0.3)) == 1, "worse breaks through"
    assert talk.driver(saying(HOLD, stop_id="3"), 0.4) == []
    assert len(talk.driver(saying(HOLD, stop_id="3"), 0.9)) == 1, "the move is said once the gap is over"


def test_a_move_shortly_before_acting_does_not_wait(saying: Saying) -> None:
    talk = Talk(replace(IMMEDIATE_POLICY, least_gap=timedelta(hours=6), soon=timedelta(hours=2)))
    plan = saying(CHAIN)
    hang = (plan.stretches[0].chain_up.arrive_at - at_hour(0)) / timedelta(hours=1)
    talk.hear(plan, hang - 1.6)
    assert len(talk.driver(saying(CHAIN, stop_id="2"), hang - 1.5)) == 1


@pytest.fixture
def night(saying: Saying) -> Policy:
    """Quiet from 00:00 to 05:00 UTC, whatever the zone of the made route; the trip leaves at 06:00."""
    zone = saying(CHAIN).depart_zone
    from zoneinfo import ZoneInfo

    begins, ends = (at_hour(h).astimezone(ZoneInfo(zone)).time() for h in (0.0, 5.0))
    return replace(IMMEDIATE_POLICY, quiet_from=begins, quiet_to=ends)


def test_quiet_hours_delay_the_driver_but_not_the_dispatcher(saying: Saying, night: Policy) -> None:
    talk = Talk(night)
    first = talk.hear(saying(CHAIN), 1.0)
    assert [n.audience for n in first] == [Audience.DISPATCHER, Audience.FLEET]
    assert talk.hear(saying(CHAIN), 2.0) == [], "nothing is said twice while it waits"
    morning = talk.hear(saying(CHAIN), 5.1)
    assert [n.audience for n in morning] == [Audience.DRIVER]
    assert morning[0].text.startswith("PLAN TO CHAIN")
    assert talk.hear(saying(CHAIN), 5.5) == []


def test_what_cannot_wait_wakes_the_driver(saying: Saying, night: Policy) -> None:
    assert len(Talk(night).driver(saying(CHAIN), 4.0)) == 1  # leaves within 3 h
    assert Talk(night).driver(saying(READY), 4.0) == [], "to be ready can wait until the alarm clock"


def test_in_the_morning_the_driver_hears_what_holds_then(saying: Saying, night: Policy) -> None:
    talk = Talk(night)
    talk.hear(saying(CHAIN), 0.5)
    talk.hear(saying(HOLD), 1.0)
    assert [t[:4] for t in talk.driver(saying(HOLD), 5.2)] == ["HOLD"]


def test_a_driver_who_was_told_nothing_needs_no_relief(saying: Saying, night: Policy) -> None:
    talk = Talk(night)
    talk.hear(saying(CHAIN), 0.5)
    assert talk.driver(saying(), 1.0) == []
    assert talk.driver(saying(), 5.2) == []


def test_over_the_limit_the_gravest_is_first_and_the_rest_later(saying: Saying) -> None:
    talk = Talk(replace(IMMEDIATE_POLICY, driver_most_an_hour=1))
    assert [t[:4] for t in talk.driver(saying(READY, HOLD), 0.0)] == ["HOLD"]
    assert talk.driver(saying(READY, HOLD), 0.5) == []
    assert [t[:8] for t in talk.driver(saying(READY, HOLD), 1.1)] == ["BE READY"]


def test_the_limit_counts_messages_of_the_last_hour() -> None:
    result = [at_hour(h) for h in (0.0, 0.4, 0.9)]
    assert Policy(driver_most_an_hour=4).messages_left(result, at_hour(0.95)) == 1
    assert Policy(driver_most_an_hour=4).messages_left(result, at_hour(1.5)) == 3


@pytest.mark.parametrize(
    ("begins", "ends", "hour", "quiet"),
    [(21, 4, 23, True), (21, 4, 3, True), (21, 4, 4, False), (1, 5, 0, False), (1, 5, 4, True), (0, 0, 0, False)],
)
def test_quiet_hours_may_run_over_midnight(begins: int, ends: int, hour: int, quiet: bool) -> None:
    policy = Policy(quiet_from=time(begins), quiet_to=time(ends))
    assert policy.is_quiet(at_hour(hour), "Etc/UTC") is quiet


def test_once_rolling_only_a_lone_operator_is_notified_directly(saying: Saying) -> None:
    """49 CFR 392.80: a message read at the wheel is texting."""
    plan = saying(CHAIN)
    assert recipient(plan, at_hour(7), Policy())[0] is Audience.DISPATCHER
    assert recipient(plan, at_hour(7), Policy(tell_rolling_driver=True)) == (Audience.DRIVER, "")
