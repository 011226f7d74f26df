"""Computes the share of drivers who chain at the top of a long descent in snow, whatever is posted.

Common practice, no source: under 3 to 10 in of snow a driver chains at the top. An engine brake or retarder works on
the drive axles alone, so it is off, and without chains the trailer pushes. Ice without snow is not counted here.
"""

from functools import lru_cache
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.sections import Sections
from alertd.route.sustained_grade import LEG_RISE_M, descents
from alertd.rules.rig import AxleRole, Rig

Float32: TypeAlias = NDArray[np.float32]


def _part(value: float, low_high: tuple[float, float]) -> float:
    low, high = low_high
    return min(max((value - low) / (high - low), 0.0), 1.0)


@lru_cache(maxsize=64)
def descent_share(sections: Sections, params: PlanParams) -> Float32:
    """Share of drivers with a heavy trailer who chain on each section in deep snow, (section,), by its descent."""
    route = sections.route
    d, share = route.distance_m, np.zeros(route.distance_m.shape, dtype=np.float32)
    steep, steepest = params.descent_mean_grade
    for least in np.linspace(steep, steepest, 4).tolist():
        for x in descents(route, least, LEG_RISE_M):
            part = _part(-x.mean_grade, params.descent_mean_grade) * _part(x.end_m - x.start_m, params.descent_length_m)
            on = (d >= x.start_m) & (d <= x.end_m)
            share[on] = np.maximum(share[on], part)
    return np.asarray(np.maximum.reduceat(share, sections.first), dtype=np.float32)


def rig_share(rig: Rig, params: PlanParams) -> float:
    """Share of the drivers of a heavy rig with a trailer who chain for a descent with this rig, 0 to 1."""
    part = min(max(rig.gross_mass_kg / params.descent_mass_kg, params.descent_least_share), 1.0)
    towed = any(a.role is AxleRole.TRAILER for a in rig.axles)
    return part if towed else part * params.descent_no_trailer_share
