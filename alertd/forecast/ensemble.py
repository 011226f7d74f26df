"""Turns a deterministic forecast into members, so that later stages can count its uncertainty.

Each member has one precipitation quantile and one cloud error over the whole window and all cells. The reason is that
the errors of a run are correlated in time and space. Its temperature error has a part that all cells share and a part
that varies over about 100 km, see `errors_by_cell`. The size of errors grows with lead time.
Quantiles are stratified, so few members already have the stated mean and spread. Each member is also early or late by
one quantile, see `forecast.onset`. A real ensemble passes unchanged: its members have their own timing. The road stage
adds the spread from height differences between cell and road.
"""

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from statistics import NormalDist
from typing import Any, Final

import numpy as np

from alertd.forecast.model import Array, Forecast
from alertd.forecast.observations import distances_m
from alertd.forecast.onset import MOVED, Shift

NORMAL = NormalDist()
LEVEL_M_PER_K = 1000.0 / 6.5  # a warmer column raises freezing and snow level; standard atmosphere lapse rate
TRACE_MMWE_H = 0.05  # [A] the amount where a source gives a real chance of precipitation but a zero amount
REAL_CHANCE_FRAC = 0.3  # [A] a chance from which precipitation is real


@dataclass(frozen=True, slots=True, kw_only=True)
class Spreads:
    """Forecast errors by hours since issue. [A] marks an assumption without a source.

    air_temp_c: standard deviations [K] at lead_h, constant before the first and after the last. At 48 h: 18,439
        forecasts of 2004 at stations have 3.1 K, and 2.8 K after a learned error of each station; models of today are
        better, so 2.6. At 24 h daily extremes of today have at least 2.0 K. 12 and 72 h follow the growth between [A].
    lead_h: [A] the hours of air_temp_c, a short set that follows how forecasts are checked.
    common_frac: share of the temperature error's variance that all cells have in common; the rest has the length
        local_m. From correlations of the same forecasts' errors of 2004: 0.78 within 25 km, 0.63 to 50, 0.47 to 100,
        0.33 to 200 and 0.20 to 400 km; what is missing to 1 at no distance is the stations' own.
    local_m: [A] a round value near those correlations.
    past_air_temp_c: standard deviation [K] for hours before issue [A].
    cloud_frac: standard deviation, additive [A].
    rh_frac: standard deviation, additive, without precipitation [A]: forecasts of humidity err by 5-10 %. Within
        precipitation the phase has its own spread.
    wind_log: standard deviation of the logarithm of the wind [A]: forecasts of 10 m wind err by a quarter.
    precip_log: standard deviation of the logarithm of the amount, for sources without a probability; 1.1 measured.
    past_precip_log: the same for amounts of past hours, which stations report [A].
    onset_h, onset_share: standard deviation of the hour of a change [h]: at issue, and its growth per hour of lead time
        [A]. An hourly source rounds to the hour, and the speed of a front errs by some percent.
    """

    lead_h: tuple[float, ...] = (12.0, 24.0, 48.0, 72.0)
    air_temp_c: tuple[float, ...] = (1.5, 2.0, 2.6, 2.9)
    common_frac: float = 0.2
    local_m: float = 100_000.0
    past_air_temp_c: float = 0.5
    cloud_frac: float = 0.2
    rh_frac: float = 0.07
    wind_log: float = 0.25
    precip_log: float = 1.1
    past_precip_log: float = 0.5
    onset_h: float = 0.5
    onset_share: float = 0.05

    def air_temp_sd_c(self, lead_h: Array) -> Array:
        """Standard deviation of air temperature [K] at each lead time; negative lead is the past."""
        ahead = np.interp(lead_h, self.lead_h, self.air_temp_c)
        return np.where(lead_h < 0.0, self.past_air_temp_c, ahead)

    def onset_sd_h(self, lead_h: Array) -> Array:
        """Standard deviation of the hour of a change [h]: none in the past, full from issue on."""
        ahead = self.onset_h + self.onset_share * np.maximum(lead_h, 0.0)
        return np.asarray(ahead * np.clip(lead_h + 1.0, 0.0, 1.0))


# [A] A source's own percentiles are of its grid cell: the road beside it differs, and an ensemble is mostly too narrow.
LEAST_OWN_FRAC: Final = 0.5


def to_ensemble(
    forecast: Forecast, *, members: int, spreads: Spreads, rng: np.random.Generator, now_utc: datetime
) -> Forecast:
    """The forecast with `members` members. A forecast that already has several is returned unchanged.

    Lead time runs from issue (from fetch where the source gives no issue time), never from later than now. An old
    forecast thus has a wider spread. The mean over members keeps the source's temperature and amount. Unknown values
    stay unknown.

    Raises ValueError when members is below 1.
    """
    if forecast.air_temp_c.shape[0] > 1:
        return forecast
    if members < 1:
        raise ValueError("members must be at least 1")
    since = min(forecast.issued_at or forecast.fetched_at, now_utc)
    lead_h = (forecast.start - since) / timedelta(hours=1) + np.arange(forecast.hours, dtype=np.float64) + 0.5
    warm = rng.permutation(normal_scores(members))
    wet_rank = rng.permutation(members)
    cloudy = rng.permutation(normal_scores(members))
    # A generator of its own, so that this error leaves the others as they were.
    later, apart, humid, windy = rng.spawn(4)
    late = later.permutation(normal_scores(members))
    shift = Shift(late[:, None] * spreads.onset_sd_h(lead_h))

    local = errors_by_cell(forecast.lat_deg, forecast.lon_deg, members, spreads.local_m, apart)
    warmth = _scaled(np.sqrt(spreads.common_frac) * warm[:, None] + np.sqrt(1.0 - spreads.common_frac) * local)
    sd_c = np.asarray(spreads.air_temp_sd_c(lead_h))
    if forecast.air_temp_sd_c is not None:
        own_c = np.maximum(forecast.air_temp_sd_c, LEAST_OWN_FRAC * sd_c)
        sd_c = np.where(np.isfinite(own_c), own_c, sd_c)
    error_c = warmth[:, :, None] * sd_c
    full_shape = (members, *forecast.air_temp_c.shape[1:])
    moved: dict[str, Any] = {name: shift.linear(getattr(forecast, name)) for name in MOVED}
    clouds = moved["cloud_frac"] + cloudy[:, None, None] * spreads.cloud_frac
    precip = amounts(
        forecast.precip_mmwe_h[0], forecast.precip_prob_frac[0], members=members, log_sd=spreads.precip_log
    )
    moved |= {
        "air_temp_c": forecast.air_temp_c + error_c,
        "freezing_level_m": forecast.freezing_level_m + error_c * LEVEL_M_PER_K,
        "snow_level_m": forecast.snow_level_m + error_c * LEVEL_M_PER_K,
        "cloud_frac": np.clip(clouds, 0.0, 1.0),
        "precip_mmwe_h": shift.linear(precip[wet_rank]),
        "precip_form": shift.code(forecast.precip_form),
        "wind_mps": moved["wind_mps"] * _wind_factor(spreads.wind_log, members, windy, lead_h),
        "rh_frac": _humidities(forecast, spreads.rh_frac, members, humid, lead_h),
        "pressure_hpa": np.broadcast_to(forecast.pressure_hpa, full_shape),
        "shortwave_wm2": np.broadcast_to(forecast.shortwave_wm2, full_shape),
        "precip_prob_frac": np.broadcast_to(forecast.precip_prob_frac, full_shape),
    }
    return replace(forecast, **moved)


def _wind_factor(log_sd: float, members: int, rng: np.random.Generator, lead_h: Array) -> Array:
    """(member, 1, hour) factors of mean 1; 1 in the past."""
    factor = np.exp(log_sd * rng.permutation(normal_scores(members)))
    ahead = np.clip(lead_h + 1.0, 0.0, 1.0)
    return np.asarray(1.0 + (factor / factor.mean() - 1.0)[:, None, None] * ahead)


def _humidities(forecast: Forecast, sd_frac: float, members: int, rng: np.random.Generator, lead_h: Array) -> Array:
    """(member, cell, hour) humidity with an error of each member in hours without precipitation ahead."""
    error = rng.permutation(normal_scores(members))[:, None, None] * sd_frac * np.clip(lead_h + 1.0, 0.0, 1.0)
    dry = np.nan_to_num(forecast.precip_mmwe_h, nan=1.0) <= 0.0
    # Saturated air stays saturated in half of the members: the error never makes it drier than it makes others moister.
    room = np.minimum(forecast.rh_frac, 1.0 - forecast.rh_frac)
    bounded = np.clip(error, -np.maximum(room, 0.0), np.maximum(room, 0.0))
    return np.asarray(forecast.rh_frac + np.where(dry, bounded, 0.0))


def errors_by_cell(lat_deg: Array, lon_deg: Array, members: int, length_m: float, rng: np.random.Generator) -> Array:
    """(member, cell) standard normal errors, correlated between cells by exp(-distance / length_m).

    Each of the field's principal parts has stratified scores, so a cell's spread over the members is close to 1.
    """
    apart_m = distances_m(lat_deg, lon_deg, lat_deg, lon_deg)
    values, vectors = np.linalg.eigh(np.exp(-0.5 * (apart_m + apart_m.T) / length_m))
    most = np.argsort(values)[::-1]
    most = most[: int(np.searchsorted(np.cumsum(values[most]), 0.999 * values.sum())) + 1]
    parts = vectors[:, most] * np.sqrt(np.maximum(values[most], 0.0))
    parts /= np.sqrt((parts**2).sum(axis=1, keepdims=True))
    scores = normal_scores(members)
    return _scaled(np.stack([rng.permutation(scores) for _ in most], axis=1) @ parts.T)


def _scaled(errors: Array) -> Array:
    """Errors (member, cell) with mean 0 and a spread of exactly 1 over the members; zero for one member."""
    around = errors - errors.mean(axis=0)
    spread = np.sqrt(np.mean(around**2, axis=0))
    return np.asarray(around / np.where(spread > 0.0, spread, 1.0))


def normal_scores(members: int) -> Array:
    """Midpoint quantiles of the standard normal, scaled to a standard deviation of exactly 1; zero for one member."""
    scores = np.array([NORMAL.inv_cdf((i + 0.5) / members) for i in range(members)])
    return scores / np.sqrt(np.mean(scores**2)) if members > 1 else np.zeros(1)


def amounts(amount_mmwe_h: Array, prob_frac: Array, *, members: int, log_sd: float) -> Array:
    """Precipitation of each member, driest first: (member, *shape). Its mean over members is the given amount.

    With a probability p the amount is zero with 1 - p, else exponential with mean amount / p (the amount of a source is
    unconditional). Without p it is the amount times a lognormal factor of mean 1. Member i represents the i-th of equal
    shares of probability and gets the mean amount within that share, so few members lose no tail. Where amount and
    probability contradict each other, both are adjusted, see `reconcile`.
    """
    amount, p = reconcile(amount_mmwe_h, prob_frac)
    by_chance = amount * exponential_shares(p, members)
    by_factor = amount * lognormal_shares(members, log_sd).reshape(-1, *[1] * amount.ndim)
    return np.where(np.isnan(p), by_factor, by_chance)


def reconcile(amount_mmwe_h: Array, prob_frac: Array) -> tuple[Array, Array]:
    """Amount and probability adjusted to fit each other. Assumptions without a source.

    A probability is at least amount / (amount + 1 mm/h): a wet member then gets on average at most 1 mm/h more than the
    source's amount. A probability of 30 % or more gives at least a trace.
    """
    p = np.where(amount_mmwe_h > 0.0, np.maximum(prob_frac, amount_mmwe_h / (amount_mmwe_h + 1.0)), prob_frac)
    trace = np.where(prob_frac >= REAL_CHANCE_FRAC, prob_frac * TRACE_MMWE_H, 0.0)
    return np.maximum(amount_mmwe_h, trace), p


def exponential_shares(prob_frac: Array, members: int) -> Array:
    """(member, *shape): mean over each share of an amount that is 0 with 1 - p and exponential with mean 1/p else.

    With w = 1 - u the probability of exceedance, the amount is -ln(w/p)/p for w < p. Its integral over w from 0 is
    w (1 - ln(w/p))/p.
    """
    edge = 1.0 - np.arange(members + 1).reshape(-1, *[1] * prob_frac.ndim) / members
    ratio = np.minimum(np.divide(edge, prob_frac, out=np.ones(np.broadcast_shapes(edge.shape, prob_frac.shape)),
                                 where=prob_frac > 0.0), 1.0)  # fmt: skip
    integral = ratio * (1.0 - np.log(np.where(ratio > 0.0, ratio, 1.0)))
    return np.where(np.isnan(prob_frac), np.nan, (integral[:-1] - integral[1:]) * members)


def lognormal_shares(members: int, log_sd: float) -> Array:
    """(member,): mean over each share of a lognormal factor of mean 1."""
    edges = [NORMAL.inv_cdf(i / members) if 0 < i < members else np.inf * (i - 0.5) for i in range(members + 1)]
    below = np.array([NORMAL.cdf(z - log_sd) if np.isfinite(z) else float(z > 0) for z in edges])
    return np.diff(below) * members
