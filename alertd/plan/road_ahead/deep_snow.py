"""OUR ESTIMATE of a closure by snow: fresh snow by member, and the depth from which the road closes.

Roads close for more snow than ploughs clear. The road physics has no ploughs, so its unploughed depth shows when that
is.
"""

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.plan.params import PlanParams
from alertd.road.corridor import RoadField

Float32: TypeAlias = NDArray[np.float32]
Mask: TypeAlias = NDArray[np.bool_]

DAY_H = 24
BURST_H = 3


def fresh_snow_mmwe(field: RoadField, within_h: int, *, lying_first: bool = False) -> Float32:
    """Snow of the last `within_h` hours that remains on the road, mm w.e., (member, column, hour).

    lying_first: snow on the road at the first hour of the field counts as fallen then, because its age is unknown.

    Unknown snowfall or depth counts as 0; unknown pavement has rules of its own.
    """
    lying = np.nan_to_num(field.snow_mmwe)
    total = np.cumsum(np.nan_to_num(field.snowfall_mmwe_h), axis=2, dtype=np.float64)
    if lying_first:
        total += np.maximum(lying[:, :, :1] - total[:, :, :1], 0.0)
    before = np.zeros_like(total)
    before[:, :, within_h:] = total[:, :, :-within_h]
    return np.asarray(np.minimum(total - before, lying), dtype=np.float32)


def closed_by_snow(day_mmwe: Float32, burst_mmwe: Float32, params: PlanParams) -> Mask:
    """True where we expect the road to be closed, from fresh snow of a day and of three hours; any shape."""
    return np.asarray((day_mmwe >= params.closed_day_snow_mmwe) | (burst_mmwe >= params.closed_burst_snow_mmwe))
