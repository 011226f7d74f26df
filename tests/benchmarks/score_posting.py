"""Compares the posting model with published control days, control hours and closures of named passes. Run by hand.

    python tests/benchmarks/score_posting.py [--winters 40]

No archived forecasts are used. Winters are drawn: snow days come in spells, the snow of a day is exponential, falls in
one run of hours, and its hourly rates vary. Only the snow total and the number of snow days are those of the winter.
The published figures are from press excerpts, not whole documents. A day counts as one of control where the largest
probability of the day is counted as its chance.
"""

import argparse
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from alertd.rules.posting.hazard import (
    ZoneWeather,
    close_rate,
    level_share,
    odds_factor,
    off_rate,
    on_rate,
    posted_state,
    reopen_rate,
    run_state,
    severity_mmwe_h,
    uncleared_mmwe,
)
from alertd.units import INCH_MM

SEASON_DAYS = 181  # November to April
CLOSED_DAY_MMWE = 60.0


@dataclass(frozen=True)
class Winter:
    """A pass and winter: snow [in] and snow days, rise of the pass, file figure of its mildest level, and anchors."""

    name: str
    snow_in: float
    snow_days: int
    rise_m: float
    level: float
    air_c: float
    control_days: float | None = None
    control_hours: float | None = None
    closures: float | None = None
    closed_hours: float | None = None
    source: str = ""


WINTERS = (
    Winter(
        "Donner 2022-23", 730, 64, 1300, 0.6, -4.0, 78, 900, 15, None,
        "regional press citing the state's district office: 78 days, about 900 h, 64 snow days, 730 in, 15 closures",
    ),
    Winter(
        "Snoqualmie 2015-16", 370, 70, 800, 0.7, -1.5, None, None, None, 197,
        "wsdotblog Apr 2016: closed 197 h; snow total and days from memory, rounded",
    ),
    Winter(
        "Snoqualmie 2014-15", 110, 30, 800, 0.7, 0.0, None, None, None, 22,
        "spokesman.com Feb 2016: closed 22 h; snow total and days from memory, rounded",
    ),
    Winter("a thin winter at Lookout", 150, 60, 450, 0.6, -3.0, source="no anchor"),
)  # fmt: skip


def hourly_snow(winter: Winter, rng: np.random.Generator) -> NDArray[np.float32]:
    """Return snowfall [mm water an hour, 10:1], (hour,)."""
    snows, day = np.zeros(SEASON_DAYS, dtype=bool), 0
    while snows.sum() < winter.snow_days:
        day = int(rng.integers(0, SEASON_DAYS))
        snows[day : day + int(rng.integers(1, 5))] = True
    extra = np.flatnonzero(snows)
    snows[rng.choice(extra, extra.size - winter.snow_days, replace=False)] = False
    total = rng.exponential(1.0, SEASON_DAYS) * snows
    total *= winter.snow_in * INCH_MM / 10.0 / total.sum()
    out = np.zeros((SEASON_DAYS, 24))
    for d in np.flatnonzero(snows):
        hours = int(rng.integers(6, 19))
        first = int(rng.integers(0, 25 - hours))
        share = rng.gamma(2.0, 1.0, hours)
        out[d, first : first + hours] = total[d] * share / share.sum()
    return out.reshape(-1).astype(np.float32)


def figures(winter: Winter, rng: np.random.Generator) -> dict[str, float]:
    """Return the model's figures of one drawn winter."""
    fall = hourly_snow(winter, rng)
    run = np.convolve(fall, np.ones(3) / 3.0)[: fall.size].astype(np.float32)
    day = np.convolve(fall, np.ones(24))[: fall.size].astype(np.float32)
    one = np.ones((1, 1, fall.size), dtype=np.float32)
    wind = (rng.gamma(4.0, 1.5, fall.size) + 3.0 * (fall > 1.0)).astype(np.float32)
    weather = ZoneWeather(
        snowfall_mmwe_h=run[None, None],
        uncleared_mmwe=uncleared_mmwe(run[None, None], winter.air_c * one, 500.0 * one),
        day_mmwe=day[None, None],
        wind_mps=wind[None, None],
        glaze=0.0 * one,
        ice=0.0 * one,
        known=one > 0.0,
    )
    state = posted_state(on_rate(weather, winter.rise_m), off_rate(weather))
    chance = (state * level_share(winter.level, odds_factor(severity_mmwe_h(weather))))[0, 0]
    closing = close_rate(weather, CLOSED_DAY_MMWE)
    closed = run_state(closing, reopen_rate(weather, CLOSED_DAY_MMWE))[0, 0]
    storm = fall > 0.0
    return {
        "control days": float(chance.reshape(-1, 24).max(axis=1).sum()),
        "control hours": float(np.maximum(chance, closed).sum()),
        "closures": float((-np.expm1(-closing[0, 0]) * (1.0 - np.append(0.0, closed[:-1]))).sum()),
        "closed hours": float(closed.sum()),
        "storm hours": float(storm.sum()),
        "storm hours cleared": float((weather.uncleared_mmwe[0, 0][storm] < 1.0).mean()),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--winters", type=int, default=40)
    asked = parser.parse_args()
    for winter in WINTERS:
        drawn = [figures(winter, np.random.default_rng(n)) for n in range(asked.winters)]
        print(f"{winter.name}: {winter.snow_in:.0f} in on {winter.snow_days} days; {winter.source}")
        for name in drawn[0]:
            values = np.asarray([d[name] for d in drawn])
            known = getattr(winter, name.replace(" ", "_"), None)
            beside = "" if known is None else f", published {known:g}, misfit {values.mean() / known - 1.0:+.0%}"
            low, high = np.quantile(values, (0.1, 0.9))
            print(f"  {name:20} {values.mean():8.2f} (8 of 10 winters {low:.2f} to {high:.2f}){beside}")


if __name__ == "__main__":
    main()
