"""Encodes pavement as one number per place: its class, and what a tire finds under a thin snow cover.

Code 0 is unknown, code c + 1 is the plain class c. Higher codes are ice so warm that it is wet, and snow, slush and
packed snow so thin that the ice beneath decides the grip.
"""

from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.road.friction import WET_ICE_TEMP_C
from alertd.road.road_class import RoadClass

Codes: TypeAlias = NDArray[np.int8]

WET_ICE: Final = max(RoadClass) + 2
_COVERS: Final = (RoadClass.SNOW, RoadClass.SLUSH, RoadClass.PACKED_SNOW)
# (class by name, class by grip, wet ice) of the codes that are not a plain class
_MORE: Final = (
    (RoadClass.ICE, RoadClass.ICE, True),
    *((cover, RoadClass.ICE, False) for cover in _COVERS),
    *((cover, RoadClass.ICE, True) for cover in _COVERS),
    *((cover, RoadClass.GLAZE, False) for cover in _COVERS),
)
_PLAIN: Final = range(-1, max(RoadClass) + 1)

NAMED_OF_CODE: Final[Codes] = np.asarray([*_PLAIN, *(m[0] for m in _MORE)], dtype=np.int8)
GRIP_OF_CODE: Final[Codes] = np.asarray([*_PLAIN, *(m[1] for m in _MORE)], dtype=np.int8)
_WET: Final = np.asarray([False] * len(_PLAIN) + [m[2] for m in _MORE])
SURFACE_OF_CODE: Final = np.where(_WET, WET_ICE_TEMP_C, WET_ICE_TEMP_C - 1.0)
_CODE_OF: Final = {(int(n), int(g), wet): WET_ICE + i for i, (n, g, wet) in enumerate(_MORE)}


def pavement_codes(
    road_class: NDArray[np.int8], grip_class: NDArray[np.int8], surface_temp_c: NDArray[np.floating]
) -> Codes:
    """Codes from a field's classes by name, its classes by grip, and surface temperatures; any one shape."""
    code: Codes = road_class + np.int8(1)
    icy = grip_class == RoadClass.ICE
    hidden = grip_class != road_class
    if not (icy.any() or hidden.any()):
        return code
    wet = icy & (surface_temp_c >= WET_ICE_TEMP_C)
    for (named, grips, is_wet), number in _CODE_OF.items():
        code[(road_class == named) & (grip_class == grips) & (wet == is_wet)] = number
    return code
