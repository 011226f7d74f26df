"""Columns that are not left as their own run gives them: tunnels, and bridge decks beside a slippery road."""

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from alertd.road.road_class import WINTER_CLASSES, RoadClass

CLASSES: Final = ("road_class", "grip_class", "untouched_class")
TUNNEL_TEMP_C: Final = 10.0  # assumed: rock and traffic keep long tunnels mild; no result depends on the figure


def shelter(arrays: dict[str, NDArray[Any]], tunnel: NDArray[np.bool_]) -> None:
    """Set the columns of tunnels to a dry road at a mild temperature, in hours of unknown weather too.

    arrays: of a RoadField by name, (member, column, hour) each, changed in place. tunnel: (column,).
    """
    for name, values in arrays.items():
        if name in CLASSES:
            values[:, tunnel] = RoadClass.DRY
        else:
            values[:, tunnel] = TUNNEL_TEMP_C if name.endswith("temp_c") else 0.0


def decks_no_better(
    arrays: dict[str, NDArray[Any]], deck: NDArray[np.int64], beside: NDArray[np.int64], stores: tuple[str, ...]
) -> None:
    """Give a bare deck the state of the road beside it in the hours when that is winterly, in place.

    deck, beside: (n,) columns of decks, and of the road beside each. stores: names of what the lane holds.

    A slab of 0.2 m keeps the day's heat for an hour or two of the evening in which the road beside it freezes. That
    depends on its thickness, which nobody lists, and a deck is never reported as the better place [A].
    """
    for names, by in ((("road_class", "grip_class", *stores), "road_class"), (("untouched_class",), "untouched_class")):
        ours, theirs = arrays[by][:, deck], arrays[by][:, beside]
        better = (ours < min(WINTER_CLASSES)) & (ours > RoadClass.UNKNOWN) & (theirs >= min(WINTER_CLASSES))
        if better.any():
            for name in names:
                whole = arrays[name]
                whole[:, deck] = np.where(better, whole[:, beside], whole[:, deck])
