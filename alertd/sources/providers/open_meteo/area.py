"""The area of a model's grid."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from alertd.forecast.model import Array


@dataclass(frozen=True, slots=True)
class Area:
    """A box of latitude and longitude [deg] that lies within a model's grid."""

    south_deg: float
    west_deg: float
    north_deg: float
    east_deg: float

    def holds(self, lat_deg: Array, lon_deg: Array) -> NDArray[np.bool_]:
        """(place,): whether each place lies in it."""
        north_south = (lat_deg >= self.south_deg) & (lat_deg <= self.north_deg)
        return np.asarray(north_south & (lon_deg >= self.west_deg) & (lon_deg <= self.east_deg))
