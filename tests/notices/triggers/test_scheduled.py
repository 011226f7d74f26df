"""What is said because its moment has come: once each, to who may read it, in two segments."""

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from alertd.notices.model import Audience, Notice, NoticeKind
from alertd.notices.policy import Policy
from alertd.notices.sent_state import fact_of
from alertd.notices.text import gsm7
from alertd.notices.triggers.escalation import confirmation_wait, escalations
from alertd.notices.triggers.missing_data import missing_forecast_notice
from alertd.notices.triggers.scheduled import (
    ChainStatus,
    approach_text,
    off_text,
    outlook_text,
    recheck_text,
    scheduled_notices,
)
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice, ChainsNote
from alertd.testing.factories import at_hour

CLEAR, SLOW, READY, CHAIN, HOLD = Advice
Saying = Callable[..., Plan]
OFF = ChainStatus()


def kinds(notices: tuple[Notice, ...]) -> list[tuple[NoticeKind, Audience]]:
    return [(n.kind, n.audience) for n in notices]


def every_minute(plan: Plan, from_: datetime, until: datetime, **output: object) -> list[Notice]:
    """What a store keeps of a daemon that looks every minute: each notice once, as it first came."""
    found: dict[str, Notice] = {}
    now = from_
    while now <= until:
        for notice in scheduled_notices(plan, (), OFF, now, Policy()):
            found.setdefault(notice.id, notice)
        now += timedelta(minutes=1)
    return list(found.values())


def test_early_and_last_notice_come_once_each_before_chain_up(saying: Saying) -> None:
    """20 to 40 minutes before the chain-up place: common practice, no source."""
    plan = saying(CHAIN)
    hang = plan.stretches[0].chain_up.arrive_at
    output = every_minute(plan, hang - timedelta(hours=4), hang + timedelta(hours=1))
    assert [n.kind for n in output] == [NoticeKind.EARLY, NoticeKind.APPROACH]
    early, last = (hang - n.created_at for n in output)
    before = plan.depart_at - output[0].created_at
    assert Policy().before_rolling - timedelta(minutes=1) <= before <= Policy().before_rolling
    assert early <= timedelta(hours=3)
    assert timedelta(minutes=40) <= last <= timedelta(minutes=45)


def test_who_heard_of_it_lately_gets_no_early_notice(saying: Saying) -> None:
    plan = saying(CHAIN)
    hang = plan.stretches[0].chain_up.arrive_at
    now = hang - timedelta(hours=2)
    lately = replace(fact_of(plan.stretches[0]), sent_at=now - timedelta(hours=1))
    long_ago = replace(lately, sent_at=now - timedelta(hours=7))
    assert scheduled_notices(plan, (lately,), OFF, now, Policy()) == ()
    assert [n.kind for n in scheduled_notices(plan, (long_ago,), OFF, now, Policy())] == [NoticeKind.EARLY]


def test_rolling_truck_is_notified_through_the_dispatcher(saying: Saying) -> None:
    plan = saying(CHAIN)
    hang = plan.stretches[0].chain_up.arrive_at
    (notice,) = scheduled_notices(plan, (), OFF, max(hang - timedelta(minutes=30), plan.depart_at), Policy())
    assert (notice.kind, notice.audience) == (NoticeKind.APPROACH, Audience.DISPATCHER)
    assert notice.text.startswith("PASS ON WHEN PARKED to Odalys Fenwright: CHAIN UP at")
    (alone,) = scheduled_notices(plan, (), OFF, notice.created_at, Policy(tell_rolling_driver=True))
    assert alone.audience is Audience.DRIVER


def test_a_ready_stretch_is_not_ordered_to_chain_up(saying: Saying) -> None:
    plan = saying(READY)
    assert approach_text(plan, plan.stretches[0], at_hour(6)).startswith("LOOK FOR SIGNS, be ready to chain at")


def test_chains_that_are_on_need_no_word_to_hang_them(saying: Saying) -> None:
    plan = saying(CHAIN)
    now = plan.stretches[0].chain_up.arrive_at - timedelta(minutes=30)
    assert scheduled_notices(plan, (), ChainStatus(on_at=now), now, Policy()) == ()


def test_chained_driver_is_reminded_to_check_and_to_remove(saying: Saying) -> None:
    """Recheck after a short run: common practice, no source."""
    plan = saying(CHAIN)
    on_at = plan.stretches[0].chain_up.leave_at
    chained, off_at = ChainStatus(on_at=on_at), plan.stretches[0].chain_off.arrive_at
    direct = Policy(tell_rolling_driver=True)
    assert kinds(scheduled_notices(plan, (), chained, on_at + timedelta(minutes=19), direct)) == []
    recheck = scheduled_notices(plan, (), chained, on_at + timedelta(minutes=20), direct)
    assert recheck[0].kind is NoticeKind.RECHECK
    off = scheduled_notices(plan, (), chained, off_at - timedelta(minutes=10), direct)
    assert NoticeKind.OFF in [n.kind for n in off]
    by_office = scheduled_notices(plan, (), chained, off_at - timedelta(minutes=30), Policy())
    assert [(n.kind, n.passed_on, n.sent_alone) for n in by_office] == [(NoticeKind.OFF, True, False)]
    assert NoticeKind.OFF not in [n.kind for n in scheduled_notices(plan, (), OFF, off_at, Policy())]


@pytest.mark.parametrize("hours_before", [0.0, 2.9])
def test_the_evening_before_is_local_and_once(saying: Saying, hours_before: float) -> None:
    plan = saying(CHAIN, short=2)
    zone = ZoneInfo(plan.depart_zone)
    day = plan.depart_at.astimezone(zone).date() - timedelta(days=1)
    eve = datetime.combine(day, Policy().outlook_at, zone)
    output = scheduled_notices(plan, (), OFF, eve + timedelta(hours=hours_before), Policy())
    assert [n.kind for n in output] == [NoticeKind.OUTLOOK] or plan.depart_at < eve + timedelta(hours=hours_before)
    assert scheduled_notices(plan, (), OFF, eve - timedelta(minutes=1), Policy()) == ()
    assert scheduled_notices(saying(), (), OFF, eve, Policy()) == (), (
        "a trip that asks for nothing needs no evening message"
    )


def test_every_text_fits_two_segments_of_the_gsm_alphabet(saying: Saying) -> None:
    """3GPP TS 23.038 and 23.040: 153 septets a part. Names as long as a stop file may have them."""
    for advice in (READY, CHAIN, HOLD):
        plan = saying(advice, advice, short=8)
        long = "Upper Cedar Meadow truck turnout and brake check area, eastbound side"
        stretches = tuple(
            replace(s, chain_up=replace(s.chain_up, name=long), chain_off=replace(s.chain_off, name=long), place=long)
            for s in plan.stretches
        )
        plan = replace(plan, stretches=stretches, trip_id="T" * 64, singles_short=8)
        texts = [
            outlook_text(plan), approach_text(plan, plan.stretches[0], at_hour(5)),
            off_text(plan, plan.stretches[0].chain_off), recheck_text(),
        ]  # fmt: skip
        for text in texts:
            assert gsm7.segments(text) <= 2, text
            assert gsm7.to_gsm7(text) == text
            assert "Signs+officers decide" in text
            assert "Read parked" in text


def sent(plan: Plan, at: datetime, kind: NoticeKind = NoticeKind.PLAN, advice: str = "", id_: str = "") -> Notice:
    body = json.dumps({"data": {"advice": advice} if advice else {}})
    return Notice(
        id=id_ or f"ntc_{at.isoformat()}", kind=kind, audience=Audience.DRIVER, trip_id=plan.trip_id, plan_id=plan.id,
        created_at=at, expires_at=plan.arrive_at, text=f"{advice or 'PLAN TO CHAIN'} at X.", body=body,
    )  # fmt: skip


def test_unconfirmed_message_reminds_driver_then_dispatcher(saying: Saying) -> None:
    plan, at = saying(CHAIN), at_hour(1)
    (message,) = (sent(plan, at),)
    wait = confirmation_wait(plan, at, Policy())
    assert escalations(plan, [message], (), at + wait / 2 - timedelta(seconds=1), Policy()) == ()
    assert kinds(escalations(plan, [message], (), at + wait / 2, Policy())) == [(NoticeKind.UNREAD, Audience.DRIVER)]
    both = escalations(plan, [message], (), at + wait, Policy())
    assert kinds(both) == [(NoticeKind.UNREAD, Audience.DRIVER), (NoticeKind.UNREAD, Audience.DISPATCHER)]
    assert "Odalys Fenwright" in both[1].text
    again = escalations(plan, [message], (), at + 2 * wait, Policy())
    assert [n.id for n in again] == [n.id for n in both], "the same words are the same notice"


def test_a_reminder_waits_from_the_last_message(saying: Saying) -> None:
    """The dispatcher's message does not wait longer for it; near a place both come after the least wait."""
    plan, at = saying(CHAIN), at_hour(1)
    half = confirmation_wait(plan, at, Policy()) / 2
    both = [sent(plan, at, advice="chain"), sent(plan, at + half - timedelta(minutes=1), advice="ready")]
    assert escalations(plan, both, (), at + half, Policy()) == ()
    assert kinds(escalations(plan, both, (), at + 2 * half - timedelta(minutes=1), Policy())) == [
        (NoticeKind.UNREAD, Audience.DRIVER)
    ]
    near = plan.stretches[0].chain_up.arrive_at - timedelta(minutes=10)
    late = [sent(replace(plan, depart_at=at_hour(9)), near)]
    on_road = replace(plan, depart_at=at_hour(99))
    assert escalations(on_road, late, (), near + timedelta(minutes=4), Policy()) == ()
    assert len(escalations(on_road, late, (), near + timedelta(minutes=5), Policy())) == 2


def test_confirming_stops_reminders(saying: Saying) -> None:
    plan, at = saying(CHAIN), at_hour(1)
    earlier, later = sent(plan, at), sent(plan, at + timedelta(minutes=5), NoticeKind.WORSE)
    now = at + timedelta(hours=1)
    assert escalations(plan, [earlier, later], {later.id}, now, Policy()) == ()
    assert escalations(plan, [earlier, later], {earlier.id}, now, Policy()) != (), "the newer words are not read"
    assert escalations(saying(READY), [earlier], (), now, Policy()) == ()
    assert escalations(plan, [earlier], (), now, Policy(escalate_after=timedelta(0))) == ()


def test_the_reminder_repeats_the_graver_of_two_messages(saying: Saying) -> None:
    """Sent together, the one with the larger id is not the graver one; nor is the newer one."""
    plan, at = saying(CHAIN, HOLD), at_hour(1)
    for hold_id, ready_id in (("ntc_a", "ntc_b"), ("ntc_b", "ntc_a")):
        both = [sent(plan, at, advice="hold", id_=hold_id), sent(plan, at, advice="ready", id_=ready_id)]
        newer = sent(plan, at + timedelta(minutes=5), NoticeKind.WORSE, advice="chain", id_="ntc_c")
        for messages in (both, [*both, newer]):
            notices = escalations(plan, messages, (), at_hour(2), Policy())
            assert {"hold at X." in n.text for n in notices} == {True}
        assert "chain at X." in escalations(plan, [*both, newer], {hold_id}, at_hour(2), Policy())[0].text
    over = replace(plan, advice=CHAIN)  # what was to hold for is not any more
    assert "ready at X." in escalations(over, both, (), at_hour(2), Policy())[0].text


def test_of_two_as_grave_the_reminder_repeats_the_nearer(saying: Saying) -> None:
    plan, at = saying(CHAIN, CHAIN), at_hour(1)
    near, far = (
        replace(sent(plan, at, advice="chain", id_=id_), text=f"{text} at X.")
        for id_, text in (("a", "near"), ("z", "far"))
    )
    far = replace(far, expires_at=far.expires_at + timedelta(hours=1))
    assert "near at X." in escalations(plan, [near, far], (), at_hour(2), Policy())[0].text


def worn(plan: Plan, **note: object) -> Plan:
    """The plan with chains on for its first stretch."""
    first, *rest = plan.stretches
    up = replace(first.chain_up, stop_id="", arrive_at=first.chain_up.leave_at)
    on = ChainsNote(since=first.chain_up.leave_at, off=first.chain_off)
    return replace(plan, stretches=(replace(first, chained=True, chain_up=up), *rest), chains=replace(on, **note))


def test_no_notice_asks_to_hang_chains_while_chains_are_on(saying: Saying) -> None:
    plan = worn(saying(CHAIN, CHAIN))
    assert plan.chains is not None
    on, off = ChainStatus(on_at=plan.chains.since), plan.stretches[0].chain_off
    second = plan.stretches[1].chain_up.arrive_at
    now, kinds_seen = plan.chains.since, set()
    while now < off.leave_at:
        kinds_seen |= {n.kind for n in scheduled_notices(plan, (), on, now, Policy())}
        now += timedelta(minutes=5)
    assert kinds_seen <= {NoticeKind.RECHECK, NoticeKind.OFF}
    assert NoticeKind.OFF in kinds_seen
    # Past the place where they come off, a report that was forgotten silences nothing.
    assert NoticeKind.APPROACH in {
        n.kind for n in scheduled_notices(plan, (), on, second - timedelta(minutes=10), Policy())
    }


def test_a_hold_and_doubted_chains_are_not_silenced(saying: Saying) -> None:
    plan = worn(saying(CHAIN, HOLD))
    assert plan.chains is not None
    on, second = ChainStatus(on_at=plan.chains.since), plan.stretches[1].chain_up
    now = second.arrive_at - timedelta(minutes=30)
    off = replace(plan.stretches[0].chain_off, leave_at=second.arrive_at)
    held = replace(plan, chains=replace(plan.chains, off=off))
    assert NoticeKind.APPROACH in {n.kind for n in scheduled_notices(held, (), on, now, Policy())}
    fresh = saying(CHAIN)
    doubted = replace(fresh, chains=ChainsNote(since=plan.chains.since, off=None, doubt="ran too fast"))
    now = fresh.stretches[0].chain_up.arrive_at - timedelta(minutes=30)
    assert {n.kind for n in scheduled_notices(doubted, (), on, now, Policy())} == {NoticeKind.APPROACH}


def test_the_take_off_is_named_again_when_its_place_moves(saying: Saying) -> None:
    plan = worn(saying(CHAIN, CHAIN))
    assert plan.chains is not None
    assert plan.chains.off is not None
    on, now = ChainStatus(on_at=plan.chains.since), plan.chains.off.arrive_at
    later = replace(plan, chains=replace(plan.chains, off=replace(plan.chains.off, stop_id="9", name="Far Stop")))
    ids = [
        {n.id for n in scheduled_notices(p, (), on, now, Policy()) if n.kind is NoticeKind.OFF}
        for p in (plan, plan, later)
    ]
    assert ids[0] == ids[1] != ids[2]


def test_nothing_is_due_on_a_trip_that_has_arrived(saying: Saying) -> None:
    plan = saying(CHAIN)
    now = plan.stretches[0].chain_up.arrive_at - timedelta(minutes=30)
    assert scheduled_notices(replace(plan, arrived_at=now), (), OFF, now, Policy()) == ()


def test_nearer_chain_up_place_alerts_the_dispatcher_sooner(saying: Saying) -> None:
    plan = saying(CHAIN)
    hang = plan.stretches[0].chain_up.arrive_at
    assert confirmation_wait(plan, hang - timedelta(hours=10), Policy()) == timedelta(minutes=30)
    assert confirmation_wait(plan, hang - timedelta(hours=1), Policy()) == timedelta(minutes=15)
    assert confirmation_wait(plan, hang - timedelta(minutes=4), Policy()) == timedelta(minutes=5)


def test_missing_forecasts_are_one_office_notice_in_six_hours(saying: Saying) -> None:
    blind = [replace(saying(partial=True), trip_id=f"T-{n}") for n in range(40)]
    (first,), (again,) = (missing_forecast_notice("F", blind, at_hour(h)) for h in (0.1, 5.9))
    assert first.id == again.id
    assert "MISSING OR OLD for 40 of 40 trips" in first.text
    assert "be ready to chain" in first.text
    assert missing_forecast_notice("F", blind, at_hour(6.1))[0].id != first.id
    assert missing_forecast_notice("F", [saying(CHAIN)], at_hour(0.1)) == ()


def test_a_trip_without_data_is_reported_once_in_six_hours(saying: Saying) -> None:
    """A trip that has its data again, and others that stay without, are no new notice; one that loses them is."""
    one, two = (replace(saying(partial=True), trip_id=f"T-{n}") for n in (1, 2))
    sent = list(missing_forecast_notice("F", [one, two], at_hour(0.1)))
    assert missing_forecast_notice("F", [one], at_hour(1.0), sent) == ()
    assert missing_forecast_notice("F", [two, one], at_hour(6.05), sent) == ()
    three = replace(one, trip_id="T-3")
    (more,) = missing_forecast_notice("F", [one, three], at_hour(2.0), sent)
    assert "T-1, T-3" in more.text
    assert len(missing_forecast_notice("F", [two], at_hour(6.2), [*sent, more])) == 1
