"""Pools forecasts of several sources for the same places into one, weighted by number of members."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from math import floor
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from alertd.forecast.model import REQUIRED_FIELDS, WEATHER_FIELDS, Array, Forecast, Gap

SAME_PLACE_DEG = 1e-3  # [A] about 100 m


WET_LAPSE_K_PER_M = 0.0060  # moist adiabat near 0 °C at 850 to 700 hPa, standard tables


DRY_LAPSE_K_PER_M = 0.0065  # standard atmosphere


def pool(
    forecasts: Sequence[Forecast],
    *,
    counts: Sequence[int] | NDArray[np.intp] | None = None,
    failed: Mapping[str, str] | None = None,
    elevation_m: Array | None = None,
) -> Forecast:
    """One forecast over the union of hours, with the members of all sources side by side.

    counts: (source,) members of each; by default the largest number of any source. A source with fewer members repeats
        them, one with more gives evenly picked ones.
    failed: provider name -> reason, for sources without an answer; each becomes a Gap.
    elevation_m: (cell,) heights to which temperatures of several sources are moved (see `at_heights`), preferably the
        road's; by default those of the first source.

    A single source is returned without these changes. Where a source does not reach (see `known_span`) its members take
    the weather of the sources that do, in proportion to their members. The pool there is that of the other sources.
    Where a source reaches but has no value, its members stay unknown (NaN).

    Raises ValueError without forecasts, or for different places.
    """
    if not forecasts:
        raise ValueError("nothing to pool")
    first = forecasts[0]
    all_cells = tuple(range(first.lat_deg.size))
    lost = tuple(Gap(cell_idx=all_cells, reason=f"{name}: {why}") for name, why in (failed or {}).items())
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
    for source_reached, f, offset in zip(reached, level, offsets, strict=True):
        source_reached[:, offset : offset + f.hours] = known_span(f)
        source_reached[unknown_throughout(f)] = True
    fill_from_others(arrays, np.repeat(np.arange(len(level)), counts), reached)
    hints = pooled_hints(level, offsets, hours)
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
        outside=tuple(c for c in all_cells if all(c in f.outside for f in level)),
        issue_every_h=0.0,
        pooled=tuple(credit for f in level for credit in f.credits),
        **hints,
        **arrays,
    )


_GRAVEST: Final[Mapping[str, np.ufunc]] = {"obscured": np.fmax, "snow_depth_m": np.fmax, "ground_temp_c": np.fmin}


def pooled_hints(forecasts: Sequence[Forecast], offsets: Sequence[int], hours: int) -> dict[str, Any]:
    """The hints of several forecasts on common hours: of each cell and hour the gravest; None where none has any."""
    found: dict[str, Any] = {}
    for name, gravest in _GRAVEST.items():
        pooled: NDArray[Any] | None = None
        for forecast, offset in zip(forecasts, offsets, strict=True):
            own = getattr(forecast, name)
            if own is None:
                continue
            laid = np.full((own.shape[0], hours), 0 if own.dtype == np.int8 else np.nan, dtype=own.dtype)
            laid[:, offset : offset + own.shape[1]] = own
            pooled = laid if pooled is None else gravest(pooled, laid)
        found[name] = pooled
    return found | {"air_temp_sd_c": None}  # the members carry it


def known_span(forecast: Forecast) -> NDArray[np.bool_]:
    """(cell, hour): True from the first to the last hour that any member knows, including holes.

    False in cells outside the source's area. True for all hours of an entirely unknown cell inside the area, because
    its answer is missing, which is not a question of reach.
    """
    known = known_hours(forecast)
    started = np.maximum.accumulate(known, axis=1)
    not_ended = np.maximum.accumulate(known[:, ::-1], axis=1)[:, ::-1]
    return np.asarray((started & not_ended) | unknown_throughout(forecast)[:, None])


def known_hours(forecast: Forecast) -> NDArray[np.bool_]:
    """(cell, hour): True where some member has all fields that the road needs."""
    return np.asarray(np.isfinite(sum(getattr(forecast, name) for name in REQUIRED_FIELDS)).any(axis=0))


def unknown_throughout(forecast: Forecast) -> NDArray[np.bool_]:
    """(cell,): True for cells inside the source's area without any known hour."""
    inside = np.ones(forecast.lat_deg.size, dtype=np.bool_)
    inside[list(forecast.outside)] = False
    return np.asarray(inside & ~known_hours(forecast).any(axis=1))


def fill_from_others(arrays: Mapping[str, NDArray[Any]], source: NDArray[np.intp], reached: NDArray[np.bool_]) -> None:
    """Fill the members of sources that do not reach an hour from members of sources that do, in place.

    arrays: (member, cell, hour) each.
    source: (member,) index of the source of each member.
    reached: (source, cell, hour).

    Lenders are picked at even intervals among all members that reach the hour, so each source lends in proportion to
    its members. All fields of an hour come from the same member. Hours that no source reaches stay unchanged.
    """
    # (cell, hour): bit set of the sources that reach it
    source_set = np.tensordot(2 ** np.arange(len(reached)), reached, axes=1)
    for code in np.unique(source_set):
        same_set = source_set == code
        reaches = ((code >> np.arange(len(reached))) & 1).astype(np.bool_)[source]
        lenders, borrowers = np.flatnonzero(reaches), np.flatnonzero(~reaches)
        if lenders.size == 0 or borrowers.size == 0:
            continue
        cell, hour = np.nonzero(same_set)
        for borrowing in np.unique(source[borrowers]):
            own = np.flatnonzero(source == borrowing)
            lender = lenders[np.arange(own.size) * lenders.size // own.size]
            for values in arrays.values():
                values[own[:, None], cell, hour] = values[lender[:, None], cell, hour]


def start_idx(forecast: Forecast, *, first: datetime) -> int:
    """Whole hours from `first` to the forecast's start. Raises ValueError for a start off the full hours of `first`."""
    offset = forecast.start - first
    if offset % timedelta(hours=1):
        raise ValueError(f"{forecast.provider} does not start on the hours of the others")
    return offset // timedelta(hours=1)


def align_hours(forecast: Forecast, name: str, offset: int, hours: int, members: int) -> NDArray[Any]:
    """One weather array on `hours` hours and `members` members; unknown outside its own hours."""
    own = getattr(forecast, name)
    aligned = np.full((members, own.shape[1], hours), 0 if own.dtype == np.int8 else np.nan, dtype=own.dtype)
    aligned[..., offset : offset + own.shape[2]] = own[np.arange(members) * own.shape[0] // members]
    return aligned


def at_heights(forecast: Forecast, elevation_m: Array) -> Forecast:
    """The forecast with air temperature moved to other heights. Unknown heights leave it unchanged.

    Upward it cools by the wet rate in saturated or precipitating hours, else by the standard rate. Downward it warms by
    the wet rate in such hours only: a valley under clear sky is not warmer than the slope. Errs to the cold side.
    """
    up_m = np.nan_to_num(elevation_m - forecast.elevation_m)[:, None]
    if not up_m.any():
        return replace(forecast, elevation_m=elevation_m.copy())
    wet = (forecast.precip_mmwe_h > 0.1) | ((forecast.rh_frac >= 0.9) & (forecast.cloud_frac >= 0.9))
    lapse = np.where(wet, WET_LAPSE_K_PER_M, np.where(up_m > 0.0, DRY_LAPSE_K_PER_M, 0.0))
    return replace(forecast, air_temp_c=forecast.air_temp_c - lapse * up_m, elevation_m=elevation_m.copy())


AGE_STEP_H: Final = 6.0  # [A] two issues of the large global models


def age_weight(overdue_h: float) -> float:
    """1 for an issue up to six hours old, then halved with every six hours more; see `Credit.overdue_h`.

    Without a source, except that older forecasts are worse. The steps keep the members of a source, and with them the
    road state, unchanged from one planning run to the next.
    """
    return float(0.5 ** floor(max(overdue_h, 0.0) / AGE_STEP_H))


def member_counts(weights: Sequence[float] | Array, total: int) -> NDArray[np.intp]:
    """(source,) members that sum to `total`, in the ratio of the weights, at least one each.

    Largest remainder: each source gets its share rounded down, at least one. The rest goes one by one to the source
    farthest below its share, the first of equals. An excess from the minimum of one is taken from the source farthest
    above its share. Equal weights that divide the total give equal counts.

    Raises ValueError for fewer members than sources, or a weight that is not above zero.
    """
    weight = np.asarray(weights, dtype=np.float64)
    if weight.size == 0 or total < weight.size or not (np.isfinite(weight) & (weight > 0.0)).all():
        raise ValueError("members need a source each, and weights above zero")
    share = total * (weight / weight.sum())
    # 1e-9 so that rounding does not turn a share of 31 into 30.
    count: NDArray[np.intp] = np.maximum(np.floor(share + 1e-9), 1.0).astype(np.intp)
    while count.sum() < total:
        count[np.argmax(share - count)] += 1
    while count.sum() > total:
        count[np.argmax(np.where(count > 1, count - share, -np.inf))] -= 1
    return count
