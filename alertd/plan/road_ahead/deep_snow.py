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


def fresh_snow_mmwe(field: RoadField, within_h: int, *, lying_first: bool = False) -> Float32:
    """Snow of the last `within_h` hours that remains on the road, mm w.e., (member, column, hour).

    lying_first: snow on the road at the first hour of the field counts as fallen then, because its age is unknown.

    Unknown snowfall or depth counts as 0; unknown pavement has rules of its own.
    """
    lying = np.nan_to_num(field.snow_mmwe)
    total = np.cumsum(np.nan_to_num(field.snowfall_mmwe_h), axis=2, dtype=np.float32)
    if lying_first:
        total += np.maximum(lying[:, :, :1] - total[:, :, :1], np.float32(0.0))
    out = total.copy()
    out[:, :, within_h:] -= total[:, :, :-within_h]
    return np.minimum(out, lying, out=out)


def snowfall_of_burst_mmwe_h(field: RoadField, lying_mmwe: Float32) -> Float32:
    """Mean snowfall of the last three hours, or fewer at the start, mm w.e. per hour, (member, column, hour).

    lying_mmwe: what lies on the road. Snowfall that does not lie does not count.
    """
    fall = np.nan_to_num(field.snowfall_mmwe_h)
    total = fall.copy()
    for back in range(1, min(BURST_H, fall.shape[2])):
        total[:, :, back:] += fall[:, :, :-back]
    hours_n = np.minimum(np.arange(fall.shape[2]) + 1, BURST_H).astype(np.float32)
    return np.asarray(np.minimum(total, lying_mmwe) / hours_n, dtype=np.float32)
