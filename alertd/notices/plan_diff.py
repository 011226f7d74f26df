"""Describes the differences between two plans of a trip for a dispatcher."""

from dataclasses import dataclass
from datetime import datetime
from typing import Final

from alertd.notices import surfaces
from alertd.notices.sent_state import is_same_place
from alertd.notices.text import phrases, place_text
from alertd.notices.triggers.change_weight import EARLIER_M
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice, Stretch

MIN_CHANGE_S: Final = 600.0  # smaller shifts of an arrival or a chain-up are not reported
MIN_CHANGE_FRAC: Final = 0.1  # nor are smaller changes of a probability


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparedStretch:
    """The parts of a stretch that the next plan is compared with.

    place: name of the stretch; likely, stop: texts for a dispatcher; core_start_m: see `SentFact`; up_m, up_at: where
    and when chains go on.
    """

    place: str
    advice: Advice
    probability: float
    likely: str
    stop: str
    stop_id: str
    core_start_m: float
    up_m: float
    up_at: datetime
    tires_n: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparedPlan:
    """The parts of a plan that the next plan is compared with. icy: start and end of runs that cause an ICE notice."""

    plan_id: str
    arrived: bool
    advice: Advice
    singles_short: int
    stretches: tuple[ComparedStretch, ...]
    icy: tuple[tuple[float, float], ...]
    closures: tuple[str, ...]
    arrive_at: datetime
    partial: bool


def compared_plan(plan: Plan) -> ComparedPlan:
    """Return what `changes_since` needs of a plan: about 1 kB."""
    return ComparedPlan(
        plan_id=plan.id,
        arrived=plan.arrived_at is not None,
        advice=plan.advice,
        singles_short=plan.singles_short,
        stretches=tuple(map(_compared_stretch, plan.stretches)),
        icy=tuple((s.start_m, s.end_m) for s in surfaces.to_slow_for(plan)),
        closures=tuple(n.what for n in plan.closures if n.kind and n.met),
        arrive_at=plan.arrive_at,
        partial=plan.partial,
    )


def _compared_stretch(s: Stretch) -> ComparedStretch:
    return ComparedStretch(
        place=_name(s),
        advice=s.advice,
        probability=s.probability,
        likely=phrases.likely(s),
        stop=phrases.stop_words(s.chain_up),
        stop_id=s.chain_up.stop_id,
        core_start_m=s.start_m,
        up_m=s.chain_up.distance_m,
        up_at=s.chain_up.arrive_at,
        tires_n=s.hanging.singles_n,
    )


def describe_changes(old: Plan, new: Plan) -> tuple[str, ...]:
    """Return one short line per difference that a dispatcher acts on; empty when there is none."""
    return changes_since(compared_plan(old), new)


def changes_since(old: ComparedPlan, new: Plan) -> tuple[str, ...]:
    """`describe_changes` from the parts of the old plan."""
    out = []
    if new.arrived_at is not None:
        return () if old.arrived else ("arrived",)
    if old.advice is not new.advice:
        out.append(f"{old.advice} → {new.advice}")
    if old.singles_short != new.singles_short:
        out.append(f"chains short {old.singles_short} → {new.singles_short}")
    before = {s.place: s for s in old.stretches}
    for s in new.stretches:
        known = before.pop(_name(s), None)
        if known is None:
            out.append(f"new: {s.advice} at {_name(s)}")
        else:
            out += _of_stretch(known, s)
    out += [f"no more: {name}" for name in before]
    icy_now = surfaces.to_slow_for(new)
    out += [
        f"new: ICE {surfaces.span(s)}"
        for s in icy_now
        if not any(start_m <= s.end_m and end_m >= s.start_m for start_m, end_m in old.icy)
    ]
    if old.icy and not icy_now:
        out.append("no more ice without chains")
    out += [
        f"new: {n.what}, {surfaces.span_between(n.start_m, n.end_m)}"
        for n in new.closures
        if n.kind and n.met and n.what not in old.closures
    ]
    later_s = (new.arrive_at - old.arrive_at).total_seconds()
    if abs(later_s) >= MIN_CHANGE_S:
        out.append(f"arrives {phrases.minutes(abs(later_s))} {'later' if later_s > 0 else 'sooner'}")
    if new.partial and not old.partial:
        out.append("forecast now old or missing in part")
    return tuple(out)


def _of_stretch(old: ComparedStretch, new: Stretch) -> list[str]:
    out, name = [], _name(new)
    if old.advice is not new.advice:
        out.append(f"{name}: {old.advice} → {new.advice}")
    elif abs(old.probability - new.probability) >= MIN_CHANGE_FRAC:
        out.append(f"{name}: {old.likely} → {phrases.likely(new)}")
    if new.chained:
        return out  # the truck is already chained, so the chain-up place does not matter
    if not is_same_place((old.stop_id, old.core_start_m), (new.chain_up.stop_id, new.start_m)):
        place = f"chain up at {phrases.stop_words(new.chain_up)}"
        out.append(f"{place}, was {old.stop}{_moved_by(old, new)}")
    elif abs((new.chain_up.arrive_at - old.up_at).total_seconds()) >= MIN_CHANGE_S:
        here = new.chain_up.zone
        was, now = phrases.clock_time(old.up_at, here), phrases.clock_time(new.chain_up.arrive_at, here)
        out.append(f"chain-up {was} → {now}")
    if old.tires_n != new.hanging.singles_n:
        out.append(f"tires {old.tires_n} → {new.hanging.singles_n}")
    return out


def _moved_by(old: ComparedStretch, new: Stretch) -> str:
    """Return how far and which way the place moved, because only an earlier one is bad news."""
    by_m = new.chain_up.distance_m - old.up_m
    if abs(by_m) < EARLIER_M:
        return ""
    return f" ({phrases.miles(abs(by_m))} {'nearer the snow' if by_m > 0.0 else 'EARLIER on the road'})"


def _name(s: Stretch) -> str:
    return place_text.name(s) or f"about {round(s.start_m / 20_000.0) * 20_000.0 / 1609.344:.0f} mi"
