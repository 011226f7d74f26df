"""Storm Thistledown: an invented Pacific front over I-90, Missoula to Spokane, 14 January 2027.

A pure function of place and time that resembles a weather model's output, for the demo and for tests. It is designed,
not observed. A front moves from the west at about 26 km/h. Ahead of it the air is mild over Idaho, and cold and dry
over Montana. Rain falls in Idaho's valleys, snow above about 900 m. Behind it the snow level falls, showers last some
hours, then the sky clears. The day before, a weak wave leaves a little snow on the passes only.
"""

from dataclasses import dataclass
from typing import Final, Self

import numpy as np
from numpy.typing import ArrayLike

from alertd.testing.weather.derived_weather import (
    LAPSE_K_M,
    Array,
    dew_point_c,
    ramp,
    shortwave_wm2,
    solar_hour,
    surface_pressure_hpa,
    weather_code,
)
from alertd.units import HOUR_S

REFERENCE_M: Final = 800.0
FRONT_EPOCH_S: Final = 1_799_935_200.0  # 2027-01-14 14:00 UTC, when the front is over Fourth of July Pass
FRONT_LON_DEG: Final = -116.5242
FRONT_H_PER_DEG: Final = 2.9  # one degree of longitude is 75 km here
DIVIDE_LON_DEG: Final = -115.45
DRY_MMH: Final = 0.08  # below this it counts as dry
PASSES: Final = ((-115.6945, 0.12, 1.4), (-116.5242, 0.08, 0.9))  # longitude, width [deg], precipitation factor
# Terrain height along the road by longitude, smoothed as a model's terrain is.
GROUND_LON_DEG: Final = (-117.6, -117.0, -116.65, -116.52, -116.4, -116.1, -115.85, -115.69, -115.5, -115.1, -114.0)
GROUND_M: Final = (570.0, 650.0, 690.0, 900.0, 690.0, 750.0, 980.0, 1380.0, 1080.0, 850.0, 980.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Storm:
    """The storm, or an ensemble member of it: front delay [h], warmer air [K], precipitation factor."""

    front_late_h: float = 0.0
    warmer_k: float = 0.0
    wetter: float = 1.0

    def member(self, number: int) -> Self:
        """Return ensemble member `number`; 0 is the storm itself. Deterministic for a number."""
        if number == 0:
            return self
        draw = np.random.default_rng(number).standard_normal(3)
        return type(self)(front_late_h=1.5 * draw[0], warmer_k=0.8 * draw[1], wetter=float(np.exp(0.35 * draw[2])))

    def weather(
        self, lat_deg: ArrayLike, lon_deg: ArrayLike, elevation_m: ArrayLike, epoch_s: ArrayLike
    ) -> dict[str, Array]:
        """Return the weather at places and times; the four arguments are broadcast against one another.

        Returns arrays of the broadcast shape under the API's names: temperature_2m and dew_point_2m [°C],
        relative_humidity_2m [%], precipitation, rain and snowfall_water_equivalent [mm/h, at that instant],
        precipitation_probability [%], surface_pressure and pressure_msl [hPa], wind_speed_10m and wind_gusts_10m [m/s],
        wind_direction_10m [°], cloud_cover [%], shortwave_radiation [W/m², on a horizontal surface],
        freezing_level_height [m above sea level], weather_code [WMO 4677]. NaN in gives NaN out.
        """
        lat, lon, height_m, epoch = np.broadcast_arrays(
            *(np.asarray(a, dtype=float) for a in (lat_deg, lon_deg, elevation_m, epoch_s))
        )
        after_front_h = (epoch - FRONT_EPOCH_S) / HOUR_S - FRONT_H_PER_DEG * (lon - FRONT_LON_DEG) - self.front_late_h
        east = 1.0 / (1.0 + np.exp(-(lon - DIVIDE_LON_DEG) / 0.15))
        reference_c = self._reference_c(lon, epoch, after_front_h, east)
        temp_c = reference_c - LAPSE_K_M * (height_m - REFERENCE_M)
        rate = self.wetter * _precip_mmh(lon, epoch, after_front_h, east)
        wet = rate / (rate + 0.15)
        rh = (84.0 - 14.0 * east) + (97.0 - 84.0 + 12.0 * east) * wet
        cloud = np.clip(100.0 * wet + (1.0 - wet) * (60.0 - 35.0 * east - 20.0 * ramp(after_front_h, 4.0, 8.0)), 0, 100)
        snow_frac = ramp(-temp_c, -1.6, -0.4)
        msl = 1014.0 - 14.0 * np.exp(-((after_front_h / 9.0) ** 2)) + 4.0 * np.tanh(after_front_h / 12.0)
        gale = np.exp(-((after_front_h / 2.5) ** 2))
        wind = (1.5 + 5.0 * gale) * (1.0 + 0.35 * _lift(lon))
        return {
            "temperature_2m": temp_c,
            "relative_humidity_2m": rh,
            "dew_point_2m": dew_point_c(temp_c, rh),
            "precipitation": rate,
            "rain": rate * (1.0 - snow_frac),
            "snowfall_water_equivalent": rate * snow_frac,
            "precipitation_probability": 3.0 + 94.0 * (1.0 - np.exp(-rate / 0.25)),
            "pressure_msl": msl,
            "surface_pressure": surface_pressure_hpa(msl, temp_c, height_m),
            "wind_speed_10m": wind,
            "wind_gusts_10m": 1.7 * wind,
            "wind_direction_10m": 200.0 + 80.0 * ramp(after_front_h, -1.0, 2.0),
            "cloud_cover": cloud,
            "shortwave_radiation": shortwave_wm2(lat, lon, epoch, cloud / 100.0),
            "freezing_level_height": np.maximum(REFERENCE_M + reference_c / LAPSE_K_M, 0.0),
            "weather_code": weather_code(rate, snow_frac, cloud),
        }

    def _reference_c(self, lon: Array, epoch: Array, after_front_h: Array, east: Array) -> Array:
        """Air temperature [°C] at 800 m: mild west of the divide, cold east of it; the front cools both."""
        plain = 0.9 * (1.0 - ramp(lon, -116.9, -116.6))
        mild = 2.6 - 1.6 * (1.0 - ramp(after_front_h, -16.0, -6.0)) + plain
        continental = -5.5 + 4.0 * ramp(after_front_h, -20.0, -4.0)
        drop = (3.2 - 1.6 * east) * (1.0 + np.tanh(after_front_h / 2.0)) / 2.0
        later_cold = 4.0 * ramp(after_front_h, 8.0, 24.0)
        sun_h = solar_hour(lon, epoch)
        diurnal = 0.9 * np.cos(np.pi * (sun_h - 14.0) / 12.0) * (0.3 + 0.7 * ramp(np.abs(after_front_h), 5.0, 9.0))
        air_c: Array = mild + east * (continental - mild) - drop - later_cold + diurnal + self.warmer_k
        return air_c


def weather(lat_deg: ArrayLike, lon_deg: ArrayLike, elevation_m: ArrayLike, epoch_s: ArrayLike) -> dict[str, Array]:
    """`Storm.weather` of the storm itself."""
    return Storm().weather(lat_deg, lon_deg, elevation_m, epoch_s)


def ground_m(lat_deg: ArrayLike, lon_deg: ArrayLike) -> Array:
    """Model terrain height [m] along this road. Depends on longitude only: the road runs east to west."""
    lon, _ = np.broadcast_arrays(np.asarray(lon_deg, dtype=float), np.asarray(lat_deg, dtype=float))
    return np.asarray(np.interp(lon, GROUND_LON_DEG, GROUND_M), dtype=float)


def _lift(lon: Array) -> Array:
    """Factor by which precipitation near the passes exceeds that over the valleys."""
    total = np.zeros_like(lon)
    for at_deg, width_deg, strength in PASSES:
        total = total + strength * np.exp(-(((lon - at_deg) / width_deg) ** 2))
    return total


def _precip_mmh(lon: Array, epoch: Array, after_front_h: Array, east: Array) -> Array:
    """Rain ahead of the front, a burst with it, showers behind, dry in the lee; the day before, the weak wave."""
    lift = _lift(lon)
    ahead = 0.6 * ramp(after_front_h, -8.0, -6.0) * (1.0 - ramp(after_front_h, -0.5, 0.5))
    burst = 1.4 * np.exp(-(after_front_h**2))
    showers = 0.35 * ramp(after_front_h, -0.5, 0.5) * (1.0 - ramp(after_front_h, 3.0, 4.5))
    lee = 1.0 - east * (0.97 - 0.07 * ramp(after_front_h, -2.0, 0.0))
    wave = 0.3 * lift * np.exp(-((((epoch - FRONT_EPOCH_S) / HOUR_S + 33.0) / 3.0) ** 2))
    rate = (ahead + burst + showers) * lee * (1.0 + lift) + wave
    return np.where(rate < DRY_MMH, 0.0 * rate, rate)
