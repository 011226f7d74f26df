"""Moves the hours of stations near a road to the forecast's cells: blended, with a spread, and no witness too far away.

A station represents its own place. Its weight falls with distance and height difference, and its temperature error
grows with both. An overcast dry hour in the valley does not prove a dry pass: a chance of light precipitation is left.
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from alertd.forecast.model import PrecipForm
from alertd.forecast.observations import distances_m
from alertd.forecast.past import PastBasis, PastWeather, no_past
from alertd.forecast.station_hours import StationHours
from alertd.road import humidity, radiation
from alertd.road.humidity import Array
from alertd.units import HOUR_S

# [A] all numbers here without a source.
REACH_M: Final = 60_000.0  # a station further away is no witness of the road's weather
HALF_WEIGHT_M: Final = 20_000.0  # distance and height difference at which a station weighs half as much
HALF_WEIGHT_HEIGHT_M: Final = 300.0
REPORT_SD_K: Final = 0.5  # of a report, rounded to whole degrees in most countries
HEIGHT_SD_K_PER_KM: Final = 1.5  # as in `downscale.AirParams`, Minder et al. 2010
DISTANCE_SD_K_PER_KM: Final = 0.02  # 1 K in 50 km
# [A] Share of overcast dry hours at a station in which light precipitation falls out of its reach, and its rate.
UNSEEN_PROB: Final = 0.2
UNSEEN_MMWE_H: Final = 0.2
UNSEEN_FROM_CLOUD_FRAC: Final = 0.5  # below it no precipitation is expected near; at overcast all of the chance
UNSEEN_OVER_H: Final = 24  # a chance counts in full where the sky is overcast for so long; a short cloud brings little
UNSEEN_DISTANCE_M: Final = 40_000.0
UNSEEN_RISE_M: Final = 600.0
# Liston & Elder 2006, J. Hydrometeor. 7:217, eq. 33: factor of precipitation with height in winter, 1/km.
RISE_FACTOR_PER_KM: Final = 0.35
MOST_RISE_FACTOR: Final = 3.0
FORM_WITHIN_M: Final = 300.0  # height difference within which freezing rain or pellets are the same at the road


class CellPlaces(NamedTuple):
    """Cells of a forecast, (cell,) each, and the heights that their temperatures are for."""

    lat_deg: Array
    lon_deg: Array
    elevation_m: Array


def station_weights(places: CellPlaces, lat_deg: Array, lon_deg: Array, elevation_m: Array) -> Array:
    """(cell, station): weight of each station at each cell, 1 at its own place, 0 out of reach or at unknown height."""
    far_m = distances_m(places.lat_deg, places.lon_deg, lat_deg, lon_deg)
    apart_m = elevation_m[None, :] - places.elevation_m[:, None]
    weight = 1.0 / (1.0 + (far_m / HALF_WEIGHT_M) ** 2 + (apart_m / HALF_WEIGHT_HEIGHT_M) ** 2)
    return np.where((far_m <= REACH_M) & np.isfinite(apart_m), weight**2, 0.0)


def past_from_stations(
    stations: Sequence[StationHours], places: CellPlaces, start: datetime, hours: int
) -> PastWeather:
    """The past at the cells by stations alone; hours without a witness are not known."""
    blank = no_past(start, places.lat_deg.size, hours)
    if not stations:
        return blank
    lat, lon, height = _places_of(stations)
    weight = station_weights(places, lat, lon, height)[:, :, None]
    far_m = distances_m(places.lat_deg, places.lon_deg, lat, lon)[:, :, None]
    moved = _moved(stations, places, start)
    known = np.isfinite(moved.air_temp_c + moved.rh_frac + moved.wind_mps + moved.precip_mmwe_h) & (weight > 0.0)
    share = np.where(known, weight, 0.0)
    total = share.sum(axis=1)
    some = total > 0.0
    share = share / np.where(some, total, 1.0)[:, None, :]
    best = np.argmax(share, axis=1)

    def blended(values: Array) -> Array:
        mean = np.where(share > 0.0, share * values, 0.0).sum(axis=1)
        return np.where(some, mean, np.nan)

    def of_best(values: NDArray[np.generic]) -> NDArray[np.generic]:
        whole = np.broadcast_to(values, share.shape)
        return np.take_along_axis(whole, best[:, None, :], axis=1)[:, 0, :]

    temp = blended(moved.air_temp_c)
    apart_km = np.abs(places.elevation_m[:, None] - height)[:, :, None] / 1000.0
    own_var = REPORT_SD_K**2 + (HEIGHT_SD_K_PER_KM * apart_km) ** 2 + (DISTANCE_SD_K_PER_KM * far_m / 1000.0) ** 2
    scatter = blended((moved.air_temp_c - temp[:, None, :]) ** 2)
    precip = np.maximum(blended(moved.precip_mmwe_h), np.where(some, of_best(moved.precip_mmwe_h), np.nan))
    chance = blended(_unseen_prob(moved, far_m, places, height))
    dry = (precip <= 0.0) & (chance > 0.0)
    cloud_weight = np.where(np.isfinite(moved.cloud_frac), share, 0.0)
    cloud_total = cloud_weight.sum(axis=1)
    cloud = np.where(share > 0.0, np.nan_to_num(moved.cloud_frac) * cloud_weight, 0.0).sum(axis=1)
    near_height = np.abs(places.elevation_m[:, None] - height)[:, :, None] <= FORM_WITHIN_M
    form = np.where(near_height, moved.precip_form, PrecipForm.UNSPECIFIED)
    return replace(
        blank,
        air_temp_c=temp,
        air_temp_sd_c=np.sqrt(blended(own_var) + scatter),
        rh_frac=blended(moved.rh_frac),
        wind_mps=blended(moved.wind_mps),
        cloud_frac=np.where(cloud_total > 0.0, cloud / np.where(cloud_total > 0.0, cloud_total, 1.0), np.nan),
        precip_mmwe_h=np.where(dry, chance * UNSEEN_MMWE_H, precip),
        precip_prob_frac=np.where(dry, chance, np.nan),
        precip_form=np.where(some, of_best(form), PrecipForm.UNSPECIFIED).astype(np.int8),
        basis=np.where(some, PastBasis.STATIONS, PastBasis.NOTHING).astype(np.int8),
        station_idx=np.where(some, best, -1),
        stations=tuple(s.station for s in stations),
    )


def _places_of(stations: Sequence[StationHours]) -> tuple[Array, Array, Array]:
    """Latitude, longitude and height of stations, (station,) each."""
    lat, lon, height = (
        np.asarray([getattr(s.station, name) for s in stations], dtype=np.float64)
        for name in ("lat_deg", "lon_deg", "elevation_m")
    )
    return lat, lon, height


class _Moved(NamedTuple):
    """The stations' weather at the height of each cell, (cell, station, hour); cloud and wind as at the station."""

    air_temp_c: Array
    rh_frac: Array
    wind_mps: Array
    cloud_frac: Array
    precip_mmwe_h: Array
    precip_form: NDArray[np.int8]


def _moved(stations: Sequence[StationHours], places: CellPlaces, start: datetime) -> _Moved:
    """Temperature by the regime's lapse rate, humidity and precipitation by the height, as `road.downscale` does."""

    def column(name: str) -> Array:
        return np.stack([getattr(s, name) for s in stations])[None, :, :]

    temp, rh, wind, cloud, precip = (
        column(n) for n in ("air_temp_c", "rh_frac", "wind_mps", "cloud_frac", "precip_mmwe_h")
    )
    hours = temp.shape[2]
    lat, lon, height = _places_of(stations)
    from_m, to_m = height[None, :, None], places.elevation_m[:, None, None]
    month = np.asarray([(start + timedelta(hours=h)).month for h in range(hours)])
    season = np.where(lat[:, None] < 0.0, (month + 5) % 12 + 1, month)[None, :, :]
    middle_s = start.timestamp() + HOUR_S * np.arange(0.5, hours, 1.0, dtype=np.float64)
    pressure = np.broadcast_to(humidity.isa_pressure_hpa(from_m), temp.shape)
    lapse = humidity.regime_lapse_k_per_m(temp, pressure, rh, cloud, np.nan_to_num(precip), season)
    at_cell = humidity.temperature_at_height_c(
        temp, from_m, to_m, lapse_k_per_m=lapse, cloud_frac=cloud, wind_mps=wind,
        sun_is_up=_sun_is_up(lat, lon, middle_s)[None],
    )  # fmt: skip
    to_pressure = humidity.isa_pressure_hpa(to_m)
    rh_there = humidity.humidity_at_height_frac(rh, temp, at_cell, pressure, to_pressure, np.nan_to_num(precip))
    rise = RISE_FACTOR_PER_KM * (to_m - from_m) / 1000.0
    factor = np.clip((1.0 + rise) / np.maximum(1.0 - rise, 0.1), 1.0 / MOST_RISE_FACTOR, MOST_RISE_FACTOR)
    whole = at_cell.shape
    return _Moved(
        at_cell,
        np.clip(rh_there, 0.01, 1.0),
        np.broadcast_to(wind, whole),
        np.broadcast_to(cloud, whole),
        precip * factor,
        np.broadcast_to(np.stack([s.precip_form for s in stations])[None], whole),
    )


def _sun_is_up(lat_deg: Array, lon_deg: Array, epoch_s: Array) -> NDArray[np.bool_]:
    """(station, hour)."""
    zenith_deg, _ = radiation.solar_position(lat_deg[:, None], lon_deg[:, None], epoch_s)
    return np.asarray(zenith_deg < 90.0)


def _unseen_prob(moved: _Moved, far_m: Array, places: CellPlaces, height_m: Array) -> Array:
    """(cell, station, hour): chance of light precipitation at the cell while the station reports none."""
    rise_m = np.maximum(places.elevation_m[:, None] - height_m, 0.0)[:, :, None]
    away = -np.expm1(-((far_m / UNSEEN_DISTANCE_M) ** 2) - (rise_m / UNSEEN_RISE_M) ** 2)
    overcast = np.clip(
        (np.nan_to_num(moved.cloud_frac, nan=1.0) - UNSEEN_FROM_CLOUD_FRAC) / (1.0 - UNSEEN_FROM_CLOUD_FRAC), 0.0, 1.0
    )
    return np.asarray(UNSEEN_PROB * _running_mean(overcast, UNSEEN_OVER_H) * overcast * away)


def _running_mean(values: Array, length: int) -> Array:
    """Mean over the window of `length` hours around each hour, less at the ends."""
    hours = values.shape[-1]
    total = np.concatenate((np.zeros((*values.shape[:-1], 1)), np.cumsum(values, axis=-1)), axis=-1)
    first = np.maximum(np.arange(hours) - length // 2, 0)
    last = np.minimum(np.arange(hours) + length // 2, hours)
    return np.asarray((total[..., last] - total[..., first]) / (last - first))
