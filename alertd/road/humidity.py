"""Computes air at the road's height: humidity, wet bulb, pressure, temperature.

All functions take scalars or arrays (numpy broadcasting) and carry NaN. Relative humidity is over liquid water at all
temperatures, as forecast services deliver it (WMO-No. 8).
"""

import math
from typing import Any, Final, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from alertd.units import GRAVITY_MPS2, KELVIN_AT_0C

Array: TypeAlias = NDArray[np.float64]
Float32: TypeAlias = NDArray[np.float32]
Curve: TypeAlias = tuple[Any, Any, Any, Any]  # numbers, or arrays with a value for each place

WATER_TO_AIR_MASS: Final = 0.621945  # ratio of molar masses, ASHRAE Fundamentals 2017 ch. 1
# Dry air, and the heat of evaporation at 0 °C: standard tables, rounded (from memory).
GAS_CONSTANT_DRY_AIR: Final = 287.05  # J/(kg K)
HEAT_CAPACITY_AIR: Final = 1005.0  # J/(kg K)
LATENT_VAPORISATION: Final = 2.501e6  # J/kg at 0 °C
WET_BULB_STEPS: Final = 4  # error 1e-9 K over -40..40 °C, RH 1..100 %, 550..1050 hPa

# Liston & Elder 2006, J. Hydrometeor. 7:217, air-temperature lapse rates January..December, northern hemisphere, K/km
MONTHLY_LAPSE_K_PER_KM: Final = (4.4, 5.9, 7.1, 7.8, 8.1, 8.2, 8.1, 8.1, 7.7, 6.8, 5.5, 4.7)
ANCHOR_MIN_DEPTH_M: Final = 300.0  # assumed: below this, the slope to the 0 °C level is noise
ANCHOR_LAPSE_K_PER_KM: Final = (
    2.0,
    9.0,
)  # assumed bounds: outside, the 0 °C level and the cell are in different air masses


def _parted(a: float, b: float, c: float, d: float) -> Curve:
    """Buck's e = a exp((b - T/c) T/(d + T)) in partial fractions, ln e = level - bend T - pole/(shift + T).

    This form needs fewer operations, especially together with its slope.
    """
    lifted = b + d / c
    return math.log(a) + lifted, 1.0 / c, lifted * d, d


# Buck 1981, J. Appl. Meteor. 20:1527, with the constants of 1996.
_WATER: Final = _parted(6.1121, 18.678, 234.5, 257.14)
_ICE: Final = _parted(6.1115, 23.036, 333.7, 279.82)


def _f64(x: ArrayLike) -> Array:
    return np.asarray(x, dtype=np.float64)


def _log_svp(temp_c: NDArray[Any], curve: Curve) -> tuple[NDArray[Any], NDArray[Any]]:
    """ln e (e in hPa) and its slope in temperature, 1/K."""
    level, bend, pole, shift = curve
    nearness = 1.0 / (shift + temp_c)
    pull = pole * nearness
    return level - bend * temp_c - pull, pull * nearness - bend


def svp_water_hpa(temp_c: ArrayLike) -> Array:
    """Saturation vapour pressure over liquid water, hPa; -40..50 °C (Buck 1981, constants of 1996)."""
    return np.asarray(np.exp(_log_svp(_f64(temp_c), _WATER)[0]))


def svp_ice_hpa(temp_c: ArrayLike) -> Array:
    """Saturation vapour pressure over ice, hPa; -80..0 °C (Buck 1996)."""
    return np.asarray(np.exp(_log_svp(_f64(temp_c), _ICE)[0]))


def svp_surface_hpa(temp_c: Float32, ice: Float32) -> tuple[Float32, Float32]:
    """Saturation vapour pressure and its slope in temperature, hPa and hPa/K; over water where ice is 0, ice where 1.

    Mixing the constants by that 0 or 1 is faster than choosing between two curves. Single precision.
    """
    level, bend, pole, shift = (water + (frozen - water) * ice for water, frozen in zip(_WATER, _ICE, strict=True))
    log_e, log_slope = _log_svp(temp_c, (level, bend, pole, shift))
    e = np.exp(log_e)
    return e, e * log_slope


def vapour_pressure_hpa(air_temp_c: ArrayLike, rh_frac: ArrayLike) -> Array:
    """Vapour pressure, hPa."""
    return _f64(rh_frac) * svp_water_hpa(air_temp_c)


def _saturation_temp_c(vapour_hpa: Array, curve: Curve) -> Array:
    with np.errstate(invalid="ignore", divide="ignore"):
        log_e = np.log(np.where(vapour_hpa > 0.0, vapour_hpa, np.nan))
    gamma = log_e - np.log(6.112)
    temp_c = 243.12 * gamma / (17.62 - gamma)  # WMO Magnus inverse, a first guess within 3 K for either curve
    for _ in range(4):
        log_svp, slope = _log_svp(temp_c, curve)
        temp_c = temp_c - (log_svp - log_e) / slope
    return np.asarray(temp_c)


def dew_point_c(air_temp_c: ArrayLike, rh_frac: ArrayLike) -> Array:
    """Dew point over liquid water, °C; NaN where rh_frac <= 0. Newton iteration on Buck 1996."""
    return _saturation_temp_c(vapour_pressure_hpa(air_temp_c, rh_frac), _WATER)


def humidity_ratio(vapour_hpa: ArrayLike, pressure_hpa: ArrayLike) -> Array:
    """Mass of vapour per mass of dry air, kg/kg."""
    e = _f64(vapour_hpa)
    return np.asarray(WATER_TO_AIR_MASS * e / (_f64(pressure_hpa) - e))


def wet_bulb_c(air_temp_c: ArrayLike, rh_frac: ArrayLike, pressure_hpa: ArrayLike) -> Array:
    """Thermodynamic wet bulb, °C, of a wet bulb that stays liquid.

    Solves the energy balance of ASHRAE Fundamentals 2017 ch. 1. The liquid branch applies below 0 °C too, because a
    melting flake is wet. Fits such as Stull 2011 err by 0.5 K at the transition from rain to snow, and none is better
    at altitude.
    """
    t, rh, p = _f64(air_temp_c), _f64(rh_frac), _f64(pressure_hpa)
    w = humidity_ratio(rh * svp_water_hpa(t), p)
    tw = t - (1.0 - rh) * np.clip(8.0 + 0.3 * t, 1.0, 20.0)
    for _ in range(WET_BULB_STEPS):
        log_es, log_slope = _log_svp(tw, _WATER)
        es = np.exp(log_es)
        dry = 1.0 / (p - es)
        ws = WATER_TO_AIR_MASS * es * dry
        ws_slope = ws * log_slope * p * dry
        latent = 2501.0 - 2.326 * tw
        residual = latent * ws - 1.006 * (t - tw) - w * (2501.0 + 1.86 * t - 4.186 * tw)
        tw = tw - residual / (latent * ws_slope - 2.326 * ws + 1.006 + 4.186 * w)
    return np.asarray(tw)


def isa_pressure_hpa(elevation_m: ArrayLike) -> Array:
    """Pressure of the standard atmosphere (ISO 2533), hPa, -500..11 000 m. Actual weather differs by 2-3 %.

    Takes geopotential metres; using a road's geometric height errs by 0.02 % at 3000 m.
    """
    return np.asarray(1013.25 * (1.0 - 0.0065 * _f64(elevation_m) / 288.15) ** 5.255876)


def pressure_at_height_hpa(
    pressure_hpa: ArrayLike,
    air_temp_c: ArrayLike,
    rh_frac: ArrayLike,
    from_elevation_m: ArrayLike,
    to_elevation_m: ArrayLike,
) -> Array:
    """Pressure moved hydrostatically from one height to another through air of one virtual temperature, hPa."""
    rise = _f64(to_elevation_m) - _f64(from_elevation_m)
    return hydrostatic_hpa(_f64(pressure_hpa), _f64(air_temp_c), vapour_pressure_hpa(air_temp_c, rh_frac), rise)


def hydrostatic_hpa(pressure_hpa: Array, air_temp_c: Array, vapour_hpa: Array, rise_m: Array) -> Array:
    """`pressure_at_height_hpa` for a known vapour pressure."""
    virtual_k = (air_temp_c + KELVIN_AT_0C) * (1.0 + 0.61 * humidity_ratio(vapour_hpa, pressure_hpa))
    return np.asarray(pressure_hpa * np.exp(rise_m / virtual_k * (-GRAVITY_MPS2 / GAS_CONSTANT_DRY_AIR)))


def moist_lapse_k_per_m(air_temp_c: ArrayLike, pressure_hpa: ArrayLike) -> Array:
    """Pseudo-adiabatic lapse rate of saturated air, K/m (AMS Glossary, moist-adiabatic lapse rate)."""
    t = _f64(air_temp_c)
    tk = t + KELVIN_AT_0C
    r = humidity_ratio(svp_water_hpa(t), pressure_hpa)
    up = 1.0 + LATENT_VAPORISATION * r / (GAS_CONSTANT_DRY_AIR * tk)
    down = HEAT_CAPACITY_AIR + LATENT_VAPORISATION**2 * r * WATER_TO_AIR_MASS / (GAS_CONSTANT_DRY_AIR * tk * tk)
    return np.asarray(GRAVITY_MPS2 * up / down)


def profile_temp_c(elevation_m: ArrayLike, level_m: ArrayLike, level_temp_c: ArrayLike) -> Array:
    """Temperature at a height in a profile, linear between levels, constant below the lowest and above the highest.

    level_m, level_temp_c: (..., level), heights rising along the last axis; elevation_m broadcasts with (...).
    """
    levels, temps = np.broadcast_arrays(_f64(level_m), _f64(level_temp_c))
    z = _f64(elevation_m)
    out = temps[..., 0] + 0.0 * z
    for k in range(levels.shape[-1] - 1):
        low, high = levels[..., k], levels[..., k + 1]
        part = np.clip((z - low) / (high - low), 0.0, 1.0)
        out = out + part * (temps[..., k + 1] - temps[..., k])
    return np.asarray(out)


def regime_lapse_k_per_m(
    air_temp_c: ArrayLike,
    pressure_hpa: ArrayLike,
    rh_frac: ArrayLike,
    cloud_frac: ArrayLike,
    precip_mmwe_h: ArrayLike,
    month: ArrayLike,
) -> Array:
    """Lapse rate by weather regime, K/m: moist adiabat with precipitation or saturation, else by month.

    month: 1-12 of the northern hemisphere's year (shift by six south of the equator).

    Unknown cloud counts as not saturated. The monthly values are from Liston & Elder 2006; the regime limits are
    assumed.
    """
    wet = is_saturated(rh_frac, cloud_frac, precip_mmwe_h)
    monthly = np.asarray(MONTHLY_LAPSE_K_PER_KM)[np.asarray(month, dtype=np.int64) - 1] / 1000.0
    t, p, wet, monthly = np.broadcast_arrays(_f64(air_temp_c), _f64(pressure_hpa), wet, monthly)
    lapse = monthly.copy()
    lapse[wet] = moist_lapse_k_per_m(t[wet], p[wet])
    return lapse


def is_saturated(rh_frac: ArrayLike, cloud_frac: ArrayLike, precip_mmwe_h: ArrayLike) -> NDArray[np.bool_]:
    """True for precipitation over 0.1 mm/h, or 90 % of humidity and of cloud (limits assumed); unknown is not."""
    saturated = (_f64(rh_frac) >= 0.90) & (_f64(cloud_frac) >= 0.90)
    return np.asarray((_f64(precip_mmwe_h) > 0.1) | saturated)


class LapseUsed(NamedTuple):
    """The lapse rate between cell and road, and the rule that set it.

    The rules in order: a cold pool, else the slope to the 0 °C level, else the weather regime.

    calm_clear_night: cloud, wind and sun allow cold air to pool.
    anchored: the slope to the 0 °C level is usable.
    pooled: a calm clear night and a road below the cell.
    """

    lapse_k_per_m: Array
    calm_clear_night: NDArray[np.bool_]
    anchored: NDArray[np.bool_]
    pooled: NDArray[np.bool_]


def lapse_used(
    air_temp_c: ArrayLike,
    from_elevation_m: ArrayLike,
    to_elevation_m: ArrayLike,
    *,
    lapse_k_per_m: ArrayLike,
    freezing_level_m: ArrayLike = np.nan,
    cloud_frac: ArrayLike = np.nan,
    wind_mps: ArrayLike = np.nan,
    sun_is_up: ArrayLike = True,
) -> LapseUsed:
    """The lapse rate, K/m, with which `temperature_at_height_c` moves a temperature without a profile."""
    t, z0, z1 = _f64(air_temp_c), _f64(from_elevation_m), _f64(to_elevation_m)
    depth = _f64(freezing_level_m) - z0
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = t / depth
    low, high = ANCHOR_LAPSE_K_PER_KM
    anchored = (np.abs(depth) >= ANCHOR_MIN_DEPTH_M) & (slope >= low / 1000.0) & (slope <= high / 1000.0)
    lapse = np.where(anchored, slope, _f64(lapse_k_per_m))

    calm_clear_night = ~(_f64(cloud_frac) >= 0.30) & ~(_f64(wind_mps) >= 2.0) & ~np.asarray(sun_is_up, dtype=np.bool_)
    # Cold air drains into valleys and leaves summits in the free air, so a pool forms below the cell, never above it.
    pooled = calm_clear_night & (z1 < z0)
    return LapseUsed(np.where(pooled, 0.0, lapse), calm_clear_night, anchored, pooled)


def temperature_at_height_c(
    air_temp_c: ArrayLike,
    from_elevation_m: ArrayLike,
    to_elevation_m: ArrayLike,
    *,
    lapse_k_per_m: ArrayLike,
    freezing_level_m: ArrayLike = np.nan,
    cloud_frac: ArrayLike = np.nan,
    wind_mps: ArrayLike = np.nan,
    sun_is_up: ArrayLike = True,
    profile: tuple[ArrayLike, ArrayLike] | None = None,
) -> Array:
    """Air temperature moved from the forecast cell's height to the road's, °C.

    In order of preference it uses the difference along `profile` (level_m, level_temp_c; (..., level)) where given; the
    slope to the 0 °C level where that is at least 300 m away and 2-9 K/km steep; or `lapse_k_per_m`.

    In a clear calm night cold air pools: cloud < 30 %, wind < 2 m/s, sun down; unknown cloud or wind counts as such. A
    road below the cell is then never warmer than the cell, unless the profile shows it. A road above the cell always
    cools by the full rate: pairs of a valley and a summit station show no weaker cooling in such nights
    (tests/road/test_humidity.py).
    """
    t, z0, z1 = _f64(air_temp_c), _f64(from_elevation_m), _f64(to_elevation_m)
    used = lapse_used(
        t,
        z0,
        z1,
        lapse_k_per_m=lapse_k_per_m,
        freezing_level_m=freezing_level_m,
        cloud_frac=cloud_frac,
        wind_mps=wind_mps,
        sun_is_up=sun_is_up,
    )
    moved = t - used.lapse_k_per_m * (z1 - z0)
    if profile is None:
        return np.asarray(moved)
    along = profile_temp_c(z1, *profile) - profile_temp_c(z0, *profile)
    return np.where(np.isfinite(along), t + along, moved)


def humidity_at_height_frac(
    rh_frac: ArrayLike,
    from_temp_c: ArrayLike,
    to_temp_c: ArrayLike,
    from_pressure_hpa: ArrayLike,
    to_pressure_hpa: ArrayLike,
    precip_mmwe_h: ArrayLike,
) -> Array:
    """Relative humidity at another height, 0-1.

    Air with precipitation keeps its relative humidity. Dry air keeps its ratio of vapour pressure to pressure. Capped
    at 1.
    """
    rh, svp = _f64(rh_frac), svp_water_hpa(to_temp_c)
    e = rh * svp_water_hpa(from_temp_c)
    return vapour_at_height_hpa(e, rh, svp, _f64(to_pressure_hpa) / _f64(from_pressure_hpa), _f64(precip_mmwe_h)) / svp


def vapour_at_height_hpa(
    vapour_hpa: Array, rh_frac: Array, svp_hpa: Array, pressure_ratio: Array, precip_mmwe_h: Array
) -> Array:
    """`humidity_at_height_frac` as vapour pressure, hPa, from the saturation pressure there and the pressure ratio."""
    dry = vapour_hpa * pressure_ratio
    return np.minimum(np.where(precip_mmwe_h > 0.1, rh_frac * svp_hpa, dry), svp_hpa)
