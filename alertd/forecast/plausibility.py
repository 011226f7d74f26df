"""Checks the plausibility of a source's answer, so that a wrong answer does not count as a forecast.

An answer in the wrong unit, with one value for all hours, or without values has the right shape. It could still make a
road look clear that is not. The checks compare an answer with itself, with the season and with the last good answer.
They reject the whole answer, because one wrong value indicates a fault of the source. Thresholds without a source are
our estimate.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final

import numpy as np
from numpy.typing import NDArray

from alertd.forecast.model import Array

# [A] All limits of this block, except where a source is named: wide, so that only faults are beyond them.
MOST_CHANGE_K: Final = 12.0  # between two answers for one hour; a front that arrives hours earlier changes less
COMPARED: Final = timedelta(hours=48)  # ahead of now; later hours of two correct answers may differ by more
DEW_OVER_AIR_K: Final = 1.5  # rounding both to whole degrees Fahrenheit over different hours gives 0.6
SNOW_ABOVE_C: Final = 5.0
SNOW_NEAR_H: Final = 6  # a snow total is spread over up to six hours, some of them warm
LEVEL_C: Final = 5.0  # maximum air temperature at the freezing level: sunlit ground, a model's own height
LEVEL_K_PER_M: Final = 0.015  # increase of that maximum per metre below the level, 1.5 times the dry adiabatic rate
LEVEL_INVERSION_K: Final = 35.0  # the strongest inversions: air this much colder than the level implies
LEVEL_LASTS_H: Final = 3
SAME_N: Final = 12  # equal values in a row of a source that reports each hour to a tenth of a degree
# [A] Equal values contradict a dew point that changes by more than this, other heights, and dry weather, in which the
# sun warms and the night cools. Without these they may be true: air in which snow melts keeps its temperature.
SAME_DEW_RANGE_K: Final = 4.0
SAME_HEIGHTS_M: Final = 300.0
SAME_WET_MMWE: Final = 1.0
LAPSE_K_PER_M: Final = 0.0065  # standard atmosphere

# Our estimate of the highest and lowest air temperature at sea level of any place at a latitude, some degrees beyond
# the records known to us (from memory: Death Valley 56.7, Lytton 49.6, Lhasa in January 20.5 at 3650 m,
# Denver in January 24 at 1610 m, Sunndalsøra in January 19, Peter Sink -56 at 2500 m).
_LATITUDE_DEG: Final = (0.0, 15.0, 30.0, 40.0, 50.0, 60.0, 70.0, 90.0)
_HIGHEST_WINTER_C: Final = (52.0, 50.0, 46.0, 38.0, 31.0, 24.0, 18.0, 8.0)
_HIGHEST_SUMMER_C: Final = (52.0, 56.0, 58.0, 56.0, 52.0, 44.0, 40.0, 25.0)
_LOWEST_WINTER_C: Final = (-5.0, -15.0, -40.0, -58.0, -65.0, -72.0, -75.0, -90.0)
_LOWEST_SUMMER_C: Final = (0.0, -5.0, -8.0, -15.0, -18.0, -22.0, -35.0, -60.0)
_WARMEST_DAY: Final = 201  # 20 July, a month after the solstice
_UNKNOWN_LOW_M, _UNKNOWN_HIGH_M = 0.0, 4000.0  # for an unknown height each bound takes the wider value


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReportedValues:
    """The values of an answer. Weather arrays: (member, cell, hour) from `start`, NaN where unknown.

    lat_deg, lon_deg, elevation_m: (cell,).
    reported_c: (member, cell, report) air temperatures as reported, at the steps of the source.
    same_n: number of equal values in a row that no correct answer has.
    snow: True where the source reports snowfall in that hour.
    snow_above_c: air temperature above which snow is implausible.
    """

    start: datetime
    lat_deg: Array
    lon_deg: Array
    elevation_m: Array
    air_temp_c: Array
    precip_mmwe_h: Array
    reported_c: Array
    same_n: int = SAME_N
    dew_point_c: Array | None = None
    freezing_level_m: Array | None = None
    snow: NDArray[np.bool_] | None = None
    snow_above_c: float = SNOW_ABOVE_C

    def place(self, cell: int) -> str:
        """Latitude and longitude of a cell, as text."""
        return f"{self.lat_deg[cell]:.2f}, {self.lon_deg[cell]:.2f}"

    def moment(self, hour: int) -> str:
        """Start of an hour, as text in UTC."""
        return f"{self.start + timedelta(hours=int(hour)):%d %b %H:%M} UTC"


def why_doubted(reported: ReportedValues, before: ReportedValues | None, now_utc: datetime) -> str:
    """The reason to reject an answer, in plain words; "" for a plausible answer.

    before: the last good answer to the same request, if any.
    now_utc: the first required hour.
    """
    checks: tuple[Callable[[], str], ...] = (
        lambda: _empty(reported, before, now_utc),
        lambda: _beyond_season(reported),
        lambda: _dew_over_air(reported),
        lambda: _warm_snow(reported),
        lambda: _level_against_air(reported),
        lambda: _one_value(reported),
        lambda: _changed(reported, before, now_utc) if before is not None else "",
    )
    return next((why for check in checks if (why := check())), "")


def season_bounds_c(
    lat_deg: Array, elevation_m: Array, start: datetime, hours: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The lowest and highest possible air temperature, (cell, hour) each [°C]; our estimate.

    Sea-level bounds by latitude, interpolated between midwinter and midsummer by a cosine of the day, less the standard
    lapse to the place's height.
    """
    first = start.astimezone(UTC)
    day = first.timetuple().tm_yday + (first.hour + np.arange(hours)) / 24.0
    north = np.where(lat_deg < 0.0, -1.0, 1.0)[:, None]
    summer = 0.5 + 0.5 * north * np.cos(2.0 * np.pi * (day - _WARMEST_DAY) / 365.25)  # 0 in midwinter, 1 in midsummer
    away = np.abs(lat_deg)

    def between(winter: tuple[float, ...], warm: tuple[float, ...]) -> Array:
        cold, hot = (np.interp(away, _LATITUDE_DEG, table)[:, None] for table in (winter, warm))
        bound: Array = cold + (hot - cold) * summer
        return bound

    low_m, high_m = (np.where(np.isnan(elevation_m), m, elevation_m) for m in (_UNKNOWN_HIGH_M, _UNKNOWN_LOW_M))
    lowest = between(_LOWEST_WINTER_C, _LOWEST_SUMMER_C) - LAPSE_K_PER_M * np.maximum(low_m, 0.0)[:, None]
    highest = between(_HIGHEST_WINTER_C, _HIGHEST_SUMMER_C) - LAPSE_K_PER_M * high_m[:, None]
    return lowest, highest


def _usable(reported: ReportedValues, now_utc: datetime) -> NDArray[np.bool_]:
    """(cell,): True where any hour from now on is known."""
    first = max(int((now_utc - reported.start) // timedelta(hours=1)), 0)
    known = np.isfinite(reported.air_temp_c) & np.isfinite(reported.precip_mmwe_h)
    return np.asarray(known[..., first:].any(axis=(0, 2)))


def _empty(reported: ReportedValues, before: ReportedValues | None, now_utc: datetime) -> str:
    usable = _usable(reported, now_utc)
    if not usable.any():
        return "it has no hour ahead with a temperature and precipitation"
    if before is None or before.lat_deg.shape != reported.lat_deg.shape:
        return ""
    lost = np.count_nonzero(_usable(before, now_utc) & ~usable)
    if not lost:
        return ""
    return f"it has no hour ahead with a temperature and precipitation for {lost} of {usable.size} places"


def _beyond_season(reported: ReportedValues) -> str:
    lowest, highest = season_bounds_c(
        reported.lat_deg, reported.elevation_m, reported.start, reported.air_temp_c.shape[2]
    )
    hot, cold = reported.air_temp_c > highest, reported.air_temp_c < lowest
    where = _first(hot | cold)
    if where is None:
        return ""
    member, cell, hour = where
    limit, side = (highest, "highest") if hot[where] else (lowest, "lowest")
    return (
        f"its air temperature of {reported.air_temp_c[member, cell, hour]:.0f} °C at {reported.place(cell)}, "
        f"{reported.moment(hour)}, is beyond the {side} that we hold possible there in this season "
        f"({limit[cell, hour]:.0f} °C, our estimate)"
    )


def _dew_over_air(reported: ReportedValues) -> str:
    if reported.dew_point_c is None:
        return ""
    over = reported.dew_point_c - reported.air_temp_c
    where = _first(over > DEW_OVER_AIR_K)
    if where is None:
        return ""
    _, cell, hour = where
    where_and_when = f"{reported.place(cell)}, {reported.moment(hour)}"
    return f"its dew point is {over[where]:.1f} K above its air temperature at {where_and_when}"


def _warm_snow(reported: ReportedValues) -> str:
    if reported.snow is None or not reported.snow.any():
        return ""
    coldest = reported.air_temp_c.copy()
    for shift in range(1, min(SNOW_NEAR_H, coldest.shape[2] - 1) + 1):
        coldest[..., shift:] = np.fmin(coldest[..., shift:], reported.air_temp_c[..., :-shift])
        coldest[..., :-shift] = np.fmin(coldest[..., :-shift], reported.air_temp_c[..., shift:])
    where = _first(reported.snow & (coldest > reported.snow_above_c))
    if where is None:
        return ""
    member, cell, hour = where
    air_c = reported.air_temp_c[member, cell, hour]
    return f"it reports snowfall at {air_c:.0f} °C at {reported.place(cell)}, {reported.moment(hour)}"


def _level_against_air(reported: ReportedValues) -> str:
    if reported.freezing_level_m is None:
        return ""
    below_m = reported.freezing_level_m - reported.elevation_m[:, None]
    warm = reported.air_temp_c > LEVEL_C + LEVEL_K_PER_M * np.maximum(below_m, 0.0)
    cold = reported.air_temp_c < LAPSE_K_PER_M * np.maximum(below_m, 0.0) - LEVEL_INVERSION_K - LEVEL_C
    where = _first(_in_a_row(warm | (cold & (below_m > 0.0)), LEVEL_LASTS_H))
    if where is None:
        return ""
    member, cell, hour = where
    return (
        f"its freezing level of {reported.freezing_level_m[where]:.0f} m contradicts its air temperature of "
        f"{reported.air_temp_c[member, cell, hour]:.0f} °C at {reported.place(cell)} "
        f"({reported.elevation_m[cell]:.0f} m), {reported.moment(hour)}"
    )


def _one_value(reported: ReportedValues) -> str:
    same = reported.reported_c[..., 1:] == reported.reported_c[..., :-1]
    stuck = _in_a_row(same, reported.same_n - 1)
    if not stuck.any():
        return ""
    where = _first(stuck & _contradicts_one_value(reported)[..., None])
    if where is None:
        return ""
    member, cell, step = where
    return (
        f"its air temperature at {reported.place(cell)} is the same, {reported.reported_c[member, cell, step]:.1f} °C, "
        f"in {reported.same_n} reports in a row"
    )


def _contradicts_one_value(reported: ReportedValues) -> NDArray[np.bool_]:
    """(member, cell): True where the rest of the answer contradicts one temperature for many hours.

    Its dew point changes, the same temperatures stand at another height, or the answer is dry. An unknown dew point
    contradicts it too.
    """
    shape = reported.reported_c.shape[:2]
    if reported.dew_point_c is None:
        return np.ones(shape, dtype=np.bool_)
    dew = reported.dew_point_c
    known = np.isfinite(dew)
    dew_range_k = np.where(known, dew, -np.inf).max(axis=-1) - np.where(known, dew, np.inf).min(axis=-1)
    first_c = reported.reported_c[..., 0]
    away_m = np.abs(reported.elevation_m[:, None] - reported.elevation_m)
    repeated = (first_c[:, :, None] == first_c[:, None, :]) & (away_m >= SAME_HEIGHTS_M)
    is_dry = ~(np.nansum(reported.precip_mmwe_h, axis=-1) >= SAME_WET_MMWE)
    contradicted: NDArray[np.bool_] = ~(dew_range_k <= SAME_DEW_RANGE_K) | repeated.any(axis=-1) | is_dry
    return np.broadcast_to(contradicted, shape)


def _changed(reported: ReportedValues, before: ReportedValues, now_utc: datetime) -> str:
    if before.lat_deg.shape != reported.lat_deg.shape:
        return ""
    offset = round((reported.start - before.start) / timedelta(hours=1))
    now, old = (_mean(one.air_temp_c) for one in (reported, before))
    first, last = (int((at - reported.start) // timedelta(hours=1)) for at in (now_utc, now_utc + COMPARED))
    first, last = max(first, 0, -offset), min(last, now.shape[1], old.shape[1] - offset)
    if first >= last:
        return ""
    change = now[:, first:last] - old[:, first + offset : last + offset]
    where = _first(np.abs(change) > MOST_CHANGE_K)
    if where is None:
        return ""
    cell, hour = where
    return (
        f"its air temperature at {reported.place(cell)}, {reported.moment(first + hour)}, "
        f"differs by {change[where]:+.0f} K from its last good answer"
    )


def _mean(values: Array) -> Array:
    """(cell, hour): mean over the members with a value."""
    known = np.isfinite(values)
    count = known.sum(axis=0)
    total = np.where(known, values, 0.0).sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _in_a_row(true: NDArray[np.bool_], n: int) -> NDArray[np.bool_]:
    """True at the start of each run of `n` true values, along the last axis."""
    if true.shape[-1] < n:
        return np.zeros((*true.shape[:-1], 0), dtype=np.bool_)
    total = np.concatenate([np.zeros((*true.shape[:-1], 1), dtype=np.intp), np.cumsum(true, axis=-1)], axis=-1)
    return np.asarray(total[..., n:] - total[..., :-n] == n)


def _first(true: NDArray[np.bool_]) -> tuple[int, ...] | None:
    """The first true index, or None."""
    if not true.any():
        return None
    return tuple(int(i) for i in np.unravel_index(int(np.argmax(true)), true.shape))
