"""What the pavement is: its class from the stores on it, and the words other systems use for it."""

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray


class RoadClass(IntEnum):
    """Pavement classes. The first seven follow WMO BUFR code table 0 20 138; packed snow and slush stand beside them.

    UNKNOWN is an outcome of its own: missing weather never reads as dry.
    """

    UNKNOWN = -1
    DRY = 0
    MOIST = 1
    WET = 2
    RIME = 3
    SNOW = 4
    ICE = 5
    GLAZE = 6
    SLUSH = 7
    PACKED_SNOW = 8


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoadState:
    """The pavement when the truck is there. Arrays (member, sample); stores in mm water equivalent.

    snowfall_mmwe_h is the snow falling at that hour. mu is the friction coefficient drawn for that member and
    class (see grip.py), NaN where the class is UNKNOWN.
    """

    road_class: NDArray[np.int8]
    surface_temp_c: NDArray[np.float64]
    air_temp_c: NDArray[np.float64]
    water_mmwe: NDArray[np.float64]
    snow_mmwe: NDArray[np.float64]
    ice_mmwe: NDArray[np.float64]
    snowfall_mmwe_h: NDArray[np.float64]
    mu: NDArray[np.float64]
