"""Tracks water, snow and ice on the road: melting, freezing, vapour, run-off and traffic.

All arrays are (column,), mm water equivalent = kg/m². Every function takes and returns complete stores, and returns the
mass that crossed the border of the column, so that mass closes.
"""

import math
from functools import lru_cache
from typing import Any, Final, NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from alertd.road.humidity import LATENT_VAPORISATION, Array
from alertd.road.parameters import SurfaceParams

LATENT_FUSION: Final = 3.34e5  # J/kg at 0 °C, standard tables, from memory
COVER_MMWE: Final = 0.3  # [A] snow from which water freezes within the snow; the limit of the class, road_class
LEAST_MMWE: Final = 1e-30  # numerical: keeps a share of nothing from dividing by 0
LATENT_SUBLIMATION: Final = LATENT_VAPORISATION + LATENT_FUSION
Floats = TypeVar("Floats", bound=NDArray[np.floating])


@lru_cache(maxsize=64)
def _filled(shape: tuple[int, ...], dtype: np.dtype[Any], value: float) -> NDArray[Any]:
    array = np.full(shape, value, dtype=dtype)
    array.flags.writeable = False
    return array


def at_least(x: Floats, lowest: float = 0.0) -> Floats:
    """x, or `lowest` where x is below. numpy compares two arrays in a third of the time of an array and a number."""
    raised: Floats = np.maximum(x, _filled(x.shape, x.dtype, lowest))
    return raised


def at_most(x: Floats, highest: float) -> Floats:
    """x, or `highest` where x is above, see `at_least`."""
    lowered: Floats = np.minimum(x, _filled(x.shape, x.dtype, highest))
    return lowered


class Stores(NamedTuple):
    """Water, snow and ice of each column, (column,), mm w.e.

    packed, glaze: parts of ice, from snow packed by traffic and from freezing rain.
    supercooled: a part of water.
    hoar: a part of ice, from vapour and fog.
    with_parts: True when any column has any packed snow, glaze or supercooled water. Most roads have none, which saves
        work.
    """

    water: Array
    snow: Array
    ice: Array
    packed: Array
    glaze: Array
    supercooled: Array
    hoar: Array

    @property
    def with_parts(self) -> bool:
        return bool(self.packed.any() or self.glaze.any() or self.supercooled.any())


class Vapour(NamedTuple):
    """Vapour gained (dew, frost) or lost by each phase, mm w.e., and latent heat charged in excess, J/m²."""

    water_mmwe: Array
    ice_mmwe: Array
    deferred_jm2: Array


def _share(part: Array, whole: Array) -> Array:
    return np.asarray(part / (whole + LEAST_MMWE))


def _keep_ice(s: Stores, kept: Array) -> Stores:
    """The remaining ice after a loss, which reduces all its origins in proportion."""
    share = at_most(_share(kept, s.ice), 1.0)
    return s._replace(ice=kept, packed=s.packed * share, glaze=s.glaze * share)


def change_phase(s: Stores, melted: Array, with_parts: bool) -> Stores:
    """Melt snow, then hoar, then other ice. Where `melted` is negative freeze water, the supercooled part to glaze.

    Plain water that freezes inside a cover of snow binds it to packed snow, not to a sheet of ice beneath it [A].
    """
    thawed = at_least(melted)
    froze = thawed - melted
    snow = s.snow - thawed
    snow_left = at_least(snow)
    from_ice = snow - snow_left
    ice, hoar = at_least(s.ice + from_ice), at_least(s.hoar + from_ice)
    under_snow = (froze > 0.0) & (snow >= COVER_MMWE)
    if with_parts or under_snow.any():
        s = _keep_ice(s, ice)
        glaze = froze * _share(s.supercooled, s.water)
        packed = (froze - glaze) * under_snow
        s = s._replace(glaze=s.glaze + glaze, packed=s.packed + packed, supercooled=at_least(s.supercooled - glaze))
    return s._replace(water=s.water + melted, snow=snow_left, ice=ice + froze, hoar=hoar)


def exchange_vapour(
    s: Stores, gain_mmwe: Array, charged_as_ice: NDArray[np.floating], with_parts: bool
) -> tuple[Stores, Vapour]:
    """Deposit dew or frost (gain > 0), or remove vapour, never more than the stores hold.

    charged_as_ice: 1 where the latent heat was charged as for ice, 0 as for water.

    Each phase first loses the amount charged for it; when it is used up the other phase loses the rest.
    """
    ice_gain = gain_mmwe * charged_as_ice
    water_gain = gain_mmwe - ice_gain
    water, ice = s.water + water_gain, s.ice + ice_gain
    ice_left = at_least(ice)
    snow, ice = s.snow + (ice - ice_left), ice_left
    deferred = np.zeros_like(water)
    short = np.flatnonzero((water < 0.0) | (snow < 0.0))
    if short.size:  # the few columns that dry in this step
        w, i, n = water[short], ice[short], snow[short]
        i, w = i + np.minimum(w, 0.0), np.maximum(w, 0.0) + np.minimum(n, 0.0)
        n = np.maximum(n, 0.0) + np.minimum(i, 0.0)
        water[short], ice[short], snow[short] = np.maximum(w, 0.0), np.maximum(i, 0.0), np.maximum(n, 0.0)
        water_given = water[short] - s.water[short]
        ice_given = ice[short] - s.ice[short] + (snow[short] - s.snow[short])
        excess = LATENT_VAPORISATION * (water_given - water_gain[short])
        deferred[short] = excess + LATENT_SUBLIMATION * (ice_given - ice_gain[short])
        water_gain[short], ice_gain[short] = water_given, ice_given
    if with_parts:
        s = _keep_ice(s, ice)
    hoar = np.minimum(at_least(s.hoar + ice_gain), ice)
    return s._replace(water=water, snow=snow, ice=ice, hoar=hoar), Vapour(water_gain, ice_gain, deferred)


def drain(s: Stores, surface_temp_c: Array, p: SurfaceParams, with_parts: bool) -> tuple[Stores, Array]:
    """Let water above the capacity of film and snow run off. Returns the run-off, mm.

    On a road above 0 °C supercooled water becomes ordinary water, which later freezes to plain ice.
    """
    retained = np.minimum(s.water, p.film_mmwe + p.snow_holding_frac * s.snow)
    runoff = s.water - retained
    if not with_parts:
        return s._replace(water=retained), runoff
    supercooled = s.supercooled * (1.0 - _share(runoff, s.water)) * (surface_temp_c <= 0.0)
    return s._replace(water=retained, supercooled=np.minimum(supercooled, retained)), runoff


def apply_traffic(s: Stores, hours: float, p: SurfaceParams) -> tuple[Stores, Array | float]:
    """Let traffic pack a part of the snow to ice and throw the rest off. Returns the snow thrown off, mm."""
    if p.traffic_vph <= 0.0:
        return s, 0.0
    moved = s.snow * -math.expm1(-p.traffic_clearing * p.traffic_vph * hours)
    trodden = p.traffic_packing_frac * moved
    return s._replace(snow=s.snow - moved, ice=s.ice + trodden, packed=s.packed + trodden), moved - trodden
