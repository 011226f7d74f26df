"""Escalates unconfirmed urgent messages: one reminder to the driver, then a dispatcher notice."""

import json
from collections.abc import Collection, Sequence
from datetime import datetime, timedelta

from alertd.i18n import ALL_ENGLISH, Translators
from alertd.notices.model import Audience, Notice, NoticeKind
from alertd.notices.policy import Policy, recipient
from alertd.notices.surfaces import to_slow_for
from alertd.notices.text import phrases
from alertd.notices.text.driver_sms import shortened
from alertd.notices.triggers.compose import LINK_WORDS, NoticeDraft, person_notice
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice

URGENT_KINDS = frozenset((NoticeKind.PLAN, NoticeKind.WORSE, NoticeKind.EARLY, NoticeKind.APPROACH))


def escalations(
    plan: Plan,
    sent: Sequence[Notice],
    confirmed: Collection[str],
    now_utc: datetime,
    policy: Policy,
    translators: Translators = ALL_ENGLISH,
) -> tuple[Notice, ...]:
    """Return a reminder and a message to the dispatcher, each once, about the gravest unconfirmed message.

    `sent`: notices about the trip; `confirmed`: ids of notices that the driver has confirmed. Empty when the trip
    requires no chains and has no ice without them. The reminder waits from the driver's last message about the trip on.
    The dispatcher's message waits from the unconfirmed one on: further messages do not delay it.
    """
    if not policy.escalate_after or not (plan.advice.rank >= Advice.CHAIN.rank or to_slow_for(plan)):
        return ()
    last = gravest(plan, sent, confirmed, now_utc)
    if last is None:
        return ()
    wait = confirmation_wait(plan, last.created_at, policy)
    out = []
    audience, _ = recipient(plan, now_utc, policy, translators.office)
    newest_at = max(n.created_at for n in sent if n.audience is Audience.DRIVER and n.kind is not NoticeKind.UNREAD)
    if now_utc >= newest_at + max(wait / 2, policy.escalate_least) and audience is Audience.DRIVER:
        # A link at the end is added again where it fits.
        lead = translators.driver.gettext("REMINDER, not confirmed: ")
        text = shortened(last.text.partition(LINK_WORDS)[0], lead, translators.driver)
        out.append(
            person_notice(plan, NoticeDraft(NoticeKind.UNREAD, audience, text, last.expires_at, (last.id,)), now_utc)
        )
    if now_utc >= last.created_at + wait:
        when = phrases.clock_time(last.created_at, plan.depart_zone)
        text = translators.office.gettext(
            "NOT CONFIRMED by {driver} of {trip}, sent {at}: {text}",
            driver=plan.driver or translators.office.gettext("the driver"), trip=plan.trip_id, at=when, text=last.text,
        )  # fmt: skip
        near = next_act_at(plan, now_utc)
        alone = not policy.digest_every or (near is not None and near - now_utc <= policy.soon)
        marks = () if alone else ("digest",)
        draft = NoticeDraft(NoticeKind.UNREAD, Audience.DISPATCHER, text, last.expires_at, (last.id,), marks=marks)
        out.append(person_notice(plan, draft, now_utc))
    return tuple(out)


def gravest(plan: Plan, sent: Sequence[Notice], confirmed: Collection[str], now_utc: datetime) -> Notice | None:
    """Return the driver's urgent message that most needs confirmation; None if there is none.

    Ordered by advice, then the newest, then the one whose place comes first. A confirmation of a later message covers
    the earlier ones. A mere change needs none, but replaces what it changes. A message that requires more than the
    present plan, or that has expired, needs no reminder.
    """
    mine = [n for n in sent if n.audience is Audience.DRIVER]
    confirmed_until = max((n.created_at for n in mine if n.id in confirmed), default=None)
    open_ = [
        n
        for n in mine
        if (n.kind in URGENT_KINDS or n.kind is NoticeKind.CHANGED)
        and (confirmed_until is None or n.created_at > confirmed_until)
        and n.expires_at > now_utc
        and rank_of(n, plan.advice) <= plan.advice.rank
    ]
    if all(n.kind is NoticeKind.CHANGED for n in open_):  # a driver who keeps to what was confirmed acts in time
        return None
    return max(open_, key=lambda n: (rank_of(n, plan.advice), n.created_at, *_sooner(n)), default=None)


def newest(sent: Sequence[Notice]) -> Notice | None:
    """Return the newest message; of those sent together the gravest, then the one whose place comes first."""
    return max(sent, key=lambda n: (n.created_at, rank_of(n, Advice.CLEAR), *_sooner(n)), default=None)


def rank_of(notice: Notice, otherwise: Advice) -> int:
    """Return the rank of a message's advice; that of `otherwise` if the message has none."""
    advice = json.loads(notice.body).get("data", {}).get("advice", otherwise.value)
    return Advice(advice).rank if advice in list(Advice) else otherwise.rank


def _sooner(notice: Notice) -> tuple[float, str]:
    return -notice.expires_at.timestamp(), notice.id


def confirmation_wait(plan: Plan, sent_at: datetime, policy: Policy) -> timedelta:
    """Return how long a message may stay unconfirmed: less if the chain-up place is near."""
    acts = _act_times(plan, sent_at)
    left = min((at - sent_at for at in acts), default=policy.escalate_after / max(policy.escalate_share, 0.01))
    return max(min(policy.escalate_after, left * policy.escalate_share), policy.escalate_least)


def next_act_at(plan: Plan, now_utc: datetime) -> datetime | None:
    """Return when a driver must act next, None if nothing is left."""
    return min((at for at in _act_times(plan, now_utc) if at > now_utc), default=None)


def _act_times(plan: Plan, since: datetime) -> list[datetime]:
    acts = [s.chain_up.arrive_at for s in plan.stretches if s.advice.rank >= Advice.CHAIN.rank]
    return acts + [s.enter_at for s in to_slow_for(plan) if s.enter_at > since]
