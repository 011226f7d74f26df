"""Text parts common to the driver's messages, in a driver's language and units."""

from typing import Final, Literal, TypeAlias

from alertd.i18n import Translator, gettext_noop, odds
from alertd.notices.text import phrases, place_text
from alertd.plan.model.stretches import StopChoice, Stretch, SurfaceStretch
from alertd.road.road_class import DRIVERS_WORDS
from alertd.route.lands import signs_in_miles
from alertd.rules.tire_text import tires_short_text
from alertd.units import KMH_MPS, MILE_M, to_mph, whole_before

ICY_LABELS: Final = ("ice", "glaze")
LEAST_ICE_FRAC: Final = 0.15  # as PlanParams.winter_probability: less likely ice is not named with snow
SurenessForm: TypeAlias = Literal["odds", "name", "chains"]
SHORT_NAME: Final = 26  # letters of a name; where it is cut to fewer, the exit gives way as well
KMH_STEP: Final = 5  # km/h are given in steps of five, as on signs, and never above the speed itself

# The labels of road classes in plans.
_SURFACES: Final = (
    gettext_noop("unknown"), gettext_noop("dry"), gettext_noop("damp"), gettext_noop("wet"), gettext_noop("frost"),
    gettext_noop("snow"), gettext_noop("ice"),
    gettext_noop("glaze"), gettext_noop("slush"), gettext_noop("packed snow"),
)  # fmt: skip


def closing(translator: Translator) -> str:
    """Return the end of every driver's text: who decides, and when to read."""
    return translator.gettext("Signs+officers decide, rules change. Read parked.")


def surface(name: str, translator: Translator) -> str:
    """Return a surface's name in the driver's language. One word for one thing, as drivers say it."""
    name = DRIVERS_WORDS.get(name, name)
    return translator.gettext(name) if name in _SURFACES else name


def surface_odds(name: str, frac: float, translator: Translator) -> str:
    """Return a surface and how sure it is, e.g. "snow almost certain"."""
    return f"{surface(name, translator)} {odds(frac, translator)}"


def tires(stretch: Stretch, translator: Translator) -> str:
    """Return the tires in the fewest words. The plan's own text is English."""
    return stretch.tires_short_words if translator.language == "en" else tires_short_text(stretch.tire_runs, translator)


def tires_n(stretch: Stretch, translator: Translator) -> str:
    """Return the number of tires, and of missing chains."""
    hanging = stretch.hanging
    number = translator.ngettext("{n} tire", "{n} tires", hanging.singles_n)
    if not hanging.singles_short:
        return number
    short = translator.ngettext("({n} SHORT)", "({n} SHORT)", hanging.singles_short)
    return f"{number} {short}"


def speed_figure(speed_mps: float, stretch: Stretch | SurfaceStretch, translator: Translator) -> str:
    """Return a speed without its unit, in the unit of `speed`."""
    if _in_kmh(stretch, translator):
        return str(max(KMH_STEP, int((speed_mps / KMH_MPS + 1e-6) // KMH_STEP) * KMH_STEP))
    return f"{to_mph(speed_mps):.0f}"


def speed(speed_mps: float, stretch: Stretch | SurfaceStretch, translator: Translator) -> str:
    """Return a speed in the unit of the road's signs."""
    return f"{speed_figure(speed_mps, stretch, translator)} {'km/h' if _in_kmh(stretch, translator) else 'mph'}"


def _in_kmh(stretch: Stretch | SurfaceStretch, translator: Translator) -> bool:
    if not (translator.metric or translator.by_signs):
        return False
    known = [code for code in stretch.jurisdictions if code]
    return not any(signs_in_miles(code) for code in known) if known else translator.metric


def likely_short(stretch: Stretch, translator: Translator) -> str:
    """Return the probability in the fewest words; for a posted control without its start."""
    if any(posting.posted for posting in stretch.postings):
        return translator.gettext("POSTED now")
    return phrases.likely(stretch, translator)


def how_sure(stretch: Stretch, translator: Translator, form: SurenessForm = "odds") -> str:
    """Return the likeliest surface, hidden ice, and how sure chains are: "snow almost certain, chains 6 in 10".

    form: surfaces with their odds, or by name only, or chains alone.
    """
    shown = (*stretch.surfaces[:1], *hidden_ice(stretch)) if stretch.unknown_frac < 1.0 and form != "chains" else ()
    whole = form == "odds"
    words = [surface_odds(name, frac, translator) if whole else surface(name, translator) for name, frac in shown]
    return ", ".join([*words, (phrases.likely if whole else likely_short)(stretch, translator)])


def hidden_ice(s: Stretch) -> tuple[tuple[str, float], ...]:
    """Return ice or glaze, with its share, that is likely on a stretch whose likeliest surface is another."""
    icy = [(name, share) for name, share in s.surfaces if name in ICY_LABELS]
    if not icy or s.surfaces[0][0] in ICY_LABELS or icy[0][1] < LEAST_ICE_FRAC:
        return ()
    return (icy[0],)


def place_words(stop: StopChoice, translator: Translator) -> str:
    """Return a place that a driver can find: name and milepost, or where to look if no stop is listed."""
    return phrases.stop_words(stop, translator) if stop.edge_m is None else _to_look_for(stop, translator)


def place_short(stop: StopChoice, cut: int, translator: Translator) -> str | None:
    """Return where to look for a place, in at most `cut` letters or the fewest words; None for a listed stop."""
    if stop.edge_m is None:
        return None
    words_whole = _to_look_for(stop, translator)
    if len(words_whole) <= cut:
        return words_whole
    low, high = sorted((stop.distance_m, stop.edge_m))
    return translator.gettext(
        "safe place {low} to {high}",
        low=_look_from(low, high, translator),
        high=phrases.trip_distance(high, translator),
    )


def is_shortened(stop: StopChoice, cut: int, translator: Translator) -> bool:
    """Return True where `place_short` omits from where to look for an unlisted place."""
    return stop.edge_m is not None and len(_to_look_for(stop, translator)) > cut


def _to_look_for(stop: StopChoice, translator: Translator) -> str:
    if stop.edge_m is not None and stop.distance_m < stop.edge_m:
        at, edge = (
            _look_from(stop.distance_m, stop.edge_m, translator),
            phrases.trip_distance(stop.edge_m, translator),
        )
        return translator.gettext("safe place from {at} on, before {edge} (none listed)", at=at, edge=edge)
    at = phrases.trip_distance(stop.distance_m, translator)
    return translator.gettext("safe place from {at} on (none listed)", at=at)


def _look_from(from_m: float, edge_m: float, translator: Translator) -> str:
    """Return where to begin to look for a place before `edge_m`: a mile or kilometre before it at least."""
    unit_m = 1000.0 if translator.metric else MILE_M
    return phrases.trip_distance(whole_before(from_m, edge_m, unit_m) * unit_m, translator)


def name_and_milepost(stop: StopChoice, cut: int, translator: Translator) -> str:
    """Return a place that a driver can find, its name cut; the milepost alone when a name has no room."""
    if (unlisted := place_short(stop, cut, translator)) is not None:
        return unlisted
    mark = place_text.mark(stop, translator, short=cut < SHORT_NAME)
    if not cut and mark:
        return mark
    name = phrases.cut_stop_name(stop, max(cut, 14), translator)
    return f"{name}, {mark}" if mark else name


def why_held(stretch: Stretch, translator: Translator) -> str:
    """Return why a stretch requires a hold."""
    if phrases.closed_by_snow(stretch):
        return translator.gettext("deep snow may close the road (our estimate)")
    return (
        translator.gettext("rig may be barred")
        if stretch.barred
        else translator.gettext("may be too slick even chained")
    )


_CHAIN_UP_STEPS: Final = (
    gettext_noop("Off the traffic side, four-ways on, brakes set, wheels chocked."),
    gettext_noop("Light, gloves, wet gear on."),
    gettext_noop("Hooks and cross-link ends face away from the tire."),
    gettext_noop("Ends uneven: the longer tail goes inside."),
    gettext_noop("Roll forward a little, take up the slack, lock, then close the cams all round."),
    gettext_noop("Tensioner hooks face out and stay off the cams."),
    gettext_noop("Count tools and padlocks before rolling: none on the catwalk."),
    gettext_noop("Recheck after a short run. Nothing may drag or touch an air line."),
)


def chain_up_steps(translator: Translator) -> tuple[str, ...]:
    """Return the steps at the chain-up place, in order."""
    return tuple(translator.gettext(line) for line in _CHAIN_UP_STEPS)
