"""Composes notices from messages: recipient, text, and what is delayed for the driver."""

import hashlib
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import lru_cache, partial
from typing import Final, Literal, TypeAlias

from alertd.i18n import ENGLISH, Translator, Translators
from alertd.notices import surfaces
from alertd.notices.formats.webhook_event import FORMAT, message_event, plan_event
from alertd.notices.model import Audience, Notice, NoticeKind, notice_id
from alertd.notices.policy import Policy, recipient
from alertd.notices.sent_state import SentFact, fact_of, facts_to_plain
from alertd.notices.text import gsm7, phrases
from alertd.notices.text.dispatcher import dispatcher_text
from alertd.notices.text.driver_sms import MAX_SEGMENTS, driver_text, eased_text
from alertd.notices.triggers import closures
from alertd.plan.model.notes import ClosureNote
from alertd.plan.model.plan import POSTED_SIGNS_DECIDE, Plan
from alertd.plan.model.stretches import Advice, Stretch, SurfaceStretch
from alertd.plan.serialize import canonical, to_plain

MIN_LIFE = timedelta(minutes=15)
OfficeForm: TypeAlias = Literal["alone", "digest"]
# A driver under way must know these before the next digest; any other waits for it.
ALONE_KINDS: Final = frozenset((NoticeKind.PLAN, NoticeKind.WORSE))
LINK_WORDS = " Confirm: "


@dataclass(frozen=True, slots=True, kw_only=True)
class OfficeNotice:
    """How the office gets news of a trip. asks_hours: the first text of a trip names the hours that were not given."""

    form: OfficeForm
    asks_hours: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """Text about one stretch or closure. start_m, end_m: the road it is about; key: its part of a notice's id.

    words: the text in a language. act_at: latest time of the driver's action; rank: of the advice, for priority.
    can_wait: a driver who keeps to what was sent acts in time, so it may wait until `Policy.soon` before its action.
    covered: a graver message has the driver stop before it, so it waits until that one no longer applies.
    further: of a driver who has not left, about a place after the one to act at first; its pre-pass text suffices.
    release: the end of a hold: the truck stands until the driver hears it, so it goes to the office at once.
    """

    words: Callable[[Translator], str]
    start_m: float
    end_m: float
    expires_at: datetime
    act_at: datetime
    rank: int
    key: str
    advice: Advice | None = None  # of the text, if it differs from that of `rank`
    about: str = ""  # `stop_id` of the facts that it is about, where others on the same road have messages of their own
    can_wait: bool = False
    covered: bool = False
    further: bool = False
    release: bool = False


def facts_digest(facts: Sequence[SentFact]) -> str:
    """Return a digest of the facts, independent of when and how they were sent."""
    return _digest(tuple(facts))


@lru_cache(maxsize=8192)  # each cycle asks again for the stretches of plans that stay
def _digest(facts: tuple[SentFact, ...]) -> str:
    bare = [SentFact(**{name: getattr(s, name) for name in _FACTS}) for s in facts]
    return hashlib.sha256(canonical(facts_to_plain(bare)).encode()).hexdigest()[:16]


_FACTS = ("advice", "start_m", "end_m", "place", "stop_id", "tires", "singles_short", "at", "until", "turn")


def stretch_message(plan: Plan, stretch: Stretch, *, can_wait: bool = False, covered: bool = False) -> Message:
    """Return the message about a stretch."""
    at = stretch.chain_up.arrive_at
    return Message(
        words=partial(instruction, plan, stretch),
        can_wait=can_wait,
        covered=covered,
        start_m=stretch.start_m,
        end_m=stretch.end_m,
        expires_at=at + timedelta(hours=1),
        act_at=min(at, plan.depart_at) if plan.position is None else at,
        rank=stretch.advice.rank,
        key=facts_digest((fact_of(stretch),)),
    )


def relief_message(plan: Plan, fact: SentFact) -> Message:
    """Return a relief message.

    Where chains are still required, or the road is icy without them, it is the full instruction: "looks better" would
    hide it.
    """
    still = [s for s in plan.stretches if fact.overlaps(s) and s.advice.rank >= Advice.CHAIN.rank]
    icy = [s for s in surfaces.to_slow_for(plan) if fact.overlaps(s)]
    if still:
        words = partial(instruction, plan, still[0])
    else:
        words = partial(surfaces.ice_text, plan, icy) if icy else partial(eased_text, plan, fact.place)
    return Message(
        words=words,
        start_m=fact.start_m,
        end_m=fact.end_m,
        expires_at=plan.arrive_at,
        act_at=plan.arrive_at,
        rank=Advice.CLEAR.rank,
        key=facts_digest((fact,)),
    )


def on_ice(plan: Plan, runs: Sequence[SurfaceStretch]) -> Message:
    """Return one message about icy runs in route order. It ranks with chains: a driver must get it at night too."""
    first, last = runs[0], runs[-1]
    return Message(
        words=partial(surfaces.ice_text, plan, runs),
        start_m=first.start_m,
        end_m=last.end_m,
        expires_at=max(last.leave_at, first.enter_at + timedelta(hours=1)),
        act_at=min(first.enter_at, plan.depart_at) if plan.position is None else first.enter_at,
        rank=Advice.CHAIN.rank,
        key=facts_digest(tuple(map(surfaces.surface_facts, runs))),
        advice=Advice.SLOW,
        about=surfaces.ICY_ROAD,
    )


def on_thaw(plan: Plan, fact: SentFact) -> Message:
    """Return a message about reported ice that is no longer expected."""
    return Message(
        words=partial(surfaces.thawed_text, plan, fact),
        start_m=fact.start_m,
        end_m=fact.end_m,
        expires_at=plan.arrive_at,
        act_at=plan.arrive_at,
        rank=Advice.CLEAR.rank,
        key=facts_digest((fact,)),
    )


def closure_message(plan: Plan, note: ClosureNote) -> Message:
    """Return the message about a closure."""
    return Message(
        words=partial(closures.closure_text, plan, note),
        start_m=note.start_m,
        end_m=note.end_m,
        expires_at=note.enter_at + timedelta(hours=1),
        act_at=min(note.enter_at, plan.depart_at) if plan.position is None else note.enter_at,
        rank=Advice.HOLD.rank,
        key=facts_digest((closures.closure_facts(note),)),
    )


def opening_message(plan: Plan, fact: SentFact) -> Message:
    """Return the message that a closure has ended."""
    return Message(
        words=partial(closures.closure_ended_text, fact),
        start_m=fact.start_m,
        end_m=fact.end_m,
        expires_at=plan.arrive_late,
        act_at=plan.arrive_late,
        rank=Advice.CLEAR.rank,
        key=facts_digest((fact,)),
        release=True,
    )


def instruction(plan: Plan, stretch: Stretch, translator: Translator = ENGLISH) -> str:
    """Return the driver's text, or the dispatcher's if it does not fit: a long text is better than none."""
    try:
        return driver_text(plan, stretch, translator)
    except ValueError:
        return dispatcher_text(plan)


def waits(plan: Plan, now_utc: datetime, policy: Policy) -> bool:
    """Whether the departure is too far for any message to the driver."""
    return plan.depart_at - now_utc > policy.before_rolling


def apply_policy(
    messages: Sequence[Message], plan: Plan, now_utc: datetime, policy: Policy, sent_at: Sequence[datetime]
) -> tuple[list[Message], list[Message]]:
    """Split messages into those to send now and those that wait, each in route order.

    A driver gets everything about a trip together, `before_rolling` its departure. Under way only a change that the
    driver need not know yet waits.
    """
    if waits(plan, now_utc, policy):
        return [], list(messages)
    if any(m.covered or m.further for m in messages):
        first = [m for m in messages if not (m.covered or m.further)]
        sent, late = apply_policy(first, plan, now_utc, policy, sent_at)
        return sent, [m for m in messages if m.covered or m.further or m in late]
    if now_utc >= plan.depart_at:
        early = [m for m in messages if m.can_wait and m.act_at - now_utc > policy.soon]
        if early:
            sent, late = apply_policy([m for m in messages if m not in early], plan, now_utc, policy, sent_at)
            return sent, [m for m in messages if m in late or m in early]
    if recipient(plan, now_utc, policy)[0] is Audience.DISPATCHER:
        return list(messages), []
    quiet = policy.is_quiet(now_utc, plan.depart_zone)
    awake = [m for m in messages if not quiet or (m.rank >= Advice.CHAIN.rank and _yields(m, now_utc, policy))]
    weightiest = sorted(awake, key=lambda m: (-m.rank, m.act_at, m.start_m))[: policy.messages_left(sent_at, now_utc)]
    return [m for m in messages if m in weightiest], [m for m in messages if m not in weightiest]


def _yields(message: Message, now_utc: datetime, policy: Policy) -> bool:
    return message.act_at - now_utc <= policy.quiet_yields


def people_notices(
    plan: Plan,
    kind: NoticeKind,
    messages: Sequence[Message],
    *,
    office: OfficeNotice | None,
    lineage: str,
    now_utc: datetime,
    policy: Policy,
    translators: Translators,
) -> list[Notice]:
    """Return the driver's messages, and one for the dispatcher if `news`.

    A dispatcher who passes the driver's messages on needs no second text. office: how the dispatcher is notified of
    news, None where there is none.
    """
    audience = recipient(plan, now_utc, policy)[0]
    out = [
        person_notice(
            plan,
            NoticeDraft(
                kind,
                audience,
                driver_words(m.words, plan, now_utc, policy, translators),
                m.expires_at,
                (m.key, lineage),
                advice=m.advice or (list(Advice)[m.rank] if m.rank > Advice.CLEAR.rank else None),
                marks=pass_on_marks(plan, now_utc, policy, alone=kind in ALONE_KINDS or m.release),
            ),
            now_utc,
        )
        for m in messages
    ]
    if office is not None and audience is Audience.DRIVER:
        text, key = dispatcher_text(plan, asks=office.asks_hours), facts_digest(all_facts(plan))
        marks = ("digest",) if office.form == "digest" and policy.digest_every else ()
        draft = NoticeDraft(kind, Audience.DISPATCHER, text, plan.arrive_at, (key, lineage), marks=marks)
        out.append(person_notice(plan, draft, now_utc))
    return out


def pass_on_marks(plan: Plan, now_utc: datetime, policy: Policy, *, alone: bool = False) -> tuple[str, ...]:
    """Return the marks of a driver's message: those of one for the office to pass on, or none."""
    if recipient(plan, now_utc, policy)[0] is Audience.DRIVER:
        return ()
    return ("pass_on",) if alone or not policy.digest_every else ("pass_on", "digest")


def driver_words(
    words: Callable[[Translator], str], plan: Plan, now_utc: datetime, policy: Policy, translators: Translators
) -> str:
    """Return a driver's text; where the office passes it on, in the office's language with the original below."""
    audience, prefix = recipient(plan, now_utc, policy, translators.office)
    original = words(translators.driver)
    if audience is Audience.DRIVER:
        return original
    if translators.driver.language == translators.office.language:
        return prefix + original
    return f"{prefix}{words(translators.office)}\n({translators.driver.language}) {original}"


@dataclass(frozen=True, slots=True)
class NoticeDraft:
    """The parts of one notice to people. content: makes its id unique among the notices of its kind on a trip.

    same_for_all: the id is equal for every audience, so that a message the driver had is not passed on again.
    advice, marks: see `message_event`.
    """

    kind: NoticeKind
    audience: Audience
    text: str
    expires_at: datetime
    content: tuple[str, ...]
    same_for_all: bool = False
    advice: Advice | None = None
    marks: tuple[str, ...] = ()


def person_notice(plan: Plan, draft: NoticeDraft, now_utc: datetime) -> Notice:
    """One notice to people about a plan."""
    kind, audience, text = draft.kind, draft.audience, draft.text
    id_ = notice_id(kind, Audience.DRIVER if draft.same_for_all else audience, plan.trip_id, *draft.content)
    return Notice(
        id=id_,
        kind=kind,
        audience=audience,
        trip_id=plan.trip_id,
        plan_id=plan.id,
        created_at=now_utc,
        expires_at=max(draft.expires_at, now_utc + MIN_LIFE),
        text=text,
        body=canonical(message_event(id_, kind, audience, plan, text, now_utc, draft.advice, draft.marks)),
    )


def fleet_notice(plan: Plan, kind: NoticeKind, lineage: str, now_utc: datetime) -> Notice:
    """Return the plan as a notice to the fleet's systems."""
    id_ = notice_id(kind, Audience.FLEET, plan.trip_id, facts_digest(all_facts(plan)), lineage)
    return Notice(
        id=id_,
        kind=kind,
        audience=Audience.FLEET,
        trip_id=plan.trip_id,
        plan_id=plan.id,
        created_at=now_utc,
        expires_at=plan.arrive_late + timedelta(hours=24),
        text=f"{plan.trip_id}: {plan.advice} ({phrases.SIGNS})",
        body=canonical(plan_event(id_, kind, plan, now_utc)),
    )


def all_facts(plan: Plan) -> tuple[SentFact, ...]:
    """Return the facts of all stretches, closures and surfaces of a plan."""
    held = map(closures.closure_facts, closures.holding_closures(plan))
    return (*map(fact_of, plan.stretches), *held, *surfaces.all_facts(plan))


def office_notice(
    event_type: str, content: tuple[str, ...], text: str, useful_for: timedelta, now_utc: datetime, **data: object
) -> Notice:
    """Return a notice to the office. Equal `content` is the same notice. data: further fields of the event's body."""
    trip_id = str(data.get("trip_id", ""))
    id_ = notice_id(NoticeKind.DATA, Audience.DISPATCHER, *content)
    sent = {"notice_id": id_, "kind": NoticeKind.DATA.value, "authority": POSTED_SIGNS_DECIDE, **data, "text": text}
    body = {"type": event_type, "format": FORMAT, "timestamp": to_plain(now_utc), "data": sent}
    return Notice(
        id=id_,
        kind=NoticeKind.DATA,
        audience=Audience.DISPATCHER,
        trip_id=trip_id,
        plan_id="",
        created_at=now_utc,
        expires_at=now_utc + useful_for,
        text=text,
        body=canonical(body),
    )


def with_link(notices: Sequence[Notice], link: str) -> list[Notice]:
    """Return the notices, with " Confirm: " and the link in those to the driver if it fits two GSM-7 segments.

    The id stays: it depends on the content, not on the wording.
    """
    return [_linked(n, link) if n.audience is Audience.DRIVER and link else n for n in notices]


def _linked(notice: Notice, link: str) -> Notice:
    text = f"{notice.text}{LINK_WORDS}{link}"
    if gsm7.to_gsm7(text) != text or gsm7.segments(text) > MAX_SEGMENTS:
        return notice
    body = json.loads(notice.body)
    body["data"]["text"] = text
    return replace(notice, text=text, body=canonical(body))
