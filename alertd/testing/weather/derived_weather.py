"""Derives what a weather model also gives from a few invented quantities: dew point, radiation, pressure, code."""

from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.units import GRAVITY_MPS2, HOUR_S, KELVIN_AT_0C

Array: TypeAlias = NDArray[np.float64]

DRY_AIR_J_KG_K: Final = 287.05
LAPSE_K_M: Final = 0.0065  # the forecast API's lapse rate from a cell's height to the requested height


def ramp(x: Array, low: float, high: float) -> Array:
    """Linear ramp: 0 below `low`, 1 above `high`."""
    return np.clip((x - low) / (high - low), 0.0, 1.0)


def dew_point_c(temp_c: Array, rh_percent: Array) -> Array:
    """Dew point over water, Magnus form with the constants of Alduchov and Eskridge 1996 (17.625, 243.04 °C)."""
    g = np.log(rh_percent / 100.0) + 17.625 * temp_c / (243.04 + temp_c)
    dew_c: Array = 243.04 * g / (17.625 - g)
    return dew_c


def solar_hour(lon: Array, epoch: Array) -> Array:
    """Mean solar time [h]; omits the equation of time (9 min in mid-January)."""
    return (epoch / HOUR_S + lon / 15.0) % 24.0


def shortwave_wm2(lat: Array, lon: Array, epoch: Array, cloud_frac: Array) -> Array:
    """Global radiation on a horizontal surface [W/m²].

    Declination of Cooper 1969, clear sky of Haurwitz 1945, clouds of Kasten and Czeplak 1980.
    """
    day = (epoch / 86400.0) % 365.2425 + 1.0
    declination = np.radians(23.45) * np.sin(2.0 * np.pi * (284.0 + day) / 365.0)
    hour_angle = np.pi * (solar_hour(lon, epoch) - 12.0) / 12.0
    phi = np.radians(lat)
    up = np.sin(phi) * np.sin(declination) + np.cos(phi) * np.cos(declination) * np.cos(hour_angle)
    up = np.maximum(up, 0.0)
    clear = 1098.0 * up * np.exp(-0.057 / np.maximum(up, 0.01))
    global_wm2: Array = clear * (1.0 - 0.75 * cloud_frac**3.4)
    return global_wm2


def weather_code(rate: Array, snow_frac: Array, cloud: Array) -> Array:
    """WMO 4677 by rate and form, in a forecast API's codes: 0-3 sky, 51 drizzle, 61-65 rain, 71-75 snow."""
    sky = np.select([cloud < 20.0, cloud < 50.0, cloud < 80.0], [0.0, 1.0, 2.0], 3.0)
    rain = np.select([rate < 0.2, rate < 2.5, rate < 7.6], [51.0, 61.0, 63.0], 65.0)
    snow = np.select([rate < 1.0, rate < 2.5], [71.0, 73.0], 75.0)
    code = np.where(rate > 0.0, np.where(snow_frac >= 0.5, snow, rain), sky)
    return np.where(np.isnan(rate + snow_frac + cloud), np.nan, code)


def surface_pressure_hpa(msl_hpa: Array, temp_c: Array, height_m: Array) -> Array:
    """Pressure at a height below a column of air at the standard lapse rate; shapes broadcast."""
    mean_k = temp_c + KELVIN_AT_0C + LAPSE_K_M * height_m / 2.0
    pressure: Array = msl_hpa * np.exp(-GRAVITY_MPS2 * height_m / (DRY_AIR_J_KG_K * mean_k))
    return pressure
