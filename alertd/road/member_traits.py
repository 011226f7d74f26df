"""What distinguishes the road of one member from another's: ploughs and salt, and glaze just above 0 °C."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from alertd.road.energy_balance import SurfaceState
from alertd.road.humidity import Array
from alertd.road.parameters import SurfaceParams

# Freezing rain that a source reports, by its rate, glazes a road below this temperature in this share of members [A].
GLAZES_FROM_MMWE_H: Final = 0.1
GLAZES_BELOW_C: Final = 1.0
GLAZES_FRAC: Final = 0.6
SALT_C: Final = -9.0  # [A] common practice, no source: salt works down to about 15 °F


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MemberTraits:
    """Traits of the columns' members, (column,).

    kept_frac: share of snow and plain ice that ploughs and salt leave after an hour.
    glazes: True where freezing rain glazes a road that the model has just above 0 °C.
    """

    kept_frac: Array
    glazes: NDArray[np.bool_]


def serviced(state: SurfaceState, kept_frac: Array) -> SurfaceState:
    """The state after ploughs and salt, which leave (column,) `kept_frac` of snow, packed snow and plain ice.

    Glaze stays, and so does plain ice on a road colder than SALT_C.
    """
    salted = np.where(state.surface_temp_c > SALT_C, kept_frac, 1.0)
    plain = state.ice_mmwe - state.packed_mmwe - state.glaze_mmwe
    packed = state.packed_mmwe * kept_frac
    return state._replace(
        snow_mmwe=state.snow_mmwe * kept_frac,
        packed_mmwe=packed,
        ice_mmwe=state.glaze_mmwe + packed + np.maximum(plain, 0.0) * salted,
    )


def kept_an_hour(service: Array, params: SurfaceParams) -> Array:
    """(member,): share of snow and plain ice that ploughs and salt leave after an hour; 1 on an untouched road."""
    return np.where(service < params.serviced_frac, 0.5 ** (1.0 / params.service_half_life_h), 1.0)


def glazes_above_zero(rank: Array, params: SurfaceParams) -> NDArray[np.bool_]:
    """(member,): True for the share of members whose road glazes just above 0 °C; for a deck all of them.

    A source that reports freezing rain knows of cold ground. The model's ground may be a degree too warm.
    """
    return np.asarray((rank < GLAZES_FRAC) | (params.underside_wm2k > 0.0))
