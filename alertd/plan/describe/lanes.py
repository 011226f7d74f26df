"""The two lanes of a stretch side by side: the road that is cleared, and the road that nobody ploughs or salts.

Both are shares of members, anywhere on the stretch at the truck's hour. They explain a plan; no advice depends on them.
"""

from typing import Final, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.plan.chain_up.encounter import Encounter
from alertd.road.road_class import WINTER_CLASSES, RoadClass

Shares: TypeAlias = tuple[tuple[str, float], ...]

_ORDER: Final = (*WINTER_CLASSES, *(c for c in RoadClass if c not in WINTER_CLASSES))


class LaneSurfaces(NamedTuple):
    """serviced: over the members whose road is cleared, () where none is. untouched: of that lane over all members."""

    serviced: Shares
    untouched: Shares


def lane_surfaces(encounter: Encounter, here: slice) -> LaneSurfaces:
    """The share of members that would meet each class anywhere on some sections, on either lane."""
    cleared = ~np.asarray(encounter.hourly_need.corridor.field.untouched)
    driven = encounter.hourly_need.lane_class("road_class", encounter.hour[:, here], here)
    untouched = encounter.hourly_need.lane_class("untouched_class", encounter.hour[:, here], here)
    return LaneSurfaces(_shares(driven[cleared]), _shares(untouched))


def _shares(road_class: NDArray[np.int8]) -> Shares:
    """Winter classes first, then by share."""
    if not road_class.size:
        return ()
    shares = [(c, float((road_class == c).any(axis=1).mean())) for c in _ORDER]
    ranked = sorted((s for s in shares if s[1] > 0.0), key=lambda s: (s[0] not in WINTER_CLASSES, -s[1]))
    return tuple((c.label, share) for c, share in ranked)
