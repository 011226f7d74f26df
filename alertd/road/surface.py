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

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from alertd.road import stores
from alertd.road.air import (
    GAS_CONSTANT_DRY_AIR,
    HEAT_CAPACITY_AIR,
    LATENT_VAPORISATION,
    Array,
    svp_ice_hpa,
    svp_ice_slope_hpa_per_k,
    svp_water_hpa,
    svp_water_slope_hpa_per_k,
)
from alertd.road.pavement import SurfaceParams
from alertd.road.stores import LATENT_FUSION, LATENT_SUBLIMATION, Stores
from alertd.road.sun import STEFAN_BOLTZMANN
from alertd.units import GRAVITY_MPS2, KELVIN_AT_0C

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
    richardson = (
        (GRAVITY_MPS2 * p.air_height_m) * (air_temp_c - surface_temp_c) / ((air_temp_c + KELVIN_AT_0C) * wind_mps**2)
    )
    stable = np.clip(richardson, 0.0, p.richardson_max)
    unstable = np.minimum(richardson, 0.0)
    free = 75.0 * p.neutral_exchange * np.sqrt(p.air_height_m / p.heat_roughness_m)
    factor = (1.0 - 15.0 * unstable / (1.0 + free * np.sqrt(-unstable))) / (
        1.0 + 15.0 * stable * np.sqrt(1.0 + 5.0 * stable)
    )
    return np.asarray(p.neutral_exchange * factor)


def vapour_flux_kgm2s(
    vapour_hpa: Array, surface_vapour_hpa: Array, pressure_hpa: Array, carry_mps: Array, air_temp_c: Array
) -> Array:
    """Vapour to a surface, positive when it deposits; carry_mps is exchange coefficient times wind."""
    density = pressure_hpa * 100.0 / (GAS_CONSTANT_DRY_AIR * (air_temp_c + KELVIN_AT_0C))
    return np.asarray(density * carry_mps * SPECIFIC_HUMIDITY_RATIO * (vapour_hpa - surface_vapour_hpa) / pressure_hpa)


class _Balance(NamedTuple):
    """The surface flux as a line in surface temperature: flux = constant - slope * T, and the latent part of it."""

    constant: Array
    slope: Array
    vapour_constant: Array  # kg/(m² s), same form
    vapour_slope: Array
    vapour_is_ice: NDArray[np.bool_]


def _surface_balance(t: Array, lying: Stores, f: Forcing, p: SurfaceParams) -> _Balance:
    wind = np.maximum(f.wind_mps, p.wind_floor_mps)
    density = f.pressure_hpa * 100.0 / (GAS_CONSTANT_DRY_AIR * (f.air_temp_c + KELVIN_AT_0C))
    carry = density * wind * exchange_coefficient(t, f.air_temp_c, wind, p)
    heat = HEAT_CAPACITY_AIR * carry

    frozen = lying.snow + lying.ice
    as_ice = (t < 0.0) | ((lying.water <= 0.0) & (frozen > 0.0))
    e_water, e_ice = svp_water_hpa(t), svp_ice_hpa(t)
    surface_hpa = np.where(as_ice, e_ice, e_water)
    surface_slope = np.where(as_ice, svp_ice_slope_hpa_per_k(t, e_ice), svp_water_slope_hpa_per_k(t, e_water))
    wetness = np.minimum((lying.water + frozen) / p.full_wetness_mmwe, 1.0)
    share = np.where(f.vapour_hpa > surface_hpa, 1.0, wetness)
    vapour = share * carry * SPECIFIC_HUMIDITY_RATIO / f.pressure_hpa
    vapour_slope = vapour * surface_slope
    vapour_constant = vapour * (f.vapour_hpa - surface_hpa) + vapour_slope * t
    latent = np.where(as_ice, LATENT_SUBLIMATION, LATENT_VAPORISATION)

    tk = t + KELVIN_AT_0C
    air_k = f.air_temp_c + KELVIN_AT_0C
    emitted = STEFAN_BOLTZMANN * tk**3
    sky = p.sky_view_frac * f.longwave_wm2 + ((1.0 - p.sky_view_frac) * STEFAN_BOLTZMANN) * air_k**4
    cover = 1.0 - np.exp(-lying.snow / p.snow_cover_mmwe)
    absorbed = (1.0 - p.albedo - (p.snow_albedo - p.albedo) * cover) * f.shortwave_wm2
    constant = (
        absorbed
        + p.emissivity * (sky - emitted * tk + 4.0 * emitted * t)
        + heat * f.air_temp_c
        + latent * vapour_constant
        + p.traffic_heat_wm2
    )
    slope = 4.0 * p.emissivity * emitted + heat + latent * vapour_slope
    return _Balance(constant, slope, vapour_constant, vapour_slope, as_ice)


def _eliminate(s: SurfaceState, f: Forcing, p: SurfaceParams, dt_s: float) -> tuple[Array, Array, list[Array]]:
    """Fold the layers below into the top one, from the bottom up.

    Returns the conductance and constant with which the ground enters the top row, and what back-substitution needs:
    layer j is back[2j-2] + back[2j-1] * (layer j-1).
    """
    store = p.layer_heat_jm2k / dt_s
    link = p.conductance_wm2k
    last = store.size - 1
    old = s.layer_temp_c
    top_link: Array | float = link[0]
    if p.snow_k_wmk is not None:
        # Cold snow insulates. Melting snow does not: it melts at its base, against the pavement.
        cover_m = np.where(old[0] < 0.0, s.snow_mmwe, 0.0) / p.snow_density_kgm3
        top_link = 1.0 / (1.0 / link[0] + cover_m / p.snow_k_wmk)

    back: list[Array] = [np.empty(0)] * (2 * last)
    below_diagonal: Array | float = 0.0
    below_constant: Array = p.underside_wm2k * np.asarray(f.air_temp_c) + np.zeros_like(old[0])
    below_link: Array | float = p.underside_wm2k
    for j in range(last, 0, -1):
        above = top_link if j == 1 else link[j - 1]
        if j == last:
            diagonal = store[j] + below_link + above
            constant = store[j] * old[j] + below_constant
        else:
            gain = below_link / below_diagonal
            diagonal = store[j] + below_link * (1.0 - gain) + above
            constant = store[j] * old[j] + gain * below_constant
        back[2 * j - 2], back[2 * j - 1] = constant / diagonal, np.asarray(above / diagonal)
        below_diagonal, below_constant, below_link = diagonal, constant, above
    ground_slope = top_link * (1.0 - top_link / below_diagonal)
    return np.asarray(ground_slope), np.asarray(top_link * back[0]), back


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


def advance(s: SurfaceState, f: Forcing, p: SurfaceParams, dt_s: float) -> tuple[SurfaceState, Exchange]:
    """Carry the columns through one step of dt_s (900 s at most) of constant weather."""
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
    flux = _surface_balance(s.layer_temp_c[0], lying, f, p)
    ground_slope, ground_constant, back = _eliminate(s, f, p, dt_s)
    top_heat = p.layer_heat_jm2k[0] + old_heat
    rain_heat, snow_heat = HEAT_CAPACITY_WATER * rained, HEAT_CAPACITY_ICE * snowed
    brought = rain_heat * f.air_temp_c + snow_heat * np.minimum(f.air_temp_c, 0.0) + s.owed_jm2
    slope = (top_heat + rain_heat + snow_heat) / dt_s + flux.slope + ground_slope
    balance = (top_heat * s.layer_temp_c[0] + brought) / dt_s + flux.constant + ground_constant
    top, melted, froze = _change_phase(balance, slope, lying.water, lying.snow + lying.ice, dt_s)

    layers = np.empty_like(s.layer_temp_c)
    layers[0] = top
    for j in range(1, layers.shape[0]):
        np.multiply(back[2 * j - 1], layers[j - 1], out=layers[j])
        layers[j] += back[2 * j - 2]

    lying = stores.change_phase(lying, melted, froze)
    gain = (flux.vapour_constant - flux.vapour_slope * top) * dt_s
    lying, vapour = stores.exchange_vapour(lying, gain, flux.vapour_is_ice)
    lying, runoff = stores.drain(lying, top, p)
    lying, swept = stores.drive_over(lying, hours, p)
    crossed = Exchange(
        surface_wm2=flux.constant - flux.slope * top + vapour.owed_jm2 / dt_s,
        underside_wm2=p.underside_wm2k * (f.air_temp_c - layers[-1]),
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
