"""Words for trips of several days: rests, the outlook, choices and the delivery window, in the zone of each place."""

from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from alertd.i18n import ENGLISH, Translator, gettext_noop
from alertd.notices.text import phrases
from alertd.plan.model.days import DaysChoice, OutlookNote, RestNote
from alertd.plan.model.plan import Plan

_KINDS: Final = {
    "break": gettext_noop("BREAK"),
    "rest": gettext_noop("SLEEP"),
    "short rest": gettext_noop("SLEEP (short rest)"),
    "first part of a rest": gettext_noop("SLEEP, first part"),
    "second part of a rest": gettext_noop("SLEEP, second part"),
    "restart": gettext_noop("RESTART"),
}
_ODDS: Final = {
    "likely": gettext_noop("chains likely"),
    "possible": gettext_noop("chains possible"),
    "unlikely": gettext_noop("chains unlikely"),
    "not known": gettext_noop("not known: the forecast ends before"),
}
SAME_S: Final = 900.0  # differences below this are none


def rest_lines(plan: Plan, translator: Translator = ENGLISH) -> list[str]:
    """Return one line per break and rest, in order."""
    return [] if plan.days is None else [rest_line(x, translator) for x in plan.days.rests]


def rest_line(x: RestNote, translator: Translator = ENGLISH) -> str:
    """Return what to do, where, from when to when, and how sure the place is."""
    _ = translator.gettext
    where = phrases.trip_distance(x.distance_m, translator)
    room = {"town": _("town, room not known"), "unlisted": _("no listed place: find one early")}.get(x.room, "")
    span = f"{_day_clock(x.begins_at, x.zone)} - {_day_clock(x.ends_at, x.zone)}"
    takes = phrases.hours((x.ends_at - x.begins_at).total_seconds() / 3600.0)
    more = [part for part in (room, x.reason) if part]
    return f"{span} {_(_KINDS[x.kind])} {takes}, {x.place}, {where}" + (f" ({'; '.join(more)})" if more else "")


def outlook_lines(plan: Plan, translator: Translator = ENGLISH) -> list[str]:
    """Return one line per pass beyond the good forecast."""
    return [] if plan.days is None else [outlook_line(x, translator) for x in plan.days.outlook]


def outlook_line(x: OutlookNote, translator: Translator = ENGLISH) -> str:
    """Return the pass, the part of the day, the odds in words, what to carry, and when it is decided."""
    _ = translator.gettext
    where = x.place or phrases.trip_distance(x.start_m, translator)
    parts = [f"{where} ({', '.join(x.lands)}), {_part_of_day(x)}: {_(_ODDS[x.odds])}"]
    if x.singles and x.odds != "unlikely":
        parts.append(_("carry {n} single chains", n=x.singles))
    parts.append(_("decided {when}", when=_day_clock(x.decided_at, x.zone)))
    return "; ".join(parts)


def choice_lines(plan: Plan, translator: Translator = ENGLISH) -> list[str]:
    """Return one line per choice worth a look; the others in one line."""
    return [] if plan.days is None else [_choice_line(plan, x, translator) for x in plan.days.choices]


def _choice_line(plan: Plan, x: DaysChoice, translator: Translator) -> str:
    _ = translator.gettext
    if x.kind == "leave":
        what = _("leave {when}", when=_day_clock(x.depart_at, plan.depart_zone))
    elif x.kind == "sleep":
        what = _("sleep at {places}", places=", ".join(x.sleeps))
    else:
        what = _("drive until the hours are full")
    if not x.legal:
        return f"{what}: " + _("no legal way found")
    arrives = _("arrives {when}", when=_day_clock(x.arrive_at, plan.arrive_zone))
    return f"{what}: {arrives}, {_difference(x, translator)}"


def _difference(x: DaysChoice, translator: Translator) -> str:
    """Return the worth of a choice against the plan: expected time and risk together, and the chain work in it."""
    _ = translator.gettext
    if abs(x.cost_s) < SAME_S:
        worth = _("as good")
    else:
        amount = phrases.hours(abs(x.cost_s) / 3600.0)
        worth = _("worth {time} more", time=amount) if x.cost_s < 0.0 else _("costs {time} more", time=amount)
    work = _(", {time} of chain work", time=phrases.minutes(x.chain_work_s)) if x.chain_work_s >= 60.0 else ""
    return worth + work


def asks_line(plan: Plan, translator: Translator = ENGLISH) -> str:
    """Return which hours were not given; "" where none is missing."""
    if plan.days is None or not plan.days.asks:
        return ""
    return translator.gettext("counted as unused: {names}", names=", ".join(plan.days.asks))


def delivery_line(plan: Plan, translator: Translator = ENGLISH) -> str:
    """Return the delivery window and how late the truck is, in both futures; "" without a window."""
    _, x = translator.gettext, plan.delivery
    if x is None:
        return ""
    if x.closes_at is None or x.late_s is None:
        return _("opens {when}", when=_day_clock(x.opens_at or plan.arrive_at, x.zone))
    by = _("by {when}", when=_day_clock(x.closes_at, x.zone))
    if plan.hold is not None:
        return by + ": " + _("not known, the trip waits")
    if x.late_chained_s is not None and x.late_unchained_s is not None and x.late_chained_s > 0.0:
        chained = _late(x.late_chained_s, translator)
        return (
            by
            + ": "
            + _("{late} if chained, {other} if not", late=chained, other=_late(x.late_unchained_s, translator))
        )
    return by + ": " + _late(x.late_s, translator)


def _late(seconds: float, translator: Translator) -> str:
    amount = phrases.hours(abs(seconds) / 3600.0)
    if seconds > 0.0:
        return translator.gettext("late by {time}", time=amount)
    return translator.gettext("{time} to spare", time=amount)


def _part_of_day(x: OutlookNote) -> str:
    """Return the days and hours of the range, to three hours."""
    zone = ZoneInfo(x.zone)
    first, last = x.earliest_at.astimezone(zone), x.latest_at.astimezone(zone)
    day = f"{last:%a} " if last.date() != first.date() else ""
    return f"{first:%a %H}h - {day}{last:%H}h {last:%Z}"


def _day_clock(at: datetime, zone: str) -> str:
    return f"{at.astimezone(ZoneInfo(zone)):%a %H:%M %Z}"
