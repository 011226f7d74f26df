"""Learns the forecast's own temperature error at a road from the last two days, and takes a part of it off.

Each past hour has the source's last forecast of it and what stations near the road measured, moved to the cell. Their
mean difference is an error of the place, such as a height or a slope that the model does not have. It is shrunk by the
number of hours and by how well the stations stand for the cell. Where no forecast of past hours is kept, the difference
at the present hour counts as one value.
"""

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from alertd.forecast.model import Forecast
from alertd.forecast.observations import StationReport
from alertd.forecast.past import FILLED_FIELDS, KeptForecast, PastEvidence
from alertd.forecast.provider import ForecastRequest
from alertd.forecast.station_hours import station_hours
from alertd.road.humidity import Array
from alertd.road.past_stations import past_from_stations
from alertd.road.past_weather import cell_places
from alertd.units import HOUR_S

# Hours of one weather err together: so many count as one value [A].
HOURS_ALIKE: Final = 12.0
# A mean of n values counts n / (n + this). On 18,439 forecasts of 2004, corrected by the two days before and never over
# 0 °C, the Brier score of P(T < 0) falls from 0.121 to 0.102 with 2, and to 0.104 with 5. Of 1,343 missed frosts 789
# are left with 2, and 973 with 5. Both halves of the stations agree (test_local_error).
SHRINK_VALUES: Final = 2.0
LEAST_H: Final = 6
PRESENT_WITHIN_H: Final = 2  # [A] an older report says nothing of the present hour
STATION_SD_K: Final = 2.0  # [A] a station whose own error at the cell is this large counts half
MOST_K: Final = 4.0  # [A]
_AIR: Final = FILLED_FIELDS.index("air_temp_c")


def shrunk(mean_error_k: Array, values_n: Array) -> Array:
    """The part of a mean error that is taken for lasting; 0 without any value."""
    return np.nan_to_num(mean_error_k) * values_n / (values_n + SHRINK_VALUES)


def never_over_freezing(temp_c: Array, change_k: Array) -> Array:
    """The change, except where it would lift air at or below 0 °C above it: then up to 0 °C."""
    lifts = (temp_c <= 0.0) & (temp_c + change_k > 0.0)
    return np.where(lifts, np.minimum(change_k, np.maximum(-temp_c, 0.0)), change_k)


def learned_error_k(
    kept: KeptForecast | None, evidence: PastEvidence, forecast: Forecast, request: ForecastRequest
) -> Array:
    """(cell,) K by which the air was warmer than this source forecast it, shrunk; 0 where nothing is known.

    kept: the source's forecasts of the past hours; None where none is kept.
    """
    cells = forecast.lat_deg.size
    hours = int(max((request.now_utc - forecast.start).total_seconds() // HOUR_S, 0))
    if hours < LEAST_H or not evidence.reports:
        return np.zeros(cells)
    by_station: dict[str, list[StationReport]] = {}
    for report in evidence.reports:
        by_station.setdefault(report.station.id, []).append(report)
    stations = [station_hours(reports, forecast.start, hours) for reports in by_station.values()]
    seen = past_from_stations(stations, cell_places(forecast, request), forecast.start, hours)
    weight = 1.0 / (1.0 + (seen.air_temp_sd_c / STATION_SD_K) ** 2)
    present = _present_error_k(seen.air_temp_c, forecast, hours) * weight
    found = _latest(present[:, -PRESENT_WITHIN_H:])
    by_present = shrunk(found, np.isfinite(found).astype(np.float64))
    if kept is None or kept.elevation_m.size != cells:
        return np.clip(by_present, -MOST_K, MOST_K)
    before = kept.between(forecast.start, hours)
    begins_s = forecast.start.timestamp() + HOUR_S * np.arange(hours)
    ahead = np.nan_to_num(before.issued_epoch_s, nan=np.inf) <= begins_s
    error = np.where(ahead, (seen.air_temp_c - before.values[_AIR]) * weight, np.nan)
    count = np.isfinite(error).sum(axis=1)
    mean = np.nansum(error, axis=1) / np.maximum(count, 1)
    learned = shrunk(mean, np.maximum(count / HOURS_ALIKE, 1.0))
    return np.clip(np.where(count >= LEAST_H, learned, by_present), -MOST_K, MOST_K)


def _present_error_k(seen_c: Array, forecast: Forecast, hours: int) -> Array:
    """(cell, hour) stations minus the forecast in the past hours: its first two hours from now on, drawn back."""
    own_c = forecast.air_temp_c.mean(axis=0)
    if forecast.hours < hours + 2:
        return np.full(seen_c.shape, np.nan)
    back_h = hours - np.arange(hours)
    first_c, growth_c = own_c[:, hours, None], own_c[:, hours + 1, None] - own_c[:, hours, None]
    return np.asarray(seen_c - (first_c - growth_c * back_h))


def _latest(values: Array) -> Array:
    """(cell,) the last known value of each row, NaN where none is known."""
    out = np.full(values.shape[0], np.nan)
    for column in values.T:
        out = np.where(np.isfinite(column), column, out)
    return out


def with_local_error(
    forecasts: Sequence[Forecast], evidence: PastEvidence, request: ForecastRequest
) -> tuple[list[Forecast], tuple[str, ...]]:
    """The forecasts with their learned errors taken off the hours ahead, and a line on each that was changed."""
    out, remarks = [], []
    for forecast in forecasts:
        kept = next((k for k in evidence.kept if k.provider == forecast.provider), None)
        error = learned_error_k(kept, evidence, forecast, request)
        if not error.any():
            out.append(forecast)
            continue
        begins_s = forecast.start.timestamp() + HOUR_S * np.arange(1.0, forecast.hours + 1.0, dtype=np.float64)
        ahead = begins_s > request.now_utc.timestamp()
        change = never_over_freezing(forecast.air_temp_c, error[None, :, None] * ahead)
        out.append(replace(forecast, air_temp_c=forecast.air_temp_c + change))
        remarks.append(
            f"{forecast.provider}: air temperature changed by {error.min():+.1f} to {error.max():+.1f} K, part of its"
            f" error at stations near the road {'now' if kept is None else 'in the last two days'}"
        )
    return out, tuple(remarks)
