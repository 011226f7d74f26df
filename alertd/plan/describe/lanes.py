"""The two lanes of a stretch side by side: the road that is cleared, and the road that nobody ploughs or salts.

Both are shares of members, anywhere on the stretch at the truck's hour. They explain a plan; no advice depends on them.
"""

from collections.abc import Mapping
from typing import Final, NamedTuple, TypeAlias
from weakref import WeakKeyDictionary

import numpy as np

from alertd.plan.chain_up.encounter import Encounter
from alertd.plan.describe.met_classes import Bits, MetClasses, class_bits
from alertd.road.road_class import WINTER_CLASSES, RoadClass

Shares: TypeAlias = tuple[tuple[str, float], ...]


class LaneSurfaces(NamedTuple):
    """serviced: over the members whose road is cleared, () where none is. untouched: of that lane over all members."""

    serviced: Shares
    untouched: Shares


def lane_surfaces(encounter: Encounter, here: slice) -> LaneSurfaces:
    """The share of members that would meet each class anywhere on some sections, on either lane."""
    lanes = _LANES.get(encounter)
    if lanes is None:
        lanes = _LANES[encounter] = _lanes(encounter)
    serviced, untouched = (ranked_shares(MetClasses(lane, here).shares()) if lane.size else () for lane in lanes)
    return LaneSurfaces(serviced, untouched)


def ranked_shares(shares: Mapping[RoadClass, float]) -> Shares:
    """Winter classes first, then by share."""
    ranked = sorted(shares.items(), key=lambda s: (s[0] not in WINTER_CLASSES, -s[1]))
    return tuple((c.label, share) for c, share in ranked)


# Both lanes of the whole way, (member, section): those of a plan's stretches are parts of it.
_LANES: Final[WeakKeyDictionary[Encounter, tuple[Bits, Bits]]] = WeakKeyDictionary()


def _lanes(encounter: Encounter) -> tuple[Bits, Bits]:
    need, hour = encounter.hourly_need, encounter.hour
    cleared = ~np.asarray(need.corridor.field.untouched)
    driven = need.lane_class("road_class", hour)[cleared]
    return class_bits(driven), class_bits(need.lane_class("untouched_class", hour))
