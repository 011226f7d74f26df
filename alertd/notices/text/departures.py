"""Texts about other departure times: every suggested one, and the best one for a brief."""

from datetime import datetime, timedelta
from typing import Final

from alertd.i18n import odds
from alertd.notices.text import phrases
from alertd.plan.model.alternatives import Departure, DeparturePick
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.units import HOUR_S

MIN_GAIN: Final = timedelta(minutes=20)  # less time saved under way is not worth a line in a brief
SAME_S: Final = 300.0  # arrivals closer than this count as equal
_ADVICE_TEXT: Final = {
    Advice.CLEAR: "no chains expected by this forecast",
    Advice.SLOW: "winter road, no chains expected",
    Advice.READY: "be ready to chain",
    Advice.CHAIN: "plan to chain",
    Advice.HOLD: "hold below it",
}


def departure_advice(plan: Plan, departure: Departure) -> Advice:
    """Return the advice of another departure; never clear on old or missing data."""
    unknown = plan.partial or departure.unknown_frac > 0.0
    return max(departure.advice, Advice.READY if unknown else Advice.CLEAR, key=lambda a: a.rank)


def departure_lines(plan: Plan) -> list[str]:
    """Return one line per suggested departure, or one that explains why there is none; empty if none was compared.

    On an old or incomplete forecast no other departure is called better.
    """
    if not plan.departures and not plan.picks:
        return []
    if plan.partial:
        return ["Some of the forecast is old or missing: no other departure is called better"]
    by = [leave_by_line(plan)] if plan.leave_by is not None else []
    if plan.picks or by:
        return by + [_line(plan, p) for p in plan.picks]
    if plan.advice is Advice.CLEAR:
        return []
    if all(d.depart_at != plan.depart_at for d in plan.departures):
        return ["The planned departure is not among those that the forecast reaches: none is called better"]
    span_s = (plan.departures[-1].depart_at - plan.departures[0].depart_at).total_seconds()
    hours = round(span_s / HOUR_S)
    return [f"No other departure of the next {hours} h is better by this forecast"]


def leave_by_line(plan: Plan) -> str:
    """Return the last departure before the road gets worse, e.g. "Leave by 07:45 MST: from 08:00 on plan to chain"."""
    if plan.leave_by is None:
        return ""
    at, then = (
        phrases.clock_on(t, plan.depart_zone, plan.depart_at) for t in (plan.leave_by.at, plan.leave_by.worse.depart_at)
    )
    worse = plan.leave_by.worse
    return f"Leave by {at}: from {then} on {_ADVICE_TEXT[worse.advice]} (chains {odds(worse.probability)})"


def best_departure_line(plan: Plan, between: tuple[datetime, datetime] | None = None) -> str:
    """Return the line of the departure that changes most, for a brief; "" where another time saves little.

    It must require less, save considerable time under way, or be legal where the planned one is not. That an earlier
    departure arrives earlier is not worth a line. between: the first and last departure to consider.
    """
    illegal = plan.hours is not None and not plan.hours.ok

    def changes(p: DeparturePick) -> bool:
        milder = p.departure.advice.rank < plan.advice.rank
        spared_s = p.leave_later_s - p.arrive_later_s
        if between is not None and not between[0] <= p.departure.depart_at <= between[1]:
            return False
        return milder or spared_s >= MIN_GAIN.total_seconds() or (illegal and p.departure.hours_ok is True)

    worth = [] if plan.partial else [p for p in plan.picks if changes(p)]
    if not worth:
        return "" if plan.partial else leave_by_line(plan)
    return _line(
        plan, min(worth, key=lambda p: (p.departure.advice.rank, p.departure.hours_ok is None, abs(p.leave_later_s)))
    )


def _line(plan: Plan, pick: DeparturePick) -> str:
    """Format one departure.

    E.g. "Leave 90 min earlier, 03:15 MST: no chains expected by this forecast (6%), arrives 07:53 PST, 70 min sooner".
    """
    d = pick.departure
    asks = _ADVICE_TEXT[departure_advice(plan, d)]
    shift = f"{phrases.minutes(abs(pick.leave_later_s))} {'earlier' if pick.leave_later_s < 0.0 else 'later'}"
    leaves = phrases.clock_on(d.depart_at, plan.depart_zone, plan.depart_at)
    arrives = _arrives(plan, d)
    parts = [f"Leave {shift}, {leaves}: {asks} (chains {odds(d.probability)}), arrives {arrives}, {_than(pick)}"]
    return "; ".join([*parts, *(r for r in pick.reasons if not r.startswith(asks))])


def _arrives(plan: Plan, d: Departure) -> str:
    """Return the arrival, or both where chains are uncertain."""
    pair = d.arrivals
    if pair is None or abs((pair.chained_at - pair.unchained_at).total_seconds()) < SAME_S:
        return phrases.clock_on(d.arrive_at, plan.arrive_zone, plan.arrive_at)
    bare, chained = (
        phrases.clock_on(t, plan.arrive_zone, plan.arrive_at) for t in (pair.unchained_at, pair.chained_at)
    )
    return f"{bare.rsplit(' ', 1)[0]} without chains, {chained} chained"


def _than(pick: DeparturePick) -> str:
    later_s = pick.arrive_later_s
    if abs(later_s) < SAME_S:
        return "about the same"
    return f"{phrases.minutes(abs(later_s))} {'later' if later_s > 0.0 else 'sooner'}"
