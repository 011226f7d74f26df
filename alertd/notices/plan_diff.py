"""Describes the differences between two plans of a trip for a dispatcher."""

from typing import Final

from alertd.notices import surfaces
from alertd.notices.sent_state import fact_of
from alertd.notices.text import phrases, place_text
from alertd.notices.triggers.change_weight import EARLIER_M
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Stretch

MIN_CHANGE_S: Final = 600.0  # smaller shifts of an arrival or a chain-up are not reported
MIN_CHANGE_FRAC: Final = 0.1  # nor are smaller changes of a probability


def describe_changes(old: Plan, new: Plan) -> tuple[str, ...]:
    """Return one short line per difference that a dispatcher acts on; empty when there is none."""
    out = []
    if new.arrived_at is not None:
        return () if old.arrived_at is not None else ("arrived",)
    if old.advice is not new.advice:
        out.append(f"{old.advice} → {new.advice}")
    if old.singles_short != new.singles_short:
        out.append(f"chains short {old.singles_short} → {new.singles_short}")
    before = {_name(s): s for s in old.stretches}
    for s in new.stretches:
        known = before.pop(_name(s), None)
        if known is None:
            out.append(f"new: {s.advice} at {_name(s)}")
        else:
            out += _of_stretch(known, s)
    out += [f"no more: {name}" for name in before]
    icy_before, icy_now = surfaces.to_slow_for(old), surfaces.to_slow_for(new)
    out += [
        f"new: ICE {surfaces.span(s)}"
        for s in icy_now
        if not any(b.start_m <= s.end_m and b.end_m >= s.start_m for b in icy_before)
    ]
    if icy_before and not icy_now:
        out.append("no more ice without chains")
    earlier = [n.what for n in old.closures if n.kind and n.met]
    out += [
        f"new: {n.what}, {surfaces.span_between(n.start_m, n.end_m)}"
        for n in new.closures
        if n.kind and n.met and n.what not in earlier
    ]
    later_s = (new.arrive_at - old.arrive_at).total_seconds()
    if abs(later_s) >= MIN_CHANGE_S:
        out.append(f"arrives {phrases.minutes(abs(later_s))} {'later' if later_s > 0 else 'sooner'}")
    if new.partial and not old.partial:
        out.append("forecast now old or missing in part")
    return tuple(out)


def _of_stretch(old: Stretch, new: Stretch) -> list[str]:
    out, name = [], _name(new)
    if old.advice is not new.advice:
        out.append(f"{name}: {old.advice} → {new.advice}")
    elif abs(old.probability - new.probability) >= MIN_CHANGE_FRAC:
        out.append(f"{name}: {phrases.likely(old)} → {phrases.likely(new)}")
    if new.chained:
        return out  # the truck is already chained, so the chain-up place does not matter
    if not fact_of(old).same_place(fact_of(new)):
        place = f"chain up at {phrases.stop_words(new.chain_up)}"
        out.append(f"{place}, was {phrases.stop_words(old.chain_up)}{_moved_by(old, new)}")
    elif abs((new.chain_up.arrive_at - old.chain_up.arrive_at).total_seconds()) >= MIN_CHANGE_S:
        here = new.chain_up.zone
        was, now = phrases.clock_time(old.chain_up.arrive_at, here), phrases.clock_time(new.chain_up.arrive_at, here)
        out.append(f"chain-up {was} → {now}")
    if old.hanging.singles_n != new.hanging.singles_n:
        out.append(f"tires {old.hanging.singles_n} → {new.hanging.singles_n}")
    return out


def _moved_by(old: Stretch, new: Stretch) -> str:
    """Return how far and which way the place moved, because only an earlier one is bad news."""
    by_m = new.chain_up.distance_m - old.chain_up.distance_m
    if abs(by_m) < EARLIER_M:
        return ""
    return f" ({phrases.miles(abs(by_m))} {'nearer the snow' if by_m > 0.0 else 'EARLIER on the road'})"


def _name(s: Stretch) -> str:
    return place_text.name(s) or f"about {round(s.start_m / 20_000.0) * 20_000.0 / 1609.344:.0f} mi"
