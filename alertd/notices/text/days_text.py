"""Words for trips of several days: rests, the outlook, choices and the delivery window, in the zone of each place."""

from datetime import datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from alertd.i18n import ENGLISH, Translator, gettext_noop
from alertd.notices.text import phrases
from alertd.plan.model.days import START_PLACE, DaysChoice, DeliveryNote, OutlookNote, RestNote, TripStopNote
from alertd.plan.model.plan import Plan

_KINDS: Final = {
    "break": gettext_noop("BREAK"),
    "rest": gettext_noop("SLEEP"),
    "short rest": gettext_noop("SLEEP (short rest)"),
    "first part of a rest": gettext_noop("SLEEP, first part"),
    "second part of a rest": gettext_noop("SLEEP, second part"),
    "restart": gettext_noop("RESTART"),
    "first part of a break": gettext_noop("BREAK, first part"),
    "second part of a break": gettext_noop("BREAK, second part"),
    "weekly rest": gettext_noop("WEEKLY REST"),
    "reduced weekly rest": gettext_noop("WEEKLY REST (reduced)"),
}
_ODDS: Final = {
    "likely": gettext_noop("chains likely"),
    "possible": gettext_noop("chains possible"),
    "unlikely": gettext_noop("chains unlikely"),
    "not known": gettext_noop("not known: the forecast ends before"),
}
_ROOM: Final = {
    "town": gettext_noop("town, room not known"),
    "unlisted": gettext_noop("no listed place: find one early"),
    "customer": gettext_noop("at the stop: ask whether you may stay"),
}
SAME_LATE_S: Final = 300.0
SAME_S: Final = 900.0  # differences below this are none


def rest_and_outlook_lines(plan: Plan, translator: Translator = ENGLISH) -> list[str]:
    """Return the stops, the rests, the outlook and the delivery, one line each; none for a trip without them."""
    lines = [translator.gettext("Stop: {line}", line=line) for line in stop_lines(plan, translator)]
    lines += [translator.gettext("Rest: {line}", line=line) for line in rest_lines(plan, translator)]
    if chained := if_chained_line(plan, translator):
        lines.append(chained)
    lines += [translator.gettext("Outlook: {line}", line=line) for line in outlook_lines(plan, translator)]
    delivery = delivery_line(plan, translator)
    return [*lines, translator.gettext("Delivery {line}", line=delivery)] if delivery else lines


def stop_lines(plan: Plan, translator: Translator = ENGLISH) -> list[str]:
    """Return one line per stop of the trip, in order."""
    return [] if plan.days is None else [stop_line(x, translator) for x in plan.days.stops]


def stop_line(x: TripStopNote, translator: Translator = ENGLISH) -> str:
    """Return when the truck arrives at a stop and leaves it, and how late it is for its window in both futures."""
    arrives, leaves = (_day_clock(at, x.zone, translator) for at in (x.arrive_at, x.leave_at))
    where = phrases.trip_distance(x.distance_m, translator)
    line = translator.gettext(
        "{arrives} {name}, {where}, leaves {leaves}", arrives=arrives, name=x.name, where=where, leaves=leaves
    )
    if x.closes_at is None or x.late_s is None:
        return line
    how_late = _late(x.late_s, translator)
    unchained_s, chained_s = x.late_unchained_s, x.late_chained_s
    if unchained_s is not None and chained_s is not None and chained_s > max(unchained_s + SAME_LATE_S, 0.0):
        how_late = translator.gettext(
            "{chained} if chained, {unchained} if not",
            chained=_late(chained_s, translator),
            unchained=_late(unchained_s, translator),
        )
    by = _day_clock(x.closes_at, x.zone, translator)
    return f"{line}; " + translator.gettext("by {at}: {how_late}", at=by, how_late=how_late)


def if_chained_line(plan: Plan, translator: Translator = ENGLISH) -> str:
    """Return where a truck rests that chains wherever it may have to, where that is earlier than planned; or ""."""
    if plan.days is None or not plan.days.if_chained:
        return ""
    return translator.gettext(
        "If chained wherever it may be required, the hours end sooner: rest at {place} at the latest",
        place=translator.gettext("the start") if plan.days.if_chained == START_PLACE else plan.days.if_chained,
    )


def rest_lines(plan: Plan, translator: Translator = ENGLISH) -> list[str]:
    """Return one line per break and rest, in order."""
    return [] if plan.days is None else [rest_line(x, translator) for x in plan.days.rests]


def rest_line(x: RestNote, translator: Translator = ENGLISH) -> str:
    """Return what to do, where, from when to when, and how sure the place is."""
    span = f"{_day_clock(x.begins_at, x.zone, translator)} - {_day_clock(x.ends_at, x.zone, translator)}"
    takes = phrases.hours((x.ends_at - x.begins_at).total_seconds() / 3600.0)
    at_start = x.place == START_PLACE
    where = phrases.trip_distance(x.distance_m, translator)
    room = translator.gettext(_ROOM[x.room]) if x.room in _ROOM and not at_start else ""
    more = [part for part in (room, _why(x, translator)) if part]
    line = f"{span} {translator.gettext(_KINDS[x.kind])} {takes}, {_place(x, translator)}, {where}"
    return line + (f" ({'; '.join(more)})" if more else "")


def _place(x: RestNote, translator: Translator) -> str:
    if x.place == START_PLACE:
        return translator.gettext("the start")
    return translator.gettext("a safe place") if x.room == "unlisted" else x.place


def _why(x: RestNote, translator: Translator) -> str:
    """Return which pass is ahead, and how much longer than the law requires the truck waits for a better road."""
    if x.wait_s > 0.0:
        more = phrases.hours(x.wait_s / 3600.0)
        if x.pass_ahead:
            return translator.gettext(
                "waits below {place} {more} more than the law requires: the road ahead gets better",
                place=x.pass_ahead,
                more=more,
            )
        return translator.gettext("waits {more} more than the law requires: the road ahead gets better", more=more)
    return translator.gettext("below {place}", place=x.pass_ahead) if x.pass_ahead else ""


def next_rest_words(plan: Plan, name_most: int, translator: Translator = ENGLISH) -> str:
    """Return the next planned rest for a text to the driver, with its name cut; "" without one, breaks do not count."""
    x = next((r for r in plan.days.rests if r.kind != "break"), None) if plan.days is not None else None
    if x is None:
        return ""
    zone = ZoneInfo(x.zone)
    begins, ends = x.begins_at.astimezone(zone), x.ends_at.astimezone(zone)
    day = f"{translator.day(ends)} " if ends - begins >= timedelta(hours=24) else ""
    from_words, to_words = f"{translator.day(begins)} {begins:%H:%M}", f"{day}{ends:%H:%M %Z}"
    return translator.gettext(
        "Rest {begins}-{ends} at {place}, {where}.",
        begins=from_words,
        ends=to_words,
        place=phrases.cut_name(_place(x, translator), name_most),
        where=phrases.trip_distance(x.distance_m, translator),
    )


def outlook_lines(plan: Plan, translator: Translator = ENGLISH) -> list[str]:
    """Return one line per pass beyond the good forecast."""
    return [] if plan.days is None else [outlook_line(x, translator) for x in plan.days.outlook]


def outlook_line(x: OutlookNote, translator: Translator = ENGLISH) -> str:
    """Return the pass, the part of the day, the odds in words, what to carry, and when it is decided."""
    where = x.place or phrases.trip_distance(x.start_m, translator)
    odds = translator.gettext(_ODDS[x.odds])
    parts = [f"{where} ({', '.join(x.lands)}), {_part_of_day(x, translator)}: {odds}"]
    if x.singles and x.odds != "unlikely":
        parts.append(translator.ngettext("carry {n} single chain", "carry {n} single chains", x.singles))
    parts.append(translator.gettext("decided {at}", at=_day_clock(x.decided_at, x.zone, translator)))
    return "; ".join(parts)


def choice_lines(plan: Plan) -> list[str]:
    """Return one line per choice worth a look; the others in one line."""
    return [] if plan.days is None else [_choice_line(plan, x) for x in plan.days.choices]


def _choice_line(plan: Plan, x: DaysChoice) -> str:
    if x.kind == "leave":
        what = f"leave {_day_clock(x.depart_at, plan.depart_zone)}"
    elif x.kind == "sleep":
        what = f"sleep at {', '.join(x.sleeps)}"
    elif x.kind == "order":
        what = f"stops in the order {', '.join(x.order)}"
    else:
        what = "drive until the hours are full"
    if x.worse_at is None:
        return f"{what}: no legal way found"
    worse = f" (9 in 10 by {_day_clock(x.worse_at, plan.arrive_zone)})"
    law = "legal" if x.legal else "NOT LEGAL"
    chains = "" if x.chain_probability is None else f", chains {_in_ten(x.chain_probability)}"
    if x.held:
        return f"{what}: may meet a HOLD, not before {_day_clock(x.arrive_at, plan.arrive_zone)}, {law}{chains}"
    return f"{what}: arrives {_day_clock(x.arrive_at, plan.arrive_zone)}{worse}, {law}{chains}, {_difference(x)}"


def other_route_lines(plan: Plan) -> list[str]:
    """Return one line per other route of a trip of several days, with the miles that it costs."""
    if plan.days is None:
        return []
    out = []
    for x in plan.other_routes:
        further = x.further_m if abs(x.further_m) >= 8_000.0 else 0.0
        miles = f", {phrases.miles(abs(further))} {'more' if further > 0.0 else 'less'}" if further else ""
        worse = "" if x.worse_at is None else f" (9 in 10 by {_day_clock(x.worse_at, plan.arrive_zone)})"
        law = {True: ", legal", False: ", NOT LEGAL", None: ""}[x.hours_ok]
        order = f", stops in the order {', '.join(x.order)}" if x.order else ""
        arrives = _day_clock(x.arrive_at, plan.arrive_zone)
        out.append(
            f"by way of {x.name}{miles}: arrives {arrives}{worse}{law}, chains {_in_ten(x.chain_probability)}{order}"
        )
    return out


def _in_ten(share: float) -> str:
    """Return odds in ten; a forecast never gives none or all."""
    return "under 1 in 10" if share < 0.05 else f"{min(round(10.0 * share), 9)} in 10" if share < 0.95 else "likely"


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


def not_placed_lines(plan: Plan) -> list[str]:
    """Return what the hours laws ask that the plan does not place, one line each, for the office."""
    return [] if plan.days is None else [f"not in this plan: {x}" for x in plan.days.not_placed]


def delivery_line(plan: Plan, translator: Translator = ENGLISH) -> str:
    """Return the delivery window and how late the truck is, in both futures; "" without a window."""
    x = plan.delivery
    if x is None:
        return ""
    if x.closes_at is None or x.late_s is None:
        return translator.gettext("opens {at}", at=_day_clock(x.opens_at or plan.arrive_at, x.zone, translator))
    return translator.gettext(
        "by {at}: {how_late}",
        at=_day_clock(x.closes_at, x.zone, translator),
        how_late=_how_late(plan, x, x.late_s, translator),
    )


def _how_late(plan: Plan, x: DeliveryNote, late_s: float, translator: Translator) -> str:
    if plan.hold is not None:
        return translator.gettext("not known, the trip waits")
    if x.late_chained_s is not None and x.late_unchained_s is not None and x.late_chained_s > 0.0:
        return translator.gettext(
            "{chained} if chained, {unchained} if not",
            chained=_late(x.late_chained_s, translator),
            unchained=_late(x.late_unchained_s, translator),
        )
    return _late(late_s, translator)


def _late(seconds: float, translator: Translator) -> str:
    amount = phrases.hours(abs(seconds) / 3600.0)
    if seconds > 0.0:
        return translator.gettext("late by {amount}", amount=amount)
    return translator.gettext("{amount} to spare", amount=amount)


def _part_of_day(x: OutlookNote, translator: Translator) -> str:
    """Return the days and hours of the range, to three hours."""
    zone = ZoneInfo(x.zone)
    first, last = x.earliest_at.astimezone(zone), x.latest_at.astimezone(zone)
    day = f"{translator.day(last)} " if last.date() != first.date() else ""
    return f"{translator.day(first)} {first:%H}h - {day}{last:%H}h {last:%Z}"


def _day_clock(at: datetime, zone: str, translator: Translator = ENGLISH) -> str:
    local = at.astimezone(ZoneInfo(zone))
    return f"{translator.day(local)} {local:%H:%M %Z}"
