"""The pavement as a heat-conducting column that carries water, snow and ice.

One column is one place of road in one member. Each step solves an implicit conduction column whose top node also
holds the stores, with the surface energy balance linearised about the old surface temperature. Freezing and
melting are closed form: while water and ice are both there the surface stays at 0 °C exactly. Energy and mass close
to round-off, which the tests check through `enthalpy_jm2` and `energy_in_jm2`. After the equations of road-weather
models such as Crevier & Delage 2001, J. Appl. Meteor. 40:2026.

Ploughs, salt and (unless asked for) traffic are not known to it: snow that fell stays until weather takes it, so snow
and ice are forecast too long on roads that are cleared. That errs on the cautious side and must not be "corrected" by
assuming that someone has been there.

Arrays are (layer, column) or (column,), so each numpy operation runs over contiguous columns; Python loops only
over layers and time. Fluxes W/m², positive into the road; stores mm water equivalent = kg/m².
"""

import math
from functools import lru_cache
from typing import Final, NamedTuple, TypeAlias, TypeVar

import numpy as np
from numpy.typing import NDArray

from alertd.road import stores
from alertd.road.air import (
    GAS_CONSTANT_DRY_AIR,
    HEAT_CAPACITY_AIR,
    LATENT_VAPORISATION,
    Array,
    svp_surface_hpa,
)
from alertd.road.pavement import SurfaceParams
from alertd.road.stores import LATENT_FUSION, Stores
from alertd.road.sun import STEFAN_BOLTZMANN
from alertd.units import GRAVITY_MPS2, KELVIN_AT_0C

Float32: TypeAlias = NDArray[np.float32]
Floating = TypeVar("Floating", Array, Float32)

HEAT_CAPACITY_WATER: Final = 4180.0  # J/(kg K)
HEAT_CAPACITY_ICE: Final = 2100.0  # J/(kg K)
SPECIFIC_HUMIDITY_RATIO: Final = 0.622


class Forcing(NamedTuple):
    """The weather of one step, each (column,) or a number."""

    air_temp_c: Array
    vapour_hpa: Array
    pressure_hpa: Array
    wind_mps: Array  # at wind_height_m
    shortwave_wm2: Array
    longwave_wm2: Array
    rain_mmwe_h: Array  # liquid, freezing rain included
    freezing_mmwe_h: Array  # the part of it that falls supercooled
    snow_mmwe_h: Array  # solid: snow and pellets


class SurfaceState(NamedTuple):
    """What the column is: layer_temp_c (layer, column), all else (column,).

    packed and glaze are the parts of ice that came from packing and from freezing rain; supercooled the part of water
    that fell as freezing rain. owed_jm2 is latent heat charged for vapour that the stores could not give, or not from
    the phase it was charged for; the next step gives it back.
    """

    layer_temp_c: Array
    water_mmwe: Array
    snow_mmwe: Array
    ice_mmwe: Array
    packed_mmwe: Array
    glaze_mmwe: Array
    supercooled_mmwe: Array
    owed_jm2: Array

    @property
    def surface_temp_c(self) -> Array:
        return np.asarray(self.layer_temp_c[0])


class Exchange(NamedTuple):
    """What one step exchanged with the outside: heat as W/m², mass as mm w.e. over the step."""

    surface_wm2: Array  # radiation, turbulence, vapour's latent heat and traffic, at the new surface temperature
    underside_wm2: Array
    vapour_water_mmwe: Array  # positive: dew gained
    vapour_ice_mmwe: Array  # positive: frost gained
    runoff_mmwe: Array
    swept_mmwe: Array  # snow that traffic throws off


def start_state(layer_temp_c: Array) -> SurfaceState:
    """A dry column at the given temperatures, (layer, column)."""
    zero = np.zeros(layer_temp_c.shape[1])
    return SurfaceState(np.asarray(layer_temp_c, dtype=np.float64), zero, zero, zero, zero, zero, zero, zero)


def exchange_coefficient(surface_temp_c: Array, air_temp_c: Array, wind_mps: Array, p: SurfaceParams) -> Array:
    """Bulk coefficient for heat and vapour, with a Louis 1979 type correction for the stability of the air."""
    buoyancy = (GRAVITY_MPS2 * p.air_height_m) / ((air_temp_c + KELVIN_AT_0C) * wind_mps**2)
    return _exchange(buoyancy * (air_temp_c - surface_temp_c), p)


def _exchange(richardson: Floating, p: SurfaceParams) -> Floating:
    neutral = p.neutral_exchange
    stable = np.minimum(np.maximum(richardson, 0.0), p.richardson_max)
    unstable = np.maximum(-richardson, 0.0)
    free = 75.0 * neutral * math.sqrt(p.air_height_m / p.heat_roughness_m)
    more = neutral + (15.0 * neutral) * unstable / (1.0 + free * np.sqrt(unstable))
    less = 1.0 + 15.0 * stable * np.sqrt(1.0 + 5.0 * stable)
    return np.divide(more, less, dtype=richardson.dtype)


def vapour_flux_kgm2s(
    vapour_hpa: Array, surface_vapour_hpa: Array, pressure_hpa: Array, carry_mps: Array, air_temp_c: Array
) -> Array:
    """Vapour to a surface, positive when it deposits; carry_mps is exchange coefficient times wind."""
    density = pressure_hpa * 100.0 / (GAS_CONSTANT_DRY_AIR * (air_temp_c + KELVIN_AT_0C))
    return np.asarray(density * carry_mps * SPECIFIC_HUMIDITY_RATIO * (vapour_hpa - surface_vapour_hpa) / pressure_hpa)


class Still(NamedTuple):
    """What of the surface balance does not change while the weather stays the same; single precision, see `still`."""

    air_temp_c: Float32
    vapour_hpa: Float32
    shortwave_wm2: Float32 | None  # None where no column has any
    buoyancy_per_k: Float32  # Richardson number per kelvin that the air is warmer than the road
    mass_flow: Float32  # air density times wind, kg/(m² s)
    vapour_per_hpa: Float32  # specific humidity per hPa of vapour
    sky_wm2: Float32  # longwave absorbed, and traffic's heat


def still(f: Forcing, p: SurfaceParams) -> Still:
    """Computed once for all the steps of one hour.

    Single precision does for fluxes, which are known to a tenth at best, and halves their cost; the books of heat and
    mass that they enter are kept in double precision, so they still close to round-off.
    """
    wind = np.maximum(f.wind_mps, p.wind_floor_mps)
    air_k = f.air_temp_c + KELVIN_AT_0C
    sky = p.sky_view_frac * f.longwave_wm2 + ((1.0 - p.sky_view_frac) * STEFAN_BOLTZMANN) * np.square(np.square(air_k))
    terms = (
        f.air_temp_c,
        f.vapour_hpa,
        f.shortwave_wm2,
        (GRAVITY_MPS2 * p.air_height_m) / (air_k * wind * wind),
        f.pressure_hpa * wind / (GAS_CONSTANT_DRY_AIR / 100.0 * air_k),
        SPECIFIC_HUMIDITY_RATIO / f.pressure_hpa,
        p.emissivity * sky + p.traffic_heat_wm2,
    )
    single = Still(*(np.asarray(x, dtype=np.float32) for x in terms))
    return single if np.any(f.shortwave_wm2) else single._replace(shortwave_wm2=None)


class _Balance(NamedTuple):
    """The surface flux as a line in surface temperature: flux = constant - slope * T, and the latent part of it."""

    constant: Float32
    slope: Float32
    vapour_constant: Float32  # kg/(m² s), same form
    vapour_slope: Float32
    vapour_is_ice: NDArray[np.bool_]


def _surface_balance(surface_temp_c: Array, lying: Stores, air: Still, p: SurfaceParams) -> _Balance:
    frozen = lying.snow + lying.ice
    as_ice = (surface_temp_c < 0.0) | ((lying.water <= 0.0) & (frozen > 0.0))
    wetness = np.minimum((lying.water + frozen) * (1.0 / p.full_wetness_mmwe), 1.0).astype(np.float32)

    t = surface_temp_c.astype(np.float32)
    carry = air.mass_flow * _exchange(air.buoyancy_per_k * (air.air_temp_c - t), p)
    heat = np.float32(HEAT_CAPACITY_AIR) * carry
    ice = as_ice.astype(np.float32)
    surface_hpa, surface_slope = svp_surface_hpa(t, ice)
    deficit = air.vapour_hpa - surface_hpa
    vapour = np.maximum(wetness, (deficit > 0.0).astype(np.float32)) * carry * air.vapour_per_hpa
    vapour_slope = np.asarray(vapour * surface_slope, dtype=np.float32)
    vapour_constant = np.asarray(vapour * deficit + vapour_slope * t, dtype=np.float32)
    latent = LATENT_VAPORISATION + LATENT_FUSION * ice

    tk = t + KELVIN_AT_0C
    emitted = (p.emissivity * STEFAN_BOLTZMANN) * (tk * tk * tk)
    constant = air.sky_wm2 + emitted * (4.0 * t - tk) + heat * air.air_temp_c + latent * vapour_constant
    if air.shortwave_wm2 is not None:
        bare = np.exp(lying.snow.astype(np.float32) * (-1.0 / p.snow_cover_mmwe))
        constant += (1.0 - p.snow_albedo + (p.snow_albedo - p.albedo) * bare) * air.shortwave_wm2
    slope = 4.0 * emitted + heat + latent * vapour_slope
    return _Balance(constant, slope, vapour_constant, vapour_slope, as_ice)


class _Ground(NamedTuple):
    """The layers below the top one, folded from the bottom up, as numbers: they hang on grid and step alone.

    Layer j's new temperature is y[j] + pull[j] * (layer j-1), where y[j] = keep[j] * old[j] + rise[j] * y[j+1];
    the first below the top has no `keep` and `pull` yet, because snow may insulate it from the top.
    """

    keep: tuple[float, ...]
    rise: tuple[float, ...]
    pull: tuple[float, ...]
    top_store: float
    top_link: float
    first_store: float
    first_rise: float
    first_leak: float  # conductance from the first layer below the top to all that is under it
    underside: float  # the lowest layer's share of the air below a deck


@lru_cache(maxsize=32)
def _ground(p: SurfaceParams, dt_s: float) -> _Ground:
    store = [float(x) for x in p.layer_heat_jm2k / dt_s]
    link = [float(x) for x in p.conductance_wm2k]
    last = len(store) - 1
    keep, rise, pull = [0.0] * (last + 1), [0.0] * (last + 1), [0.0] * (last + 1)
    leak, underside = p.underside_wm2k, 0.0
    for j in range(last, 1, -1):
        diagonal = store[j] + leak + link[j - 1]
        keep[j], rise[j], pull[j] = store[j] / diagonal, link[j] / diagonal if j < last else 0.0, link[j - 1] / diagonal
        if j == last:
            underside = p.underside_wm2k / diagonal
        leak = link[j - 1] * (1.0 - pull[j])
    return _Ground(tuple(keep), tuple(rise), tuple(pull), store[0], link[0], store[1], link[1], leak, underside)


def _eliminate(s: SurfaceState, f: Forcing, p: SurfaceParams, dt_s: float) -> tuple[Array, Array, Array, Array | float]:
    """Fold the layers below into the top one.

    Returns the conductance and constant with which the ground enters the top row, and, to go down again, y (layer,
    column) and the first layer's pull.
    """
    g, old = _ground(p, dt_s), s.layer_temp_c
    last = old.shape[0] - 1
    y, part = np.empty_like(old), np.empty_like(old[0])
    for j in range(last, 1, -1):
        np.multiply(old[j], g.keep[j], out=y[j])
        if j < last:
            y[j] += np.multiply(y[j + 1], g.rise[j], out=part)
        elif g.underside:
            y[j] += g.underside * f.air_temp_c
    top_link: Array | float = g.top_link
    if p.snow_k_wmk is not None:
        # Cold snow insulates. Melting snow does not: it melts at its base, against the pavement.
        cover_m = np.where(old[0] < 0.0, s.snow_mmwe, 0.0) / p.snow_density_kgm3
        top_link = 1.0 / (1.0 / top_link + cover_m / p.snow_k_wmk)
    below = 1.0 / (g.first_store + g.first_leak + top_link)
    y[1] = (g.first_store * old[1] + g.first_rise * y[2]) * below
    pull = top_link * below
    return np.asarray(top_link * (1.0 - pull)), np.asarray(top_link * y[1]), y, pull


def _change_phase(
    balance_w: Array, slope_w: Array, water: Array, frozen: Array, dt_s: float
) -> tuple[Array, Array, Array]:
    """Surface temperature, mm melted, mm frozen, for a top row slope * T = balance, T in °C.

    Whatever heat is left at 0 °C melts what is there, or freezes it; only what remains changes the temperature. The
    changed mass then cools or warms with its new heat capacity, which keeps energy exact.
    """
    melted = np.minimum(np.maximum(balance_w, 0.0) * (dt_s / LATENT_FUSION), frozen)
    froze = np.minimum(np.maximum(-balance_w, 0.0) * (dt_s / LATENT_FUSION), water)
    changed = melted - froze
    rest = balance_w - changed * (LATENT_FUSION / dt_s)
    # Where phase change took up the whole balance the rest is a rounding residue, and the surface is at 0 exactly.
    whole = ((melted > 0.0) & (melted < frozen)) | ((froze > 0.0) & (froze < water))
    temp = np.where(whole, 0.0, rest / (slope_w + changed * ((HEAT_CAPACITY_WATER - HEAT_CAPACITY_ICE) / dt_s)))
    return temp, melted, froze


def advance(
    s: SurfaceState, f: Forcing, p: SurfaceParams, dt_s: float, air: Still | None = None
) -> tuple[SurfaceState, Exchange]:
    """Carry the columns through one step of dt_s (900 s at most) of constant weather.

    air: `still(f, p)` where it is already known from a step with the same weather.
    """
    air = air if air is not None else still(f, p)
    hours = dt_s / 3600.0
    old_heat = HEAT_CAPACITY_WATER * s.water_mmwe + HEAT_CAPACITY_ICE * (s.snow_mmwe + s.ice_mmwe)
    rained, snowed = f.rain_mmwe_h * hours, f.snow_mmwe_h * hours
    lying = Stores(
        water=s.water_mmwe + rained,
        snow=s.snow_mmwe + snowed,
        ice=s.ice_mmwe,
        packed=s.packed_mmwe,
        glaze=s.glaze_mmwe,
        supercooled=s.supercooled_mmwe + f.freezing_mmwe_h * hours,
    )
    # The film that evaporates includes what fell in this step: a shower onto a dry road wets it at once.
    flux = _surface_balance(s.layer_temp_c[0], lying, air, p)
    ground_slope, ground_constant, y, pull = _eliminate(s, f, p, dt_s)
    ground = _ground(p, dt_s)
    top_heat = ground.top_store * dt_s + old_heat
    rain_heat, snow_heat = HEAT_CAPACITY_WATER * rained, HEAT_CAPACITY_ICE * snowed
    brought = rain_heat * f.air_temp_c + snow_heat * np.minimum(f.air_temp_c, 0.0) + s.owed_jm2
    slope = (top_heat + rain_heat + snow_heat) * (1.0 / dt_s) + flux.slope + ground_slope
    balance = (top_heat * s.layer_temp_c[0] + brought) * (1.0 / dt_s) + flux.constant + ground_constant
    top, melted, froze = _change_phase(balance, slope, lying.water, lying.snow + lying.ice, dt_s)

    layers, part = y, np.empty_like(top)
    layers[0] = top
    layers[1] += pull * top
    for j in range(2, layers.shape[0]):
        layers[j] += np.multiply(layers[j - 1], ground.pull[j], out=part)

    lying = stores.change_phase(lying, melted, froze)
    gain = (flux.vapour_constant - flux.vapour_slope * top) * dt_s
    lying, vapour = stores.exchange_vapour(lying, gain, flux.vapour_is_ice)
    lying, runoff = stores.drain(lying, top, p)
    lying, swept = stores.drive_over(lying, hours, p)
    crossed = Exchange(
        surface_wm2=flux.constant - flux.slope * top + vapour.owed_jm2 / dt_s,
        underside_wm2=p.underside_wm2k * (f.air_temp_c - layers[-1]) if p.underside_wm2k else np.zeros_like(top),
        vapour_water_mmwe=vapour.water_mmwe,
        vapour_ice_mmwe=vapour.ice_mmwe,
        runoff_mmwe=runoff,
        swept_mmwe=swept,
    )
    return SurfaceState(layers, *lying, vapour.owed_jm2), crossed


def enthalpy_jm2(s: SurfaceState, p: SurfaceParams) -> Array:
    """Heat held by each column, J/m², counted from ice and pavement at 0 °C."""
    stores = HEAT_CAPACITY_WATER * s.water_mmwe + HEAT_CAPACITY_ICE * (s.snow_mmwe + s.ice_mmwe)
    ground = np.tensordot(p.layer_heat_jm2k, s.layer_temp_c, axes=1)
    return np.asarray(ground + stores * s.layer_temp_c[0] + LATENT_FUSION * s.water_mmwe + s.owed_jm2)


def mass_mmwe(s: SurfaceState) -> Array:
    """Water, snow and ice on each column, mm w.e."""
    return s.water_mmwe + s.snow_mmwe + s.ice_mmwe


def energy_in_jm2(new: SurfaceState, e: Exchange, f: Forcing, dt_s: float) -> Array:
    """Heat that came in with one step's fluxes and masses, J/m²: equals the change of `enthalpy_jm2`."""
    top = new.layer_temp_c[0]
    hours = dt_s / 3600.0
    as_water = LATENT_FUSION + HEAT_CAPACITY_WATER * top
    as_ice = HEAT_CAPACITY_ICE * top
    rain = (LATENT_FUSION + HEAT_CAPACITY_WATER * f.air_temp_c) * f.rain_mmwe_h * hours
    snow = HEAT_CAPACITY_ICE * np.minimum(f.air_temp_c, 0.0) * f.snow_mmwe_h * hours
    vapour = as_ice * e.vapour_ice_mmwe + as_water * e.vapour_water_mmwe
    fluxes = (e.surface_wm2 + e.underside_wm2) * dt_s
    return np.asarray(fluxes + rain + snow + vapour - as_water * e.runoff_mmwe - as_ice * e.swept_mmwe)
