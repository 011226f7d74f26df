"""Defines all parameters of the surface model: material and exposure of a road."""

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from alertd.road.humidity import Array

VON_KARMAN: Final = 0.4  # Högström 1988, Boundary-Layer Meteor. 42:55 (from memory)


@dataclass(frozen=True, slots=True, kw_only=True)
class SurfaceParams:
    """Properties of a road. [A] marks an engineering assumption without a source; replace it by a better value.

    Thermal values of asphalt differ by a factor of two between sources (k 0.8-3.0, C 0.7-3.0e6). Roughness, and with it
    the exchange with air, is uncertain by a factor of 1.8. Conductivity, albedo, roughness, lowest wind and the
    ground's surplus were set by hand inside these ranges, after scoring some thirty sets at measured road stations
    (tests/benchmarks/score_road_temperature.py). A choice among eight of those sets, with one station left out in turn,
    gave about the same night error on that station. The choice is thus not fitted to single stations. All other values
    are from the literature or assumed.
    """

    # Numerical grid: thin where the daily wave is steep, 1.3 m in all.
    layers_m: tuple[float, ...] = (0.01, 0.01, 0.02, 0.03, 0.04, 0.06, 0.09, 0.14, 0.20, 0.30, 0.40)
    pavement_depth_m: float = 0.3  # [A]
    pavement_k_wmk: float = 1.5  # W/(m K), asphalt 0.8-3.0 in handbooks (from memory); set by hand, see above
    pavement_c_jm3k: float = 2.0e6  # J/(m³ K), asphalt 0.7-3.0e6 in handbooks (from memory)
    base_k_wmk: float = 1.5  # [A]
    base_c_jm3k: float = 2.0e6  # [A]
    underside_wm2k: float = 0.0  # exchange of the lowest layer with the air: 0 for ground, 5-10 for a deck
    albedo: float = 0.20  # aged asphalt 0.10-0.20, new 0.05-0.10 (from memory); set by hand, see above
    snow_albedo: float = 0.65  # [A]
    snow_cover_mmwe: float = 2.0  # [A] snow that hides 63 % of the pavement from the sun
    emissivity: float = 0.95  # FHWA pavement thermal properties, 0.90-0.95
    roughness_m: float = 2.0e-3  # [A] 2e-4..5e-3
    # [A] 1e-4..1e-3. The upper end reduces the night error at 17 road stations by a fifth (test_observed_nights). It is
    # also closer to fits for pavements, 10-12 W/(m² K) at 3 m/s.
    heat_roughness_m: float = 1.0e-3
    wind_height_m: float = 10.0  # WMO-No. 8: the standard height of wind
    air_height_m: float = 2.0  # WMO-No. 8: 1.25 to 2 m; forecasts give 2 m
    # [A] 0.5-2; the air over a road with traffic is never still. With 1.5 instead of 1 the night error at road stations
    # is a little smaller on both halves of them, and no more freezing hours are missed; 2 loses frost on calm nights.
    wind_floor_mps: float = 1.5
    richardson_max: float = (
        0.2  # [A] air over a road is never fully decoupled; without this limit calm nights get far too cold
    )
    sky_view_frac: float = 0.95  # [A] open road 0.95, cut or forest 0.8
    traffic_heat_wm2: float = 0.0  # [A] 0-10 at heavy traffic
    # Start temperature of the ground (corridor.start_layers_c): this much over the first day's air at depth, three
    # quarters of it at 40 cm. Measured there under the roads of 33 stations: -5 to +14 K, median +2.2 K, because the
    # ground lags behind the season.
    deep_surplus_k: float = 4.0
    film_mmwe: float = 0.7  # [A] water retained before run-off, 0.3-1.0
    snow_holding_frac: float = 0.15  # [A] water that snow retains, as a part of its mass
    full_wetness_mmwe: float = 0.3  # [A] stores below which the surface is only partly wet
    traffic_vph: float = 0.0  # vehicles per hour; 0 leaves the snow in place
    traffic_clearing: float = 0.002  # [A] part of the loose snow moved by one vehicle
    traffic_packing_frac: float = 0.30  # [A] part of the moved snow that is packed, not thrown off
    snow_k_wmk: float | None = None  # conductivity of a cold snow cover; None: the cover does not insulate
    snow_density_kgm3: float = 250.0  # [A] only for the insulation

    @property
    def layer_heat_jm2k(self) -> Array:
        """(layer,) heat capacity of each layer, J/(m² K)."""
        thick: Array = np.asarray(self.layers_m)
        return np.asarray(thick * np.where(self._in_pavement, self.pavement_c_jm3k, self.base_c_jm3k))

    @property
    def conductance_wm2k(self) -> Array:
        """(layer - 1,) conductance between the centres of neighbouring layers, W/(m² K)."""
        half: Array = (
            0.5 * np.asarray(self.layers_m) / np.where(self._in_pavement, self.pavement_k_wmk, self.base_k_wmk)
        )
        return np.asarray(1.0 / (half[:-1] + half[1:]))

    @property
    def neutral_exchange(self) -> float:
        """Bulk exchange coefficient in neutral air."""
        momentum = math.log(self.wind_height_m / self.roughness_m)
        return VON_KARMAN**2 / (momentum * math.log(self.air_height_m / self.heat_roughness_m))

    @property
    def depth_m(self) -> Array:
        """(layer,) depth of each layer's centre, m."""
        thick: Array = np.asarray(self.layers_m)
        return np.asarray(np.cumsum(thick) - 0.5 * thick)

    @property
    def _in_pavement(self) -> NDArray[np.bool_]:
        return np.asarray(self.depth_m <= self.pavement_depth_m)


ROAD: Final = SurfaceParams()
_DECK_TOP_M: Final = (0.01, 0.01, 0.02, 0.03, 0.04)  # numerical grid, as the top of a road


def deck_of(road: SurfaceParams, *, thickness_m: float = 0.20, **changed: float) -> SurfaceParams:
    """A bridge deck with the exposure of this road: a concrete slab with air under it instead of the ground.

    thickness_m: 0.13-0.4.
    changed: parameters specific to the deck.

    The slab's values are assumptions [A], with two exceptions. The underside exchanges 5-10 W/(m² K), and a slab of
    0.20 m then follows the air within about 5 h.
    """
    slab = {"pavement_k_wmk": 1.5, "pavement_c_jm3k": 2.1e6, "underside_wm2k": 7.5}
    layers_m = (*_DECK_TOP_M, round(thickness_m - sum(_DECK_TOP_M), 6))
    return replace(road, layers_m=layers_m, pavement_depth_m=thickness_m, **(slab | changed))


BRIDGE_DECK: Final = deck_of(ROAD)
