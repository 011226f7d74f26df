"""The words of the driver's page: its heading, its warnings, and the functions of its template."""

from datetime import datetime, timedelta
from functools import partial
from typing import Any, Final

from alertd.i18n import Translator, gettext_noop
from alertd.notices import headline, surfaces
from alertd.notices.charts.axis_units import AxisUnits
from alertd.notices.lane_words import lane_line
from alertd.notices.next_action import ActionKind, NextAction, is_old
from alertd.notices.text import days_text, phrases, place_text
from alertd.notices.text import driver_parts as spoken
from alertd.plan.model.plan import Plan

SOON: Final = timedelta(minutes=45)
_HEADS: Final = {
    ActionKind.READY: gettext_noop("BE READY TO CHAIN"),
    ActionKind.HOLD: gettext_noop("HOLD"),
    ActionKind.SLOW: gettext_noop("SLOW DOWN: WINTER ROAD"),
    ActionKind.TAKE_OFF: gettext_noop("STAY CHAINED UNTIL"),  # never "chains off" first while there is snow ahead
    ActionKind.ARRIVED: gettext_noop("ARRIVED, by the plan"),
}


ICONS: Final = {
    ActionKind.HANG: "C",
    ActionKind.READY: "R",
    ActionKind.HOLD: "H",
    ActionKind.SLOW: "S",
    ActionKind.TAKE_OFF: "ON",
}


def heading(plan: Plan, step: NextAction, now_utc: datetime, translator: Translator) -> str:
    """The largest words of the page. `plan`: the plan of the next action."""
    if plan.arrived_at is not None:
        return translator.gettext("ARRIVED")
    if step.step is ActionKind.HANG:
        if step.stretch is not None and step.stretch.chained:
            return translator.gettext("ADD CHAINS")
        return translator.gettext("CHAIN UP") if step.at - now_utc <= SOON else translator.gettext("PLAN TO CHAIN")
    if step.step is ActionKind.SLOW and surfaces.is_wind_only(plan):
        return translator.gettext("SLOW DOWN: WIND OR SIGHT")
    if step.surface is not None and step.surface.icy:
        return translator.gettext("ICE: SLOW DOWN")
    return (
        translator.gettext(_HEADS[step.step])
        if step.step in _HEADS
        else translator.gettext("No chains expected by this forecast")
    )


def warnings(plan: Plan, missed: str, now_utc: datetime, translator: Translator) -> list[str]:
    """Reasons why this page may be incomplete."""
    if plan.arrived_at is not None:
        return []
    out = []
    if is_old(plan, now_utc) or missed:
        age = phrases.age((now_utc - plan.made_at).total_seconds() / 3600.0, translator)
        out.append(
            translator.gettext(
                "This plan is {age} old and was not made again. Be ready to chain, whatever it says.", age=age
            )
        )
    if plan.partial:
        out.append(translator.gettext("Some of the forecast is old or missing. Be ready to chain."))
    if plan.singles_short:
        out.append(
            translator.gettext("SHORT OF CHAINS: {n} missing. Tell dispatch before you go.", n=plan.singles_short)
        )
    return out


def template_functions(translator: Translator) -> dict[str, Any]:
    """Functions of the page's template by name. english: the page uses the language of the plans' own sentences."""
    english = translator.language == "en"
    tires = partial(spoken.tires, translator=translator)
    return {
        "english": english,
        "count": translator.ngettext,
        "likely": partial(phrases.likely, translator=translator),
        "held_until": partial(phrases.held_until, translator=translator),
        "why_held": partial(spoken.why_held, translator=translator),
        "reason": partial(headline.reason, translator=translator),
        "place_words": partial(spoken.place_words, translator=translator),
        "snow_depth": partial(phrases.snow_depth, translator=translator),
        "may_be_white": partial(phrases.may_be_white, translator=translator),
        "age": partial(phrases.age, translator=translator),
        "day_clock": partial(phrases.day_clock, translator=translator),
        "surface": partial(spoken.surface, translator=translator),
        "mark": partial(place_text.mark, translator=translator),
        "lane_line": partial(lane_line, translator=translator),
        "surface_odds": partial(spoken.surface_odds, translator=translator),
        "forecast_age": partial(phrases.forecast_age, translator=translator),
        "speed": partial(spoken.speed, translator=translator),
        "span": partial(surfaces.span, translator=translator),
        "hours": surfaces.hours,
        "distance": AxisUnits(metric=translator.metric).distance,
        "tires": tires,
        "tires_long": (lambda stretch: stretch.tires_words) if english else tires,
        "rests": partial(days_text.rest_and_outlook_lines, translator=translator),
        "begun": _capitalized,
    }


def _capitalized(text: str) -> str:
    """Capitalizes the first letter; the rest, such as a time zone, is unchanged."""
    return text[:1].upper() + text[1:]
