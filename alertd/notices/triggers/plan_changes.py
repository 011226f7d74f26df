"""Compares a plan with what was last sent about its trip and returns the notices.

It sends nothing twice and gives no false relief.
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from alertd.i18n import ALL_ENGLISH, Translators
from alertd.notices import surfaces
from alertd.notices.model import Notice, NoticeKind
from alertd.notices.policy import Policy
from alertd.notices.sent_state import SentFact, fact_of
from alertd.notices.triggers import closures, wind
from alertd.notices.triggers.change_weight import is_worse
from alertd.notices.triggers.compose import (
    Message,
    OfficeForm,
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
)
from alertd.notices.triggers.covered import has_prepass_text, is_behind_hold, is_covered, is_further_place
from alertd.notices.triggers.lasting import forecast_at, has_lasted
from alertd.notices.upheld import raised, upheld
from alertd.plan.chain_up.unlisted_places import is_unlisted
from alertd.plan.model.notes import PositionFix
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice, Stretch, SurfaceStretch

BEHIND_AFTER = timedelta(hours=1)  # a stretch that the truck should have left longer ago is not news
AT_PLACE_M = 1_000.0  # assumed: within this a truck is at the chain-up place
MIN_SHIFT = timedelta(minutes=60)  # a smaller shift of the onset is not news; the board still shows it


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
    everything = tuple(_left_to_prepass(b, plan, now_utc) for b in everything)
    closure_rows = [b for b in everything if closures.is_closure(b)]
    surface_rows = [b for b in everything if surfaces.is_surface(b)]
    wind_rows = [b for b in everything if wind.is_caution(b)]
    others = (*closure_rows, *surface_rows, *wind_rows)
    stretch_rows = [b for b in everything if b not in others]
    incomplete = plan.partial or plan.posted_missing
    closed = closures.new_closures(plan, closure_rows)
    ended = () if incomplete else closures.ended_closures(plan, closure_rows)
    calmer = tuple(b for b in ended if b.stop_id == closures.HAZARD)  # our own forecast may change back
    opened = tuple(b for b in ended if b not in calmer or _has_lasted(b, plan, now_utc, policy))
    position_is_old = (
        plan.position is not None and plan.position.old
    )  # the truck may have stopped, so no stretch counts as passed
    ahead = [s for s in plan.stretches if position_is_old or s.leave_at + BEHIND_AFTER > now_utc]
    here_m = plan.position.distance_m if plan.position else None
    told = tuple(s for s in ahead if before is None or _is_news(plan, s, stretch_rows, now_utc, policy))
    icy_ahead = [s for s in surfaces.to_slow_for(plan) if position_is_old or s.leave_at + BEHIND_AFTER > now_utc]
    icy = surfaces.news(icy_ahead, surface_rows, here_m, now_utc, policy)
    wintry = surfaces.is_new_winter_road(plan, everything)
    windy = wind.news(plan, wind_rows, now_utc)
    gone = () if incomplete else wind.ended(plan, wind_rows)
    calm = tuple(b for b in gone if _has_lasted(b, plan, now_utc, policy))
    # A stretch that the truck has passed or is on did not improve: its row stays.
    rows_ahead = [b for b in (*stretch_rows, *surface_rows) if here_m is None or b.core_start_m > here_m]
    milder = () if incomplete else tuple(b for b in rows_ahead if b in stretch_rows and _is_milder(b, plan, policy))
    less_icy = () if incomplete else surfaces.milder(plan, [b for b in rows_ahead if b in surface_rows], policy)
    eased = tuple(b for b in milder if _has_lasted(b, plan, now_utc, policy))
    thawed = tuple(b for b in less_icy if _has_lasted(b, plan, now_utc, policy))
    pending_rows = tuple(b for b in everything if b.pending)
    shown_plan = raised(plan, upheld(plan, everything, now_utc), now_utc)  # never less than already sent
    raised_ahead = [s for s in shown_plan.stretches if s.leave_at + BEHIND_AFTER > now_utc]
    news = before is None or bool(told or icy or wintry or windy or eased or thawed or calm or closed or opened)
    fresh = [*told, *icy, *windy, *closed, *opened]
    pending = [
        *(closure_message(plan, n) for n in closed),
        *(opening_message(plan, b) for b in opened),
        *(
            replace(
                stretch_message(
                    plan, s, can_wait=not _is_worse(plan, (s,), stretch_rows), covered=is_covered(plan, s, now_utc)
                ),
                further=_is_further(plan, s, now_utc, policy),
            )
            for s in told
            if not _is_left(plan, s, stretch_rows, now_utc, policy)
        ),
        # Relief is not needed for a message that was never sent.
        *(
            relief_message(plan, b)
            for b in eased
            if _is_known(b, plan, policy) and not (_overlaps(b, told) or _overlaps(b, icy))
        ),
        *(replace(on_ice(plan, s), covered=is_behind_hold(plan, s, now_utc)) for s in icy),
        *(on_thaw(plan, b) for b in thawed if _is_known(b, plan, policy) and b.stop_id == surfaces.ICY_ROAD),
        *(wind.caution_message(plan, n) for n in windy),
        *(wind.end_message(plan, b) for b in calm if _is_known(b, plan, policy)),
        *(m for b in pending_rows if (m := _pending_message(b, plan, raised_ahead, icy_ahead, fresh, now_utc, policy))),
    ]
    sent, held_back = apply_policy(pending, plan, now_utc, policy, driver_sent_at)
    if not news and not sent:
        return (), tuple(
            _with_milder_since(b, (*milder, *less_icy, *calmer, *gone), plan, now_utc, policy) for b in everything
        )
    kind = NoticeKind.PLAN if before is None else NoticeKind.EASED
    if before is not None and (icy or wintry or windy or closed or not news or _is_worse(plan, told, stretch_rows)):
        kind = NoticeKind.WORSE
    elif before is not None and told:
        kind = NoticeKind.CHANGED
    if not news and now_utc < plan.depart_at:
        kind = NoticeKind.EARLY  # nothing is new: it was held until the driver can use it
    lineage = facts_digest(everything)
    # Frost and snow without chains are on the board and in the brief: a message per trip each frosty night is ignored.
    notify_office = news and bool(pending or plan.advice.rank >= Advice.READY.rank)
    form = _office_form(plan, kind, held_back, now_utc, policy)
    office = OfficeNotice(form=form, asks_hours=not everything) if notify_office else None
    notices = people_notices(
        shown_plan, kind, sent, office=office, lineage=lineage, now_utc=now_utc, policy=policy, translators=translators
    )
    if news:
        notices.append(fleet_notice(shown_plan, kind, lineage, now_utc))
    turn = 1 + max((b.turn for b in everything), default=0)
    rows_after = (
        *_facts_after(plan, told, eased, stretch_rows),
        *closures.facts_after(closure_rows, closed, opened),
        *surfaces.rows_after(plan, surface_rows, icy, thawed),
        *wind.rows_after(wind_rows, windy, calm),
    )
    rows = (
        replace(_with_milder_since(x, (*milder, *less_icy, *calmer, *gone), plan, now_utc, policy), turn=turn)
        for x in rows_after
    )
    return tuple(notices), tuple(_with_sent_at(x, everything, sent, held_back, now_utc) for x in rows)


def _office_form(
    plan: Plan, kind: NoticeKind, held_back: Sequence[Message], now_utc: datetime, policy: Policy
) -> OfficeForm:
    """Alone where the office must act soon: the driver cannot be told in time, or departs short of chains."""
    unheard = any(
        not m.covered and m.rank >= Advice.CHAIN.rank and m.act_at - now_utc <= policy.soon for m in held_back
    )
    short = bool(plan.singles_short) and kind in (NoticeKind.PLAN, NoticeKind.WORSE)
    leaves_short = short and timedelta(0) <= plan.depart_at - now_utc <= policy.soon
    return "alone" if unheard or leaves_short else "digest"


def _is_left(plan: Plan, stretch: Stretch, before: Sequence[SentFact], now_utc: datetime, policy: Policy) -> bool:
    """Whether a driver under way gets no text about a stretch that is news, because it changes nothing for him yet.

    A further place of the day is left to its own pre-pass text. A driver who is ready where it was sent is ready at a
    later hour or nearer the snow.
    """
    if not policy.digest_every or now_utc < plan.depart_at or stretch.chained or is_covered(plan, stretch, now_utc):
        return False
    if is_further_place(plan, stretch, now_utc) and has_prepass_text(plan, stretch, now_utc, policy):
        return True
    return stretch.advice is Advice.READY and not _is_worse(plan, (stretch,), before)


def _is_further(plan: Plan, stretch: Stretch, now_utc: datetime, policy: Policy) -> bool:
    """Whether a driver who has not left waits for the pre-pass text of this place."""
    before = now_utc < plan.depart_at
    return before and is_further_place(plan, stretch, now_utc) and has_prepass_text(plan, stretch, now_utc, policy)


def _left_to_prepass(fact: SentFact, plan: Plan, now_utc: datetime) -> SentFact:
    """Return a pending row of a further place without its message once the truck has left: its pre-pass text comes."""
    if not fact.pending or now_utc < plan.depart_at or fact.advice not in (Advice.READY, Advice.CHAIN):
        return fact
    if closures.is_closure(fact) or surfaces.is_surface(fact) or wind.is_caution(fact):
        return fact
    here = [s for s in plan.stretches if fact.overlaps(s)]
    if not here or not all(is_further_place(plan, s, now_utc) for s in here):
        return fact
    return replace(fact, pending=False, sent_at=None)


def _is_known(fact: SentFact, plan: Plan, policy: Policy) -> bool:
    """Whether the driver has a row, by a message about it or by the outlook. Relief is for what is known."""
    if not fact.pending:
        return True
    outlook = policy.outlook_time(plan.depart_at, plan.depart_zone)
    return fact.sent_at is not None and fact.sent_at < outlook + policy.outlook_for and plan.made_at >= outlook


def _facts_after(
    plan: Plan, told: Sequence[Stretch], eased: Sequence[SentFact], before: Sequence[SentFact]
) -> tuple[SentFact, ...]:
    """Return the rows after the notices are sent: new ones, and the others as before."""
    sent = [s for s in plan.stretches if s in told or any(b.overlaps(s) for b in eased)]
    # A sent row stays until another message about the same road; milder content waits for a complete plan.
    remaining = [
        b for b in before if b not in eased and (not _overlaps(b, sent) or b.advice.rank > _rank(b, plan.stretches))
    ]
    over = [replace(b, advice=Advice.CLEAR, pending=False) for b in eased if not _overlaps(b, plan.stretches)]
    return (*remaining, *(fact_of(s) for s in sent), *over)


def _overlaps(fact: SentFact, stretches: Sequence[Stretch | SurfaceStretch]) -> bool:
    return any(fact.overlaps(s) for s in stretches)


def _rank(fact: SentFact, stretches: Sequence[Stretch]) -> int:
    return max((s.advice.rank for s in stretches if fact.overlaps(s)), default=Advice.CLEAR.rank)


def _is_news(plan: Plan, stretch: Stretch, before: Sequence[SentFact], now_utc: datetime, policy: Policy) -> bool:
    """Whether a reader must be notified of this stretch (again).

    A truck under way may have no listed stop left before it; the reader already has the message with the stop behind,
    so that it is past is not news. With chains on, news is that more chains or more road are required; the next
    chain-up can wait until these are off. A truck without a recent position is not known to be late. One at the
    chain-up place is installing chains.
    """
    position = plan.position
    now = fact_of(stretch)
    matches = [b for b in before if b.overlaps(stretch)]
    if not matches:
        return not stretch.chained or stretch.advice.rank >= Advice.CHAIN.rank
    was = max(matches, key=lambda b: b.advice.rank)
    if now.advice.rank > was.advice.rank or now.singles_short > was.singles_short:
        return True
    if now.advice.rank == was.advice.rank and _held_longer(now.until, was.until):
        # A driver who waits needs a later end only when the announced one is near.
        return was.until is not None and was.until - now_utc <= policy.soon
    if plan.chains is not None and stretch.chained and plan.chains.missing_n > 0 and now.tires != was.tires:
        return True
    on = plan.chains is not None and not plan.chains.doubt
    if on or now.advice.rank < was.advice.rank or (position is not None and _is_past(now, was)):
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


def _is_worse(plan: Plan, told: Sequence[Stretch], before: Sequence[SentFact]) -> bool:
    """Whether any of the stretches that are news asks for more than was sent, or sooner."""
    for stretch in told:
        matches = [b for b in before if b.overlaps(stretch)]
        was = max(matches, key=lambda b: b.advice.rank, default=None)
        now = fact_of(stretch)
        if was is None or is_worse(now, was) or _held_longer(now.until, was.until):
            return True
        if stretch.chained and plan.chains is not None and plan.chains.missing_n > 0:
            return True
    return False


def _is_past(now: SentFact, was: SentFact) -> bool:
    return not now.stop_id or (is_unlisted(now.stop_id) and not is_unlisted(was.stop_id))


def _is_there(position: PositionFix, stretch: Stretch) -> bool:
    return abs(position.distance_m - stretch.chain_up.distance_m) <= AT_PLACE_M


def _gap_is_over(before: Sequence[SentFact], now_utc: datetime, policy: Policy) -> bool:
    return all(b.sent_at is None or now_utc - b.sent_at >= policy.least_gap for b in before)


def _held_longer(until: datetime | None, was: datetime | None) -> bool:
    """Whether a driver who waits for the announced hour waits too short. An earlier end is not news."""
    return was is not None and (until is None or until - was >= MIN_SHIFT)


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
        return replace(fact, milder_since=None, milder_on=None)
    if fact.milder_since is not None or not policy.may_ease:
        return fact
    return replace(fact, milder_since=now_utc, milder_on=forecast_at(plan))


def _pending_message(
    fact: SentFact,
    plan: Plan,
    ahead: Sequence[Stretch],
    icy_ahead: Sequence[SurfaceStretch],
    news: Sequence[object],
    now_utc: datetime,
    policy: Policy,
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
        there = [s for s in icy_ahead if fact.overlaps(s)]
        if there:
            if there[0] in news:
                return None
            return replace(on_ice(plan, there[0]), covered=is_behind_hold(plan, there[0], now_utc))
        return on_thaw(plan, fact) if fact.advice is Advice.CLEAR else None
    here = [s for s in ahead if fact.overlaps(s)]
    if not here:
        return relief_message(plan, fact) if fact.advice is Advice.CLEAR else None
    first = max(here, key=lambda s: s.advice.rank)
    if first in news:
        return None
    message = stretch_message(plan, first, covered=is_covered(plan, first, now_utc))
    return replace(message, further=_is_further(plan, first, now_utc, policy))


def _with_sent_at(
    fact: SentFact, before: Sequence[SentFact], sent: Sequence[Message], held_back: Sequence[Message], now_utc: datetime
) -> SentFact:
    """Return the row with its sending time, and whether it is still pending for the driver."""

    def about(messages: Sequence[Message]) -> bool:
        same = [m for m in messages if (m.about == wind.CAUTION) is wind.is_caution(fact)]
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
