"""OUR ESTIMATE, not law: one latent posting state by the hour, and how strict the posted level is.

A control is posted or not. It is posted at a rate that rises with snowfall, drifting snow and glaze, and lifted at a
rate that falls while snow falls or lies. The state therefore lasts, fades after the snow, and starts from what is
posted. Its structure and coefficients are our assumption [A]; the page shared/guide/science/posting.md lists them and
compares the result with published figures.

1 mm of water is 1 cm of new snow (10:1), so mm w.e. per hour and cm per hour have the same number.
"""

from dataclasses import dataclass
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

Float32: TypeAlias = NDArray[np.float32]

# Rate of posting, 1/h: 1.2 R^1.3 + 0.2 drift + 0.3 glaze + 0.05 ice [A].
ON_SNOW: Final = 1.2
ON_SNOW_POWER: Final = 1.3
ON_DRIFT: Final = 0.2
ON_GLAZE: Final = 0.3
ON_ICE: Final = 0.05
# Drifting: (W - 12) / 10 from 12 m/s of wind on, where 2 mm or more of snow of the last day lies [A].
DRIFT_FROM_MPS: Final = 12.0
DRIFT_PER_MPS: Final = 10.0
DRIFT_SNOW_MMWE: Final = 2.0
# Rate of lifting, 1/h: 0.35 on a cleared road, down to 0.15 while new snow lies and 0.05 while it falls [A].
# "Controls usually end soon after the end of the storm" (dot.ca.gov/hq/roadinfo/snwice.htm).
OFF_CLEARED: Final = 0.35
OFF_LYING: Final = 0.20  # less while new snow lies: none at 0.25 mm, all of it from 0.75 mm on
OFF_FALLING: Final = 0.30  # less while snow falls: all of it from 0.25 mm/h on
OFF_LEAST: Final = 0.05
# A zone's own habit multiplies its rate of posting by exp(u), u ~ N(0, 0.7^2) [A]. Three nodes of Gauss and Hermite
# replace the distribution, so no draw decides.
HABIT_SIGMA: Final = 0.7
HABIT_FACTOR: Final = np.exp(HABIT_SIGMA * np.sqrt(3.0) * np.asarray([-1.0, 0.0, 1.0], dtype=np.float32))
HABIT_WEIGHT: Final = np.asarray([1.0, 4.0, 1.0], dtype=np.float32) / np.float32(6.0)
# A pass with a rise over 400 m is posted sooner, by the rise to the power 0.4 [A].
RISE_M: Final = 400.0
RISE_POWER: Final = 0.4
# Ordinary snow, for which the probabilities of the rule files hold: 0.5 mm/h of its water, lasting [A].
ORDINARY_MMWE_H: Final = 0.5
# The odds of a level, once anything is posted, are proportional to the severity plus 0.1 mm/h [A].
SEVERITY_FLOOR: Final = 0.1
# Between passes they rise with its sixth root only: level road is rarely posted in any storm [A].
BETWEEN_PASSES_POWER: Final = 1.0 / 6.0
# New snow that ploughs and salt have not cleared: a time of 2.5 h, or 6 h at -11 °C and below, linear from -7 °C [A].
CLEARED_IN_H: Final = 2.5
CLEARED_COLD_H: Final = 6.0
SALT_WORKS_C: Final = -7.0
SALT_FAILS_C: Final = -11.0

# Closures. Ploughs keep up with about 1 in/h and canyons close at several (parkrecord.com on I-80 in Utah). Rates, 1/h,
# and the reopening after about 5 h [A].
CLOSE_SNOWFALL_MMWE_H: Final = 2.5
CLOSE_SNOWFALL: Final = 0.12
CLOSE_SNOWFALL_POWER: Final = 1.5
CLOSE_WIND_MPS: Final = 18.0
CLOSE_WIND: Final = 0.015
CLOSE_DEPTH: Final = 0.3
CLOSE_DEPTH_MMWE: Final = 10.0
REOPEN: Final = 0.2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ZoneWeather:
    """The weather of control zones, arrays (member, zone, hour); each value is the worst over the zone.

    snowfall_mmwe_h: mean of three hours, only what lies.
    uncleared_mmwe: new snow that ploughs have not cleared.
    day_mmwe: snow of the last day that lies.
    wind_mps: mean wind, 0 where it is not known.
    glaze, ice: 0 or 1.
    known: False where any of the zone is not known. The state then does not fall.
    """

    snowfall_mmwe_h: Float32
    uncleared_mmwe: Float32
    day_mmwe: Float32
    wind_mps: Float32
    glaze: Float32
    ice: Float32
    known: NDArray[np.bool_]


def _part(value: ArrayLike, of: float) -> Float32:
    """The value as a share of `of`, between 0 and 1."""
    share = np.asarray(value, dtype=np.float32) / np.float32(of)
    return np.asarray(np.clip(share, np.float32(0.0), np.float32(1.0)), dtype=np.float32)


def drift(weather: ZoneWeather) -> Float32:
    """Strength of drifting snow, 0 without wind or without snow of the last day."""
    blow = np.maximum(weather.wind_mps - DRIFT_FROM_MPS, 0.0) / DRIFT_PER_MPS
    return np.asarray(blow * _part(weather.day_mmwe, DRIFT_SNOW_MMWE), dtype=np.float32)


def on_rate(weather: ZoneWeather, rise_m: ArrayLike = 0.0) -> Float32:
    """Rate of posting [1/h] of a zone of ordinary habit, (member, zone, hour).

    rise_m: of each zone, (zone,).
    """
    rate = ON_SNOW * weather.snowfall_mmwe_h**ON_SNOW_POWER + ON_DRIFT * drift(weather)
    rate = rate + np.maximum(ON_GLAZE * weather.glaze, ON_ICE * weather.ice)
    return np.asarray(rate * rise_factor(rise_m)[..., :, None], dtype=np.float32)


def rise_factor(rise_m: ArrayLike) -> Float32:
    """Factor on the rate of posting for the rise of a pass, 1 up to 400 m; the shape of rise_m, at least (1,)."""
    return np.asarray(np.maximum(np.atleast_1d(rise_m) / RISE_M, 1.0) ** RISE_POWER, dtype=np.float32)


def off_rate(weather: ZoneWeather) -> Float32:
    """Rate of lifting [1/h], (member, zone, hour); 0 where the zone is not known."""
    less = OFF_LYING * _part(weather.uncleared_mmwe - 0.25, 0.5) + OFF_FALLING * _part(weather.snowfall_mmwe_h, 0.25)
    return np.asarray(np.maximum(OFF_CLEARED - less, OFF_LEAST) * weather.known, dtype=np.float32)


def close_rate(weather: ZoneWeather, day_snow_mmwe: float) -> Float32:
    """Rate of closing [1/h], (member, zone, hour).

    day_snow_mmwe: snow of a day at which a closure is likely. The rate begins 10 mm below it.
    """
    burst = CLOSE_SNOWFALL * np.maximum(weather.snowfall_mmwe_h - CLOSE_SNOWFALL_MMWE_H, 0.0) ** CLOSE_SNOWFALL_POWER
    gale = CLOSE_WIND * np.maximum(weather.wind_mps - CLOSE_WIND_MPS, 0.0) * _part(weather.day_mmwe, DRIFT_SNOW_MMWE)
    over = np.maximum(weather.day_mmwe - (day_snow_mmwe - CLOSE_DEPTH_MMWE), 0.0) / CLOSE_DEPTH_MMWE
    return np.asarray(burst + gale + CLOSE_DEPTH * over**2, dtype=np.float32)


def reopen_rate(weather: ZoneWeather, day_snow_mmwe: float) -> Float32:
    """Rate of reopening [1/h], (member, zone, hour): none while `day_snow_mmwe` or more of a day's snow lies."""
    over = _part(weather.day_mmwe - (day_snow_mmwe - CLOSE_DEPTH_MMWE), CLOSE_DEPTH_MMWE)
    return np.asarray(np.float32(REOPEN) * (np.float32(1.0) - over), dtype=np.float32)


def run_state(on: Float32, off: Float32, seeds: tuple[tuple[int, int, float], ...] = ()) -> Float32:
    """Probability of the state at each hour, the shape of `on` (..., zone, hour).

    Solves dP/dt = on (1 - P) - off P over each hour: P' = p + (P - p) exp(-(on + off)) with p = on / (on + off). It
    rises with `on`, falls with `off` and is exact, however large the rates are. The first hour has the steady state of
    its own rates, because what was posted before is not known.

    seeds: (zone, hour, probability) where the state is known at an hour.
    """
    both = on + off
    steady = np.where(both > 0.0, on / np.maximum(both, np.float32(1e-9)), np.float32(0.0))
    keeps = np.exp(-both)
    out = np.empty_like(steady)
    state = steady[..., 0]
    for h in range(on.shape[-1]):
        if h:
            state = steady[..., h] + (state - steady[..., h]) * keeps[..., h]
        for zone, _, known in (s for s in seeds if s[1] == h):
            state[..., zone] = known
        out[..., h] = state
    return out


def posted_state(on: Float32, off: Float32, seeds: tuple[tuple[int, int, float], ...] = ()) -> Float32:
    """Probability that a control is posted, (member, zone, hour), the mean over the habits of a zone."""
    if not on.size:
        return on
    out = np.zeros_like(on)
    for factor, weight in zip(HABIT_FACTOR, HABIT_WEIGHT, strict=True):
        out += weight * run_state(on * factor, off, seeds)
    return out


def severity_mmwe_h(weather: ZoneWeather) -> Float32:
    """Severity of the storm as a rate of snowfall, (member, zone, hour).

    The larger of the snowfall and of the uncleared snow over its usual time, plus half the strength of drifting snow.
    Glaze counts as ordinary snow.
    """
    snow = np.maximum(weather.snowfall_mmwe_h, weather.uncleared_mmwe / np.float32(CLEARED_IN_H))
    snow = snow + np.float32(0.5) * drift(weather)
    return np.asarray(np.maximum(snow, np.float32(ORDINARY_MMWE_H) * weather.glaze), dtype=np.float32)


def odds_factor(severity: ArrayLike, is_pass: ArrayLike = True) -> Float32:
    """Factor on the odds of a level for a storm's severity [mm/h]; 1 for ordinary snow.

    severity: (member, zone, hour) or a number.
    is_pass: whether each zone is a pass, (zone,) or one value.
    """
    reach = (np.asarray(severity, dtype=np.float32) + SEVERITY_FLOOR) / (ORDINARY_MMWE_H + SEVERITY_FLOOR)
    between = reach**BETWEEN_PASSES_POWER
    on_pass = np.asarray(is_pass)
    return np.asarray(np.where(on_pass[:, None] if on_pass.ndim else on_pass, reach, between), dtype=np.float32)


def level_share(probability: ArrayLike, factor: ArrayLike) -> Float32:
    """Probability of a level, or a stricter one, once anything is posted: an ordinal threshold on the log odds.

    probability: of the level in ordinary snow, as in a rule file.
    factor: see `odds_factor`.

    The product with the state is `probability` in lasting ordinary snow.
    """
    q = np.minimum(np.asarray(probability, dtype=np.float32) / np.float32(ORDINARY_STATE), np.float32(1.0))
    raised = q * np.asarray(factor, dtype=np.float32)
    with np.errstate(invalid="ignore"):
        return np.asarray(np.where(raised > 0.0, raised / (np.float32(1.0) - q + raised), 0.0), dtype=np.float32)


def uncleared_mmwe(snowfall_mmwe_h: Float32, air_temp_c: Float32, lying_mmwe: Float32) -> Float32:
    """New snow that ploughs and salt have not cleared, (member, zone, hour): dD/dt = R - D / tau, no more than lies."""
    cold = _part(SALT_WORKS_C - air_temp_c, SALT_WORKS_C - SALT_FAILS_C)
    tau_h = CLEARED_IN_H + (CLEARED_COLD_H - CLEARED_IN_H) * cold
    kept, most = np.exp(-1.0 / tau_h), snowfall_mmwe_h * tau_h
    out = np.empty_like(snowfall_mmwe_h)
    snow = np.minimum(most[..., 0], lying_mmwe[..., 0])
    for h in range(out.shape[-1]):
        if h:
            snow = np.minimum(most[..., h] + (snow - most[..., h]) * kept[..., h], lying_mmwe[..., h])
        out[..., h] = snow
    return out


def ordinary_weather(snowfall_mmwe_h: float = ORDINARY_MMWE_H) -> ZoneWeather:
    """Lasting snow at this rate in one zone and hour, calm, above -7 °C; arrays (1, 1, 1)."""

    def one(value: float) -> Float32:
        return np.full((1, 1, 1), value, dtype=np.float32)

    return ZoneWeather(
        snowfall_mmwe_h=one(snowfall_mmwe_h),
        uncleared_mmwe=one(snowfall_mmwe_h * CLEARED_IN_H),
        day_mmwe=one(snowfall_mmwe_h * CLEARED_IN_H),
        wind_mps=one(0.0),
        glaze=one(0.0),
        ice=one(0.0),
        known=np.ones((1, 1, 1), dtype=np.bool_),
    )


# The state in lasting ordinary snow, to which the probabilities of the rule files refer.
ORDINARY_STATE: Final = float(posted_state(on_rate(ordinary_weather()), off_rate(ordinary_weather()))[0, 0, 0])
