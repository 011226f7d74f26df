"""Composes the driver's text message: place, time, tires, speed first, in at most two GSM-7 segments."""

import re
from collections.abc import Callable, Sequence
from itertools import product
from typing import TypeVar

from alertd.i18n import ENGLISH, Translator, odds
from alertd.notices.text import driver_parts, gsm7, phrases, place_text
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice, StopChoice, Stretch

Form = TypeVar("Form")  # what a text is shortened by, e.g. the most letters of a name
MAX_SEGMENTS = 2
LEAST_NAME = 18  # characters of a place's name below which nothing else is added

# Tried in order: maximum length of the names of the chain-up stop, the chain-off stop and the pass. A milepost is
# enough for a driver, so the names of stops are cut first.
_CUT_STEPS = ((60, 60, 60), (60, 26, 60), (60, 0, 40), (34, 0, 40), (26, 0, 26), (18, 0, 20), (0, 0, 20), (0, 0, 0))

# Tried in order: (tires within the first 160 septets, full text, age of the forecast). The short text omits the
# chain-off place, which has a message of its own later, and the reason for a hold.
_FORMS = ((True, True, True), (False, True, True), (False, False, True), (False, False, False))


def driver_text(plan: Plan, stretch: Stretch, translator: Translator = ENGLISH) -> str:
    """Return the driver's text about one stretch, read when parked.

    The first 160 septets have the action, place, time, number of tires and speed, and which tires if there is room. The
    rest has the reason, the chain-off place or, if there is room, the end of a hold, then probability, ages and who
    decides. Raises ValueError when even the shortest form does not fit, which cannot occur for a rig and stop of
    ordinary length.
    """
    until, white = _until(stretch, translator), phrases.capital(phrases.may_be_white(stretch, translator))
    text, ends = "", (until, "") if until else ("",)
    whites = (f"{white}. ", "") if white else ("",)
    both = _both_arrivals(plan, stretch, translator)
    change = _change(stretch, translator)
    arrivals = tuple(dict.fromkeys((change + both, change, "")))
    for (tires_first, whole, aged), end, arrive, (up_max, off_max, pass_max), more in product(
        _FORMS, ends, arrivals, _CUT_STEPS, whites
    ):
        if arrive and up_max < LEAST_NAME:  # the name of the place comes before the arrivals
            continue
        if both and arrive.endswith(both) and driver_parts.is_shortened(stretch.chain_up, up_max, translator):
            continue  # so does where to look for an unlisted place, and that none is listed
        text = first = gsm7.to_gsm7(_instruction(stretch, up_max, translator, tires_first=tires_first, reason=whole))
        if gsm7.septets(first) > gsm7.SINGLE_SEPTETS:
            continue
        cuts = (off_max if whole else None, pass_max)
        rest = gsm7.to_gsm7(_details(plan, stretch, *cuts, (end, more), translator, tires_first=tires_first, aged=aged))
        text = f"{first} {gsm7.to_gsm7(arrive)}{rest}"
        if gsm7.segments(text) <= MAX_SEGMENTS:
            return text
    raise ValueError(f"the driver's text for {plan.trip_id} does not fit two segments: {text}")


def _instruction(s: Stretch, name_max: int, translator: Translator, *, tires_first: bool, reason: bool) -> str:
    """Return the part that must be complete on its own."""
    where, when = _place(s.chain_up, name_max, translator), phrases.clock_time(s.chain_up.arrive_at, s.chain_up.zone)
    tires = driver_parts.tires_n(s, translator) + (f": {driver_parts.tires(s, translator)}" if tires_first else "")
    speed, bare = (
        driver_parts.speed(s.speed_mps, s, translator),
        driver_parts.speed_figure(s.bare_speed_mps, s, translator),
    )
    if s.advice is Advice.HOLD and not reason:
        return translator.gettext(
            "HOLD at {where}, {when}. If sent on: {tires}, max {speed}.",
            where=where, when=when, tires=tires, speed=speed,
        )  # fmt: skip
    if s.advice is Advice.HOLD:
        why = driver_parts.why_held(s, translator)
        return translator.gettext(
            "HOLD at {where}, {when}: {why}. If sent on: {tires}, max {speed}.",
            where=where, when=when, why=why, tires=tires, speed=speed,
        )  # fmt: skip
    if s.chained:
        off, until = (
            _place(s.chain_off, name_max, translator),
            phrases.clock_time(s.chain_off.arrive_at, s.chain_off.zone),
        )
        return translator.gettext(
            "STAY CHAINED to {where}, {when}. {tires}. Max {speed}, {bare} if bare.",
            where=off, when=until, tires=tires, speed=speed, bare=bare,
        )  # fmt: skip
    if s.advice is Advice.CHAIN:
        return translator.gettext(
            "PLAN TO CHAIN at {where}, {when}. {tires}. Max {speed}, {bare} if bare.",
            where=where, when=when, tires=tires, speed=speed, bare=bare,
        )  # fmt: skip
    return translator.gettext(
        "BE READY TO CHAIN at {where}, {when}. {tires}. Max {speed}, {bare} if bare.",
        where=where, when=when, tires=tires, speed=speed, bare=bare,
    )  # fmt: skip


def _until(s: Stretch, translator: Translator) -> str:
    """Return when a held road may be passable, by the clock at the hold; "" if not known."""
    if s.advice is not Advice.HOLD or s.hold_until is None:
        return ""
    at = phrases.clock_on(s.hold_until, s.chain_up.zone, s.chain_up.arrive_at, translator)
    return translator.gettext("Maybe passable from {at}. ", at=at.rsplit(" ", 1)[0])


def _change(s: Stretch, translator: Translator) -> str:
    """Return the stop that was sent before, and why it is another one now; "" where it is the first or the same."""
    if not s.chain_up.instead_of:
        return ""
    why = translator.gettext(s.chain_up.instead_why)
    return translator.gettext("Was {place}: {why}. ", place=s.chain_up.instead_of, why=why)


def _both_arrivals(plan: Plan, s: Stretch, translator: Translator) -> str:
    """Return the arrivals without and with chains; "" where these are not uncertain, or the driver waits."""
    if plan.arrivals is None or plan.hold is not None or s.advice is Advice.HOLD:
        return ""
    bare, chained = (
        phrases.clock_time(t, plan.arrive_zone) for t in (plan.arrivals.unchained_at, plan.arrivals.chained_at)
    )
    return translator.gettext("Arrive {bare}, chained {chained}. ", bare=bare.split()[0], chained=chained)


def without_arrivals(text: str, translator: Translator = ENGLISH) -> str:
    """Return a driver's text without its sentence on both arrivals, to make room for other words."""
    sentence = gsm7.to_gsm7(translator.gettext("Arrive {bare}, chained {chained}. ", bare="BARE", chained="CHAINED"))
    pattern = re.escape(sentence).replace("BARE", r"\d\d:\d\d").replace("CHAINED", r"\d\d:\d\d \S+")
    return re.sub(pattern, "", text, count=1)


def shortened(text: str, lead: str, translator: Translator = ENGLISH) -> str:
    """Return a driver's text after `lead`, within two segments: its last sentences give way, the closing words stay."""
    close = gsm7.to_gsm7(driver_parts.closing(translator))
    for whole in (text, without_arrivals(text, translator)):
        sentences = whole.removesuffix(close).rstrip().split(". ")
        if gsm7.segments(with_lead := gsm7.to_gsm7(lead + whole)) <= MAX_SEGMENTS:
            return with_lead
    for kept_n in range(len(sentences) - 1, 0, -1):
        with_lead = gsm7.to_gsm7(f"{lead}{'. '.join(sentences[:kept_n]).rstrip('.')}. {close}")
        if gsm7.segments(with_lead) <= MAX_SEGMENTS:
            return with_lead
    return with_lead


def _details(
    plan: Plan,
    s: Stretch,
    off_max: int | None,
    pass_max: int,
    more: tuple[str, str],
    translator: Translator,
    *,
    tires_first: bool,
    aged: bool,
) -> str:
    """Return reason, end, probability, ages and who decides; in fewer words where the tires need the room.

    more: the end of a hold, and the road around the stretch that may be white.
    """
    until, white = more
    here = place_text.name(s, translator)
    place = f"{phrases.cut_name(here, pass_max)}: " if here and pass_max else ""
    ice = driver_parts.hidden_ice(s)
    named = s.unknown_frac < 1.0 and (place or tires_first)
    shown = ((*s.surfaces[:1], *ice) if named else ice) if s.unknown_frac < 1.0 else ()
    words = [
        driver_parts.surface_odds(name, frac, translator) if tires_first else driver_parts.surface(name, translator)
        for name, frac in shown
    ]
    surface = "".join(f"{word}, " for word in words)
    likely = (driver_parts.likely_short if off_max is None else phrases.likely)(s, translator)
    what = f"{place}{surface}{likely}"
    age = (phrases.forecast_age if tires_first else phrases.fcst_age)(plan, translator=translator)
    ages = f"{age}. " if aged else ""
    tires = ""
    if not tires_first:
        which = driver_parts.tires(s, translator)
        tires = (
            f"{phrases.capital(which)}. " if off_max is None else translator.gettext("Tires: {tires}. ", tires=which)
        )
    # For a hold the chain-off place has the lowest priority, after the end of the hold.
    omit_off = off_max is None or until or (s.advice is Advice.HOLD and not tires_first)
    off = (
        "" if omit_off else translator.gettext("Off at {where}. ", where=_place(s.chain_off, off_max or 0, translator))
    )
    return f"{tires}{phrases.capital(what)}. {until}{white}{off}{ages}{driver_parts.closing(translator)}"


def _place(stop: StopChoice, name_max: int, translator: Translator) -> str:
    """Return name and milepost; the milepost alone when a name has no room."""
    if (unlisted := driver_parts.place_short(stop, name_max, translator)) is not None:
        return unlisted
    mark = place_text.mark(stop, translator, short=name_max < driver_parts.SHORT_NAME)
    if name_max == 0 and mark:
        return mark
    name_max = max(name_max, 14)
    name = phrases.cut_stop_name(stop, name_max, translator)
    return f"{name}, {mark}" if mark else name


def eased_text(plan: Plan, place: str, translator: Translator = ENGLISH) -> str:
    """Return a relief text that does not suggest to unload chains."""

    def shorten(cut: int) -> str:
        text = translator.gettext(
            "EASED: {where} now looks better at your hour, but stay ready and keep chains aboard. Chains {odds} "
            "on this trip.",
            where=place[:cut].rstrip() or translator.gettext("the snow ahead"),
            odds=odds(plan.chain_probability, translator),
        )
        return f"{text} {phrases.forecast_age(plan, translator=translator)}. {driver_parts.closing(translator)}"

    return fit_segments(shorten, (80, 60, 40, 26))


def fit_segments(shorten: Callable[[Form], str], cuts: Sequence[Form]) -> str:
    """Return the longest form of a text that fits two segments, in the GSM-7 alphabet.

    `shorten` formats the text for a cut or another form; `cuts` go from the longest to the shortest, which is returned
    even if it does not fit.
    """
    text = ""
    for cut in cuts:
        text = gsm7.to_gsm7(shorten(cut))
        if gsm7.segments(text) <= MAX_SEGMENTS:
            break
    return text
