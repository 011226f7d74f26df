"""What the driver's page says beside its template's own words: in the driver's language and units."""

from datetime import datetime, timedelta
from functools import partial
from typing import Any, Final

from alertd.notices import labels, spoken, surfaces, words
from alertd.notices.next_step import NextStep, Step, is_old
from alertd.notices.pictures.measures import Measures
from alertd.plan.result import Plan
from alertd.sources.reportfile import CHAINS_OFF, CHAINS_ON, READ
from alertd.tongue import Tongue, marked

DONE: Final = {
    READ: marked("Got it: your dispatcher sees that you have read this."),
    CHAINS_ON: marked("Noted: chains are on."),
    CHAINS_OFF: marked("Noted: chains are off."),
}
SOON: Final = timedelta(minutes=45)
_HEADS: Final = {
    Step.READY: marked("BE READY TO CHAIN"),
    Step.HOLD: marked("HOLD"),
    Step.SLOW: marked("SLOW DOWN: WINTER ROAD"),
    Step.TAKE_OFF: marked("STAY CHAINED UNTIL"),  # never "chains off" on top while there is snow to drive
    Step.ARRIVED: marked("ARRIVED, by the plan"),
}


def head(plan: Plan, step: NextStep, now_utc: datetime, tongue: Tongue) -> str:
    """The words that stand largest. `plan`: whose next step it is."""
    if plan.arrived_at is not None:
        return tongue.say("ARRIVED")
    if step.step is Step.HANG:
        if step.stretch is not None and step.stretch.chained:
            return tongue.say("ADD CHAINS")
        return tongue.say("CHAIN UP") if step.at - now_utc <= SOON else tongue.say("PLAN TO CHAIN")
    if step.surface is not None and step.surface.icy:
        return tongue.say("ICE: SLOW DOWN")
    return tongue.say(_HEADS[step.step]) if step.step in _HEADS else tongue.say("No chains expected by this forecast")


def warnings(plan: Plan, missed: str, now_utc: datetime, tongue: Tongue) -> list[str]:
    """Why this page may say too little."""
    if plan.arrived_at is not None:
        return []
    out = []
    if is_old(plan, now_utc) or missed:
        age = words.age((now_utc - plan.made_at).total_seconds() / 3600.0, tongue)
        out.append(
            tongue.say("This plan is {age} old and was not made again. Be ready to chain, whatever it says.", age=age)
        )
    if plan.partial:
        out.append(tongue.say("Some of the forecast is old or missing. Be ready to chain."))
    if plan.singles_short:
        out.append(tongue.say("SHORT OF CHAINS: {n} missing. Tell dispatch before you go.", n=plan.singles_short))
    return out


def said_in(tongue: Tongue) -> dict[str, Any]:
    """The functions of the page's template by name. english: the page is in the language of plans' own sentences."""
    english = tongue.language == "en"
    tires = partial(spoken.tires, tongue=tongue)
    return {
        "english": english,
        "count": tongue.count,
        "likely": partial(words.likely, tongue=tongue),
        "held_until": partial(words.held_until, tongue=tongue),
        "why_held": partial(spoken.why_held, tongue=tongue),
        "place_words": partial(spoken.place_words, tongue=tongue),
        "snow_depth": partial(words.snow_depth, tongue=tongue),
        "age": partial(words.age, tongue=tongue),
        "day_clock": partial(words.day_clock, tongue=tongue),
        "surface": partial(spoken.surface, tongue=tongue),
        "speed": partial(spoken.speed, tongue=tongue),
        "span": partial(surfaces.span, tongue=tongue),
        "hours": surfaces.hours,
        "distance": Measures(metric=tongue.metric).distance,
        "tires": tires,
        "tires_long": (lambda stretch: stretch.tires_words) if english else tires,
        "checklist": labels.at_the_place(tongue),
        "begun": _begun,
    }


def _begun(text: str) -> str:
    """As the beginning of a sentence; the rest, such as a time zone, keeps its letters."""
    return text[:1].upper() + text[1:]
