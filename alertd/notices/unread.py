"""Urgent messages that nobody has confirmed: the driver is reminded once, then the dispatcher hears of it."""

from collections.abc import Collection, Sequence
from datetime import datetime, timedelta

from alertd.notices import gsm7, words
from alertd.notices.notice import Audience, Notice, NoticeKind
from alertd.notices.policy import Policy, reader
from alertd.notices.surfaces import to_slow_for
from alertd.notices.telling import message
from alertd.plan.result import Advice, Plan
from alertd.tongue import IN_ENGLISH, Tongues

URGENT_KINDS = frozenset((NoticeKind.PLAN, NoticeKind.WORSE, NoticeKind.EARLY, NoticeKind.APPROACH))


def not_confirmed(
    plan: Plan,
    sent: Sequence[Notice],
    confirmed: Collection[str],
    now_utc: datetime,
    policy: Policy,
    tongues: Tongues = IN_ENGLISH,
) -> tuple[Notice, ...]:
    """A reminder and a word to the dispatcher, each once, about the newest urgent message of the driver.

    `sent`: what was said of the trip; `confirmed`: ids of notices that the driver has confirmed. Whoever confirms a
    later message has seen the earlier ones. Nothing once the trip asks for no chains and has no ice without them, or
    the message is of no more use.
    """
    if not policy.escalate_after or not (plan.advice.rank >= Advice.CHAIN.rank or to_slow_for(plan)):
        return ()
    mine = [n for n in sent if n.audience is Audience.DRIVER]
    urgent = [n for n in mine if n.kind in URGENT_KINDS]
    if not urgent:
        return ()
    last = max(urgent, key=lambda n: (n.created_at, n.id))
    if any(n.id in confirmed and n.created_at >= last.created_at for n in mine) or now_utc >= last.expires_at:
        return ()
    waits = wait_for(plan, last.created_at, policy)
    out = []
    audience, _ = reader(plan, now_utc, policy, tongues.office)
    if now_utc >= last.created_at + waits / 2 and audience is Audience.DRIVER:
        text = gsm7.plain(tongues.driver.say("NOT CONFIRMED YET: {text}", text=last.text))
        text = text if gsm7.segments(text) <= 2 else last.text
        out.append(message(plan, NoticeKind.UNREAD, audience, text, last.expires_at, (last.id,), now_utc))
    if now_utc >= last.created_at + waits:
        said = words.clock(last.created_at, plan.depart_zone)
        text = tongues.office.say(
            "NOT CONFIRMED by {driver} of {trip}, said {at}: {text}",
            driver=plan.driver or tongues.office.say("the driver"), trip=plan.trip_id, at=said, text=last.text,
        )  # fmt: skip
        out.append(message(plan, NoticeKind.UNREAD, Audience.DISPATCHER, text, last.expires_at, (last.id,), now_utc))
    return tuple(out)


def wait_for(plan: Plan, said_at: datetime, policy: Policy) -> timedelta:
    """How long a message may stay unconfirmed: less where the chain-up place is near."""
    acts = [s.chain_up.arrive_at for s in plan.stretches if s.advice.rank >= Advice.CHAIN.rank]
    acts += [s.enter_at for s in to_slow_for(plan) if s.enter_at > said_at]
    left = min((at - said_at for at in acts), default=policy.escalate_after / max(policy.escalate_share, 0.01))
    return max(min(policy.escalate_after, left * policy.escalate_share), policy.escalate_least)
