"""Several sources' forecasts for the same places as one: each counts by its number of members."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from math import floor
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from alertd.forecast.model import REQUIRED_FIELDS, WEATHER_FIELDS, Array, Forecast, Gap

SAME_PLACE_DEG = 1e-3  # about 100 m


WET_LAPSE_K_PER_M = 0.0060  # saturated air near 0 °C (moist adiabat at 850 to 700 hPa)


DRY_LAPSE_K_PER_M = 0.0065  # standard atmosphere


def pool(
    forecasts: Sequence[Forecast],
    *,
    counts: Sequence[int] | NDArray[np.intp] | None = None,
    failed: Mapping[str, str] | None = None,
    elevation_m: Array | None = None,
) -> Forecast:
    """One forecast over the union of hours, members of all sources side by side.

    counts: (source,) members of each, the largest number any has when not given. A source with fewer of its own
    repeats them, one with more gives evenly picked ones. failed: provider name -> reason, for those that gave nothing;
    told as a Gap. elevation_m: (cell,) heights to which temperatures of several sources are brought (see
    `at_heights`), the road's by preference; without it those of the first source. One source alone is left as it is.

    Where a source does not reach (see `reach`) its members take the weather of those sources that do, in proportion to
    their members: there the pool is that of the others. Where it reaches and still does not know, its members are
    unknown (NaN) and stay so. Raises ValueError for none, or for different places.
    """
    if not forecasts:
        raise ValueError("nothing to pool")
    first = forecasts[0]
    whole = tuple(range(first.lat_deg.size))
    lost = tuple(Gap(cell_idx=whole, reason=f"{name}: {why}") for name, why in (failed or {}).items())
    if len(forecasts) == 1:
        return replace(first, gaps=first.gaps + lost) if lost else first
    for other in forecasts[1:]:
        same = other.lat_deg.shape == first.lat_deg.shape and np.allclose(
            [other.lat_deg, other.lon_deg], [first.lat_deg, first.lon_deg], rtol=0.0, atol=SAME_PLACE_DEG
        )
        if not same:
            raise ValueError(f"{first.provider} and {other.provider} are for different places")
    heights = first.elevation_m if elevation_m is None else elevation_m
    for other in forecasts:
        heights = np.where(np.isnan(heights), other.elevation_m, heights)
    level = [at_heights(forecast, heights) for forecast in forecasts]
    start, end = min(f.start for f in level), max(f.end for f in level)
    hours = round((end - start) / timedelta(hours=1))
    if counts is None:
        counts = [max(f.air_temp_c.shape[0] for f in level)] * len(level)
    offsets = [start_idx(f, first=start) for f in level]
    arrays: dict[str, Any] = {
        name: np.concatenate(
            [align_hours(f, name, o, hours, n) for f, o, n in zip(level, offsets, counts, strict=True)]
        )
        for name in WEATHER_FIELDS
    }
    reached = np.zeros((len(level), first.lat_deg.size, hours), dtype=np.bool_)
    for there, f, offset in zip(reached, level, offsets, strict=True):
        there[:, offset : offset + f.hours] = known_span(f)
        there[unknown_throughout(f)] = True
    fill_from_others(arrays, np.repeat(np.arange(len(level)), counts), reached)
    return replace(
        first,
        provider=" + ".join(dict.fromkeys(f.provider for f in level)),
        licence="; ".join(dict.fromkeys(f.licence for f in level)),
        issued_at=min(f.issued_at or f.fetched_at for f in level),
        fetched_at=min(f.fetched_at for f in level),
        start=start,
        elevation_m=heights.copy(),
        gaps=tuple(dict.fromkeys(gap for f in level for gap in f.gaps)) + lost,
        served_stale=any(f.served_stale for f in level),
        outside=tuple(c for c in whole if all(c in f.outside for f in level)),
        issue_every_h=0.0,
        pooled=tuple(credit for f in level for credit in f.credits),
        **arrays,
    )


def known_span(forecast: Forecast) -> NDArray[np.bool_]:
    """(cell, hour): from the first hour that any member knows to the last, holes between included.

    None in cells outside the source's area. All hours of a cell inside it of which nothing is known: an answer is
    missing there, and that is no matter of reach.
    """
    known = known_hours(forecast)
    begun = np.maximum.accumulate(known, axis=1)
    ahead = np.maximum.accumulate(known[:, ::-1], axis=1)[:, ::-1]
    return np.asarray((begun & ahead) | unknown_throughout(forecast)[:, None])


def known_hours(forecast: Forecast) -> NDArray[np.bool_]:
    """(cell, hour): whether some member knows all that the road needs."""
    return np.asarray(np.isfinite(sum(getattr(forecast, name) for name in REQUIRED_FIELDS)).any(axis=0))


def unknown_throughout(forecast: Forecast) -> NDArray[np.bool_]:
    """(cell,): inside the source's area, and nothing known of it."""
    inside = np.ones(forecast.lat_deg.size, dtype=np.bool_)
    inside[list(forecast.outside)] = False
    return np.asarray(inside & ~known_hours(forecast).any(axis=1))


def fill_from_others(arrays: Mapping[str, NDArray[Any]], source: NDArray[np.intp], reached: NDArray[np.bool_]) -> None:
    """Give the members of sources that do not reach an hour the weather of members whose sources do, in place.

    arrays: (member, cell, hour) each. source: (member,) whose each member is. reached: (source, cell, hour). A lender
    is taken every so many members of all that reach there, so each source lends in proportion to its members; all
    fields of an hour come of one member. Hours that nobody reaches stay as they are.
    """
    which = np.tensordot(2 ** np.arange(len(reached)), reached, axes=1)  # (cell, hour): the set that reaches there
    for code in np.unique(which):
        there = which == code
        speaks = ((code >> np.arange(len(reached))) & 1).astype(np.bool_)[source]
        lenders, borrowers = np.flatnonzero(speaks), np.flatnonzero(~speaks)
        if lenders.size == 0 or borrowers.size == 0:
            continue
        cell, hour = np.nonzero(there)
        for one in np.unique(source[borrowers]):
            own = np.flatnonzero(source == one)
            lender = lenders[np.arange(own.size) * lenders.size // own.size]
            for values in arrays.values():
                values[own[:, None], cell, hour] = values[lender[:, None], cell, hour]


def start_idx(forecast: Forecast, *, first: datetime) -> int:
    """Whole hours from `first` to the forecast's start. Raises ValueError when they are off the same clock hours."""
    offset = forecast.start - first
    if offset % timedelta(hours=1):
        raise ValueError(f"{forecast.provider} does not start on the hours of the others")
    return offset // timedelta(hours=1)


def align_hours(forecast: Forecast, name: str, offset: int, hours: int, members: int) -> NDArray[Any]:
    """One weather array, on `hours` hours and `members` members; unknown outside its own hours."""
    own = getattr(forecast, name)
    whole = np.full((members, own.shape[1], hours), 0 if own.dtype == np.int8 else np.nan, dtype=own.dtype)
    whole[..., offset : offset + own.shape[2]] = own[np.arange(members) * own.shape[0] // members]
    return whole


def at_heights(forecast: Forecast, elevation_m: Array) -> Forecast:
    """The forecast with air temperature moved to other heights; unknown heights leave it where it is.

    Upward it cools by the wet rate in saturated or precipitating hours, else by the standard one. Downward it warms
    by the wet rate in such hours only: a valley under clear sky is not warmer than the slope. Errs to the cold side.
    """
    up_m = np.nan_to_num(elevation_m - forecast.elevation_m)[:, None]
    if not up_m.any():
        return replace(forecast, elevation_m=elevation_m.copy())
    wet = (forecast.precip_mmwe_h > 0.1) | ((forecast.rh_frac >= 0.9) & (forecast.cloud_frac >= 0.9))
    lapse = np.where(wet, WET_LAPSE_K_PER_M, np.where(up_m > 0.0, DRY_LAPSE_K_PER_M, 0.0))
    return replace(forecast, air_temp_c=forecast.air_temp_c - lapse * up_m, elevation_m=elevation_m.copy())


AGE_STEP_H: Final = 6.0  # two issues of the large global models


def age_weight(overdue_h: float) -> float:
    """1 for an issue up to six hours old, then half as much with every six hours more; see `Credit.overdue_h`.

    Without a source but that older forecasts are worse. In steps, so that the members of a source, and with them the
    road's state, stay what they are from one planning to the next.
    """
    return float(0.5 ** floor(max(overdue_h, 0.0) / AGE_STEP_H))


def member_counts(weights: Sequence[float] | Array, total: int) -> NDArray[np.intp]:
    """(source,) members that sum to `total`, in the ratio of the weights, at least one each.

    By largest remainder: each source gets its share rounded down, one at least, and what is left goes one by one to
    whoever is farthest below its share, the first of equals; what the least of one took too much comes from whoever is
    farthest above. Equal weights that divide the total give equal counts. Raises ValueError for fewer members than
    sources, or a weight that is not above zero.
    """
    weight = np.asarray(weights, dtype=np.float64)
    if weight.size == 0 or total < weight.size or not (np.isfinite(weight) & (weight > 0.0)).all():
        raise ValueError("members need a source each, and weights above zero")
    share = total * (weight / weight.sum())
    count: NDArray[np.intp] = np.maximum(np.floor(share + 1e-9), 1.0).astype(
        np.intp
    )  # a share of 31 must not be 30.999...
    while count.sum() < total:
        count[np.argmax(share - count)] += 1
    while count.sum() > total:
        count[np.argmax(np.where(count > 1, count - share, -np.inf))] -= 1
    return count
