"""Upholds earlier orders while newer data are missing: lost data never lower an order.

The stored plan stays as its inputs make it. The plan that people see is raised to what was sent before.
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Final

from alertd.i18n import ENGLISH, Translator, gettext_noop
from alertd.notices import headline, surfaces
from alertd.notices.sent_state import SentFact
from alertd.notices.text import phrases
from alertd.notices.triggers import closures, wind
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice, Stretch

_ORDERS: Final = {
    Advice.HOLD: gettext_noop("HOLD"),
    Advice.CHAIN: gettext_noop("CHAIN"),
    Advice.READY: gettext_noop("BE READY TO CHAIN"),
    Advice.SLOW: gettext_noop("ICE"),
}


def upheld(plan: Plan, facts: Sequence[SentFact], now_utc: datetime) -> tuple[SentFact, ...]:
    """Return the rows that require more than a plan on missing data does, in route order.

    Empty for a complete plan: relief has its own rules. Rows behind the truck no longer apply.
    """
    if plan.arrive_late < now_utc:
        return ()
    here_m = plan.position.distance_m if plan.position else None
    ahead = (s for s in facts if s.advice is not Advice.CLEAR and (here_m is None or s.end_m > here_m))
    return tuple(sorted((s for s in ahead if _is_lost(plan, s)), key=lambda s: (s.start_m, s.end_m)))


def _is_lost(plan: Plan, row: SentFact) -> bool:
    incomplete = plan.partial or bool(plan.posted_missing)
    if closures.is_closure(row):
        unknown = incomplete or (row.stop_id == closures.WARNING and not plan.warnings_known)
        return unknown and not any(closures.is_same(row, note) for note in closures.holding_closures(plan))
    if wind.is_caution(row):
        return incomplete and row in wind.ended(plan, (row,))
    if surfaces.is_surface(row):
        return incomplete and row.stop_id == surfaces.ICY_ROAD and not any(row.overlaps(s) for s in plan.surfaces)
    here = max((s.advice.rank for s in plan.stretches if row.overlaps(s)), default=Advice.CLEAR.rank)
    return incomplete and here < row.advice.rank


def raised(plan: Plan, rows: Sequence[SentFact], now_utc: datetime) -> Plan:
    """Return the plan as shown to people: never below `rows`, with a caution for each. Its id stays."""
    if not rows:
        return plan
    return replace(
        plan,
        advice=max((plan.advice, *(r.advice for r in rows)), key=lambda a: a.rank),
        stretches=tuple(_raised(s, rows) for s in plan.stretches),
        cautions=(*(upheld_words(r, plan, now_utc) for r in rows), *plan.cautions),
    )


def _raised(stretch: Stretch, rows: Sequence[SentFact]) -> Stretch:
    here = [r for r in rows if not (closures.is_closure(r) or wind.is_caution(r)) and r.overlaps(stretch)]
    gravest = max(here, key=lambda r: r.advice.rank, default=None)
    if gravest is None or gravest.advice.rank <= stretch.advice.rank:
        return stretch
    return replace(stretch, advice=gravest.advice, hold_until=gravest.until)


def upheld_words(row: SentFact, plan: Plan, now_utc: datetime, translator: Translator = ENGLISH) -> str:
    """Return e.g. "Lookout Pass: CHAIN as of 04:10 MST; newer forecast is missing."."""
    order = translator.gettext(_ORDERS[row.advice]) if row.advice in _ORDERS else row.advice.upper()
    place = f"{row.place}: " if row.place else ""
    if wind.is_caution(row):
        order, place = headline.reason(row.place, translator), ""
    if row.sent_at is None:
        return place + translator.gettext("{order}, sent earlier; newer forecast is missing.", order=order)
    when = phrases.clock_on(row.sent_at, plan.depart_zone, now_utc, translator)
    if plan.partial:
        return place + translator.gettext("{order} as of {when}; newer forecast is missing.", order=order, when=when)
    return place + translator.gettext("{order} as of {when}; newer reports are missing.", order=order, when=when)
