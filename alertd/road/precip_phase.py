"""Computes the phase of precipitation at the height of the road: snow, rain, freezing rain or pellets.

A forecast code for freezing rain or pellets overrides temperature. Otherwise two published relations, calibrated on
reports by observers in mountains, give the probability of snow, and each member draws its own phase from it. Freezing
rain is never inferred from the temperature at the ground alone.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from alertd.forecast.model import PrecipForm
from alertd.road.humidity import Array, wet_bulb_c

MELTING_LAYER_M: Final = 200.0  # depth below the snow level over which flakes melt, as in NBM post-processing [A]
RAIN_WET_BULB_C: Final = 5.0  # no snow above it; measured: 1 snow of 63 reports around Tahoe with a higher one
SNOW_AIR_TEMP_C: Final = -2.0  # below it and without a freezing code: snow at least SNOW_FLOOR; assumed
SNOW_FLOOR: Final = 0.98  # [A]
SNOW_RATIO_SPREAD: Final = (
    0.4  # assumed: relative spread of the depth of a storm's snow around the value from air temperature
)
MIXED_HALF_WIDTH: Final = 0.15  # assumed: half the span of member ranks with a mix of rain and snow


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """Calibrates a published P(snow) to observations: logit P' = shift + slope * logit P + dry * depression.

    The wet-bulb depression is air minus wet bulb, K, counted up to depression_max_k. It enters because in drier air
    snow was reported at warmer wet bulbs than either relation gives. The defaults are fitted to 1 452 reports of rain
    or snow around Lake Tahoe 2020-21 (Mountain Rain or Snow project), air -3..5 °C. A Gaussian prior about 0, 1, 0
    pulls them towards the published relations. Two facts from other regions' reports set the pull: where the published
    mean gives 0.30 and 0.12, snow was reported in 55 and 33 %. Where it gives these values around Tahoe, the calibrated
    mean gives 54 and 37 %. With storms left out the score is kept (tests/benchmarks/score_phase.py).

    A doubt remains: people report snow more readily than rain, so part of this is reporting bias. On low ground with
    trained observers (one day in 1995) the published mean is slightly better. The calibration errs towards snow, the
    cautious side.
    """

    shift: float = 0.31  # fitted to reports of 2020-21
    slope: float = 0.60  # fitted to reports of 2020-21
    dry_per_k: float = 0.24  # fitted to reports of 2020-21
    depression_max_k: float = 4.0  # [A] few of these reports are in drier air

    def __call__(self, chance: Array, depression_k: Array) -> Array:
        p = np.clip(chance, 1e-12, 1.0 - 1e-12)
        dry = np.clip(depression_k, 0.0, self.depression_max_k)
        return _logistic(-self.shift - self.slope * np.log(p / (1.0 - p)) - self.dry_per_k * dry)


MOUNTAIN_REPORTS: Final = Calibration()
# Steeper, for low ground where trained observers report: Brier score 0.094 instead of 0.100 on 215 surface reports of
# one day, 0.126 instead of 0.123 on those around Tahoe (tests/benchmarks/score_phase.py).
TRAINED_OBSERVERS: Final = Calibration(shift=0.40, slope=0.80)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SnowChance:
    """P(snow | precipitation) by two independent relations, 0-1, arrays of one shape."""

    jennings: Array
    wang: Array

    @property
    def mean(self) -> Array:
        """Mean of the two relations."""
        return np.asarray(0.5 * (self.jennings + self.wang))

    @property
    def spread(self) -> Array:
        """Absolute difference between the two relations."""
        return np.asarray(np.abs(self.jennings - self.wang))

    def weighted(self, jennings_weight: ArrayLike) -> Array:
        """A member's probability between the two relations; its average over weights uniform in 0-1 is the mean."""
        w = np.asarray(jennings_weight, dtype=np.float64)
        return np.asarray(w * self.jennings + (1.0 - w) * self.wang)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Phase:
    """Parts of one hour's precipitation, as fractions of its water equivalent, 0-1; the remainder is rain."""

    snow: Array
    freezing: Array
    pellets: Array

    @property
    def rain(self) -> Array:
        """The remainder, 0-1: ordinary rain."""
        return np.asarray(1.0 - self.snow - self.freezing - self.pellets)


def _logistic(x: Array) -> Array:
    return np.asarray(1.0 / (1.0 + np.exp(np.clip(x, -500.0, 500.0))))


def jennings_trivariate(air_temp_c: ArrayLike, rh_frac: ArrayLike, pressure_hpa: ArrayLike) -> Array:
    """P(snow) from temperature, humidity and pressure: Jennings et al. 2018, Nature Comm. 9:1148.

    The pressure unit of the published coefficients is kPa by inference: with hPa every probability is 0.
    """
    t, rh, p = (np.asarray(x, dtype=np.float64) for x in (air_temp_c, rh_frac, pressure_hpa))
    return _logistic(-12.80 + 1.41 * t + 9.0 * rh + 0.003 * p)


def wang_wet_bulb(wet_bulb_temp_c: ArrayLike) -> Array:
    """P(snow) from the wet bulb: Wang et al. 2019, Geophys. Res. Lett. 46, eq. 1; 0.5 at +0.81 °C."""
    tw = np.asarray(wet_bulb_temp_c, dtype=np.float64)
    return np.asarray(1.0 / (1.0 + 6.99e-5 * np.exp(np.clip(2.0 * (tw + 3.97), -500.0, 500.0))))


def snow_level_fraction(road_elevation_m: ArrayLike, snow_level_m: ArrayLike) -> Array:
    """Part that is still snow at the road, given the height at which snow starts to turn to rain."""
    road, level = np.asarray(road_elevation_m, dtype=np.float64), np.asarray(snow_level_m, dtype=np.float64)
    return np.clip((road - (level - MELTING_LAYER_M)) / MELTING_LAYER_M, 0.0, 1.0)


def snow_chance(
    air_temp_c: ArrayLike,
    rh_frac: ArrayLike,
    pressure_hpa: ArrayLike,
    *,
    road_elevation_m: ArrayLike = np.nan,
    snow_level_m: ArrayLike = np.nan,
    calibration: Calibration | None = MOUNTAIN_REPORTS,
    seen_logit: ArrayLike | None = None,
) -> SnowChance:
    """P(snow | precipitation) at the road's own temperature, humidity and pressure.

    Each relation is calibrated; `calibration=None` keeps both as published. Where a snow level is given, each is
    averaged with it, half and half (weights assumed). seen_logit: added to the log odds, by what was seen near (see
    `nearby`). RAIN_WET_BULB_C and SNOW_AIR_TEMP_C apply last.
    """
    t = np.asarray(air_temp_c, dtype=np.float64)
    tw = wet_bulb_c(t, rh_frac, pressure_hpa)
    level = snow_level_fraction(road_elevation_m, snow_level_m)

    def limited(p: Array) -> Array:
        p = p if calibration is None else calibration(p, t - tw)
        p = np.where(np.isnan(level), p, 0.5 * (p + level))
        if seen_logit is not None:
            odds = np.clip(p, 1e-12, 1.0 - 1e-12)
            p = _logistic(-np.log(odds / (1.0 - odds)) - np.asarray(seen_logit, dtype=np.float64))
        p = np.where(tw > RAIN_WET_BULB_C, 0.0, p)
        return np.where(t < SNOW_AIR_TEMP_C, np.maximum(p, SNOW_FLOOR), p)

    return SnowChance(jennings=limited(jennings_trivariate(t, rh_frac, pressure_hpa)), wang=limited(wang_wet_bulb(tw)))


def snow_fraction(chance: ArrayLike, rank: ArrayLike) -> Array:
    """The part that falls as snow in a member with phase rank `rank` (0-1, low ranks get snow first).

    A storm at a place is rain or snow, rarely both. A member with a rank below the chance gets snow, above it rain, and
    within MIXED_HALF_WIDTH of it a mixture. The mixed span narrows towards 0 and 1, so that the mean over uniform ranks
    is exactly the chance. Colder air never gives less snow in any member.
    """
    p, u = np.asarray(chance, dtype=np.float64), np.asarray(rank, dtype=np.float64)
    half = np.minimum(MIXED_HALF_WIDTH, np.minimum(p, 1.0 - p))
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        ramp = np.clip(0.5 + (p - u) / (2.0 * half), 0.0, 1.0)
    return np.where(half > 0.0, ramp, np.where(np.isnan(p + u), np.nan, np.where(p > 0.5, 1.0, 0.0)))


def split_phase(chance: ArrayLike, rank: ArrayLike, form: ArrayLike) -> Phase:
    """Split precipitation for each member: the source's form (PrecipForm) first, then the member's own phase."""
    snow = snow_fraction(chance, rank)
    code = np.asarray(form)
    freezing, pellets = code == PrecipForm.FREEZING, code == PrecipForm.PELLETS
    zero = np.zeros_like(snow)
    return Phase(
        snow=np.where(freezing | pellets, 0.0, snow),
        freezing=np.where(freezing, 1.0, zero),
        pellets=np.where(pellets, 1.0, zero),
    )


def new_snow_density_kgm3(air_temp_c: ArrayLike) -> Array:
    """Density of new snow, kg/m³: Anderson 1976 after LaChapelle, 50 below -15 °C, 169 above +2 °C."""
    t = np.clip(np.asarray(air_temp_c, dtype=np.float64), -15.0, 2.0)
    return np.asarray(50.0 + 1.7 * (t + 15.0) ** 1.5)


def snow_to_liquid_ratio(air_temp_c: ArrayLike) -> Array:
    """Depth of new snow over depth of its water, 5-20, for texts only: uncertain by SNOW_RATIO_SPREAD."""
    return np.clip(1000.0 / new_snow_density_kgm3(air_temp_c), 5.0, 20.0)
