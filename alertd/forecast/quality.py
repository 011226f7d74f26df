"""Judges whether a forecast is recent and complete enough for planning, and words the cautions."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from alertd.forecast.model import Forecast
from alertd.forecast.pool import known_span


class Usability(IntEnum):
    """Usability of a forecast for planning; higher is worse."""

    OK = 0
    PARTIAL = 1  # something is missing
    STALE = 2  # old, or the last answer of an unreachable source
    UNUSABLE = 3  # too old or too empty for planning: the outcome is unknown


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Age limits in hours since issue (since fetch where the source gives no issue time).

    future_h: tolerance for clock differences.

    A source with only a few issues a day becomes stale later, by the hours between them, but not unusable later.
    """

    stale_after_h: float = 6.0  # [A] global models are issued every six hours
    unusable_after_h: float = 24.0  # [A] a day-old forecast says little of when a storm comes
    future_h: float = 1.0  # [A] an hour of wrong clock or zone


@dataclass(frozen=True, slots=True, kw_only=True)
class Freshness:
    """Usability of a forecast with its reasons.

    reasons: cautions for the reader; empty exactly when `state` is OK.
    """

    state: Usability
    reasons: tuple[str, ...]


def freshness(
    forecast: Forecast,
    *,
    now_utc: datetime,
    window_start: datetime,
    window_end: datetime,
    limits: Limits | None = None,
    shared: bool = False,
) -> Freshness:
    """Judge one forecast for the hours of a trip.

    shared: the forecast is one of several, and judged only for places and hours that it reaches (see
        `pool.known_span`). `coverage` of the pool reports what no source reaches.
    """
    limits = limits or Limits()
    state, reasons = Usability.OK, []
    age_h = forecast.age_h(now_utc)
    name = forecast.provider
    if age_h > limits.unusable_after_h:
        state, reasons = Usability.UNUSABLE, [f"{name}: forecast is {age_h:.0f} h old, too old to plan with"]
    elif age_h > limits.stale_after_h + forecast.issue_every_h:
        state, reasons = Usability.STALE, [f"{name}: forecast is {age_h:.0f} h old"]
    elif age_h < -limits.future_h:
        state, reasons = Usability.STALE, [f"{name}: forecast claims to be issued {-age_h:.0f} h from now"]
    if forecast.served_stale:
        state = max(state, Usability.STALE)
        reasons.append(f"{name}: source not reached or not updating, its last good forecast is used")
    held_to = known_span(forecast) if shared else None
    covered = coverage(forecast, window_start, window_end, held_to)
    state = max(state, covered.state)
    reasons += covered.reasons
    for gap in forecast.gaps:
        state = max(state, Usability.PARTIAL)
        reasons.append(gap.reason)
    return Freshness(state=state, reasons=tuple(dict.fromkeys(reasons)))


def coverage(
    forecast: Forecast, window_start: datetime, window_end: datetime, among: NDArray[np.bool_] | None = None
) -> Freshness:
    """Known part of the hours and places of a trip, see `covered_frac`."""
    known_frac = covered_frac(forecast, window_start, window_end, among)
    if known_frac == 0.0:
        reason = f"{forecast.provider}: no forecast for the hours of this trip"
        return Freshness(state=Usability.UNUSABLE, reasons=(reason,))
    if known_frac < 1.0:
        missing = min(99, max(1, round(100 * (1.0 - known_frac))))
        reason = f"{forecast.provider}: {missing} % of the hours and places of this trip have no forecast"
        return Freshness(state=Usability.PARTIAL, reasons=(reason,))
    return Freshness(state=Usability.OK, reasons=())


def covered_frac(
    forecast: Forecast, window_start: datetime, window_end: datetime, among: NDArray[np.bool_] | None = None
) -> float:
    """Share of (cell, hour) of the window for which some member has both temperature and precipitation.

    among: (cell, hour) of the forecast; only these count. The result is 0 when none of them is in the window.
    """
    hour = timedelta(hours=1)
    first, last = int((window_start - forecast.start) // hour), int(-((forecast.start - window_end) // hour))
    wanted = max(last - first, 1) * forecast.lat_deg.size
    inside = slice(max(first, 0), max(min(last, forecast.hours), 0))
    known = ~np.isnan(forecast.air_temp_c[..., inside]) & ~np.isnan(forecast.precip_mmwe_h[..., inside])
    if among is None:
        return float(np.count_nonzero(known.any(axis=0)) / wanted)
    counted = among[:, inside]
    return float(np.count_nonzero(known.any(axis=0) & counted)) / max(float(np.count_nonzero(counted)), 1.0)


def combine_quality(judged: Sequence[Freshness]) -> Freshness:
    """Several sources together: the best state of any (enough for planning), and all cautions."""
    if not judged:
        return Freshness(state=Usability.UNUSABLE, reasons=("no forecast source answered",))
    reasons = tuple(dict.fromkeys(reason for one in judged for reason in one.reasons))
    state = min(one.state for one in judged)
    return Freshness(state=max(state, Usability.PARTIAL) if reasons else state, reasons=reasons)
