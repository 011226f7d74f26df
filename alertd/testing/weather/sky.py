"""Reads a described sky from a TOML file and returns its weather at any place and hour, as a weather model would.

A sky is a base state of the air and changes to it. A change applies within its hours, heights and box of places, and
later changes apply over earlier ones. Hours count from the sky's start. It is a description, not an observation.
"""

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Final, Literal, Self, TypeAlias

import numpy as np
from numpy.typing import ArrayLike
from pydantic import Field, model_validator

from alertd.sources.files.toml import FieldError, FileModel, read_toml
from alertd.testing.fake_open_meteo import FaultKind
from alertd.testing.weather.derived_weather import (
    Array,
    dew_point_c,
    ramp,
    shortwave_wm2,
    solar_hour,
    surface_pressure_hpa,
    weather_code,
)
from alertd.units import HOUR_S

Percent: TypeAlias = Annotated[float, Field(ge=0, le=100)]
Rate: TypeAlias = Annotated[float, Field(ge=0, le=60)]
Speed: TypeAlias = Annotated[float, Field(ge=0, le=80)]
Celsius: TypeAlias = Annotated[float, Field(ge=-60, le=50)]
Interval: TypeAlias = tuple[float, float]

GUST_FACTOR: Final = 1.7  # gusts over mean wind where the sky gives none
HOURS: Final = 24.0 * 365.0


class SkyChange(FileModel):
    """Values that replace those of the air within hours, heights and a box; `warmer_k` is added."""

    from_h: float = -HOURS
    to_h: float = HOURS
    above_m: float = -1000.0
    below_m: float = 10000.0
    lat_deg: Interval = Field(default=(-90.0, 90.0), strict=False)
    lon_deg: Interval = Field(default=(-180.0, 180.0), strict=False)
    warmer_k: float = 0.0
    precipitation_mmh: Rate | None = None
    humidity_percent: Percent | None = None
    cloud_percent: Percent | None = None
    wind_mps: Speed | None = None
    gusts_mps: Speed | None = None
    visibility_m: float | None = None
    weather_code: int | None = None

    @model_validator(mode="after")
    def _ascending(self) -> Self:
        pairs = {"to_h": (self.from_h, self.to_h), "below_m": (self.above_m, self.below_m)}
        pairs |= {"lat_deg": self.lat_deg, "lon_deg": self.lon_deg}
        for name, (low, high) in pairs.items():
            if not low < high:
                raise FieldError(name, f"the interval from {low:g} to {high:g} is empty", "give the lower value first")
        return self


class SkyFault(FileModel):
    """Hours in which the forecast server fails, and how: a name of `fake_open_meteo.FaultKind` in lower case."""

    from_h: float
    to_h: float
    kind: Literal["down", "garbled", "html", "truncated", "overloaded", "nulls", "stale"]

    @property
    def api_kind(self) -> FaultKind:
        """The fault of the fake server."""
        return FaultKind[self.kind.upper()]


class SkyPosted(FileModel):
    """A control that is posted at an hour, between two places; `for_h` None for an unknown end."""

    at_h: float
    for_h: float | None = None
    jurisdiction: str
    level: str
    start: Interval = Field(alias="from", strict=False)
    end: Interval = Field(alias="to", strict=False)


class SkyReport(FileModel):
    """A driver's report at an hour, such as "chains_on"."""

    at_h: float
    trip: str
    what: str


class SkyFile(FileModel):
    """A sky. `temperature_c` is that at the height `at_m`; `daily_range_k` is from night to afternoon.

    weather_code: WMO code of falling precipitation, such as 66 for freezing rain; by temperature if not given.
    """

    title: str
    temperature_c: Celsius
    at_m: Annotated[float, Field(ge=-500, le=9000)] = 0.0
    lapse_k_km: Annotated[float, Field(ge=-10, le=10)] = 6.5
    daily_range_k: Annotated[float, Field(ge=0, le=30)] = 2.0
    humidity_percent: Percent = 70.0
    cloud_percent: Percent = 50.0
    wind_mps: Speed = 2.0
    gusts_mps: Speed | None = None
    precipitation_mmh: Rate = 0.0
    visibility_m: float = 20000.0
    weather_code: int | None = None
    change: tuple[SkyChange, ...] = Field(default=(), strict=False)
    fault: tuple[SkyFault, ...] = Field(default=(), strict=False)
    posted: tuple[SkyPosted, ...] = Field(default=(), strict=False)
    report: tuple[SkyReport, ...] = Field(default=(), strict=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sky:
    """A sky that starts at an instant, or a member of it: later by hours, warmer by kelvins, wetter by a factor."""

    described: SkyFile
    start_epoch_s: float
    late_h: float = 0.0
    warmer_k: float = 0.0
    wetter: float = 1.0

    @property
    def starts_at(self) -> datetime:
        """The sky's start, aware, UTC."""
        return datetime.fromtimestamp(self.start_epoch_s, UTC)

    def member(self, number: int) -> Self:
        """Return ensemble member `number`; 0 is the sky itself. Deterministic for a number."""
        if number == 0:
            return self
        draw = np.random.default_rng(number).standard_normal(3)
        return type(self)(
            described=self.described,
            start_epoch_s=self.start_epoch_s,
            late_h=1.5 * draw[0],
            warmer_k=0.8 * draw[1],
            wetter=float(np.exp(0.35 * draw[2])),
        )

    def weather(
        self, lat_deg: ArrayLike, lon_deg: ArrayLike, elevation_m: ArrayLike, epoch_s: ArrayLike
    ) -> dict[str, Array]:
        """Return the weather at places and times, named and shaped as by `storm.Storm.weather`; adds visibility [m]."""
        lat, lon, height_m, epoch = np.broadcast_arrays(
            *(np.asarray(a, dtype=float) for a in (lat_deg, lon_deg, elevation_m, epoch_s))
        )
        base, nan = self.described, 0.0 * (lat + lon + height_m + epoch)
        hour = (epoch - self.start_epoch_s) / HOUR_S - self.late_h
        values = {
            "humidity_percent": base.humidity_percent + nan,
            "cloud_percent": base.cloud_percent + nan,
            "wind_mps": base.wind_mps + nan,
            "gusts_mps": (np.nan if base.gusts_mps is None else base.gusts_mps) + nan,
            "precipitation_mmh": base.precipitation_mmh + nan,
            "visibility_m": base.visibility_m + nan,
            "weather_code": (np.nan if base.weather_code is None else base.weather_code) + nan,
        }
        daily = 0.5 * base.daily_range_k * np.cos(np.pi * (solar_hour(lon, epoch) - 14.0) / 12.0)
        at_height_c = base.temperature_c + daily + self.warmer_k
        for change in base.change:
            here = (hour >= change.from_h) & (hour < change.to_h)
            here &= (height_m >= change.above_m) & (height_m < change.below_m)
            here &= (lat >= change.lat_deg[0]) & (lat < change.lat_deg[1])
            here &= (lon >= change.lon_deg[0]) & (lon < change.lon_deg[1])
            at_height_c = at_height_c + change.warmer_k * here
            for name in values:
                if (value := getattr(change, name)) is not None:
                    values[name] = np.where(here, value, values[name])
        temp_c = at_height_c - base.lapse_k_km * (height_m - base.at_m) / 1000.0
        rate = self.wetter * values["precipitation_mmh"]
        rh, cloud, wind = values["humidity_percent"], values["cloud_percent"], values["wind_mps"]
        snow_frac = ramp(-temp_c, -1.6, -0.4)
        given, msl = values["weather_code"], 1013.0 + nan
        frozen_rain = (given == 66) | (given == 67) | (given == 56) | (given == 57)
        snow_frac = np.where(frozen_rain, 0.0, snow_frac)
        # A code of falling precipitation applies where some falls, a code of fog (45, 48) where none does.
        given = np.where(frozen_rain & (temp_c >= 0.5), np.nan, given)  # freezing rain needs frost at the ground
        coded = np.where(given >= 50, rate > 0.0, rate <= 0.0) & np.isfinite(given)
        lapse_k_m = max(base.lapse_k_km, 1.0) / 1000.0
        return {
            "temperature_2m": temp_c,
            "relative_humidity_2m": rh,
            "dew_point_2m": dew_point_c(temp_c, np.maximum(rh, 1.0)),
            "precipitation": rate,
            "rain": rate * (1.0 - snow_frac),
            "snowfall_water_equivalent": rate * snow_frac,
            "precipitation_probability": 3.0 + 94.0 * (1.0 - np.exp(-rate / 0.25)),
            "pressure_msl": msl,
            "surface_pressure": surface_pressure_hpa(msl, temp_c, height_m),
            "wind_speed_10m": wind,
            "wind_gusts_10m": np.where(np.isnan(values["gusts_mps"]), GUST_FACTOR * wind, values["gusts_mps"]) + nan,
            "wind_direction_10m": 240.0 + nan,
            "cloud_cover": cloud,
            "shortwave_radiation": shortwave_wm2(lat, lon, epoch, cloud / 100.0),
            "freezing_level_height": np.maximum(base.at_m + at_height_c / lapse_k_m, 0.0) + nan,
            "visibility": values["visibility_m"],
            "weather_code": np.where(coded, given, weather_code(rate, snow_frac, cloud)),
        }


def read_sky(path: Path, start_epoch_s: float, at_m: float | None = None) -> Sky:
    """Read a sky that starts at an instant. `at_m` replaces the height of its temperature. Raises ConfigError."""
    described = read_toml(path, SkyFile)
    if at_m is not None:
        described = described.model_copy(update={"at_m": at_m})
    return Sky(described=described, start_epoch_s=start_epoch_s)
