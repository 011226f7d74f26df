"""Observations of stations near the road: values only, independent of the service.

A station represents only its own place. Airports are in valleys, so the nearest station does not represent a pass.
"""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Final

import numpy as np

from alertd.forecast.model import Array
from alertd.forecast.sampling import EARTH_RADIUS_M

_UNKNOWN: Final = float("nan")


class Phenomenon(StrEnum):
    """Weather at the station that matters to a road. A shower counts as its kind of precipitation."""

    RAIN = "rain"
    DRIZZLE = "drizzle"
    FREEZING_RAIN = "freezing rain"
    FREEZING_DRIZZLE = "freezing drizzle"
    SNOW = "snow"
    SNOW_GRAINS = "snow grains"
    SNOW_PELLETS = "snow pellets or small hail"
    ICE_PELLETS = "ice pellets"
    ICE_CRYSTALS = "ice crystals"
    HAIL = "hail"
    UNKNOWN_PRECIPITATION = "precipitation of unknown form"
    BLOWING_SNOW = "blowing snow"
    DRIFTING_SNOW = "drifting snow"
    FOG = "fog"
    FREEZING_FOG = "freezing fog"
    MIST = "mist"
    THUNDERSTORM = "thunderstorm"


@dataclass(frozen=True, slots=True, kw_only=True)
class Station:
    """A weather station.

    elevation_m: above sea level, NaN if unknown.
    """

    id: str
    lat_deg: float
    lon_deg: float
    elevation_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class StationReport:
    """One observation. NaN is unknown. `weather` is None when unknown, and empty when none was observed.

    wind_from_deg: direction from which the wind blows; unknown when calm or variable.
    visibility_m: a lower bound where the scale of the report ends.
    precip_last_hour_mmwe: 0 also for a trace.
    precip_3h_mmwe, precip_6h_mmwe, precip_24h_mmwe: totals up to the report.
    coded_rate_mmwe_h: rate that the intensity of the weather groups stands for; 0 where no precipitation was observed.
    cloud_frac: 0-1.
    snow_depth_m: on the ground.
    raw: the coded text, empty if none.
    """

    station: Station
    source: str
    observed_at: datetime
    air_temp_c: float
    dew_point_c: float
    rh_frac: float
    wind_mps: float
    gust_mps: float
    wind_from_deg: float
    visibility_m: float
    precip_last_hour_mmwe: float
    weather: tuple[Phenomenon, ...] | None
    raw: str
    precip_3h_mmwe: float = _UNKNOWN
    precip_6h_mmwe: float = _UNKNOWN
    precip_24h_mmwe: float = _UNKNOWN
    coded_rate_mmwe_h: float = _UNKNOWN
    cloud_frac: float = _UNKNOWN
    snow_depth_m: float = _UNKNOWN

    def __post_init__(self) -> None:
        if self.observed_at.utcoffset() is None:
            raise ValueError("observation times must be aware")


def on_earth(elevation_m: float) -> float:
    """The height, or NaN when it is outside the range of stations, -500 to 9000 m."""
    return elevation_m if -500.0 <= elevation_m <= 9000.0 else float("nan")


def distances_m(lat_deg: Array, lon_deg: Array, other_lat_deg: Array, other_lon_deg: Array) -> Array:
    """(place, other): distances [m] on a plane with the meridians' spacing at the first place; valid for 100 km."""
    metres = EARTH_RADIUS_M * np.pi / 180.0
    north = (lat_deg[:, None] - other_lat_deg) * metres
    turn = (lon_deg[:, None] - other_lon_deg + 180.0) % 360.0 - 180.0
    east = turn * metres * np.cos(np.radians(lat_deg))[:, None]
    return np.hypot(north, east)
