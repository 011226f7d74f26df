"""Texts about other departure times: every suggested one, and the best one for a brief."""

from typing import Final

from alertd.notices.text import phrases
from alertd.plan.departures import MIN_GAIN
from alertd.plan.model.alternatives import Departure, DeparturePick
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.units import HOUR_S

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
    if plan.picks:
        return [_line(plan, p) for p in plan.picks]
    if all(d.depart_at != plan.depart_at for d in plan.departures):
        return ["The planned departure is not among those that the forecast reaches: none is called better"]
    span_s = (plan.departures[-1].depart_at - plan.departures[0].depart_at).total_seconds()
    hours = round(span_s / HOUR_S)
    return [f"No other departure of the next {hours} h is better by this forecast"]


def best_departure_line(plan: Plan) -> str:
    """Return the line of the departure that changes most, for a brief; "" where another time saves little.

    It must require less, save considerable time under way, or be legal where the planned one is not. That an earlier
    departure arrives earlier is not worth a line.
    """
    illegal = plan.hours is not None and not plan.hours.ok

    def changes(p: DeparturePick) -> bool:
        milder = p.departure.advice.rank < plan.advice.rank
        spared_s = p.leave_later_s - p.arrive_later_s
        return milder or spared_s >= MIN_GAIN.total_seconds() or (illegal and p.departure.hours_ok is True)

    worth = [] if plan.partial else [p for p in plan.picks if changes(p)]
    if not worth:
        return ""
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
    arrives = phrases.clock_on(d.arrive_at, plan.arrive_zone, plan.arrive_at)
    parts = [f"Leave {shift}, {leaves}: {asks} ({phrases.percent(d.probability)}), arrives {arrives}, {_than(pick)}"]
    return "; ".join([*parts, *(r for r in pick.reasons if not r.startswith(asks))])


def _than(pick: DeparturePick) -> str:
    later_s = pick.arrive_later_s
    if abs(later_s) < SAME_S:
        return "about the same"
    return f"{phrases.minutes(abs(later_s))} {'later' if later_s > 0.0 else 'sooner'}"
