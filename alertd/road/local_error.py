"""Learns the forecast's own temperature error at a road from the last two days, and takes a part of it off.

Each past hour has the source's last forecast of it and what stations near the road measured, moved to the cell. Their
mean difference is an error of the place, such as a height or a slope that the model does not have. It is shrunk by the
number of hours and by how well the stations stand for the cell.
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
# A mean of n values counts n / (n + this). On 18,439 forecasts of 2004, one a day, 3 and 5 are alike: the Brier score
# of P(T < 0) falls from 0.121 to 0.108, and to 0.111 where no correction crosses 0 °C upward (test_local_error).
SHRINK_VALUES: Final = 5.0
LEAST_H: Final = 6
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


def learned_error_k(kept: KeptForecast, evidence: PastEvidence, forecast: Forecast, request: ForecastRequest) -> Array:
    """(cell,) K by which the air was warmer than this source forecast it, shrunk; 0 where nothing is known."""
    cells = forecast.lat_deg.size
    hours = int(max((request.now_utc - forecast.start).total_seconds() // HOUR_S, 0))
    if hours < LEAST_H or kept.elevation_m.size != cells:
        return np.zeros(cells)
    by_station: dict[str, list[StationReport]] = {}
    for report in evidence.reports:
        by_station.setdefault(report.station.id, []).append(report)
    stations = [station_hours(reports, forecast.start, hours) for reports in by_station.values()]
    seen = past_from_stations(stations, cell_places(forecast, request), forecast.start, hours)
    before = kept.between(forecast.start, hours)
    begins_s = forecast.start.timestamp() + HOUR_S * np.arange(hours)
    ahead = np.nan_to_num(before.issued_epoch_s, nan=np.inf) <= begins_s
    weight = 1.0 / (1.0 + (seen.air_temp_sd_c / STATION_SD_K) ** 2)
    error = np.where(ahead, (seen.air_temp_c - before.values[_AIR]) * weight, np.nan)
    count = np.isfinite(error).sum(axis=1)
    mean = np.nansum(error, axis=1) / np.maximum(count, 1)
    return np.clip(np.where(count >= LEAST_H, shrunk(mean, count / HOURS_ALIKE), 0.0), -MOST_K, MOST_K)


def with_local_error(
    forecasts: Sequence[Forecast], evidence: PastEvidence, request: ForecastRequest
) -> tuple[list[Forecast], tuple[str, ...]]:
    """The forecasts with their learned errors taken off the hours ahead, and a line on each that was changed."""
    out, remarks = [], []
    for forecast in forecasts:
        kept = next((k for k in evidence.kept if k.provider == forecast.provider), None)
        error = np.zeros(1) if kept is None else learned_error_k(kept, evidence, forecast, request)
        if not error.any():
            out.append(forecast)
            continue
        begins_s = forecast.start.timestamp() + HOUR_S * np.arange(1.0, forecast.hours + 1.0, dtype=np.float64)
        ahead = begins_s > request.now_utc.timestamp()
        change = never_over_freezing(forecast.air_temp_c, error[None, :, None] * ahead)
        out.append(replace(forecast, air_temp_c=forecast.air_temp_c + change))
        remarks.append(
            f"{forecast.provider}: air temperature changed by {error.min():+.1f} to {error.max():+.1f} K, part of its"
            " error at stations near the road in the last two days"
        )
    return out, tuple(remarks)
