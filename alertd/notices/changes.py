"""What is worth saying: a plan against what was last said of that trip. Nothing twice, no false relief."""

import hashlib
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import TypeAlias

from alertd.notices import closures, words
from alertd.notices.dispatcher import dispatcher_text
from alertd.notices.driver import driver_text, eased_text
from alertd.notices.event import message_event, plan_event
from alertd.notices.notice import Audience, Notice, NoticeKind, notice_id
from alertd.notices.said import Said
from alertd.plan.record import canonical, to_plain
from alertd.plan.result import Advice, ClosureNote, Plan, Stretch

BEHIND_AFTER = timedelta(hours=1)  # a stretch that the truck should have left longer ago is no news to anybody
_Words: TypeAlias = tuple[str, datetime, str]  # a text, when it is of no more use, and its part of the notice's id

MOVED = timedelta(minutes=60)  # an onset that moves less is no news; the board still shows it


def facts(stretch: Stretch) -> Said:
    return Said(
        advice=stretch.advice,
        start_m=stretch.start_m,
        end_m=stretch.end_m,
        place=stretch.place,
        stop_id=stretch.chain_up.stop_id,
        tires=stretch.tires_short_words,
        singles_short=stretch.hanging.singles_short,
        at=stretch.chain_up.arrive_at,
        until=stretch.hold_until,
    )


def said_from_plain(rows: Sequence[dict[str, object]]) -> tuple[Said, ...]:
    """Facts back from their stored JSON."""
    return tuple(
        Said(
            advice=Advice(str(r["advice"])),
            start_m=float(str(r["start_m"])),
            end_m=float(str(r["end_m"])),
            place=str(r["place"]),
            stop_id=str(r["stop_id"]),
            tires=str(r["tires"]),
            singles_short=int(str(r["singles_short"])),
            at=datetime.fromisoformat(str(r["at"])),
            until=datetime.fromisoformat(str(r["until"])) if r.get("until") else None,
            turn=int(str(r.get("turn", 0))),
        )
        for r in rows
    )


def to_say(plan: Plan, before: Sequence[Said] | None, now_utc: datetime) -> tuple[tuple[Notice, ...], tuple[Said, ...]]:
    """The notices a plan calls for, and the facts that then stand as said.

    `before` is None for a trip of which nothing was said yet. Relief is only given on a whole, fresh plan; on a
    partial one the facts said before keep standing, so that it can still be given later. What moved too little to be
    said keeps standing as it was said, so that small moves add up.
    """
    everything = before or ()
    shut = [b for b in everything if closures.is_closure(b)]
    before = None if before is None else [b for b in before if not closures.is_closure(b)]
    closed, opened = (
        closures.news(plan, shut),
        () if plan.partial or plan.posted_missing else closures.lifted(plan, shut),
    )
    ahead = [s for s in plan.stretches if s.leave_at + BEHIND_AFTER > now_utc]
    here_m = plan.position.distance_m if plan.position else None
    worse = tuple(s for s in ahead if _worse(s, before, under_way=here_m is not None))
    # What a truck is past or in did not get better: it is no news, and stands as it was said.
    hoped = [b for b in before or () if here_m is None or b.start_m > here_m]
    eased = () if plan.partial or plan.posted_missing else tuple(b for b in hoped if _is_eased(b, plan.stretches))
    if before is not None and not (worse or eased or closed or opened):
        return (), tuple(everything)
    kind = NoticeKind.PLAN if before is None else NoticeKind.WORSE if worse or closed else NoticeKind.EASED
    lineage = _digest(everything)
    texts = [*_on_closures(plan, closed, opened), *_on_stretches(plan, worse, eased)]
    notices = [*_to_people(plan, kind, texts, lineage, now_utc), _to_fleet(plan, kind, lineage, now_utc)]
    turn = 1 + max((b.turn for b in everything), default=0)
    stands = (*_standing(plan, worse, eased, before or ()), *closures.standing(shut, closed, opened))
    return tuple(notices), tuple(replace(x, turn=turn) for x in stands)


def _standing(plan: Plan, worse: Sequence[Stretch], eased: Sequence[Said], before: Sequence[Said]) -> tuple[Said, ...]:
    """What stands as said once the notices are out: the news, and of the rest what was said before."""
    told = [s for s in plan.stretches if s in worse or any(_meets(b, [s]) for b in eased)]
    # What a reader was told stands until other words on the same road; milder words wait for a whole plan.
    kept = [b for b in before if b not in eased and (not _meets(b, told) or b.advice.rank > _rank(b, plan.stretches))]
    over = [replace(b, advice=Advice.CLEAR) for b in eased if not _meets(b, plan.stretches)]
    return (*kept, *(facts(s) for s in told), *over)


def _meets(said: Said, stretches: Sequence[Stretch]) -> bool:
    return any(s.start_m <= said.end_m and s.end_m >= said.start_m for s in stretches)


def _rank(said: Said, stretches: Sequence[Stretch]) -> int:
    return max((s.advice.rank for s in stretches if _meets(said, [s])), default=Advice.CLEAR.rank)


def _worse(stretch: Stretch, before: Sequence[Said] | None, *, under_way: bool) -> bool:
    """True when a reader must hear of this stretch (again).

    A truck under way that has no stop left before it was told of the one behind: that it is past it is no news.
    """
    if before is None:
        return True
    now = facts(stretch)
    matches = [b for b in before if _meets(b, [stretch])]
    if not matches:
        return True
    was = max(matches, key=lambda b: b.advice.rank)
    if now.advice.rank > was.advice.rank or now.singles_short > was.singles_short:
        return True
    if now.advice.rank == was.advice.rank and _held_longer(now.until, was.until):
        return True
    if now.advice.rank < was.advice.rank or (under_way and not now.stop_id):
        return False
    return now.stop_id != was.stop_id or now.tires != was.tires or abs(now.at - was.at) >= MOVED


def _held_longer(until: datetime | None, was: datetime | None) -> bool:
    """Whether a driver who waits for the hour that was said waits for the wrong one. Sooner is no news."""
    return was is not None and (until is None or until - was >= MOVED)


def _is_eased(said: Said, stretches: Sequence[Stretch]) -> bool:
    return _rank(said, stretches) < said.advice.rank


def _all_facts(plan: Plan) -> tuple[Said, ...]:
    return (*map(facts, plan.stretches), *map(closures.closure_facts, closures.held_for(plan)))


def _digest(said: Sequence[Said]) -> str:
    return hashlib.sha256(canonical(to_plain(tuple(said))).encode()).hexdigest()[:16]


def _on_stretches(plan: Plan, worse: Sequence[Stretch], eased: Sequence[Said]) -> list[_Words]:
    texts = [(_order(plan, s), s.chain_up.arrive_at + timedelta(hours=1), _digest((facts(s),))) for s in worse]
    return texts + [(_relief(plan, b), plan.arrive_at, _digest((b,))) for b in eased if not _meets(b, worse)]


def _on_closures(plan: Plan, closed: Sequence[ClosureNote], opened: Sequence[Said]) -> list[_Words]:
    texts = [
        (closures.closure_text(plan, n), n.enter_at + timedelta(hours=1), _digest((closures.closure_facts(n),)))
        for n in closed
    ]
    return texts + [(closures.lifted_text(b), plan.arrive_late, _digest((b,))) for b in opened]


def _to_people(plan: Plan, kind: NoticeKind, texts: Sequence[_Words], lineage: str, now_utc: datetime) -> list[Notice]:
    """Texts for the driver, and one for the dispatcher where anything is asked of anybody.

    A driver may be at the wheel once the truck should be rolling, so from then on the dispatcher gets the driver's
    words to pass on when the truck is parked (49 CFR 392.80: reading a text while driving is texting).
    """
    rolling = now_utc >= plan.depart_at
    audience = Audience.DISPATCHER if rolling else Audience.DRIVER
    prefix = f"PASS ON WHEN PARKED to {plan.driver or 'the driver'}: " if rolling else ""
    out = [
        _notice(plan, kind, audience, prefix + text, expires_at, (key, lineage), now_utc)
        for text, expires_at, key in texts
    ]
    if (texts or plan.advice is not Advice.CLEAR) and not rolling:
        key = _digest(_all_facts(plan))
        out.append(
            _notice(plan, kind, Audience.DISPATCHER, dispatcher_text(plan), plan.arrive_at, (key, lineage), now_utc)
        )
    return out


def _relief(plan: Plan, said: Said) -> str:
    """Less than was said. Where chains are still to be hung, the whole instruction: "looks better" would hide it."""
    still = [s for s in plan.stretches if _meets(said, [s]) and s.advice.rank >= Advice.CHAIN.rank]
    return _order(plan, still[0]) if still else eased_text(plan, said.place)


def _order(plan: Plan, stretch: Stretch) -> str:
    """The driver's text; the dispatcher's where it will not fit, for words too long are better than none."""
    try:
        return driver_text(plan, stretch)
    except ValueError:
        return dispatcher_text(plan)


def _notice(
    plan: Plan,
    kind: NoticeKind,
    audience: Audience,
    text: str,
    expires_at: datetime,
    said: tuple[str, ...],
    now_utc: datetime,
) -> Notice:
    id_ = notice_id(kind, audience, plan.trip_id, *said)
    return Notice(
        id=id_,
        kind=kind,
        audience=audience,
        trip_id=plan.trip_id,
        plan_id=plan.id,
        created_at=now_utc,
        expires_at=max(expires_at, now_utc + timedelta(minutes=15)),
        text=text,
        body=canonical(message_event(id_, kind, audience, plan, text, now_utc)),
    )


def _to_fleet(plan: Plan, kind: NoticeKind, lineage: str, now_utc: datetime) -> Notice:
    id_ = notice_id(kind, Audience.FLEET, plan.trip_id, _digest(_all_facts(plan)), lineage)
    return Notice(
        id=id_,
        kind=kind,
        audience=Audience.FLEET,
        trip_id=plan.trip_id,
        plan_id=plan.id,
        created_at=now_utc,
        expires_at=plan.arrive_late + timedelta(hours=24),
        text=f"{plan.trip_id}: {plan.advice} ({words.SIGNS})",
        body=canonical(plan_event(id_, kind, plan, now_utc)),
    )
