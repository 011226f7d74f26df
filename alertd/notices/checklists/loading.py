"""What to load for a trip: chains by number and size for every state that asks for them, and the gear beside them."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from alertd.i18n import ENGLISH, Translator
from alertd.notices.checklists.items import ITEMS, Item, item_name
from alertd.notices.text import phrases
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice


@dataclass(frozen=True, slots=True, kw_only=True)
class StateChains:
    """The tires that one state's law asks on this trip. by_date: a duty to have them on board, whatever the weather."""

    code: str
    singles_n: int
    by_date: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Loaded:
    """A driver's report of what is on board: when, and what is missing."""

    at: datetime
    missing: tuple[str, ...] = ()


def chains_by_state(plan: Plan) -> tuple[StateChains, ...]:
    """Return the most that each state asks, in the order of the road; states that ask nothing are left out."""
    found: dict[str, StateChains] = {}
    for stretch in plan.stretches:
        for demand in stretch.hanging.demands:
            known = found.get(demand.jurisdiction)
            if demand.jurisdiction and demand.tires_min > (known.singles_n if known else 0):
                found[demand.jurisdiction] = StateChains(code=demand.jurisdiction, singles_n=demand.tires_min)
    for duty in plan.carry:
        known = found.get(duty.jurisdiction)
        if duty.certain and duty.singles_asked >= (known.singles_n if known else 1):
            found[duty.jurisdiction] = StateChains(code=duty.jurisdiction, singles_n=duty.singles_asked, by_date=True)
    order = {code: n for n, code in enumerate(plan.lands)}
    return tuple(sorted(found.values(), key=lambda s: order.get(s.code, len(order))))


def asks_loading(plan: Plan) -> bool:
    """Whether a trip needs chains on board, by its plan or by a carry duty."""
    return plan.advice.rank >= Advice.READY.rank or plan.singles_short > 0 or any(c.certain for c in plan.carry)


def needed_n(plan: Plan) -> int:
    """Return the number of single chains to have on board for the whole trip."""
    return max([plan.singles_needed, *(s.singles_n for s in chains_by_state(plan))], default=0)


def loading_items(plan: Plan, translator: Translator) -> tuple[tuple[Item, str], ...]:
    """Return each item of the loading list with its words."""
    return tuple((item, _words(item, plan, translator)) for item in ITEMS)


def _words(item: Item, plan: Plan, translator: Translator) -> str:
    n = needed_n(plan)
    if item == "tensioners" and n:
        return translator.gettext("{what}: {n}, one for each chain", what=item_name(item, translator), n=n)
    if item != "chains" or not n:
        return item_name(item, translator)
    text = translator.gettext("{n} single chains", n=n)
    size = plan.chain_size or translator.gettext("as on the sidewall")
    text += translator.gettext(", size {size}", size=size)
    states = ", ".join(_state_words(s, translator) for s in chains_by_state(plan))
    if states:
        text += f" ({states})"
    return ". ".join([text, *_on_board(plan, translator)])


def _state_words(state: StateChains, translator: Translator) -> str:
    code = state.code.removeprefix("US-")
    if state.by_date:
        return translator.gettext("{state} {n}, must be aboard", state=code, n=state.singles_n)
    return f"{code} {state.singles_n}"


def _on_board(plan: Plan, translator: Translator) -> Iterator[str]:
    if plan.doubles_carried:
        yield translator.gettext(
            "On the rig's list: {n} singles, {doubles} doubles", n=plan.singles_carried, doubles=plan.doubles_carried
        )
    else:
        yield translator.gettext("On the rig's list: {n} singles", n=plan.singles_carried)
    if plan.singles_short:
        yield translator.gettext("{n} SHORT: load them", n=plan.singles_short)


def missing_words(missing: Sequence[str], translator: Translator = ENGLISH) -> str:
    """Return what a report names as missing, in words."""
    return ", ".join(item_name(item, translator) for item in ITEMS if item in missing)


def office_line(plan: Plan, loaded: Loaded | None, zone: str, now_utc: datetime, soon_s: float) -> str:
    """Return what the office reads before a departure; "" where the trip needs no chains or nothing is to be said.

    soon_s: how long before the departure a missing report is worth a line.
    """
    if plan.arrived_at is not None:
        return ""
    if loaded is not None:
        at = phrases.clock_time(loaded.at, zone)
        if loaded.missing:
            return f"NOT ON BOARD: {missing_words(loaded.missing)} (driver, {at})"
        return f"gear on board (driver, {at})" if plan.depart_at > now_utc else ""
    left_s = (plan.depart_at - now_utc).total_seconds()
    return "loading list not confirmed" if asks_loading(plan) and 0.0 < left_s <= soon_s else ""
