"""Early word to a customer: a `trip.delivery` event once per change, never relief on missing data."""

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from alertd.notices.model import Audience, Notice
from alertd.notices.policy import Policy
from alertd.notices.triggers.late_delivery import (
    DeliveryStatus,
    SentDelivery,
    delivery_from_plain,
    delivery_notices,
    delivery_to_plain,
)
from alertd.plan.model.days import DeliveryNote
from alertd.plan.model.notes import HoldNote, PositionFix
from alertd.plan.model.plan import Plan
from alertd.testing.event_schema import strict_event_schema
from alertd.testing.factories import at_hour

ROOT = Path(__file__).parents[3]
SCHEMA = strict_event_schema()
SCHEMA_CHECK = Draft202012Validator(SCHEMA, format_checker=Draft202012Validator.FORMAT_CHECKER)
POLICY = Policy()
AT_ONCE = replace(POLICY, ease_after=timedelta(0))


@pytest.fixture
def due(saying: Callable[..., Plan]) -> Callable[..., Plan]:
    """A plan with a delivery that is so many minutes late, with a chance of being late."""

    def plan(late_min: float, chance: float, *, partial: bool = False) -> Plan:
        made = saying(partial=partial)
        note = DeliveryNote(
            opens_at=None,
            closes_at=made.arrive_at - timedelta(minutes=late_min),
            zone=made.arrive_zone,
            late_s=60.0 * late_min,
            late_unchained_s=None,
            late_chained_s=None,
            late_probability=chance,
        )
        return replace(made, delivery=note)

    return plan


def events(notices: tuple[Notice, ...]) -> list[dict[str, Any]]:
    found = [json.loads(n.body) for n in notices]
    for event in found:
        SCHEMA_CHECK.validate(event)
    assert all(n.audience is Audience.FLEET for n in notices)
    return found


def after(*plans: Plan, policy: Policy = AT_ONCE) -> tuple[list[tuple[str, str]], SentDelivery]:
    """Statuses of the events of plans in turn, with their kinds, and what was sent last."""
    sent, out = SentDelivery(), []
    for n, plan in enumerate(plans):
        notices, sent = delivery_notices(plan, sent, at_hour(2.0 + n / 2.0), policy)
        out += [(e["data"]["status"], e["data"]["kind"]) for e in events(notices)]
    return out, sent


def test_a_delivery_in_time_is_no_event(due: Callable[..., Plan], saying: Callable[..., Plan]) -> None:
    assert after(due(-120.0, 0.0), due(-60.0, 0.29), saying())[0] == []


@pytest.mark.parametrize(
    ("late_min", "chance", "status"),
    [(-60.0, 0.3, "may_be_late"), (14.9, 0.2, "on_time"), (15.0, 0.6, "late"), (14.0, 0.6, "may_be_late")],
)
def test_an_event_is_sent_from_each_threshold_on(
    due: Callable[..., Plan], late_min: float, chance: float, status: str
) -> None:
    found, sent = after(due(late_min, chance))
    assert sent.status == status
    assert found == ([] if status == "on_time" else [(status, "worse")])


def test_each_change_is_sent_once(due: Callable[..., Plan]) -> None:
    steps = [due(-60.0, 0.4), due(-50.0, 0.5), due(30.0, 0.7), due(40.0, 0.8), due(89.0, 0.9), due(90.0, 0.9)]
    assert after(*steps)[0] == [("may_be_late", "worse"), ("late", "worse"), ("late", "worse")]


def test_recovery_is_below_lower_limits(due: Callable[..., Plan]) -> None:
    found, sent = after(due(30.0, 0.7), due(10.0, 0.5), due(-30.0, 0.2), due(-30.0, 0.12), due(-60.0, 0.09))
    assert found == [("late", "worse"), ("may_be_late", "eased"), ("on_time", "eased")]
    assert sent.turn == 3


def test_partial_data_raises_and_never_eases(due: Callable[..., Plan]) -> None:
    assert after(due(30.0, 0.7, partial=True))[0] == [("late", "worse")]
    found, sent = after(due(30.0, 0.7), due(-90.0, 0.0, partial=True))
    assert found == [("late", "worse")]
    assert sent.status is DeliveryStatus.LATE


def test_an_old_position_or_missing_postings_never_ease(due: Callable[..., Plan]) -> None:
    good = due(-90.0, 0.0)
    old = PositionFix(at=at_hour(1), distance_m=5e3, offset_m=0.0, old=True)
    for plan in (replace(good, position=old), replace(good, posted_missing=True)):
        assert after(due(30.0, 0.7), plan)[0] == [("late", "worse")]


def test_recovery_lasts_over_a_newer_forecast(due: Callable[..., Plan]) -> None:
    """One source: two hours, `ease_alone_after`."""
    good = due(-90.0, 0.0)
    newer = replace(good, sources=tuple(replace(s, issued_at=at_hour(3)) for s in good.sources))
    late = due(30.0, 0.7)
    assert after(late, good, good, good, good, good, policy=POLICY)[0] == [("late", "worse")]  # no newer forecast
    assert after(late, good, newer, newer, newer, policy=POLICY)[0] == [("late", "worse")]  # an hour and a half
    assert after(late, good, newer, newer, newer, newer, policy=POLICY)[0][1:] == [("on_time", "eased")]
    again = after(late, good, newer, late, newer, newer, newer, policy=POLICY)[0]
    assert again == [("late", "worse")]  # a worse plan between restarts the time


def test_a_less_late_delivery_is_sent_by_whole_steps(due: Callable[..., Plan]) -> None:
    found, sent = after(due(200.0, 1.0), due(150.0, 1.0), due(140.0, 1.0))
    assert found == [("late", "worse"), ("late", "eased")]
    assert sent.late_s == 140.0 * 60.0


def test_a_trip_that_waits_may_be_late(due: Callable[..., Plan], two_passes: Plan) -> None:
    first = two_passes.stretches[0]
    hold = HoldNote(
        what="deep snow",
        start_m=first.start_m,
        end_m=first.end_m,
        zone=first.zone,
        enter_at=first.enter_at,
        wait=first.chain_up,
        at_start=False,
        until=None,
        not_before=None,
    )
    plan = replace(due(-60.0, 0.0), hold=hold)
    notices, sent = delivery_notices(plan, SentDelivery(), at_hour(2), AT_ONCE)
    (event,) = events(notices)
    assert event["data"]["waits"] is True
    assert sent.status is DeliveryStatus.MAY_BE_LATE
    assert "not known, the trip waits" in event["data"]["text"]


def test_an_arrived_truck_causes_no_event(due: Callable[..., Plan]) -> None:
    assert after(replace(due(30.0, 1.0), arrived_at=at_hour(9)))[0] == []


def test_what_was_sent_is_stored_and_read_again(due: Callable[..., Plan]) -> None:
    _, sent = after(due(30.0, 0.7), due(-90.0, 0.0), policy=POLICY)
    assert sent.milder_since is not None
    assert delivery_from_plain(json.loads(json.dumps(delivery_to_plain(sent)))) == sent
    assert delivery_from_plain(None) == SentDelivery()


def test_equal_content_later_is_another_event(due: Callable[..., Plan]) -> None:
    late, good = due(30.0, 0.7), due(-90.0, 0.0)
    sent, ids = SentDelivery(), []
    for n, plan in enumerate((late, good, late)):
        notices, sent = delivery_notices(plan, sent, at_hour(2 + n), AT_ONCE)
        ids += [x.id for x in notices]
    assert len(set(ids)) == 3


def test_the_text_says_how_sure_how_old_and_who_decides(due: Callable[..., Plan]) -> None:
    notices, _ = delivery_notices(due(30.0, 0.7), SentDelivery(), at_hour(2), POLICY)
    (text,) = (n.text for n in notices)
    assert text.startswith("QT-1: delivery expected late; by ")
    for part in ("late by 0 h 30 min", "7 in 10", "Forecast 2 h old", "Posted signs and officers decide"):
        assert part in text
