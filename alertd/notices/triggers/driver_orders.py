"""What of the news of a trip is a change for its driver: an order that he has, or gets in time, is not sent again."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from alertd.notices import surfaces
from alertd.notices.policy import Policy
from alertd.notices.sent_state import SentFact, fact_of
from alertd.notices.triggers import closures, wind
from alertd.notices.triggers.change_weight import is_worse
from alertd.notices.triggers.covered import has_prepass_text, is_covered, is_further_place
from alertd.plan.chain_up.unlisted_places import is_unlisted
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice, Stretch

MIN_SHIFT: Final = timedelta(minutes=60)  # a smaller shift of the onset is not news; the board still shows it


def is_left(plan: Plan, stretch: Stretch, before: Sequence[SentFact], now_utc: datetime, policy: Policy) -> bool:
    """Whether a driver under way gets no text about a stretch that is news, because it changes nothing for him yet.

    A further place of the day is left to its own pre-pass text. A driver who is ready where it was sent is ready at a
    later hour or nearer the snow; one who chains there chains there at a later hour as well. An order to be ready that
    was never taken back needs no second text.
    """
    if not policy.digest_every:
        return False
    now = fact_of(stretch)
    if silent_row(now, stretch, before) is not None:
        return True
    known = [b for b in before if b.silent and b.is_about(stretch)]
    if now.advice is Advice.READY and plan.position is not None and any(is_past(now, b) for b in known):
        return True  # he passed the place with the order to be ready
    if now_utc < plan.depart_at or stretch.chained or is_covered(plan, stretch, now_utc):
        return False
    if is_further_place(plan, stretch, now_utc) and has_prepass_text(plan, stretch, now_utc, policy):
        return True
    if stretch.advice is Advice.CHAIN and not any(_has_same_order(b, now) for b in before if b.is_about(stretch)):
        return False
    return stretch.advice in (Advice.READY, Advice.CHAIN) and not asks_worse(plan, (stretch,), before)


def is_further(plan: Plan, stretch: Stretch, now_utc: datetime, policy: Policy) -> bool:
    """Whether a driver who has not left waits for the pre-pass text of this place."""
    before = now_utc < plan.depart_at
    return before and is_further_place(plan, stretch, now_utc) and has_prepass_text(plan, stretch, now_utc, policy)


def left_to_prepass(fact: SentFact, plan: Plan, now_utc: datetime) -> SentFact:
    """Return a pending row of a further place without its message once the truck has left: its pre-pass text comes."""
    if not fact.pending or now_utc < plan.depart_at or fact.advice not in (Advice.READY, Advice.CHAIN):
        return fact
    if closures.is_closure(fact) or surfaces.is_surface(fact) or wind.is_caution(fact):
        return fact
    here = [s for s in plan.stretches if fact.overlaps(s)]
    if not here or not all(is_further_place(plan, s, now_utc) for s in here):
        return fact
    return replace(fact, pending=False, sent_at=None)


def silent_row(now: SentFact, stretch: Stretch, before: Sequence[SentFact]) -> SentFact | None:
    """Return the row of the same order to be ready, whose relief the driver was not sent; None if there is none."""
    if now.advice is not Advice.READY:
        return None
    rows = [replace(b, advice=Advice.READY) for b in before if b.silent and b.is_about(stretch)]
    return next((b for b in rows if _has_same_order(b, now) and b.at - now.at < MIN_SHIFT), None)


def is_past(now: SentFact, was: SentFact) -> bool:
    """Whether a truck under way has no listed stop left, where one was sent before."""
    return not now.stop_id or (is_unlisted(now.stop_id) and not is_unlisted(was.stop_id))


def is_silent(fact: SentFact, policy: Policy) -> bool:
    """Whether its relief is not sent to the driver: who is ready stays ready and keeps chains aboard in any case."""
    return bool(policy.digest_every) and fact.advice is Advice.READY


def _has_same_order(was: SentFact, now: SentFact) -> bool:
    """Whether both ask for the same tires at the same place, at any hour."""
    order = (was.advice, was.tires, was.singles_short) == (now.advice, now.tires, now.singles_short)
    return order and was.same_place(now) and was.sent_at is not None and not was.pending


def asks_worse(plan: Plan, changed: Sequence[Stretch], before: Sequence[SentFact]) -> bool:
    """Whether any of the stretches that are news asks for more than was sent, or sooner."""
    for stretch in changed:
        matches = [b for b in before if b.is_about(stretch)]
        was = max(matches, key=lambda b: b.advice.rank, default=None)
        now = fact_of(stretch)
        if was is None or is_worse(now, was) or held_longer(now.until, was.until):
            return True
        if stretch.chained and plan.chains is not None and plan.chains.missing_n > 0:
            return True
    return False


def has_other_tires(now: SentFact, was: SentFact) -> bool:
    """Whether any of the tires were not among those that were sent."""
    return not set(now.tires.split(" + ")) <= set(was.tires.split(" + "))


def held_longer(until: datetime | None, was: datetime | None) -> bool:
    """Whether a driver who waits for the announced hour waits too short. An earlier end is not news."""
    return was is not None and (until is None or until - was >= MIN_SHIFT)
