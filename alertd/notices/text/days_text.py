"""Words for trips of several days: rests, the outlook, choices and the delivery window, in the zone of each place."""

from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from alertd.notices.text import phrases
from alertd.plan.model.days import DaysChoice, OutlookNote, RestNote
from alertd.plan.model.plan import Plan

_KINDS: Final = {
    "break": "BREAK",
    "rest": "SLEEP",
    "short rest": "SLEEP (short rest)",
    "first part of a rest": "SLEEP, first part",
    "second part of a rest": "SLEEP, second part",
    "restart": "RESTART",
}
_ODDS: Final = {
    "likely": "chains likely",
    "possible": "chains possible",
    "unlikely": "chains unlikely",
    "not known": "not known: the forecast ends before",
}
SAME_S: Final = 900.0  # differences below this are none


def office_lines(plan: Plan) -> list[str]:
    """Return the rests, the outlook and the delivery, one line each; none for a trip without them."""
    lines = [f"Rest: {line}" for line in rest_lines(plan)]
    lines += [f"Outlook: {line}" for line in outlook_lines(plan)]
    delivery = delivery_line(plan)
    return [*lines, f"Delivery {delivery}"] if delivery else lines


def rest_lines(plan: Plan) -> list[str]:
    """Return one line per break and rest, in order."""
    return [] if plan.days is None else [rest_line(x) for x in plan.days.rests]


def rest_line(x: RestNote) -> str:
    """Return what to do, where, from when to when, and how sure the place is."""
    where = phrases.miles(x.distance_m)
    room = {"town": "town, room not known", "unlisted": "no listed place: find one early"}.get(x.room, "")
    span = f"{_day_clock(x.begins_at, x.zone)} - {_day_clock(x.ends_at, x.zone)}"
    takes = phrases.hours((x.ends_at - x.begins_at).total_seconds() / 3600.0)
    more = [part for part in (room, x.reason) if part]
    return f"{span} {_KINDS[x.kind]} {takes}, {x.place}, {where}" + (f" ({'; '.join(more)})" if more else "")


def outlook_lines(plan: Plan) -> list[str]:
    """Return one line per pass beyond the good forecast."""
    return [] if plan.days is None else [outlook_line(x) for x in plan.days.outlook]


def outlook_line(x: OutlookNote) -> str:
    """Return the pass, the part of the day, the odds in words, what to carry, and when it is decided."""
    where = x.place or f"mile {phrases.miles(x.start_m)[:-3]}"
    parts = [f"{where} ({', '.join(x.lands)}), {_part_of_day(x)}: {_ODDS[x.odds]}"]
    if x.singles and x.odds != "unlikely":
        parts.append(f"carry {x.singles} single chains")
    parts.append(f"decided {_day_clock(x.decided_at, x.zone)}")
    return "; ".join(parts)


def choice_lines(plan: Plan) -> list[str]:
    """Return one line per choice worth a look; the others in one line."""
    return [] if plan.days is None else [_choice_line(plan, x) for x in plan.days.choices]


def _choice_line(plan: Plan, x: DaysChoice) -> str:
    if x.kind == "leave":
        what = f"leave {_day_clock(x.depart_at, plan.depart_zone)}"
    elif x.kind == "sleep":
        what = f"sleep at {', '.join(x.sleeps)}"
    else:
        what = "drive until the hours are full"
    if not x.legal:
        return f"{what}: no legal way found"
    arrives = f"arrives {_day_clock(x.arrive_at, plan.arrive_zone)}"
    return f"{what}: {arrives}, {_difference(x)}"


def _difference(x: DaysChoice) -> str:
    """Return the worth of a choice against the plan: expected time and risk together, and the chain work in it."""
    if abs(x.cost_s) < SAME_S:
        worth = "as good"
    else:
        amount = phrases.hours(abs(x.cost_s) / 3600.0)
        worth = f"better by {amount} of road time and risk" if x.cost_s < 0.0 else f"worse by {amount}"
    work = f", {phrases.minutes(x.chain_work_s)} of chain work" if x.chain_work_s >= 60.0 else ""
    return worth + work


def asks_line(plan: Plan) -> str:
    """Return which hours were not given; "" where none is missing."""
    if plan.days is None or not plan.days.asks:
        return ""
    return f"hours not given count as unused: give {', '.join(plan.days.asks)} with the trip"


def delivery_line(plan: Plan) -> str:
    """Return the delivery window and how late the truck is, in both futures; "" without a window."""
    x = plan.delivery
    if x is None:
        return ""
    if x.closes_at is None or x.late_s is None:
        return f"opens {_day_clock(x.opens_at or plan.arrive_at, x.zone)}"
    by = f"by {_day_clock(x.closes_at, x.zone)}"
    if plan.hold is not None:
        return by + ": " + "not known, the trip waits"
    if x.late_chained_s is not None and x.late_unchained_s is not None and x.late_chained_s > 0.0:
        chained = _late(x.late_chained_s)
        return by + ": " + f"{chained} if chained, {_late(x.late_unchained_s)} if not"
    return by + ": " + _late(x.late_s)


def _late(seconds: float) -> str:
    amount = phrases.hours(abs(seconds) / 3600.0)
    if seconds > 0.0:
        return f"late by {amount}"
    return f"{amount} to spare"


def _part_of_day(x: OutlookNote) -> str:
    """Return the days and hours of the range, to three hours."""
    zone = ZoneInfo(x.zone)
    first, last = x.earliest_at.astimezone(zone), x.latest_at.astimezone(zone)
    day = f"{last:%a} " if last.date() != first.date() else ""
    return f"{first:%a %H}h - {day}{last:%H}h {last:%Z}"


def _day_clock(at: datetime, zone: str) -> str:
    return f"{at.astimezone(ZoneInfo(zone)):%a %H:%M %Z}"
