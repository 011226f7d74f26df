"""Computes fresh snow on the road by member, for OUR ESTIMATE of closures and of drifting snow.

Roads close for more snow than ploughs clear. The road physics has no ploughs, so its unploughed depth shows when that
is.
"""

from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.road.corridor import RoadField

Float32: TypeAlias = NDArray[np.float32]

DAY_H: Final = 24
BURST_H: Final = 3


def fresh_snow_mmwe(
    field: RoadField, within_h: int, *, lying_first: bool = False, lying_mmwe: Float32 | None = None
) -> Float32:
    """Snow of the last `within_h` hours that remains on the road, mm w.e., (member, column, hour).

    lying_first: snow on the road at the first hour of the field counts as fallen then, because its age is unknown.
    lying_mmwe: what lies on the road, by default its loose snow.

    Unknown snowfall or depth counts as 0; unknown pavement has rules of its own.
    """
    lying = np.nan_to_num(field.snow_mmwe) if lying_mmwe is None else lying_mmwe
    total = np.cumsum(np.nan_to_num(field.snowfall_mmwe_h), axis=2, dtype=np.float64)
    if lying_first:
        total += np.maximum(lying[:, :, :1] - total[:, :, :1], 0.0)
    before = np.zeros_like(total)
    before[:, :, within_h:] = total[:, :, :-within_h]
    return np.asarray(np.minimum(total - before, lying), dtype=np.float32)
