"""Parts that the driver's texts have in common, in a driver's language and units."""

from typing import Final

from alertd.i18n import Tongue, marked
from alertd.notices.text import phrases
from alertd.plan.model import Plan, StopChoice, Stretch, SurfaceStretch
from alertd.rules.tire_text import tires_said
from alertd.units import KMH_MPS, to_miles, to_mph

KMH_STEP: Final = 5  # km/h are told in steps of five, as signs have them, and never above the speed itself

# The names that plans give to road classes.
_SURFACES: Final = (
    marked("unknown"), marked("dry"), marked("moist"), marked("wet"), marked("rime"), marked("snow"), marked("ice"),
    marked("glaze"), marked("slush"), marked("packed snow"),
)  # fmt: skip


def tail(tongue: Tongue) -> str:
    """Who decides, and when to read: the end of every driver's text."""
    return tongue.say("Signs+officers decide, rules change. Read parked.")


def surface(name: str, tongue: Tongue) -> str:
    return tongue.say(name) if name in _SURFACES else name


def tires(stretch: Stretch, tongue: Tongue) -> str:
    """Which tires, in the fewest words. The plan's own words are English."""
    return stretch.tires_short_words if tongue.language == "en" else tires_said(stretch.tire_runs, tongue)


def tires_n(stretch: Stretch, tongue: Tongue) -> str:
    """How many, and how many chains are missing for them."""
    hanging = stretch.hanging
    number = tongue.count("{n} tire", "{n} tires", hanging.singles_n)
    if not hanging.singles_short:
        return number
    short = tongue.count("({n} SHORT)", "({n} SHORT)", hanging.singles_short)
    return f"{number} {short}"


def figure(speed_mps: float, stretch: Stretch | SurfaceStretch, tongue: Tongue) -> str:
    """A speed without its unit, in the unit of `speed`."""
    if _in_kmh(stretch, tongue):
        return str(max(KMH_STEP, int((speed_mps / KMH_MPS + 1e-6) // KMH_STEP) * KMH_STEP))
    return f"{to_mph(speed_mps):.0f}"


def speed(speed_mps: float, stretch: Stretch | SurfaceStretch, tongue: Tongue) -> str:
    """A speed in the unit that the signs beside the road have."""
    return f"{figure(speed_mps, stretch, tongue)} {'km/h' if _in_kmh(stretch, tongue) else 'mph'}"


def _in_kmh(stretch: Stretch | SurfaceStretch, tongue: Tongue) -> bool:
    return tongue.metric and not any(code.startswith("US-") for code in stretch.jurisdictions)


def mark(distance_m: float, tongue: Tongue) -> str:
    """How far along the trip, e.g. "mi 50"."""
    return f"km {distance_m / 1000.0:.0f}" if tongue.metric else f"mi {to_miles(distance_m):.0f}"


def likely_short(stretch: Stretch, tongue: Tongue) -> str:
    """How sure, in the fewest words: of what is posted not since when."""
    if any(posting.posted for posting in stretch.postings):
        return tongue.say("POSTED now")
    return phrases.likely(stretch, tongue)


def place_words(stop: StopChoice, tongue: Tongue) -> str:
    """A place a driver can find: name, then milepost in brackets; what to look for where no stop is listed."""
    return phrases.stop_words(stop) if stop.edge_m is None else _to_look_for(stop, tongue)


def place_short(stop: StopChoice, cut: int, tongue: Tongue) -> str | None:
    """A place to look for, in at most `cut` letters or else in the fewest words; None for any other."""
    if stop.edge_m is None:
        return None
    words_whole = _to_look_for(stop, tongue)
    if len(words_whole) <= cut:
        return words_whole
    low, high = sorted((stop.distance_m, stop.edge_m))
    return tongue.say("safe place {low} to {high}", low=mark(low, tongue), high=mark(high, tongue))


def _to_look_for(stop: StopChoice, tongue: Tongue) -> str:
    at, edge = mark(stop.distance_m, tongue), mark(stop.edge_m or 0.0, tongue)
    if stop.edge_m is not None and stop.distance_m < stop.edge_m:
        return tongue.say("safe place from {at} on, before {edge} (none listed)", at=at, edge=edge)
    return tongue.say("safe place from {at} on (none listed)", at=at)


def name_and_milepost(stop: StopChoice, cut: int, tongue: Tongue) -> str:
    """A place a driver can find, its name cut; the milepost alone when there is no room for a name."""
    if (looked_for := place_short(stop, cut, tongue)) is not None:
        return looked_for
    if not cut and stop.milepost:
        return stop.milepost
    name = stop.name[: max(cut, 14)].rstrip()
    return f"{name} ({stop.milepost})" if stop.milepost else name


def why_held(stretch: Stretch, tongue: Tongue) -> str:
    """Why a stretch is held below."""
    if phrases.closed_by_snow(stretch):
        return tongue.say("deep snow may close the road (our estimate)")
    return tongue.say("rig may be barred") if stretch.barred else tongue.say("may be too slick even chained")


def ages(plan: Plan, jurisdictions: tuple[str, ...], tongue: Tongue) -> str:
    """How old the forecast and the rule text are."""
    law = phrases.rule_text_age(plan, jurisdictions, tongue)
    return tongue.say("{forecast}, rule text {law}", forecast=phrases.forecast_age(plan, tongue), law=law)


def ages_short(plan: Plan, jurisdictions: tuple[str, ...], tongue: Tongue) -> str:
    law = phrases.rule_text_age(plan, jurisdictions, tongue)
    return tongue.say("{forecast}, law {law}", forecast=phrases.fcst_age(plan, tongue), law=law)


_AT_THE_PLACE: Final = (
    marked("Off the traffic side, four-ways on, brakes set, wheels chocked."),
    marked("Light, gloves, wet gear on."),
    marked("Hooks and cross-link ends face away from the tire."),
    marked("Ends uneven: the longer tail goes inside."),
    marked("Roll forward a little, take up the slack, lock, then close the cams all round."),
    marked("Tensioner hooks face out and stay off the cams."),
    marked("Count tools and padlocks before rolling: none on the catwalk."),
    marked("Recheck after a short run. Nothing may drag or touch an air line."),
)


def at_the_place(tongue: Tongue) -> tuple[str, ...]:
    """What to do at the chain-up place, in order."""
    return tuple(tongue.say(line) for line in _AT_THE_PLACE)
