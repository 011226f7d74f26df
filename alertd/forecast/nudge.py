"""Moves the air temperature of a forecast's next hours toward what stations near the road measure now.

Each cell is moved by the weighted mean of how far stations' air lies from the forecast at their own place and height.
Stations lose weight with distance and difference of height; one more weight of 1 stands for "the forecast is right",
so that few and far stations move little (the weighting of optimal interpolation with a background, cut short). The move
fades to nothing with time. All members move alike: the mean is corrected, the spread is not.

Cooling and warming are not treated alike. A move too cold costs a needless caution, one too warm a chain demand that
nobody sees coming; and stations stand on airfields in valleys, which says more of cold pools than of a warm pass. So
warming is halved, small at most, and never lifts the mean of an hour across 0 °C, where water stops freezing, or across
2 °C, below which snow is as likely as rain. All sizes are assumptions [A].
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final

import numpy as np

from alertd.forecast.ensemble import LEVEL_M_PER_K
from alertd.forecast.model import WEATHER_FIELDS, Array, Forecast
from alertd.forecast.observations import StationReport, distances_m, latest_reports
from alertd.forecast.pool import at_heights
from alertd.forecast.sampling import CLIMB_M, SPACING_M

NO_WARMING_ACROSS_C: Final = (0.0, 2.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class NudgeParams:
    """[A] throughout. distance_m, height_m: at which a station's weight has fallen to 1/e. reach_m: beyond, none has
    any. fade_h: hours from the observation, before or after it, at which nothing of the move is left. cool_most_k,
    warm_most_k: the most by which a cell is moved. warm_share: how much of a warming is believed."""

    distance_m: float = 20_000.0
    height_m: float = 300.0
    reach_m: float = 40_000.0
    fade_h: float = 6.0
    cool_most_k: float = 3.0
    warm_most_k: float = 1.0
    warm_share: float = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NudgeResult:
    """The forecast, and how it was moved: how many stations had a say, coldest and warmest move [K] of any hour."""

    forecast: Forecast
    stations_n: int
    coldest_k: float = 0.0
    warmest_k: float = 0.0


def nudge(
    forecast: Forecast, reports: Sequence[StationReport], now_utc: datetime, params: NudgeParams | None = None
) -> NudgeResult:
    """The forecast moved toward the newest report of each station. Without a usable one it is returned as it is."""
    params = params or NudgeParams()
    usable = [r for r in latest_reports(reports, now_utc) if np.isfinite(r.station.elevation_m)]
    if not usable:
        return NudgeResult(forecast=forecast, stations_n=0)
    weight = _weights(forecast, usable, params)
    off_k = np.array([_bias_k(forecast, r) for r in usable])
    weight[:, np.isnan(off_k)] = 0.0
    heard = [r for r, column in zip(usable, weight.T, strict=True) if column.any()]
    if not heard:
        return NudgeResult(forecast=forecast, stations_n=0)
    move_k = weight @ np.nan_to_num(off_k) / (weight.sum(axis=1) + 1.0)
    at = max(r.observed_at for r in heard)
    move_k = _limited(move_k, params)[:, None] * _fade(forecast, at, params)
    move_k = _kept_in_winter(move_k, _mean_c(forecast))
    moved = replace(
        forecast,
        air_temp_c=forecast.air_temp_c + move_k,
        freezing_level_m=forecast.freezing_level_m + move_k * LEVEL_M_PER_K,
        snow_level_m=forecast.snow_level_m + move_k * LEVEL_M_PER_K,
    )
    return NudgeResult(
        forecast=moved,
        stations_n=len(heard),
        coldest_k=float(min(move_k.min(), 0.0)),
        warmest_k=float(max(move_k.max(), 0.0)),
    )


def _weights(forecast: Forecast, reports: Sequence[StationReport], params: NudgeParams) -> Array:
    """(cell, station), 1 at the station's own place and height. A cell of unknown height counts as of the same."""
    lat_deg, lon_deg, height_m = _places(reports)
    far_m = distances_m(forecast.lat_deg, forecast.lon_deg, lat_deg, lon_deg)
    up_m = np.nan_to_num(np.abs(forecast.elevation_m[:, None] - height_m))
    return np.where(far_m <= params.reach_m, np.exp(-far_m / params.distance_m - up_m / params.height_m), 0.0)


def _bias_k(forecast: Forecast, report: StationReport) -> float:
    """How much warmer the station is than the forecast's mean at its place, height and time; NaN when that is unknown.

    The cell nearest in place and height speaks for the station's place; between the middles of hours it is linear.
    """
    lat_deg, lon_deg, height_m = _places([report])
    far = distances_m(forecast.lat_deg, forecast.lon_deg, lat_deg, lon_deg)[:, 0] / SPACING_M
    up = np.nan_to_num(forecast.elevation_m - height_m) / CLIMB_M
    cell = int(np.argmin(far**2 + up**2))
    there = at_heights(_one_cell(forecast, cell), height_m)
    hour = (report.observed_at - forecast.start) / timedelta(hours=1) - 0.5
    told_c = _mean_c(there)[0]
    known = np.flatnonzero(np.isfinite(told_c))
    if int(np.floor(hour + 0.5)) not in known:
        return float("nan")
    return report.air_temp_c - float(np.interp(hour, known, told_c[known]))


def _mean_c(forecast: Forecast) -> Array:
    """(cell, hour): mean over the members that know; a source that covers fewer hours does not hide the others."""
    known = np.isfinite(forecast.air_temp_c)
    total: Array = np.where(known, forecast.air_temp_c, 0.0).sum(axis=0)
    return np.where(known.any(axis=0), total / np.maximum(known.sum(axis=0), 1), np.nan)


def _places(reports: Sequence[StationReport]) -> tuple[Array, Array, Array]:
    stations = [r.station for r in reports]
    lat_deg, lon_deg, height_m = np.array([(s.lat_deg, s.lon_deg, s.elevation_m) for s in stations]).T
    return lat_deg, lon_deg, height_m


def _one_cell(forecast: Forecast, cell: int) -> Forecast:
    one = slice(cell, cell + 1)
    fields = {name: getattr(forecast, name)[:, one] for name in WEATHER_FIELDS}
    places = {name: getattr(forecast, name)[one] for name in ("lat_deg", "lon_deg", "elevation_m")}
    return replace(forecast, gaps=(), **places, **fields)


def _fade(forecast: Forecast, at: datetime, params: NudgeParams) -> Array:
    """(hour,): what is left of a move seen at one moment, 1 there and falling evenly to 0 on both sides."""
    first_h = (forecast.start - at) / timedelta(hours=1) + 0.5
    since_h = first_h + np.arange(forecast.hours, dtype=np.float64)
    return np.maximum(1.0 - np.abs(since_h) / params.fade_h, 0.0)


def _limited(move_k: Array, params: NudgeParams) -> Array:
    """The part of a move that is taken: warming in part, both within limits."""
    warmer = np.minimum(move_k * params.warm_share, params.warm_most_k)
    return np.where(move_k > 0.0, warmer, np.maximum(move_k, -params.cool_most_k))


def _kept_in_winter(move_k: Array, mean_c: Array) -> Array:
    """(cell, hour) moves that lift no mean across NOT_WARMED_ACROSS_C; an unknown temperature takes none."""
    for edge_c in NO_WARMING_ACROSS_C:
        move_k = np.where(mean_c <= edge_c, np.minimum(move_k, edge_c - mean_c), move_k)
    return np.where(np.isnan(mean_c), 0.0, move_k)
