"""Computes the position of the sun and the radiation on a level road, for forecasts without radiation."""

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from alertd.road.humidity import Array
from alertd.units import KELVIN_AT_0C

STEFAN_BOLTZMANN: Final = 5.670374419e-8  # W/(m² K⁴), CODATA 2018
J2000_EPOCH_S: Final = 946728000.0  # 2000-01-01 12:00 UTC
CLEAR_SKY_GAIN_PER_KM: Final = 0.02  # assumed, from the simplified Solis model: Haurwitz is too low at altitude


def solar_position(lat_deg: ArrayLike, lon_deg: ArrayLike, epoch_s: ArrayLike) -> tuple[Array, Array]:
    """Geometric zenith angle and azimuth (clockwise from north) of the sun, degrees.

    Meeus, Astronomical Algorithms ch. 25 (low accuracy), as used by NOAA's solar calculator: within 0.011° of NREL SPA
    for this century; no refraction.
    """
    lat, lon, epoch = (np.asarray(x, dtype=np.float64) for x in (lat_deg, lon_deg, epoch_s))
    day = (epoch - J2000_EPOCH_S) / 86400.0
    t = day / 36525.0
    mean_long = np.radians((280.46646 + t * (36000.76983 + 0.0003032 * t)) % 360.0)
    anomaly = np.radians((357.52911 + t * (35999.05029 - 0.0001537 * t)) % 360.0)
    ecc = 0.016708634 - t * (0.000042037 + 0.0000001267 * t)
    centre = np.radians(
        np.sin(anomaly) * (1.914602 - t * (0.004817 + 0.000014 * t))
        + np.sin(2 * anomaly) * (0.019993 - 0.000101 * t)
        + np.sin(3 * anomaly) * 0.000289
    )
    node = np.radians(125.04 - 1934.136 * t)
    true_long = mean_long + centre - np.radians(0.00569 + 0.00478 * np.sin(node))
    tilt = np.radians(23.439291 - 0.0130042 * t + 0.00256 * np.cos(node))
    declination = np.arcsin(np.sin(tilt) * np.sin(true_long))
    y = np.tan(tilt / 2.0) ** 2
    equation_min = 4.0 * np.degrees(
        y * np.sin(2 * mean_long)
        - 2 * ecc * np.sin(anomaly)
        + 4 * ecc * y * np.sin(anomaly) * np.cos(2 * mean_long)
        - 0.5 * y * y * np.sin(4 * mean_long)
        - 1.25 * ecc * ecc * np.sin(2 * anomaly)
    )
    hour_angle = np.radians((epoch % 86400.0) / 240.0 + equation_min / 4.0 + lon - 180.0)
    phi = np.radians(lat)
    cos_zenith = np.sin(phi) * np.sin(declination) + np.cos(phi) * np.cos(declination) * np.cos(hour_angle)
    east = -np.cos(declination) * np.sin(hour_angle)
    north = np.sin(declination) * np.cos(phi) - np.cos(declination) * np.sin(phi) * np.cos(hour_angle)
    zenith = np.degrees(np.arccos(np.clip(cos_zenith, -1.0, 1.0)))
    return np.asarray(zenith), np.asarray(np.degrees(np.arctan2(east, north)) % 360.0)


def clear_sky_wm2(zenith_deg: ArrayLike, elevation_m: ArrayLike = 0.0) -> Array:
    """Global horizontal radiation under a clear sky, W/m²: Haurwitz 1945, raised by 2 % per km of height."""
    cos_zenith = np.cos(np.radians(np.asarray(zenith_deg, dtype=np.float64)))
    up = np.maximum(cos_zenith, 1e-3)
    sea_level = np.where(cos_zenith > 0.0, 1098.0 * up * np.exp(-0.059 / up), 0.0 * cos_zenith)
    return np.asarray(sea_level * (1.0 + CLEAR_SKY_GAIN_PER_KM * np.asarray(elevation_m, dtype=np.float64) / 1000.0))


def cloud_transmission_frac(cloud_frac: ArrayLike) -> Array:
    """Part of clear-sky radiation that cloud lets through, 0.25-1: Kasten & Czeplak 1980 (constants from memory)."""
    return np.asarray(1.0 - 0.75 * np.asarray(cloud_frac) ** 3.4)


def over_horizon_frac(
    zenith_deg: ArrayLike, horizon_deg: ArrayLike, cloud_frac: ArrayLike, direct_frac: ArrayLike
) -> Array:
    """Part of the global radiation that reaches a road with a horizon of horizon_deg all around, 0-1.

    direct_frac: direct part of the global radiation under a clear sky; cloud reduces it in proportion.

    While the sun is behind the horizon only the rest arrives. The horizon has a single height, because a horizon by
    azimuth needs a terrain model, which is not available.
    """
    zenith, horizon, cloud, direct = (
        np.asarray(x, dtype=np.float64) for x in (zenith_deg, horizon_deg, cloud_frac, direct_frac)
    )
    return np.where(zenith > 90.0 - horizon, 1.0 - direct * (1.0 - cloud), 1.0 + 0.0 * cloud)


def longwave_wm2(air_temp_c: ArrayLike, vapour_hpa: ArrayLike, opaque_cloud_frac: ArrayLike) -> Array:
    """Downward longwave radiation, W/m², in the precision of the input.

    Clear sky after Prata 1996, blended to a black cloud base after Crawford & Duchon 1999 (constants of both from
    memory). Pass opaque cloud: counting thin high cloud as opaque makes a night road too warm.
    """
    tk = np.asarray(air_temp_c) + KELVIN_AT_0C
    xi = 46.5 * np.asarray(vapour_hpa) / tk
    clear = 1.0 - (1.0 + xi) * np.exp(-np.sqrt(1.2 + 3.0 * xi))
    n = np.asarray(opaque_cloud_frac)
    return np.asarray((n + (1.0 - n) * clear) * STEFAN_BOLTZMANN * np.square(np.square(tk)))
