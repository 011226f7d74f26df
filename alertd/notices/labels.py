"""The checklist of a driver's page, in a driver's language.

Not for text messages: it may hold letters that the alphabet of text messages lacks. It is common practice and has no
source.
"""

from typing import Final

from alertd.tongue import Tongue, marked

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
