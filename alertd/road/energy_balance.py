"""Models the pavement as a heat-conducting column that carries water, snow and ice.

A column is one place of road in one member. Each step solves an implicit conduction column whose top node also holds
the stores. The surface energy balance is linearised about the old surface temperature. Freezing and melting are in
closed form: while water and ice coexist the surface stays at 0 °C exactly. Energy and mass close to round-off, which
the tests check through `enthalpy_jm2` and `energy_in_jm2`. The equations follow road-weather models such as Crevier &
Delage 2001, J. Appl. Meteor. 40:2026.

The column has no ploughs, no salt and, by default, no traffic: fallen snow remains until weather removes it. The
serviced road loses snow between the hours, see `maintenance.serviced`.

Arrays are (layer, column) or (column,), so each numpy operation runs over contiguous columns. Python loops run only
over layers and time. Fluxes are W/m², positive into the road; stores are mm water equivalent = kg/m².
"""

import math
from functools import lru_cache
from typing import Final, NamedTuple, TypeAlias, TypeVar

import numpy as np
from numpy.typing import NDArray

from alertd.road import water_balance
from alertd.road.humidity import GAS_CONSTANT_DRY_AIR, HEAT_CAPACITY_AIR, LATENT_VAPORISATION, Array, svp_surface_hpa
from alertd.road.parameters import SurfaceParams
from alertd.road.radiation import STEFAN_BOLTZMANN
from alertd.road.water_balance import LATENT_FUSION, Stores, at_least, at_most
from alertd.units import GRAVITY_MPS2, HOUR_S, KELVIN_AT_0C

Float32: TypeAlias = NDArray[np.float32]
Floating = TypeVar("Floating", Array, Float32)

# Water at 20 °C and ice at 0 °C, rounded (standard tables of physics, from memory).
HEAT_CAPACITY_WATER: Final = 4180.0  # J/(kg K)
HEAT_CAPACITY_ICE: Final = 2100.0  # J/(kg K)
SPECIFIC_HUMIDITY_RATIO: Final = 0.622  # ratio of molar masses, see `humidity`; standard, rounded


class Forcing(NamedTuple):
    """The weather of one step, each (column,) or a number. Values used for fluxes only may be in single precision."""

    air_temp_c: Array
    vapour_hpa: Array | Float32
    pressure_hpa: Array | Float32
    wind_mps: Array | Float32  # at wind_height_m
    shortwave_wm2: Array | Float32
    longwave_wm2: Array | Float32
    rain_mmwe_h: Array  # liquid, freezing rain included
    freezing_mmwe_h: Array  # the supercooled part of the rain
    snow_mmwe_h: Array  # solid: snow and pellets


class SurfaceState(NamedTuple):
    """The state of each column: layer_temp_c (layer, column), all else (column,).

    packed_mmwe, glaze_mmwe: the parts of ice from packed snow and from freezing rain.
    supercooled_mmwe: the part of water that fell as freezing rain.
    hoar_mmwe: the part of ice from vapour and fog.
    deferred_jm2: latent heat charged for vapour that the stores lacked, or charged for the wrong phase. The next step
        returns it.
    """

    layer_temp_c: Array
    water_mmwe: Array
    snow_mmwe: Array
    ice_mmwe: Array
    packed_mmwe: Array
    glaze_mmwe: Array
    supercooled_mmwe: Array
    hoar_mmwe: Array
    deferred_jm2: Array

    @property
    def surface_temp_c(self) -> Array:
        """Temperature of the top layer, (column,)."""
        return np.asarray(self.layer_temp_c[0])


def start_state(layer_temp_c: Array) -> SurfaceState:
    """A dry column at the given temperatures, (layer, column), in single precision where they are."""
    single = layer_temp_c.dtype == np.float32
    zero = np.zeros(layer_temp_c.shape[1], dtype=layer_temp_c.dtype if single else np.float64)
    return SurfaceState(np.asarray(layer_temp_c, dtype=zero.dtype), zero, zero, zero, zero, zero, zero, zero, zero)


def _exchange(richardson: Floating, p: SurfaceParams) -> Floating:
    neutral = p.neutral_exchange
    positive = at_least(richardson)
    stable, unstable = at_most(positive, p.richardson_max), positive - richardson
    free = 75.0 * neutral * math.sqrt(p.air_height_m / p.heat_roughness_m)
    more = neutral + (15.0 * neutral) * unstable / (1.0 + free * np.sqrt(unstable))
    less = 1.0 + 15.0 * stable * np.sqrt(1.0 + 5.0 * stable)
    exchange: Floating = np.divide(more, less, dtype=richardson.dtype)
    return exchange


class HourConstants(NamedTuple):
    """Values that stay constant while the weather stays the same, see `hour_constants`.

    Single precision for the surface balance, double precision for precipitation.
    """

    air_temp_c: Float32
    vapour_hpa: Float32
    shortwave_wm2: Float32 | None  # None where all columns are 0
    buoyancy_per_k: Float32  # Richardson number per kelvin of air minus road temperature
    mass_flow: Float32  # air density times wind, kg/(m² s)
    vapour_per_hpa: Float32  # specific humidity per hPa of vapour
    sky_wm2: Float32  # absorbed longwave radiation plus traffic heat
    rain_mmwe: Array
    freezing_mmwe: Array
    snow_mmwe: Array
    fallen_jm2k: Array  # heat capacity of the precipitation
    fallen_jm2: Array  # heat of the precipitation relative to 0 °C


def hour_constants(f: Forcing, p: SurfaceParams, dt_s: float) -> HourConstants:
    """Constants for all the steps of one hour.

    Single precision is enough for fluxes, which are accurate to a tenth at best, and halves their cost. The heat and
    mass stores use double precision, so they still close to round-off.
    """
    air_c, vapour_hpa, pressure_hpa, wind, shortwave, longwave = (np.asarray(x, dtype=np.float32) for x in f[:6])
    wind = np.maximum(wind, p.wind_floor_mps)
    air_k = air_c + KELVIN_AT_0C
    around = ((1.0 - p.sky_view_frac) * STEFAN_BOLTZMANN) * np.square(np.square(air_k))
    rain, freezing, snow = (x * (dt_s / HOUR_S) for x in (f.rain_mmwe_h, f.freezing_mmwe_h, f.snow_mmwe_h))
    rain_jm2k, snow_jm2k = HEAT_CAPACITY_WATER * rain, HEAT_CAPACITY_ICE * snow
    return HourConstants(
        air_temp_c=air_c,
        vapour_hpa=vapour_hpa,
        shortwave_wm2=shortwave if shortwave.any() else None,
        buoyancy_per_k=(GRAVITY_MPS2 * p.air_height_m) / (air_k * wind * wind),
        mass_flow=pressure_hpa * wind / (GAS_CONSTANT_DRY_AIR / 100.0 * air_k),
        vapour_per_hpa=SPECIFIC_HUMIDITY_RATIO / pressure_hpa,
        sky_wm2=p.emissivity * (p.sky_view_frac * longwave + around) + p.traffic_heat_wm2,
        rain_mmwe=rain,
        freezing_mmwe=freezing,
        snow_mmwe=snow,
        fallen_jm2k=rain_jm2k + snow_jm2k,
        fallen_jm2=rain_jm2k * f.air_temp_c + snow_jm2k * np.minimum(f.air_temp_c, 0.0),
    )


class Balance(NamedTuple):
    """The surface flux as a line in surface temperature, constant - slope * T, and the vapour part of it."""

    constant_wm2: Float32
    slope_wm2k: Float32
    temp_c: Float32  # the old surface temperature, at which the flux is linearised
    vapour: Float32  # kg/(m² s) per hPa of air minus surface vapour pressure
    deficit_hpa: Float32  # that difference at the old surface temperature
    surface_hpa_per_k: Float32
    as_ice: Float32  # 1 where vapour is charged as ice, 0 as water

    def vapour_mmwe(self, temp_c: Array, dt_s: float) -> Array:
        """Vapour deposited in a step that ends at this surface temperature, mm w.e."""
        warmed = temp_c.astype(np.float32, copy=False) - self.temp_c
        gain = (self.deficit_hpa - self.surface_hpa_per_k * warmed) * self.vapour
        return gain.astype(temp_c.dtype, copy=False) * dt_s


class Exchange(NamedTuple):
    """Exchange of one step with the surroundings: heat in W/m², mass in mm w.e. over the step."""

    balance: Balance
    dt_s: float
    top_temp_c: Array  # at the end of the step
    deferred_jm2: Array  # latent heat charged in excess, see SurfaceState
    underside_wm2: Array | float
    vapour_water_mmwe: Array  # positive: dew gained
    vapour_ice_mmwe: Array  # positive: frost gained
    runoff_mmwe: Array
    swept_mmwe: Array | float  # snow that traffic throws off the road

    @property
    def surface_wm2(self) -> Array:
        """Radiation, turbulence, latent heat of vapour and traffic heat, at the new surface temperature."""
        flux = self.balance.constant_wm2 - self.balance.slope_wm2k * self.top_temp_c
        return np.asarray(flux + self.deferred_jm2 / self.dt_s)


def _surface_balance(
    surface_temp_c: Array, water: Array, snow: Array, frozen: Array, air: HourConstants, p: SurfaceParams
) -> Balance:
    t: Float32 = surface_temp_c.astype(np.float32, copy=False)
    warmer = air.air_temp_c - t
    richardson: Float32 = air.buoyancy_per_k * warmer
    carry: Float32 = air.mass_flow * _exchange(richardson, p)
    heat = np.float32(HEAT_CAPACITY_AIR) * carry

    ice = ((t < 0.0) | ((water <= 0.0) & (frozen > 0.0))).astype(np.float32)
    surface_hpa, surface_slope = svp_surface_hpa(t, ice)
    deficit = air.vapour_hpa - surface_hpa
    wetness = (water + frozen).astype(np.float32, copy=False) * (1.0 / p.full_wetness_mmwe)
    falling = (deficit > 0.0).astype(np.float32)  # dew and frost do not need a wet surface
    wet_frac: Float32 = at_most(np.maximum(wetness, falling), 1.0)
    vapour = wet_frac * carry * air.vapour_per_hpa
    latent = (LATENT_VAPORISATION + LATENT_FUSION * ice) * vapour

    tk = t + KELVIN_AT_0C
    emitted = (p.emissivity * STEFAN_BOLTZMANN) * (tk * tk * tk)
    slope = 4.0 * emitted + heat + latent * surface_slope
    flux = air.sky_wm2 - emitted * tk + heat * warmer + latent * deficit
    if air.shortwave_wm2 is not None:
        bare = np.exp(snow.astype(np.float32, copy=False) * (-1.0 / p.snow_cover_mmwe))
        flux += (1.0 - p.snow_albedo + (p.snow_albedo - p.albedo) * bare) * air.shortwave_wm2
    return Balance(flux + slope * t, slope, t, vapour, deficit, surface_slope, ice)


class _Ground(NamedTuple):
    """The layers below the top layer, eliminated from the bottom up. The values depend only on grid and time step.

    Layer j's new temperature is y[j] + pull[j] * (layer j-1), where y[j] = keep[j] * old[j] + rise[j] * y[j+1]. The
    first layer below the top has neither value yet, because snow may insulate it from the top.
    """

    keep: Array  # (layer, 1)
    rise: tuple[float, ...]
    pull: tuple[float, ...]
    top_store: float
    top_link: float
    first_store: float
    first_rise: float
    first_leak: float  # conductance from the first layer below the top to all layers under it
    underside: float  # weight of the air below a deck in the lowest layer's temperature


@lru_cache(maxsize=32)
def _ground(p: SurfaceParams, dt_s: float) -> _Ground:
    store = [float(x) for x in p.layer_heat_jm2k / dt_s]
    link = [float(x) for x in p.conductance_wm2k]
    last = len(store) - 1
    keep, rise, pull = [1.0] * (last + 1), [0.0] * (last + 1), [0.0] * (last + 1)
    leak, underside = p.underside_wm2k, 0.0
    for j in range(last, 1, -1):
        diagonal = store[j] + leak + link[j - 1]
        keep[j], rise[j], pull[j] = store[j] / diagonal, link[j] / diagonal if j < last else 0.0, link[j - 1] / diagonal
        if j == last:
            underside = p.underside_wm2k / diagonal
        leak = link[j - 1] * (1.0 - pull[j])
    column = np.asarray(keep)[:, None]
    return _Ground(column, tuple(rise), tuple(pull), store[0], link[0], store[1], link[1], leak, underside)


def _eliminate(s: SurfaceState, f: Forcing, p: SurfaceParams, dt_s: float) -> tuple[Array, Array, Array, Array | float]:
    """Eliminate the layers below the top layer.

    Returns the conductance and constant of the ground in the top row and, for the back substitution, y (layer, column)
    and the first layer's pull.
    """
    g, old = _ground(p, dt_s), s.layer_temp_c
    y = old * g.keep.astype(old.dtype, copy=False)
    if g.underside:
        y[-1] += g.underside * f.air_temp_c
    part = np.empty_like(y[0])
    for j in range(len(y) - 2, 1, -1):
        y[j] += np.multiply(y[j + 1], g.rise[j], out=part)
    top_link: Array | float = g.top_link
    if p.snow_k_wmk is not None:
        # Cold snow insulates. Melting snow does not, because it melts at its base on the pavement.
        cover_m = np.where(old[0] < 0.0, s.snow_mmwe, 0.0) / p.snow_density_kgm3
        top_link = 1.0 / (1.0 / top_link + cover_m / p.snow_k_wmk)
    below = 1.0 / (g.first_store + g.first_leak + top_link)
    y[1] *= g.first_store * below
    y[1] += np.multiply(y[2], g.first_rise * below, out=part)
    pull = top_link * below
    return np.asarray(top_link * (1.0 - pull), dtype=old.dtype), np.asarray(top_link * y[1]), y, pull


def _change_phase(heat_jm2: Array, slope_jm2k: Array, water: Array, frozen: Array) -> tuple[Array, Array]:
    """Surface temperature, and mm melted (negative: frozen), for a top row slope * T = heat, T in °C.

    Heat left at 0 °C first melts or freezes the stores; only the rest changes the temperature. The changed mass then
    cools or warms with its new heat capacity, which keeps energy exact.
    """
    could_melt = heat_jm2 * (1.0 / LATENT_FUSION)
    melted = np.minimum(np.maximum(could_melt, -water), frozen)
    # Where phase change takes up all the heat the rest is exactly 0, and so is the surface temperature.
    rest = (could_melt - melted) * LATENT_FUSION
    return rest / (slope_jm2k + melted * (HEAT_CAPACITY_WATER - HEAT_CAPACITY_ICE)), melted


def step(
    s: SurfaceState, f: Forcing, p: SurfaceParams, dt_s: float, air: HourConstants | None = None
) -> tuple[SurfaceState, Exchange]:
    """Advance the columns by one step of dt_s (900 s at most) of constant weather.

    air: `hour_constants(f, p, dt_s)` where already known from a step with the same weather.
    """
    air = air if air is not None else hour_constants(f, p, dt_s)
    stores = Stores(
        water=s.water_mmwe + air.rain_mmwe,
        snow=s.snow_mmwe + air.snow_mmwe,
        ice=s.ice_mmwe,
        packed=s.packed_mmwe,
        glaze=s.glaze_mmwe,
        supercooled=s.supercooled_mmwe + air.freezing_mmwe,
        hoar=s.hoar_mmwe,
    )
    frozen, old = stores.snow + stores.ice, s.layer_temp_c[0]
    # The evaporating film includes the precipitation of this step: a shower wets a dry road at once.
    flux = _surface_balance(old, stores.water, stores.snow, frozen, air, p)
    ground_slope, ground_constant, y, pull = _eliminate(s, f, p, dt_s)
    ground = _ground(p, dt_s)
    stored_jm2k = HEAT_CAPACITY_WATER * stores.water + HEAT_CAPACITY_ICE * frozen + ground.top_store * dt_s
    heat = (stored_jm2k - air.fallen_jm2k) * old + air.fallen_jm2 + s.deferred_jm2
    heat += (flux.constant_wm2 + ground_constant) * dt_s
    slope = stored_jm2k + (flux.slope_wm2k + ground_slope) * dt_s
    top, melted = _change_phase(heat, slope, stores.water, frozen)

    layers, part = y, np.empty_like(top)
    layers[0] = top
    layers[1] += pull * top
    for j in range(2, layers.shape[0]):
        layers[j] += np.multiply(layers[j - 1], ground.pull[j], out=part)

    stores = water_balance.change_phase(stores, melted, stores.with_parts)
    with_parts = stores.with_parts
    stores, vapour = water_balance.exchange_vapour(stores, flux.vapour_mmwe(top, dt_s), flux.as_ice, with_parts)
    stores, runoff = water_balance.drain(stores, top, p, with_parts)
    stores, swept = water_balance.apply_traffic(stores, dt_s / HOUR_S, p)
    exchange = Exchange(
        balance=flux,
        dt_s=dt_s,
        top_temp_c=top,
        deferred_jm2=vapour.deferred_jm2,
        underside_wm2=p.underside_wm2k * (f.air_temp_c - layers[-1]) if p.underside_wm2k else 0.0,
        vapour_water_mmwe=vapour.water_mmwe,
        vapour_ice_mmwe=vapour.ice_mmwe,
        runoff_mmwe=runoff,
        swept_mmwe=swept,
    )
    return SurfaceState(layers, *stores, vapour.deferred_jm2), exchange


def enthalpy_jm2(s: SurfaceState, p: SurfaceParams) -> Array:
    """Heat content of each column, J/m², relative to ice and pavement at 0 °C."""
    stores = HEAT_CAPACITY_WATER * s.water_mmwe + HEAT_CAPACITY_ICE * (s.snow_mmwe + s.ice_mmwe)
    ground = np.tensordot(p.layer_heat_jm2k, s.layer_temp_c, axes=1)
    return np.asarray(ground + stores * s.layer_temp_c[0] + LATENT_FUSION * s.water_mmwe + s.deferred_jm2)


def mass_mmwe(s: SurfaceState) -> Array:
    """Water, snow and ice on each column, mm w.e."""
    return s.water_mmwe + s.snow_mmwe + s.ice_mmwe


def energy_in_jm2(new: SurfaceState, e: Exchange, f: Forcing, dt_s: float) -> Array:
    """Heat input of one step by fluxes and masses, J/m²: equals the change of `enthalpy_jm2`."""
    top = new.layer_temp_c[0]
    hours = dt_s / 3600.0
    as_water = LATENT_FUSION + HEAT_CAPACITY_WATER * top
    as_ice = HEAT_CAPACITY_ICE * top
    rain = (LATENT_FUSION + HEAT_CAPACITY_WATER * f.air_temp_c) * f.rain_mmwe_h * hours
    snow = HEAT_CAPACITY_ICE * np.minimum(f.air_temp_c, 0.0) * f.snow_mmwe_h * hours
    vapour = as_ice * e.vapour_ice_mmwe + as_water * e.vapour_water_mmwe
    fluxes = (e.surface_wm2 + e.underside_wm2) * dt_s
    return np.asarray(fluxes + rain + snow + vapour - as_water * e.runoff_mmwe - as_ice * e.swept_mmwe)
