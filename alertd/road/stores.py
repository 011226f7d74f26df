"""The water, snow and ice on the road: their books for melting, freezing, vapour, run-off and traffic.

All arrays (column,), mm water equivalent = kg/m². Every function takes and gives whole books, and says what crossed
the border of the column, so that mass closes.
"""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from alertd.road.air import LATENT_VAPORISATION, Array
from alertd.road.pavement import SurfaceParams

LATENT_FUSION: Final = 3.34e5  # J/kg
LATENT_SUBLIMATION: Final = LATENT_VAPORISATION + LATENT_FUSION


class Stores(NamedTuple):
    """packed and glaze are parts of ice: packed by traffic, frozen from freezing rain; supercooled a part of water."""

    water: Array
    snow: Array
    ice: Array
    packed: Array
    glaze: Array
    supercooled: Array


class Vapour(NamedTuple):
    """Vapour gained (dew, frost) or lost by each phase, and latent heat charged for it in excess, J/m²."""

    water_mmwe: Array
    ice_mmwe: Array
    owed_jm2: Array


def _share(part: Array, whole: Array) -> Array:
    return np.asarray(part / np.where(whole > 0.0, whole, 1.0))


def _take_ice(s: Stores, lost: Array) -> Stores:
    """Ice goes in equal parts from whatever it came from."""
    if not (s.packed.any() or s.glaze.any()):
        return s._replace(ice=np.maximum(s.ice - lost, 0.0))
    kept = np.maximum(1.0 - _share(lost, s.ice), 0.0)
    return s._replace(ice=np.maximum(s.ice - lost, 0.0), packed=s.packed * kept, glaze=s.glaze * kept)


def change_phase(s: Stores, melted: Array, froze: Array) -> Stores:
    """Melt snow first, then ice; freeze water to ice, which is glaze in the part that fell supercooled."""
    from_snow = np.minimum(melted, s.snow)
    s = _take_ice(s, melted - from_snow)
    if s.supercooled.any():
        glaze_froze = froze * _share(s.supercooled, s.water)
        s = s._replace(glaze=s.glaze + glaze_froze, supercooled=np.maximum(s.supercooled - glaze_froze, 0.0))
    return s._replace(water=np.maximum(s.water + (melted - froze), 0.0), snow=s.snow - from_snow, ice=s.ice + froze)


def exchange_vapour(s: Stores, gain_mmwe: Array, charged_as_ice: NDArray[np.bool_]) -> tuple[Stores, Vapour]:
    """Lay down dew or frost (gain > 0), or take vapour away, never more than is there.

    Each phase gives first what its own latent heat was charged for; the other steps in where it is used up.
    """
    loss, gained = np.maximum(-gain_mmwe, 0.0), np.maximum(gain_mmwe, 0.0)
    frozen = s.snow + s.ice
    # What the other phase has to give, because the charged one is used up.
    first = np.minimum(loss, np.where(charged_as_ice, frozen, s.water))
    second = np.minimum(loss - first, np.where(charged_as_ice, s.water, frozen))
    of_charged, of_other = gained - first, -second
    ice = np.where(charged_as_ice, of_charged, of_other)
    water = of_charged + of_other - ice
    latent = LATENT_VAPORISATION + LATENT_FUSION * charged_as_ice
    owed = LATENT_SUBLIMATION * ice + LATENT_VAPORISATION * water - latent * gain_mmwe

    lost_frozen = np.maximum(-ice, 0.0)
    lost_ice = np.minimum(lost_frozen, s.ice)
    s = _take_ice(s, lost_ice)
    s = s._replace(
        water=np.maximum(s.water + water, 0.0),
        snow=np.maximum(s.snow - (lost_frozen - lost_ice), 0.0),
        ice=s.ice + np.maximum(ice, 0.0),
    )
    return s, Vapour(water, ice, owed)


def drain(s: Stores, surface_temp_c: Array, p: SurfaceParams) -> tuple[Stores, Array]:
    """Let water above what film and snow can hold run off; gives the run-off, mm.

    On a road above 0 °C supercooled water has become ordinary: what freezes of it tonight is plain ice.
    """
    held = np.minimum(s.water, p.film_mmwe + p.snow_holding_frac * s.snow)
    runoff = s.water - held
    if not s.supercooled.any():
        return s._replace(water=held), runoff
    supercooled = np.where(surface_temp_c > 0.0, 0.0, s.supercooled * (1.0 - _share(runoff, s.water)))
    return s._replace(water=held, supercooled=np.minimum(supercooled, held)), runoff


def drive_over(s: Stores, hours: float, p: SurfaceParams) -> tuple[Stores, Array]:
    """Let traffic pack a part of the snow to ice and throw the rest off; gives what was thrown off, mm."""
    if p.traffic_vph <= 0.0:
        return s, np.zeros_like(s.snow)
    moved = s.snow * -np.expm1(-p.traffic_clearing * p.traffic_vph * hours)
    trodden = p.traffic_packing_frac * moved
    return s._replace(snow=s.snow - moved, ice=s.ice + trodden, packed=s.packed + trodden), moved - trodden
