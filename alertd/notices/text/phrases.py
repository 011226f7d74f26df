"""Formats figures and times in the reader's units, and sentences common to all notices."""

import math
from datetime import datetime
from zoneinfo import ZoneInfo

from alertd.i18n import ENGLISH, Translator, odds
from alertd.notices.text import place_text
from alertd.plan.model.notes import HoursNote
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice, StopChoice, Stretch
from alertd.units import minutes_words, to_inches, to_miles, to_mph

SIGNS = "Posted signs and officers decide; rules change."
PARKED = "Read only when parked."
MIN_SNOW_M = 0.01  # shallower snow is not given as a depth
LEAST_NAME = 8  # letters of a name by which a driver still knows it [A]
MAX_INCHES = 24.0  # deeper snow is given in feet


def clock_time(when: datetime, zone: str) -> str:
    """Return local time with its zone, e.g. "06:40 MST"."""
    return when.astimezone(ZoneInfo(zone)).strftime("%H:%M %Z")


def day_clock(when: datetime, zone: str, translator: Translator = ENGLISH) -> str:
    """Return local day and time with zone, e.g. "Thu 14 Jan 06:40 MST"."""
    return f"{translator.date(when.astimezone(ZoneInfo(zone)))} {clock_time(when, zone)}"


def clock_on(when: datetime, zone: str, by: datetime, translator: Translator = ENGLISH) -> str:
    """Return local time with zone, and the weekday if it differs from that of `by`, e.g. "Fri 06:40 MST"."""
    local = when.astimezone(ZoneInfo(zone))
    other_day = local.date() != by.astimezone(ZoneInfo(zone)).date()
    return (f"{translator.day(local)} " if other_day else "") + clock_time(when, zone)


def mph(speed_mps: float) -> str:
    """Return a speed in mph."""
    return f"{to_mph(speed_mps):.0f} mph"


def miles(distance_m: float) -> str:
    """Return a distance in miles."""
    return f"{to_miles(distance_m):.0f} mi"


def minutes(seconds: float) -> str:
    """Return a duration in minutes, or in hours and minutes from 100 minutes on."""
    return minutes_words(seconds)


def may_be_white(stretch: Stretch, translator: Translator = ENGLISH) -> str:
    """Return from and to where the road around a stretch may be white, e.g. "may be white from mi 48"; "" if nowhere.

    Few forecast members need chains there, so it is no part of the stretch.
    """
    from_m, to_m = stretch.white_from_m, stretch.white_to_m
    if from_m is not None and to_m is not None:
        low, high = trip_distance(from_m, translator), trip_distance(to_m, translator)
        return translator.gettext("may be white from {low} to {high}", low=low, high=high)
    if from_m is not None:
        return translator.gettext("may be white from {at}", at=trip_distance(from_m, translator))
    if to_m is not None:
        return translator.gettext("may be white to {at}", at=trip_distance(to_m, translator))
    return ""


def trip_distance(distance_m: float, translator: Translator) -> str:
    """Return the distance along the trip, e.g. "mi 50"."""
    return f"km {distance_m / 1000.0:.0f}" if translator.metric else f"mi {to_miles(distance_m):.0f}"


def snow_depth(stretch: Stretch, translator: Translator = ENGLISH) -> str:
    """Return the snow depth as a range, e.g. "about 4-9 in of snow on an unploughed road"; "" below 1 cm.

    Rounded outwards: the range is an estimate, and a narrower one would suggest more precision.
    """
    if 0.5 * (stretch.snow_depth_low_m + stretch.snow_depth_high_m) < MIN_SNOW_M:
        return ""
    low, high = to_inches(stretch.snow_depth_low_m), to_inches(stretch.snow_depth_high_m)
    if high > MAX_INCHES:
        feet = f"{math.floor(low / 6.0) / 2.0:g}-{math.ceil(high / 6.0) / 2.0:g}"
        return translator.gettext("about {feet} ft of snow on an unploughed road", feet=feet)
    if low < 1.0:
        return translator.gettext("up to {inches} in of snow on an unploughed road", inches=math.ceil(high))
    inches = f"{math.floor(low)}-{math.ceil(high)}"
    return translator.gettext("about {inches} in of snow on an unploughed road", inches=inches)


def percent(frac: float) -> str:
    """Return a probability as 1 to 99 %: no forecast can promise 0 or 100."""
    return f"{min(max(round(frac * 100), 1), 99)}%"


def likely(stretch: Stretch, translator: Translator = ENGLISH) -> str:
    """Return how sure it is that chains are needed: posted, or our estimate, e.g. "chains 6 in 10".

    No figure where nothing is known.
    """
    sign = next((p for p in stretch.postings if p.posted), None)
    if sign is not None and sign.posted_since is not None:
        at = clock_on(sign.posted_since, stretch.zone, stretch.enter_at, translator)
        return translator.gettext("POSTED since {at}", at=at)
    if sign is not None:
        return translator.gettext("POSTED now")
    if stretch.unknown_frac == 1.0:
        return translator.gettext("road not known")
    return translator.gettext("chains {odds}", odds=odds(stretch.probability, translator))


def capital(text: str) -> str:
    """Return the text with a capital first letter; the rest, such as a time zone, is unchanged."""
    return text[:1].upper() + text[1:]


def cut_name(name: str, most: int) -> str:
    """Return a name in at most so many letters, cut after a whole word, e.g. one of two passes."""
    if len(name) <= most:
        return name
    words = name[: most + 1].rsplit(" ", 1)[0] if " " in name[: most + 1] else name[:most]
    return words.rstrip(" ,.-").removesuffix(" and").rstrip(" ,")


def cut_stop_name(stop: StopChoice, most: int, translator: Translator = ENGLISH) -> str:
    """Return the name of a stop in at most so many letters, after a whole word if enough of the name is left."""
    name = place_text.stop_name(stop, translator)
    words = cut_name(name, most)
    return words if len(words) >= min(LEAST_NAME, len(name)) else name[:most].rstrip()


def held_until(stretch: Stretch, translator: Translator = ENGLISH) -> str:
    """Return how long the hold lasts, by the clock at the hold; "" if there is no hold."""
    if stretch.advice is not Advice.HOLD:
        return ""
    if stretch.hold_until is None:
        return translator.gettext("no end of it within the forecast")
    at = clock_on(stretch.hold_until, stretch.chain_up.zone, stretch.chain_up.arrive_at, translator)
    return translator.gettext("expected to be passable with chains from {at}", at=at)


def closed_by_snow(stretch: Stretch) -> bool:
    """Whether the main reason for a hold is that snow is expected to close the road."""
    likelier = stretch.snow_closed_frac > 0.0 and stretch.snow_closed_frac >= stretch.grip_short_chained_frac
    return stretch.advice is Advice.HOLD and likelier and not stretch.barred


def why_held(stretch: Stretch) -> str:
    """Return why a stretch requires a hold, for an office."""
    if closed_by_snow(stretch):
        share = odds(stretch.snow_closed_frac)
        return f"expect the road to be closed by deep snow, {share} (our estimate, no posted closure)"
    return "rig may be barred" if stretch.barred else "grip may be short even chained"


def winter_frac(plan: Plan) -> float:
    """Return the highest probability of a winter surface on the trip, bridge decks included."""
    return max([*plan.along.winter_frac, *(b.probability for b in plan.bridges)], default=0.0)


def age(hours: float, translator: Translator = ENGLISH) -> str:
    """Return an age in hours."""
    return translator.gettext("under 1 h") if hours < 1 else f"{hours:.0f} h"


def forecast_age(plan: Plan, later_h: float = 0.0, translator: Translator = ENGLISH) -> str:
    """Return the age of the oldest source, e.g. "Forecast 2 h old"; "No forecast" without a source.

    later_h: hours since the plan was made.
    """
    if not plan.sources:
        return translator.gettext("No forecast")
    return translator.gettext("Forecast {age} old", age=age(max(s.age_h for s in plan.sources) + later_h, translator))


def fcst_age(plan: Plan, translator: Translator = ENGLISH) -> str:
    """Return the same in fewer letters."""
    if not plan.sources:
        return translator.gettext("No forecast")
    return translator.gettext("Fcst {age} old", age=age(max(s.age_h for s in plan.sources), translator))


def rule_text_age(plan: Plan, jurisdictions: tuple[str, ...] = (), translator: Translator = ENGLISH) -> str:
    """Return the month to which the oldest rule text used is known to be law, e.g. "2020-11 OLD".

    jurisdictions: only their texts, if any is given. OLD marks a text that may no longer be the law: overdue for
    review, changed but not read, or known to change and last seen in force before the last winter season.
    """
    used = [r for r in plan.rules if not jurisdictions or r.jurisdiction in jurisdictions]
    if not used:
        return translator.gettext("none on file")
    month = min(r.as_of for r in used).isoformat()[:7]
    return translator.gettext("{month} OLD", month=month) if any(r.aged for r in used) else month


def stop_words(stop: StopChoice, translator: Translator = ENGLISH) -> str:
    """Return a place that a driver can find: name, then road, direction and mile in brackets."""
    name = place_text.stop_name(stop, translator)
    return f"{name}, {place_text.mark(stop, translator)}" if stop.milepost else name


def last_position(plan: Plan) -> str:
    """Return when and where the truck was last reported; "" when the plan does not use a position."""
    fix = plan.position
    if fix is None or plan.arrived_at is not None:
        return ""
    where = f"seen {clock_time(fix.at, plan.depart_zone)}, {miles(fix.distance_m)} on the way"
    return f"last {where}, not heard of since" if fix.old else where


def worn(plan: Plan) -> str:
    """Return how the plan treats chains that are reported on; "" where none are."""
    note = plan.chains
    if note is None:
        return ""
    since = f"reported on since {clock_time(note.since, plan.depart_zone)}"
    if note.off is None:
        return f"chains {since}, not counted with: {'see the cautions' if note.doubt else 'place not known'}"
    more = f"; {note.missing_n} more tires to chain: {note.missing_words}" if note.missing_n else ""
    when = clock_time(note.off.arrive_at, note.off.zone)
    return f"stay chained to {stop_words(note.off)}, {when} (chains {since}){more}"


def hours(hours_h: float) -> str:
    """Return hours and minutes, e.g. "4 h 31 min"; "-0 h 20 min" when exceeded."""
    whole = round(abs(hours_h) * 60.0)
    return f"{'-' if hours_h < 0 and whole else ''}{whole // 60} h {whole % 60:02d} min"


_LIMITS = {
    "driving": "driving",
    "duty": "on duty",
    "window": "duty window",
    "break": "without a break",
    "cycle": "cycle",
}


def hours_line(note: HoursNote, zone: str, *, asks: bool = True) -> str:
    """Return the driver's hours in one line: which limit is reached and where, or what is left at arrival.

    asks: names the hours that were not given; otherwise only that the line counts from departure.
    """
    over = [x for x in note.limits if x.reached_m is not None]
    if over:
        reached = "; ".join(
            f"{_LIMITS[x.kind]} {x.allowed_h:g} h full "
            f"at {clock_time(x.reached_at, zone)}, {miles(x.reached_m)} on the way"
            + (f", last listed stop before it {x.stop_name}" if x.stop_name else "")
            for x in over
            if x.reached_at is not None and x.reached_m is not None
        )
        text = f"NOT LEGAL as planned: {reached} ({over[0].section})"
    else:
        text = "left at arrival " + ", ".join(
            f"{hours(x.left_h)} {_LIMITS[x.kind]}" for x in note.limits if x.kind != "break"
        )
        text += "" if note.ok_if_late else "; NOT if as late as one in ten and chained wherever it may have to"
    if note.not_given and asks:
        text += f"; not given, so counted from departure only: {', '.join(note.not_given)}"
    elif note.not_given:
        text += "; counted from departure"
    return text


def break_lines(note: HoursNote, zone: str) -> list[str]:
    """Return one line per required break."""
    out = []
    for b in note.breaks:
        at = f"{b.stop_name} ({b.milepost})" if b.milepost else b.stop_name
        where = f" at {at}" if at else ""
        out.append(
            f"{b.minutes:.0f} min{where}, due by {clock_time(b.due_at, zone)}, {miles(b.due_m)}: {b.reason}; "
            "not in the arrival above"
        )
    return out
