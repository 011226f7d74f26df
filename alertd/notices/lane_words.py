"""One sentence on the two lanes of a stretch: what a ploughed road is like, and a road that nobody has ploughed.

Nobody knows before the truck is there which of the two it meets. The sentence eases nothing.
"""

from typing import Final

from alertd.i18n import ENGLISH, Translator
from alertd.notices.headline import ICE_SHOWN_FRAC
from alertd.notices.text.driver_parts import surface_odds
from alertd.plan.model.stretches import Stretch, SurfaceStretch
from alertd.road.road_class import WINTER_CLASSES, RoadClass

Shares = tuple[tuple[str, float], ...]

MUCH_FRAC: Final = 0.25  # [A] two or three in ten: nobody drives differently on 7 than on 8 in 10
_WINTER: Final = frozenset(c.label for c in WINTER_CLASSES)
_ICY: Final = frozenset((RoadClass.ICE.label, RoadClass.GLAZE.label))


def lane_line(stretch: Stretch | SurfaceStretch, translator: Translator = ENGLISH) -> str:
    """Return the sentence where the lanes differ much in surface or odds; "" where not, or where none is ploughed.

    For example "Ploughed road: packed snow 6 in 10; not ploughed: snow 9 in 10. Do not count on the plough."
    """
    cleared, untouched = _named(stretch.serviced_surfaces), _named(stretch.untouched_surfaces)
    if not stretch.serviced_surfaces or not untouched or not _differ(dict(cleared), dict(untouched)):
        return ""
    return translator.gettext(
        "Ploughed road: {cleared}; not ploughed: {untouched}. Do not count on the plough.",
        cleared=_words(cleared, translator) or translator.gettext("snow or ice under 1 in 10"),
        untouched=_words(untouched, translator),
    )


def winter_share(stretch: Stretch | SurfaceStretch) -> float:
    """Share of members in which an unploughed road is white or icy there, summed over its classes."""
    return sum(share for name, share in stretch.untouched_surfaces if name in _WINTER)


def _named(shares: Shares) -> Shares:
    """The likeliest winter surface, and the likeliest ice where it is another that is likely enough to be shown."""
    winter = sorted((x for x in shares if x[0] in _WINTER and x[1] >= 0.05), key=lambda x: -x[1])
    ice = [x for x in winter[1:] if x[0] in _ICY and x[1] >= ICE_SHOWN_FRAC]
    return (*winter[:1], *ice[:1])


def _differ(cleared: dict[str, float], untouched: dict[str, float]) -> bool:
    names = cleared.keys() | untouched.keys()
    return max(abs(cleared.get(n, 0.0) - untouched.get(n, 0.0)) for n in names) >= MUCH_FRAC


def _words(shares: Shares, translator: Translator) -> str:
    return ", ".join(surface_odds(name, share, translator) for name, share in shares)
