"""Words a stretch's place as a driver would find it: pass, road with direction, milepost, exit, town."""

import re
from typing import Final, Protocol

from alertd.i18n import ENGLISH, Translator, gettext_noop
from alertd.plan.model.stretches import StopChoice
from alertd.route.spot import Spot
from alertd.units import to_miles

# At an exit, not past it: a ramp and its signs reach this far. [A]
_AT_EXIT_M: Final = 800.0
_BOUND: Final = {
    "N": gettext_noop("northbound"),
    "E": gettext_noop("eastbound"),
    "S": gettext_noop("southbound"),
    "W": gettext_noop("westbound"),
}


_SIGNED: Final = {
    "N": gettext_noop("NB"), "E": gettext_noop("EB"), "S": gettext_noop("SB"), "W": gettext_noop("WB"),
}  # fmt: skip
# The text of a stop's place, e.g. "I-90 MT MP 6", "I-70 W MP 219", "I-70 exit 216". Any other text stays as it is.
_MARK: Final = re.compile(
    r"(?P<road>[A-Z]+-?\d+\S*)(?: (?P<bound>[NESW])B?)?(?: (?P<land>[A-Z]{2}))?"
    r"(?: MP (?P<mile>\S+)| exit (?P<exit>\S+))"
)


def stop_name(stop: StopChoice, translator: Translator = ENGLISH) -> str:
    """Return the name of a stop, in the reader's language where it is no stop but e.g. the present place."""
    return stop.name if stop.stop_id else translator.gettext(stop.name)


class Marked(Protocol):
    """A stop with a milepost."""

    @property
    def milepost(self) -> str: ...
    @property
    def direction(self) -> str: ...
    @property
    def exit(self) -> str: ...


class Placed(Protocol):
    """A run of road that has a place."""

    @property
    def place(self) -> str: ...
    @property
    def spot(self) -> Spot | None: ...
    @property
    def start_m(self) -> float: ...


def where(s: Placed, translator: Translator = ENGLISH) -> str:
    """Return its pass or nearest town, then road, direction, and milepost or last exit of its start.

    E.g. "Vail Pass, I-70 westbound, 2 mi past exit 190", "near Georgetown, I-70 westbound, MP 226". The distance from
    the trip's start is used where none of these is known.
    """
    parts = [name(s, translator)]
    if s.spot is not None:
        parts += [_road(s.spot, translator), _mark(s.spot, translator)]
        if not any((s.place, s.spot.town, s.spot.exit, s.spot.milepost)):
            parts[0] = from_start(s.start_m, translator)
    elif not s.place:
        parts[0] = from_start(s.start_m, translator)
    return ", ".join(part for part in parts if part)


def mark(stop: Marked, translator: Translator = ENGLISH, *, short: bool = False) -> str:
    """Return road, direction and mile as on signs, e.g. "I-90 WB, MT mile 6 (exit 5)"; "" without a milepost.

    short: without the exit where a mile is known.
    """
    found = _MARK.fullmatch(stop.milepost)
    if found is None:
        return stop.milepost
    bound = _SIGNED.get(stop.direction or found["bound"] or "")
    road = f"{found['road']} {translator.gettext(bound)}" if bound else found["road"]
    exit_ = found["exit"] or stop.exit
    exit_words = translator.gettext("exit {exit}", exit=exit_) if exit_ else ""
    if not found["mile"]:
        return f"{road}, {exit_words}"
    mile = translator.gettext("mile {milepost}", milepost=found["mile"])
    text = f"{road}, {found['land']} {mile}" if found["land"] else f"{road}, {mile}"
    return f"{text} ({exit_words})" if exit_words and not short else text


def name(s: Placed, translator: Translator = ENGLISH) -> str:
    """Return its pass, or "near" the nearest town; "" where neither is known."""
    if s.place or s.spot is None or not s.spot.town:
        return s.place
    return translator.gettext("near {town}", town=s.spot.town)


def from_start(start_m: float, translator: Translator = ENGLISH) -> str:
    """Return the distance from the trip's start, the last resort for a place."""
    return translator.gettext("{distance} from the start", distance=_distance(start_m, translator))


def _road(spot: Spot, translator: Translator) -> str:
    bound = translator.gettext(_BOUND[spot.direction]) if spot.direction in _BOUND else ""
    return f"{spot.road} {bound}".strip()


def _mark(spot: Spot, translator: Translator) -> str:
    if spot.milepost:
        return translator.gettext("MP {milepost}", milepost=spot.milepost)
    if not spot.exit or spot.past_exit_m is None:
        return ""
    if spot.past_exit_m < _AT_EXIT_M:
        return translator.gettext("at exit {exit}", exit=spot.exit)
    past = _distance(spot.past_exit_m, translator)
    return translator.gettext("{distance} past exit {exit}", distance=past, exit=spot.exit)


def _distance(distance_m: float, translator: Translator) -> str:
    return f"{distance_m / 1000.0:.0f} km" if translator.metric else f"{to_miles(distance_m):.0f} mi"
