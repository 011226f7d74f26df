"""Which chain-up places need no text to the driver yet: a hold comes before them, or their pre-pass text suffices."""

from collections.abc import Sequence
from datetime import datetime, timedelta

from alertd.notices.policy import Policy
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice, Stretch, SurfaceStretch


def shares_chain_up(stretches: Sequence[Stretch], stretch: Stretch) -> bool:
    """Whether another of them, graver or as grave and before it, has the chains go on at the same place and time."""

    def is_same(other: Stretch) -> bool:
        up, its = other.chain_up, stretch.chain_up
        return (up.stop_id, up.distance_m, up.arrive_at) == (its.stop_id, its.distance_m, its.arrive_at)

    def leads(other: Stretch) -> bool:
        before = other.advice is stretch.advice and other.start_m < stretch.start_m
        return before or other.advice.rank > stretch.advice.rank

    return any(is_same(s) and leads(s) for s in stretches)


def is_behind_hold(plan: Plan, what: Stretch | SurfaceStretch, now_utc: datetime) -> bool:
    """Whether a driver who obeys the plan's hold does not come to this place; the hold itself is not behind.

    After the departure only a recent position shows that the truck has not passed the place to wait.
    """
    hold = plan.hold
    known = now_utc < plan.depart_at or (plan.position is not None and not plan.position.old)
    if hold is None or not known:
        return False
    if isinstance(what, SurfaceStretch):
        return hold.at_start or what.start_m >= hold.wait.distance_m
    if what.chained or (what.advice is Advice.HOLD and what.start_m <= hold.start_m):
        return False
    return hold.at_start or what.chain_up.distance_m >= hold.wait.distance_m


def is_covered(plan: Plan, stretch: Stretch, now_utc: datetime) -> bool:
    """Whether a driver who follows a graver message does not come to this one: a hold before it, or at its place."""
    if is_behind_hold(plan, stretch, now_utc):
        return True
    return not stretch.chained and shares_chain_up(plan.stretches, stretch)


def is_further_place(plan: Plan, stretch: Stretch, now_utc: datetime) -> bool:
    """Whether another place of this day leads: a graver order, or as grave and before it, with as many chains short.

    A driver who has the leading order has the chains for this one, and stops at its place after its own pre-pass text.
    """
    if stretch.advice is Advice.HOLD or stretch.chained:
        return False

    def leads(other: Stretch) -> bool:
        as_grave = other.advice is stretch.advice and other.start_m < stretch.start_m
        return as_grave or stretch.advice.rank < other.advice.rank < Advice.HOLD.rank

    return any(
        s is not stretch
        and s.leave_at > now_utc
        and leads(s)
        and s.hanging.singles_short >= stretch.hanging.singles_short
        and not is_covered(plan, s, now_utc)
        for s in plan.stretches
    )


def has_prepass_text(plan: Plan, stretch: Stretch, now_utc: datetime, policy: Policy) -> bool:
    """Whether its pre-pass text is still to come: see `scheduled`. Never where the office gets every message alone."""
    if not policy.digest_every:
        return False
    by_office = now_utc >= plan.depart_at and not policy.tell_rolling_driver
    ahead = policy.approach + (policy.digest_every if by_office else timedelta(0))
    return stretch.chain_up.arrive_at - now_utc > ahead
