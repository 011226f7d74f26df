"""Labels of a driver's page and of the checklist on it, in a driver's language.

Not for text messages: these may hold letters that the alphabet of text messages lacks. The checklist is common practice
and has no source.
"""

from typing import Final

from alertd.tongue import Tongue, marked

_PAGE: Final = {
    "next": marked("What to do next"),
    "where": marked("Where"),
    "when": marked("When"),
    "tires": marked("Which tires"),
    "speed": marked("How fast"),
    "checklist": marked("Checklist"),
    "read": marked("Got it"),
    "chains_on": marked("Chains on"),
    "chains_off": marked("Chains off"),
    "why": marked("Why"),
    "how_sure": marked("How sure"),
    "sources": marked("Sources and their age"),
    "authority": marked("Posted signs and officers decide. Rules change."),
    "parked": marked("Read only when parked"),
    "queued": marked("Queued, will be sent when you are online"),
}

_BEFORE_ROLLING: Final = (
    marked("Chains hung right"),
    marked("Nothing dragging"),
    marked("Tensioners on board"),
    marked("Tightening tool and a spare on board"),
    marked("Gloves"),
    marked("Wet gear"),
    marked("Light"),
)
_HANGING: Final = (
    marked("Roll forward a little"),
    marked("Take up the slack"),
    marked("Lock"),
    marked("Close the cams all round"),
    marked("Count the tools"),
    marked("Recheck after a short run"),
)
_TAKING_OFF: Final = (marked("Stow so that nothing drags"), marked("Count the tools"))


def page_labels(tongue: Tongue) -> dict[str, str]:
    """By name, e.g. "where"."""
    return {name: tongue.say(text) for name, text in _PAGE.items()}


def before_rolling(tongue: Tongue) -> tuple[str, ...]:
    """What the walk-round looks at, in order."""
    return tuple(tongue.say(item) for item in _BEFORE_ROLLING)


def hanging(tongue: Tongue) -> tuple[str, ...]:
    """What follows once the chains lie on the tires, in order."""
    return tuple(tongue.say(item) for item in _HANGING)


def taking_off(tongue: Tongue) -> tuple[str, ...]:
    return tuple(tongue.say(item) for item in _TAKING_OFF)
