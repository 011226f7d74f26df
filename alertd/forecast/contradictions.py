"""Doubts about forecasts that contradict one another, or a station beside the road.

Each forecast may look right by itself: a wrong unit, a frozen value or another place shows in comparison. Which of two
is wrong is not known, so neither is dropped: the contradiction is a gap of both, the plan is partial, and nothing is
eased on it.
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import combinations
from typing import Final

import numpy as np
from numpy.typing import NDArray

from alertd.forecast.model import Array, Forecast, Gap
from alertd.forecast.observations import StationReport, distances_m
from alertd.forecast.plausibility import COMPARED, LAPSE_K_PER_M, MOST_CHANGE_K
from alertd.forecast.pool import at_heights

LASTS_H: Final = 3  # [A] one front some hours apart differs for less, or by less
# [A] A wrong unit, a frozen value or another place is wrong on all of a road. Two honest models may differ as much in a
# cold pool: forecasts two days ahead missed the truth by more than 12 K at one station in 440 (Pacific Northwest 2004).
PLACES_FRAC: Final = 0.5
STATION_NEAR_M: Final = 30_000.0
STATION_HEIGHT_M: Final = 300.0  # [A] an inversion lies between a valley's station and a pass
STATION_FRESH: Final = timedelta(hours=2)
STATION_K: Final = 12.0  # [A] as for two answers; cold pools differ by less within 300 m of height


def with_contradictions(
    forecasts: Sequence[Forecast], reports: Sequence[StationReport], now_utc: datetime
) -> tuple[Forecast, ...]:
    """The forecasts, each with a gap for every contradiction with another one or with a station.

    All are for the same places. reports: of stations near them, of any time.
    """
    found: list[list[Gap]] = [[] for _ in forecasts]
    for a, b in combinations(range(len(forecasts)), 2):
        gap = _between(forecasts[a], forecasts[b], now_utc)
        if gap is not None:
            found[a].append(gap)
            found[b].append(gap)
    for n, forecast in enumerate(forecasts):
        gap = _with_stations(forecast, reports, now_utc)
        if gap is not None:
            found[n].append(gap)
    return tuple(
        replace(forecast, gaps=(*forecast.gaps, *gaps)) if gaps else forecast
        for forecast, gaps in zip(forecasts, found, strict=True)
    )


def _between(one: Forecast, other: Forecast, now_utc: datetime) -> Gap | None:
    """A lasting difference of air temperature between two forecasts from now on, at most of their places; as a gap."""
    if one.lat_deg.shape != other.lat_deg.shape:
        return None
    heights = np.fmax(one.elevation_m, other.elevation_m)  # upward the lapse is known, downward it is not
    first = max(one.start, other.start, now_utc.replace(minute=0, second=0, microsecond=0))
    last = min(one.end, other.end, now_utc + COMPARED)
    hours = int((last - first) / timedelta(hours=1))
    if hours < LASTS_H:
        return None
    here, there = (_mean(_hours(at_heights(f, heights), first, hours)) for f in (one, other))
    apart_k = here - there
    far = np.abs(apart_k) > MOST_CHANGE_K
    lasting = np.asarray(np.lib.stride_tricks.sliding_window_view(far, LASTS_H, axis=1).all(axis=2), dtype=np.bool_)
    compared_n = np.count_nonzero(np.isfinite(apart_k).any(axis=1))
    if not lasting.any() or np.count_nonzero(lasting.any(axis=1)) < PLACES_FRAC * compared_n:
        return None
    cell, hour = (int(i) for i in np.argwhere(lasting)[0])
    place = f"{one.lat_deg[cell]:.2f}, {one.lon_deg[cell]:.2f}"
    return Gap(
        cell_idx=tuple(int(c) for c in np.flatnonzero(lasting.any(axis=1))),
        reason=(
            f"{one.provider} and {other.provider} differ by {abs(apart_k[cell, hour]):.0f} K of air temperature at "
            f"{place}, {first + timedelta(hours=hour):%d %b %H:%M} UTC: one of them is wrong"
        ),
    )


def _with_stations(forecast: Forecast, reports: Sequence[StationReport], now_utc: datetime) -> Gap | None:
    """The contradiction with the newest report of a station at the height of a cell near it, as a gap."""
    newest: dict[str, StationReport] = {}
    for report in reports:
        age = now_utc - report.observed_at
        if timedelta(0) <= age <= STATION_FRESH and np.isfinite(report.air_temp_c):
            known = newest.get(report.station.id)
            if known is None or report.observed_at > known.observed_at:
                newest[report.station.id] = report
    if not newest:
        return None
    stations = [r.station for r in newest.values()]
    lat, lon, height = (np.array([getattr(s, n) for s in stations]) for n in ("lat_deg", "lon_deg", "elevation_m"))
    near = distances_m(forecast.lat_deg, forecast.lon_deg, lat, lon) <= STATION_NEAR_M
    near &= np.abs(forecast.elevation_m[:, None] - height) <= STATION_HEIGHT_M
    for cell, n in np.argwhere(near):
        report = list(newest.values())[n]
        hour = int((max(report.observed_at, forecast.start) - forecast.start) / timedelta(hours=1))
        if hour >= forecast.hours or forecast.start - report.observed_at > STATION_FRESH:
            continue
        own = float(_mean(forecast.air_temp_c[:, cell : cell + 1, hour : hour + 1])[0, 0])
        moved = report.air_temp_c - LAPSE_K_PER_M * (float(forecast.elevation_m[cell]) - height[n])
        if abs(own - moved) > STATION_K:
            return Gap(
                cell_idx=(int(cell),),
                reason=(
                    f"{forecast.provider}: its air temperature of {own:.0f} °C near station {report.station.id} "
                    f"contradicts the {report.air_temp_c:.0f} °C measured at {report.observed_at:%H:%M} UTC"
                ),
            )
    return None


def _hours(forecast: Forecast, first: datetime, hours: int) -> Array:
    offset = round((first - forecast.start) / timedelta(hours=1))
    return forecast.air_temp_c[..., offset : offset + hours]


def _mean(values: Array) -> NDArray[np.float64]:
    """(cell, hour): mean over the members with a value; NaN where none has one."""
    known = np.isfinite(values)
    count = known.sum(axis=0)
    return np.where(count > 0, np.where(known, values, 0.0).sum(axis=0) / np.maximum(count, 1), np.nan)
