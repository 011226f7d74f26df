"""Fills the hours before now that no source has with what is known of them: observed, or from earlier forecasts."""

from dataclasses import dataclass, fields, replace
from datetime import datetime, timedelta
from enum import IntEnum
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from alertd.forecast.ensemble import Spreads, amounts, normal_scores
from alertd.forecast.model import REQUIRED_FIELDS, WEATHER_FIELDS, Array, Forecast
from alertd.forecast.observations import Station, StationReport
from alertd.forecast.road_observations import RoadReport
from alertd.units import HOUR_S

FILLED_FIELDS: Final = (
    "air_temp_c",
    "rh_frac",
    "wind_mps",
    "cloud_frac",
    "precip_mmwe_h",
    "precip_prob_frac",
    "precip_form",
)


class PastBasis(IntEnum):
    """What the weather of a past hour rests on."""

    NOTHING = 0
    SOURCE = 1  # the forecast source gives it itself
    STATIONS = 2
    EARLIER_FORECAST = 3  # one that alertd kept


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PastWeather:
    """The weather of past hours at the cells of a forecast. Arrays (cell, hour), NaN where not known.

    start: of the first hour. air_temp_c is for the height that the cell has in the forecast; air_temp_sd_c is its
    standard deviation. precip_prob_frac: NaN where the amount was measured or reported. basis: [PastBasis].
    station_idx: the station with the most weight, -1 where there is none.
    issued_epoch_s: of the earlier forecast, NaN where there is none. stations: those that station_idx counts.
    """

    start: datetime
    air_temp_c: Array
    air_temp_sd_c: Array
    rh_frac: Array
    wind_mps: Array
    cloud_frac: Array
    precip_mmwe_h: Array
    precip_prob_frac: Array
    precip_form: NDArray[np.int8]
    basis: NDArray[np.int8]
    station_idx: NDArray[np.int64]
    issued_epoch_s: Array
    stations: tuple[Station, ...] = ()

    def __post_init__(self) -> None:
        shape = self.air_temp_c.shape
        for f in fields(self):
            value = getattr(self, f.name)
            if isinstance(value, np.ndarray) and value.shape != shape:
                raise ValueError(f"{f.name} has shape {value.shape}, air_temp_c has {shape}")

    @property
    def known(self) -> NDArray[np.bool_]:
        """(cell, hour): True where all fields that the road needs are known."""
        return np.asarray(np.isfinite(sum(getattr(self, name) for name in REQUIRED_FIELDS)))


def no_past(start: datetime, cells: int, hours: int) -> PastWeather:
    """A past of which nothing is known."""
    shape = (cells, hours)
    names = ("air_temp_sd_c", "issued_epoch_s", *(n for n in FILLED_FIELDS if n != "precip_form"))
    unknown: dict[str, Any] = {name: np.full(shape, np.nan) for name in names}
    return PastWeather(
        start=start,
        precip_form=np.zeros(shape, dtype=np.int8),
        basis=np.full(shape, PastBasis.NOTHING, dtype=np.int8),
        station_idx=np.full(shape, -1, dtype=np.int64),
        **unknown,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KeptForecast:
    """The last forecast of each hour by one source. values: (field of FILLED_FIELDS, cell, hour), NaN where not known.

    issued_epoch_s: (cell, hour), NaN where there is no forecast.
    """

    provider: str
    start: datetime
    elevation_m: Array
    values: Array
    issued_epoch_s: Array

    def between(self, start: datetime, hours: int) -> "KeptForecast":
        """The same on other hours; those outside its own are not known."""
        offset = round((self.start - start) / timedelta(hours=1))
        values = np.full((*self.values.shape[:2], hours), np.nan)
        issued = np.full((self.values.shape[1], hours), np.nan)
        first, last = max(offset, 0), min(offset + self.values.shape[2], hours)
        if first < last:
            values[..., first:last] = self.values[..., first - offset : last - offset]
            issued[:, first:last] = self.issued_epoch_s[:, first - offset : last - offset]
        return KeptForecast(
            provider=self.provider, start=start, elevation_m=self.elevation_m, values=values, issued_epoch_s=issued
        )


def as_kept(forecast: Forecast) -> KeptForecast:
    """The hours of a forecast of one member."""
    values = np.stack([getattr(forecast, name)[0].astype(np.float64) for name in FILLED_FIELDS])
    issued_s = (forecast.issued_at or forecast.fetched_at).timestamp()
    known = np.isfinite(values[FILLED_FIELDS.index("air_temp_c")] + values[FILLED_FIELDS.index("precip_mmwe_h")])
    return KeptForecast(
        provider=forecast.provider,
        start=forecast.start,
        elevation_m=forecast.elevation_m.copy(),
        values=np.where(known, values, np.nan),
        issued_epoch_s=np.where(known, issued_s, np.nan),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PastEvidence:
    """What is known of past hours: reports of stations, kept forecasts, and problems as text.

    surfaces: of road weather stations beside the route, of the last hours. surface_problems: with their services.
    """

    reports: tuple[StationReport, ...] = ()
    kept: tuple[KeptForecast, ...] = ()
    problems: tuple[str, ...] = ()
    surfaces: tuple[RoadReport, ...] = ()
    surface_problems: tuple[str, ...] = ()


def missing_hours(forecast: Forecast, now_utc: datetime) -> NDArray[np.bool_]:
    """(cell, hour): True for hours that began by `now_utc` and that not every member knows, in cells inside the area.

    False in a cell without any known hour: its forecast is missing, which is not a question of the past.
    """
    known = np.isfinite(sum(getattr(forecast, name) for name in REQUIRED_FIELDS))
    begun = forecast.start.timestamp() + HOUR_S * np.arange(forecast.hours) <= now_utc.timestamp()
    return np.asarray(~known.all(axis=0) & begun & known.any(axis=(0, 2))[:, None])


def fill_past(
    forecast: Forecast, past: PastWeather, *, spreads: Spreads, rng: np.random.Generator, now_utc: datetime
) -> Forecast:
    """The forecast with its missing past hours filled in every member that lacks them.

    Each member has one temperature error, one precipitation quantile and one cloud error over the whole past, as in
    `ensemble.to_ensemble`. Fields that `past` does not have stay unknown. Raises ValueError for another start or cells.
    """
    if past.start != forecast.start or past.air_temp_c.shape[0] != forecast.lat_deg.size:
        raise ValueError("the past is for other hours or places than the forecast")
    hours = min(past.air_temp_c.shape[1], forecast.hours)
    fill = missing_hours(forecast, now_utc)[:, :hours] & past.known[:, :hours]
    if not fill.any():
        return forecast
    members = forecast.air_temp_c.shape[0]
    warm, cloudy = (rng.permutation(normal_scores(members))[:, None, None] for _ in range(2))
    wet_rank = rng.permutation(members)
    values: dict[str, Array] = {name: getattr(past, name)[None, :, :hours] for name in FILLED_FIELDS}
    values["air_temp_c"] = values["air_temp_c"] + warm * past.air_temp_sd_c[:, :hours]
    values["cloud_frac"] = np.clip(values["cloud_frac"] + cloudy * spreads.cloud_frac, 0.0, 1.0)
    dry_first = amounts(
        past.precip_mmwe_h[:, :hours], past.precip_prob_frac[:, :hours], members=members, log_sd=spreads.past_precip_log
    )
    values["precip_mmwe_h"] = dry_first[wet_rank]
    arrays: dict[str, Any] = {name: getattr(forecast, name).copy() for name in WEATHER_FIELDS}
    lacking = ~np.isfinite(sum(getattr(forecast, name) for name in REQUIRED_FIELDS)[..., :hours]) & fill
    for name, array in arrays.items():
        new = values.get(name, np.full((1, 1, 1), np.nan))
        array[..., :hours] = np.where(lacking, new, array[..., :hours])
    return replace(forecast, **arrays)
