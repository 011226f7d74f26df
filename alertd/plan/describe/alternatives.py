"""Compares a trip's other routes with the planned one: what they require, and which is clearly better."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import TypeAlias

from alertd.i18n import odds
from alertd.plan.model.alternatives import OtherRoute
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.params import PlanParams
from alertd.plan.serialize import with_id
from alertd.units import minutes_words, to_miles

NamedPlan: TypeAlias = tuple[str, Plan]  # name of the route, and the same trip planned on it

MORE_MI = 5  # a way that is longer by less is as long for a reader
SAME_S = 300.0  # arrivals closer than this are equal for a reader


def with_alternatives(
    plan: Plan, others: Sequence[NamedPlan], not_planned: Sequence[tuple[str, str]], params: PlanParams
) -> Plan:
    """The plan, with the results of the same rig and departure on other routes, and the better choice.

    not_planned: (name, reason) of routes that could not be planned; the cautions list them.
    """
    missed = tuple(f"Other way {name} could not be planned: {reason}" for name, reason in not_planned)
    return with_id(
        replace(
            plan,
            other_routes=tuple(_other(plan, way) for way in others),
            route_choice=_choice(plan, others, params),
            cautions=(*plan.cautions, *missed),
        )
    )


def _other(plan: Plan, way: NamedPlan) -> OtherRoute:
    name, other = way
    return OtherRoute(
        name=name,
        length_m=other.route_length_m,
        advice=other.advice,
        chain_probability=other.chain_probability,
        arrive_at=other.arrive_at,
        cost_s=other.cost_s,
        singles_needed=other.singles_needed,
        singles_short=other.singles_short,
        hours_ok=None if other.hours is None else other.hours.ok,
        partial=other.partial,
        reason=_reason(plan, way),
        worse_at=None if other.hold is not None else other.arrive_late,
        further_m=other.route_length_m - plan.route_length_m,
        order=_order(other),
    )


def _choice(plan: Plan, others: Sequence[NamedPlan], params: PlanParams) -> str:
    """The better route and the reason, in one line; "" without others.

    A route that is not fully known is never called better; nor is the planned one then. A route that avoids a hold, a
    shortage of chains or an hours limit is better however long. A route with only less chaining is better when it
    arrives little later.
    """
    if not others:
        return ""
    known = [way for way in others if not way[1].partial]
    if not known:
        return f"No other way is known well enough to compare. {_reason(plan, others[0])}"
    best = min(known, key=lambda way: (_burden(way[1]), way[1].arrive_at))
    now, then = _burden(plan), _burden(best[1])
    later_s = _later_s(plan, best[1])
    if then[:3] < now[:3] or (then < now and later_s <= params.detour_worth_s):
        return f"Another way is better. {_reason(plan, best)}"
    if plan.partial:
        return f"The planned way is not wholly known, so none is called better. {_reason(plan, best)}"
    if then < now:
        less = "winter road" if plan.advice is Advice.SLOW else "chaining"
        return f"Less {less} for more time on another way: dispatch decides. {_reason(plan, best)}"
    if then == now and later_s <= -params.quicker_s:
        return f"Another way is quicker. {_reason(plan, best)}"
    if then == now and later_s < params.quicker_s:
        return f"The ways ask about the same. {_reason(plan, best)}"
    return f"The planned way is the better one. {_reason(plan, best)}"


def _burden(plan: Plan) -> tuple[bool, bool, bool, int]:
    """What a route requires, most severe first."""
    illegal = plan.hours is not None and not plan.hours.ok
    return plan.advice is Advice.HOLD, plan.singles_short > 0, illegal, plan.advice.rank


def _reason(plan: Plan, way: NamedPlan) -> str:
    name, other = way
    parts = [_chains(other), _arrival(_later_s(plan, other))]
    further = round(to_miles(other.route_length_m - plan.route_length_m))
    if further >= MORE_MI:
        parts.append(f"{further} mi more")
    if _order(other) != _order(plan):
        parts.append(f"stops in the order {', '.join(_order(other)) or 'not known'}")
    parts += [f"late at {name}" for name in _late_at(other)]
    if other.singles_short:
        parts.append(f"{other.singles_short} chains SHORT")
    if other.hours is not None and not other.hours.ok:
        parts.append("hours NOT legal as planned")
    return f"By way of {name}: {', '.join(parts)}"


def _order(plan: Plan) -> tuple[str, ...]:
    return () if plan.days is None else tuple(x.name for x in plan.days.stops)


def _late_at(plan: Plan) -> list[str]:
    return [] if plan.days is None else [x.name for x in plan.days.stops if x.late_s is not None and x.late_s > 0.0]


def _chains(other: Plan) -> str:
    closed = next((c.what for c in other.closures if c.held), "")
    if closed:
        return f"HOLD for {closed}"
    if other.partial and other.advice is Advice.READY:
        return "road not wholly known, be ready to chain"
    how_sure = f"(chains {odds(other.chain_probability)})"
    if other.advice is Advice.CLEAR:
        return f"no chains expected {how_sure}"
    if other.advice is Advice.SLOW:
        return f"winter road, no chains expected {how_sure}"
    if other.advice is Advice.READY:
        return f"be ready to chain {how_sure}"
    verb = "HOLD, it may not be passable" if other.advice is Advice.HOLD else "plan to chain"
    return f"{verb} {how_sure}, {other.singles_needed} tires"


def _later_s(plan: Plan, other: Plan) -> float:
    return (_expected_at(other) - _expected_at(plan)).total_seconds()


def _expected_at(plan: Plan) -> datetime:
    """The mean arrival with and without chains, or the end of a hold and the drive from there."""
    if plan.hold is not None or plan.arrivals is None:
        return plan.arrive_at
    return plan.arrivals.expected_at


def _arrival(later_s: float) -> str:
    if abs(later_s) < SAME_S:
        return "arrives at about the same time"
    return f"arrives {minutes_words(abs(later_s))} {'later' if later_s > 0 else 'earlier'}"
