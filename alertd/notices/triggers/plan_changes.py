"""Compares a plan with what was last sent about its trip and returns the notices.

It sends nothing twice and gives no false relief.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from alertd.i18n import ALL_ENGLISH, Translators
from alertd.notices import surfaces
from alertd.notices.model import Notice, NoticeKind
from alertd.notices.policy import Policy
from alertd.notices.sent_state import OfficeAlarm, SentFact, fact_of
from alertd.notices.triggers import closures, wind
from alertd.notices.triggers.change_weight import new_alarms
from alertd.notices.triggers.compose import (
    Message,
    OfficeNotice,
    apply_policy,
    closure_message,
    facts_digest,
    fleet_notice,
    on_ice,
    on_thaw,
    opening_message,
    people_notices,
    relief_message,
    stretch_message,
    waits,
)
from alertd.notices.triggers.covered import is_behind_hold, is_covered
from alertd.notices.triggers.driver_orders import (
    MIN_SHIFT,
    asks_worse,
    has_other_tires,
    held_longer,
    is_further,
    is_left,
    is_past,
    is_silent,
    left_to_prepass,
    silent_row,
)
from alertd.notices.triggers.lasting import forecast_at, has_lasted
from alertd.notices.triggers.released import no_longer_held, still_held, unreleased
from alertd.notices.upheld import raised, upheld
from alertd.plan.model.notes import PositionFix
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice, Stretch, SurfaceStretch

BEHIND_AFTER = timedelta(hours=1)  # a stretch that the truck should have left longer ago is not news
AT_PLACE_M = 1_000.0  # assumed: within this a truck is at the chain-up place


def plan_notices(
    plan: Plan,
    before: Sequence[SentFact] | None,
    now_utc: datetime,
    policy: Policy | None = None,
    driver_sent_at: Sequence[datetime] = (),
    translators: Translators = ALL_ENGLISH,
) -> tuple[tuple[Notice, ...], tuple[SentFact, ...]]:
    """Return the notices that a plan requires, and the facts that apply afterwards.

    `before`: the facts last sent, None for a trip without any; driver_sent_at: times of the driver's recent messages,
    of any trip. Relief needs a complete, fresh plan that has lasted. With a partial plan the earlier facts stay, so
    that relief can follow later. A change too small to send keeps the earlier facts, so that small changes add up.
    """
    policy = policy or Policy()
    everything = tuple(before or ())
    if plan.arrived_at is not None and before is not None:
        return (), everything
    everything = tuple(left_to_prepass(b, plan, now_utc) for b in everything)
    closure_rows = [b for b in everything if closures.is_closure(b)]
    surface_rows = [b for b in everything if surfaces.is_surface(b)]
    wind_rows = [b for b in everything if wind.is_caution(b)]
    others = (*closure_rows, *surface_rows, *wind_rows)
    stretch_rows = [b for b in everything if b not in others]
    incomplete = plan.partial or plan.posted_missing
    closed = closures.new_closures(plan, closure_rows, now_utc, policy)
    ended = () if incomplete else closures.ended_closures(plan, closure_rows)
    over = tuple(b for b in ended if b.stop_id == closures.HAZARD)  # our own forecast may change back
    opened = tuple(b for b in ended if b not in over or _has_lasted(b, plan, now_utc, policy))
    position_is_old = (
        plan.position is not None and plan.position.old
    )  # the truck may have stopped, so no stretch counts as passed
    ahead = [s for s in plan.stretches if position_is_old or s.leave_at + BEHIND_AFTER > now_utc]
    here_m = plan.position.distance_m if plan.position else None
    obeyed = closures.not_released(plan, closure_rows, opened, now_utc)

    def covered(what: Stretch | SurfaceStretch) -> bool:
        """Whether a driver who obeys a hold, or a graver order, does not come to this place."""
        if isinstance(what, SurfaceStretch):
            return any(what.start_m >= b.start_m for b in obeyed) or is_behind_hold(plan, what, now_utc)
        beyond = any(what.chain_up.distance_m >= b.start_m for b in obeyed)
        return (beyond and what.advice is not Advice.HOLD) or is_covered(plan, what, now_utc)

    def message_of(s: Stretch, *, can_wait: bool = False) -> Message:
        message = stretch_message(plan, s, can_wait=can_wait, covered=covered(s))
        return replace(message, further=is_further(plan, s, now_utc, policy))

    changed = tuple(s for s in ahead if before is None or _is_news(plan, s, stretch_rows, now_utc, policy))
    icy_ahead = [s for s in surfaces.to_slow_for(plan) if position_is_old or s.leave_at + BEHIND_AFTER > now_utc]
    icy = surfaces.news(icy_ahead, surface_rows, here_m, now_utc, policy)
    wintry = surfaces.is_new_winter_road(plan, everything)
    windy = wind.news(plan, wind_rows, now_utc)
    less_windy = () if incomplete else wind.ended(plan, wind_rows)
    wind_ended = tuple(b for b in less_windy if _has_lasted(b, plan, now_utc, policy))
    # A stretch that the truck has passed or is on did not improve: its row stays.
    rows_ahead = [b for b in (*stretch_rows, *surface_rows) if here_m is None or b.core_start_m > here_m]
    milder = () if incomplete else tuple(b for b in rows_ahead if b in stretch_rows and _is_milder(b, plan, policy))
    less_icy = () if incomplete else surfaces.milder(plan, [b for b in rows_ahead if b in surface_rows], policy)
    eased = tuple(b for b in milder if _has_lasted(b, plan, now_utc, policy))
    thawed = tuple(b for b in less_icy if _has_lasted(b, plan, now_utc, policy))
    pending_rows = tuple(b for b in everything if b.pending)
    holds = unreleased(plan, everything, (*opened, *eased))
    shown_plan = raised(plan, upheld(plan, everything, now_utc), now_utc)  # never less than already sent
    raised_ahead = [s for s in shown_plan.stretches if s.leave_at + BEHIND_AFTER > now_utc]
    news = before is None or bool(
        changed or icy or wintry or windy or eased or thawed or wind_ended or closed or opened
    )
    no_more = (*milder, *less_icy, *over, *less_windy)
    unchanged = tuple(_with_milder_since(b, no_more, plan, now_utc, policy) for b in everything)
    if not news and waits(plan, now_utc, policy):
        return (), unchanged
    fresh = [*changed, *windy, *closed, *opened]
    pending = [
        *(closure_message(plan, n) for n in closed),
        *(opening_message(plan, b) for b in opened if not (holds or closures.is_still_held(plan, b))),
        *(
            message_of(s, can_wait=not asks_worse(plan, (s,), stretch_rows))
            for s in changed
            if not is_left(plan, s, stretch_rows, now_utc, policy)
        ),
        # Relief is not needed for a message that was never sent.
        *(
            _relief(plan, b, still=bool(holds or closures.holding_closures(plan)))
            for b in eased
            if _is_known(b, plan, policy)
            and not is_silent(b, policy)
            and not (_overlaps(b, changed) or _overlaps(b, icy))
        ),
        *_ice_messages(plan, icy, pending_rows, icy_ahead, covered),
        *(on_thaw(plan, b) for b in thawed if _is_known(b, plan, policy) and b.stop_id == surfaces.ICY_ROAD),
        *(wind.caution_message(plan, n) for n in windy),
        *(wind.end_message(plan, b) for b in wind_ended if _is_known(b, plan, policy)),
        *(m for b in pending_rows if (m := _pending_message(b, plan, raised_ahead, fresh, message_of))),
    ]
    pending = [_after_holds(m, plan, holds) for m in pending]
    sent, held_back = apply_policy(pending, plan, now_utc, policy, driver_sent_at)
    if not news and not sent:
        return (), unchanged
    kind = NoticeKind.PLAN if before is None else NoticeKind.EASED
    if before is not None and (icy or wintry or windy or closed or not news or asks_worse(plan, changed, stretch_rows)):
        kind = NoticeKind.WORSE
    elif before is not None and changed:
        kind = NoticeKind.CHANGED
    if not news and now_utc < plan.depart_at:
        kind = NoticeKind.EARLY  # nothing is new: it was held until the driver can use it
    lineage = facts_digest(everything)
    # Frost and snow without chains are on the board and in the brief: a message per trip each frosty night is ignored.
    notify_office = news and bool(pending or plan.advice.rank >= Advice.READY.rank)
    had = next((b.alarms for b in everything), ())
    new = new_alarms(_alarms_due(plan, kind, held_back, now_utc, policy), had, policy) if notify_office else ()
    alarms = (*(a for a in had if all(a.reason != n.reason for n in new)), *new)
    office = OfficeNotice(form="alone" if new else "digest", asks_hours=not everything) if notify_office else None
    notices = people_notices(
        shown_plan, kind, sent, office=office, lineage=lineage, now_utc=now_utc, policy=policy, translators=translators
    )
    if news:
        notices.append(fleet_notice(shown_plan, kind, lineage, now_utc))
    turn = 1 + max((b.turn for b in everything), default=0)
    rows_after = (
        *_facts_after(plan, changed, eased, stretch_rows, policy),
        *closures.facts_after(closure_rows, closed, opened),
        *surfaces.rows_after(plan, surface_rows, icy, thawed),
        *wind.rows_after(wind_rows, windy, wind_ended),
    )
    rows = (
        replace(_with_milder_since(x, no_more, plan, now_utc, policy), turn=turn, alarms=alarms) for x in rows_after
    )
    return tuple(notices), tuple(_with_sent_at(x, everything, sent, held_back, now_utc) for x in rows)


def _alarms_due(
    plan: Plan, kind: NoticeKind, held_back: Sequence[Message], now_utc: datetime, policy: Policy
) -> tuple[OfficeAlarm, ...]:
    """Return why the office must act soon: no message reaches the driver in time, or chains are short."""
    unheard = [
        m for m in held_back if not m.covered and m.rank >= Advice.CHAIN.rank and m.act_at - now_utc <= policy.soon
    ]
    short = bool(plan.singles_short) and kind in (NoticeKind.PLAN, NoticeKind.WORSE)
    out = []
    if unheard:
        rank, act_at = max(m.rank for m in unheard), min(m.act_at for m in unheard)
        out.append(OfficeAlarm(reason="driver not reached", weight=rank, at=act_at))
    if short and timedelta(0) <= plan.depart_at - now_utc <= policy.soon:
        out.append(OfficeAlarm(reason="chains short", weight=plan.singles_short, at=plan.depart_at))
    return tuple(out)


def _relief(plan: Plan, row: SentFact, *, still: bool) -> Message:
    """Return the relief of a row. That of a hold says that it ended, unless the driver is still held."""
    message = relief_message(plan, row)
    ends = row.advice is Advice.HOLD and not still
    return replace(message, words=no_longer_held(message.words), release=True) if ends else message


def _after_holds(message: Message, plan: Plan, holds: Sequence[SentFact]) -> Message:
    """Return the message, which names a hold that was sent and not ended before an order for the road after it."""
    if message.rank >= Advice.HOLD.rank:
        return message
    return replace(message, words=still_held(message.words, plan, holds, message.start_m))


def _ice_messages(
    plan: Plan,
    icy: Sequence[SurfaceStretch],
    pending_rows: Sequence[SentFact],
    icy_ahead: Sequence[SurfaceStretch],
    covered: Callable[[SurfaceStretch], bool],
) -> list[Message]:
    """Return one message about all the ice ahead if any of it is due, and one about ice behind a hold."""
    rows = [b for b in pending_rows if b.stop_id == surfaces.ICY_ROAD and b.advice is not Advice.CLEAR]
    due = [s for s in icy_ahead if s in icy or any(b.overlaps(s) for b in rows)]
    behind = [s for s in due if covered(s)]
    out = [replace(on_ice(plan, behind), covered=True)] if behind else []
    if len(due) > len(behind):
        out.append(on_ice(plan, [s for s in icy_ahead if not covered(s)]))
    return out


def _is_known(fact: SentFact, plan: Plan, policy: Policy) -> bool:
    """Whether the driver has a row, by a message about it or by the outlook. Relief is for what is known."""
    if not fact.pending:
        return True
    outlook = policy.outlook_time(plan.depart_at, plan.depart_zone)
    return fact.sent_at is not None and fact.sent_at < outlook + policy.outlook_for and plan.made_at >= outlook


def _facts_after(
    plan: Plan, changed: Sequence[Stretch], eased: Sequence[SentFact], before: Sequence[SentFact], policy: Policy
) -> tuple[SentFact, ...]:
    """Return the rows after the notices are sent: new ones, and the others as before."""
    sent = [s for s in plan.stretches if s in changed or any(b.is_about(s) for b in eased)]
    # A sent row stays until another message about the same road; milder content waits for a complete plan.
    remaining = [
        b for b in before if b not in eased and (not _overlaps(b, sent) or b.advice.rank > _rank(b, plan.stretches))
    ]
    over = [
        replace(b, advice=Advice.CLEAR, pending=False, silent=is_silent(b, policy))
        for b in eased
        if not _overlaps(b, plan.stretches)
    ]
    return (*remaining, *(_fact_after(s, before) for s in sent), *over)


def _fact_after(stretch: Stretch, before: Sequence[SentFact]) -> SentFact:
    """Return the facts of a stretch; an order that the driver still has keeps the time at which it was sent.

    It keeps the road of an order for the same place elsewhere, so that snow that moves back there is no news.
    """
    now = fact_of(stretch)
    known = silent_row(now, stretch, before)
    same = [b for b in before if b.advice is now.advice and b.is_about(stretch) and not b.overlaps(stretch)]
    if same:
        start_m, end_m = min(now.start_m, *(b.start_m for b in same)), max(now.end_m, *(b.end_m for b in same))
        now = replace(now, start_m=start_m, end_m=end_m, edge_m=now.core_start_m)
    return now if known is None else replace(now, sent_at=known.sent_at)


def _overlaps(fact: SentFact, stretches: Sequence[Stretch | SurfaceStretch]) -> bool:
    return any(fact.is_about(s) for s in stretches)


def _rank(fact: SentFact, stretches: Sequence[Stretch]) -> int:
    return max((s.advice.rank for s in stretches if fact.is_about(s)), default=Advice.CLEAR.rank)


def _is_news(plan: Plan, stretch: Stretch, before: Sequence[SentFact], now_utc: datetime, policy: Policy) -> bool:
    """Whether a reader must be notified of this stretch (again).

    A truck under way may have no listed stop left before it; the reader already has the message with the stop behind,
    so that it is past is not news. With chains on, news is that more chains or more road are required; the next
    chain-up can wait until these are off. A truck without a recent position is not known to be late. One at the
    chain-up place is installing chains.
    """
    position = plan.position
    now = fact_of(stretch)
    matches = [b for b in before if b.is_about(stretch)]
    if not matches:
        return not stretch.chained or stretch.advice.rank >= Advice.CHAIN.rank
    was = max(matches, key=lambda b: b.advice.rank)
    if now.advice.rank > was.advice.rank or now.singles_short > was.singles_short:
        return True
    if now.advice.rank == was.advice.rank and held_longer(now.until, was.until):
        # A driver who waits needs a later end only when the announced one is near.
        return was.until is not None and was.until - now_utc <= policy.soon
    if plan.chains is not None and stretch.chained and plan.chains.missing_n > 0 and has_other_tires(now, was):
        return True
    on = plan.chains is not None and not plan.chains.doubt
    if on or now.advice.rank < was.advice.rank or (position is not None and is_past(now, was)):
        return False
    # A driver who holds there holds at any hour.
    late = (
        now.advice is not Advice.HOLD
        and abs(now.at - was.at) >= MIN_SHIFT
        and (position is None or not (position.old or _is_there(position, stretch)))
    )
    hangs = plan.hanging_since is not None and stretch is plan.stretches[0]  # where, is no question any more
    moved = (not hangs and (late or not now.same_place(was))) or now.tires != was.tires
    return moved and (now.at - now_utc <= policy.soon or _gap_is_over(before, now_utc, policy))


def _is_there(position: PositionFix, stretch: Stretch) -> bool:
    return abs(position.distance_m - stretch.chain_up.distance_m) <= AT_PLACE_M


def _gap_is_over(before: Sequence[SentFact], now_utc: datetime, policy: Policy) -> bool:
    return all(b.sent_at is None or now_utc - b.sent_at >= policy.least_gap for b in before)


def _is_milder(fact: SentFact, plan: Plan, policy: Policy) -> bool:
    """Whether the plan requires less there by a margin: without one, a road near a threshold would flip repeatedly."""
    if _rank(fact, plan.stretches) >= fact.advice.rank:
        return False
    likely = max((s.probability for s in plan.stretches if fact.overlaps(s)), default=_need_on(fact, plan))
    if fact.advice is Advice.CHAIN:
        worth = max((s.chain_worth for s in plan.stretches if fact.overlaps(s)), default=0.0)
        return worth < policy.chain_cleared_worth and likely < policy.chain_cleared_probability
    return fact.advice is Advice.HOLD or likely < policy.ready_cleared_probability


def _need_on(fact: SentFact, plan: Plan) -> float:
    """Return the highest probability of needing chains on the road of the fact."""
    along = zip(plan.along.distance_m, plan.along.need_frac, strict=True)
    return max((need for at_m, need in along if fact.start_m <= at_m <= fact.end_m), default=0.0)


def _has_lasted(fact: SentFact, plan: Plan, now_utc: datetime, policy: Policy) -> bool:
    return has_lasted(fact.milder_since, fact.milder_on, plan, now_utc, policy)


def _with_milder_since(
    fact: SentFact, milder: Sequence[SentFact], plan: Plan, now_utc: datetime, policy: Policy
) -> SentFact:
    """Return the row with the time since when the plan has been milder; a worse or partial plan restarts it.

    It does not begin by a doubted clock.
    """
    if fact not in milder:
        known = fact.milder_since is not None or fact.milder_on is not None
        return replace(fact, milder_since=None, milder_on=None) if known else fact
    if fact.milder_since is not None or not policy.may_ease:
        return fact
    return replace(fact, milder_since=now_utc, milder_on=forecast_at(plan))


def _pending_message(
    fact: SentFact,
    plan: Plan,
    ahead: Sequence[Stretch],
    news: Sequence[object],
    message_of: Callable[[Stretch], Message],
) -> Message | None:
    """Return the message still pending for the driver, as it applies now; None if new messages cover it."""
    if fact in news:
        return None
    if closures.is_closure(fact):
        notes = [n for n in closures.holding_closures(plan) if closures.is_same(fact, n)]
        if fact.advice is Advice.CLEAR:
            return opening_message(plan, fact)
        return closure_message(plan, notes[0]) if notes and notes[0] not in news else None
    if wind.is_caution(fact):
        return wind.pending_message(plan, fact, news)
    if fact.stop_id == surfaces.ICY_ROAD:
        return on_thaw(plan, fact) if fact.advice is Advice.CLEAR else None
    here = [s for s in ahead if fact.overlaps(s)]
    if not here:
        return relief_message(plan, fact) if fact.advice is Advice.CLEAR else None
    first = max(here, key=lambda s: s.advice.rank)
    if first in news:
        return None
    return message_of(first)


def _with_sent_at(
    fact: SentFact, before: Sequence[SentFact], sent: Sequence[Message], held_back: Sequence[Message], now_utc: datetime
) -> SentFact:
    """Return the row with its sending time, and whether it is still pending for the driver."""

    def about(messages: Sequence[Message]) -> bool:
        same = [m for m in messages if m.about == fact.stop_id or not (m.about or wind.is_caution(fact))]
        return any(m.start_m <= fact.end_m and m.end_m >= fact.start_m for m in same)

    if fact.stop_id == surfaces.WINTER_ROAD:  # has no message of its own
        return fact
    # A covered message waits for the very row that covers it: that one has been sent.
    behind = closures.is_closure(fact)
    if about([m for m in held_back if not (m.covered and (behind or m.rank < fact.advice.rank))]):
        return replace(fact, pending=True, sent_at=now_utc)
    if about(sent):
        return replace(fact, pending=False, sent_at=now_utc)
    return fact
