"""Puts the reports of one station on whole hours: states between reports, and water from all that a report gives."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from alertd.forecast.model import Array, PrecipForm
from alertd.forecast.observations import Phenomenon, Station, StationReport
from alertd.units import HOUR_S

# [A] States between two reports this far apart lie on the line between them: hourly routine with two reports missing.
MAX_GAP_H: Final = 3.0
# [A] A report also stands for the time this close to it where no other does: reports come up to an hour late.
REACH_H: Final = 2.0
# [A] A report at 13:53 gives the total since 12:53, most of which is the hour from 13:00; one at 14:00 as well.
ROUTINE_LEAD_H: Final = 10.0 / 60.0
# [A] Share of falling snow that a gauge at an airport catches (0.5 to 0.9 by wind and shield; Rasmussen et al. 2012,
# Bull. Amer. Meteor. Soc. 93, 811, from memory).
SNOW_CATCH_FRAC: Final = 0.7
# [A] Rate of water while precipitation is observed and the gauge shows none: less than its 0.25 mm (0.01 in) an hour.
TRACE_MMWE_H: Final = 0.1
# [A] New snow over its water, at most: the same ratio as for the raw grids of the weather service.
LIGHTEST_SNOW_RATIO: Final = 20.0

_SNOW: Final = frozenset((Phenomenon.SNOW, Phenomenon.SNOW_GRAINS, Phenomenon.SNOW_PELLETS))
_PELLETS: Final = frozenset((Phenomenon.ICE_PELLETS, Phenomenon.SNOW_GRAINS, Phenomenon.SNOW_PELLETS))
_FREEZING: Final = frozenset((Phenomenon.FREEZING_RAIN, Phenomenon.FREEZING_DRIZZLE))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StationHours:
    """The weather at a station in hours from a start. Arrays (hour,), NaN where not known.

    precip_mmwe_h: measured, or estimated by the observed weather and its intensity. precip_form: [PrecipForm].
    """

    station: Station
    air_temp_c: Array
    rh_frac: Array
    wind_mps: Array
    cloud_frac: Array
    precip_mmwe_h: Array
    precip_form: NDArray[np.int8]


def station_hours(reports: Sequence[StationReport], start: datetime, hours: int) -> StationHours:
    """The hours of the reports of one station, in any order. Raises ValueError without a report."""
    if not reports:
        raise ValueError("no report of a station")
    ordered = sorted(reports, key=lambda r: r.observed_at)
    at_h = np.asarray([(r.observed_at - start).total_seconds() / HOUR_S for r in ordered])
    temp_c, dew_c, rh = (_column(ordered, name) for name in ("air_temp_c", "dew_point_c", "rh_frac"))
    rh = np.where(np.isfinite(rh), rh, _rh_frac(temp_c, dew_c))
    return StationHours(
        station=ordered[-1].station,
        air_temp_c=_states(at_h, temp_c, hours),
        rh_frac=np.clip(_states(at_h, rh, hours), 0.0, 1.0),
        wind_mps=_states(at_h, _column(ordered, "wind_mps"), hours),
        cloud_frac=_states(at_h, _column(ordered, "cloud_frac"), hours),
        precip_mmwe_h=_water(ordered, at_h, hours),
        precip_form=_form(ordered, at_h, hours),
    )


def _column(reports: Sequence[StationReport], name: str) -> Array:
    return np.asarray([getattr(r, name) for r in reports], dtype=np.float64)


def _rh_frac(temp_c: Array, dew_c: Array) -> Array:
    """Magnus form with the constants of Alduchov and Eskridge 1996 (17.625, 243.04 °C), over water."""
    exponent = 17.625 * dew_c / (243.04 + dew_c) - 17.625 * temp_c / (243.04 + temp_c)
    return np.minimum(np.exp(exponent), 1.0)


def _states(at_h: Array, values: Array, hours: int) -> Array:
    """A state at the middle of each hour, on the line between the reports around it."""
    given = np.isfinite(values)
    out = np.full(hours, np.nan)
    if not given.any():
        return out
    t, v, middle = at_h[given], values[given], np.arange(hours) + 0.5
    after = np.searchsorted(t, middle)
    before = np.clip(after - 1, 0, t.size - 1)
    after = np.clip(after, 0, t.size - 1)
    near = np.minimum(np.abs(t[before] - middle), np.abs(t[after] - middle)) <= REACH_H
    between = (t[before] <= middle) & (middle <= t[after]) & (t[after] - t[before] <= MAX_GAP_H)
    return np.where(near | between, np.interp(middle, t, v), out)


def _hour_of(at_h: float) -> int:
    return int(np.floor(at_h - ROUTINE_LEAD_H))


def _water(reports: Sequence[StationReport], at_h: Array, hours: int) -> Array:
    """Water of each hour: measured where an hour's total is given, else by the observed weather; raised to longer
    totals and to what new snow on the ground needs."""
    coded = _coded(reports, at_h, hours)
    measured, snow = np.full(hours, np.nan), np.zeros(hours, dtype=np.bool_)
    for report, at in zip(reports, at_h, strict=True):
        hour = _hour_of(at)
        if not 0 <= hour < hours:
            continue
        measured[hour] = np.fmax(measured[hour], report.precip_last_hour_mmwe)
        snow[hour] |= bool(_SNOW & set(report.weather or ()))
    measured = np.where(snow, measured / SNOW_CATCH_FRAC, measured)
    least = np.minimum(np.nan_to_num(coded), TRACE_MMWE_H)
    water = np.where(np.isfinite(measured), np.maximum(measured, least), coded)
    for report, at in zip(reports, at_h, strict=True):
        for total_mm, length in (
            (report.precip_3h_mmwe, 3), (report.precip_6h_mmwe, 6), (report.precip_24h_mmwe, 24),
        ):  # fmt: skip
            if np.isfinite(total_mm):
                _raise_to(water, coded, total_mm, _hour_of(at) - length + 1, _hour_of(at))
    depths = [(at, r.snow_depth_m) for r, at in zip(reports, at_h, strict=True) if np.isfinite(r.snow_depth_m)]
    for (from_h, before_m), (to_h, after_m) in pairwise(depths):
        new_mm = 1000.0 * (after_m - before_m) / LIGHTEST_SNOW_RATIO
        if new_mm > 0.0:
            _raise_to(water, coded, new_mm, _hour_of(from_h) + 1, _hour_of(to_h))
    return water


def _coded(reports: Sequence[StationReport], at_h: Array, hours: int) -> Array:
    """The largest coded rate of the reports within each hour, else that of the neighbours near enough."""
    rate = _column(reports, "coded_rate_mmwe_h")
    out = np.full(hours, np.nan)
    given = np.isfinite(rate)
    t, v = at_h[given], rate[given]
    for hour in range(hours):
        inside = (t >= hour + ROUTINE_LEAD_H) & (t < hour + 1.0 + ROUTINE_LEAD_H)
        if inside.any():
            out[hour] = v[inside].max()
            continue
        before, after = np.flatnonzero(t < hour), np.flatnonzero(t > hour + 1.0)
        near = [i for side in (before[-1:], after[:1]) for i in side if abs(t[i] - hour - 0.5) <= REACH_H]
        bracketed = before.size and after.size and t[after[0]] - t[before[-1]] <= MAX_GAP_H
        if bracketed:
            near = [before[-1], after[0]]
        if near:
            out[hour] = v[near].max()
    return out


def _raise_to(water: Array, coded: Array, total_mm: float, first: int, last: int) -> None:
    """Raise hours first to last to a total, in place, in the ratio of their coded rates where any is above 0.

    Unknown hours stay unknown; a total over hours of which some are outside the window is a bound for none.
    """
    if first < 0 or last >= water.size or last < first:
        return
    hours = np.arange(first, last + 1)
    hours = hours[np.isfinite(water[hours])]
    lacking_mm = total_mm - float(water[hours].sum())
    if not hours.size or lacking_mm <= 0.0:
        return
    share = np.nan_to_num(coded[hours])
    share = share / share.sum() if share.sum() > 0.0 else np.full(hours.size, 1.0 / hours.size)
    water[hours] += lacking_mm * share


def _form(reports: Sequence[StationReport], at_h: Array, hours: int) -> NDArray[np.int8]:
    """Freezing rain or drizzle wins over pellets; pellets count where no snow flakes or rain are reported with them."""
    form = np.zeros(hours, dtype=np.int8)
    for kinds, code in ((_PELLETS, PrecipForm.PELLETS), (_FREEZING, PrecipForm.FREEZING)):
        for report, at in zip(reports, at_h, strict=True):
            seen = set(report.weather or ())
            if not kinds & seen or (code == PrecipForm.PELLETS and seen & {Phenomenon.SNOW, Phenomenon.RAIN}):
                continue
            first, last = max(int(np.floor(at - ROUTINE_LEAD_H)), 0), int(np.floor(at + ROUTINE_LEAD_H))
            form[first : max(last + 1, 0)] = code
    return form
