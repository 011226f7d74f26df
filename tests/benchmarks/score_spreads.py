"""Whether stated spreads hold what they promise, and the rate with height: by hand, from the checkout's root.

    python tests/benchmarks/score_spreads.py

Reads ../shared/observations: 48 h forecasts of air temperature at stations of the Pacific Northwest, early 2004 (half
of the set; older models, so an upper bound), and hourly winter pairs of a valley and a summit station (even years).
Intervals of 90 % are over whole days or whole winters drawn again.
"""

import csv
import sys
from datetime import UTC, datetime
from pathlib import Path
from statistics import NormalDist
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from alertd.forecast.ensemble import Spreads
from alertd.road import humidity, radiation
from alertd.road.downscale import AIR

OBSERVATIONS = Path(__file__).resolve().parents[3] / "shared" / "observations"
FORECASTS = OBSERVATIONS / "temperature_48h_forecasts_pnw_2004_first_half.csv"
PAIRS = OBSERVATIONS / "valley_and_summit_winter_hours_brenner_even_years.csv"
VALLEY_M, SUMMIT_M = 1080.0, 2107.0
BANDS = (0.5, 0.8, 0.9)
DRAWS = 2000


def read(path: Path) -> list[dict[str, str]]:
    if not path.exists():
        raise SystemExit(f"{path} is not there: this score needs the observations beside the checkout")
    with path.open(newline="", encoding="utf-8") as f:
        return list(csv.DictReader(f))


def drawn(block: Any, top: Any, bottom: Any) -> tuple[float, float]:
    """The middle 90 % of sum(top) / sum(bottom) over blocks drawn again."""
    _, of = np.unique(block, return_inverse=True)
    a, b = np.bincount(of, top), np.bincount(of, bottom)
    weight = np.random.default_rng(4).multinomial(a.size, np.full(a.size, 1.0 / a.size), DRAWS)
    low, high = np.quantile((weight @ a) / (weight @ b), (0.05, 0.95))
    return float(low), float(high)


def past_mean(station: Any, day: Any, error: Any, shrink: float = 5.0) -> Any:
    """Each station's mean error of the days before, shrunk."""
    out = np.zeros(error.size)
    sums: dict[str, tuple[float, float]] = {}
    for when in np.unique(day):
        today = np.flatnonzero(day == when)
        for i in today:
            n, total = sums.get(station[i], (0.0, 0.0))
            out[i] = total / (n + shrink)
        for i in today:
            n, total = sums.get(station[i], (0.0, 0.0))
            sums[station[i]] = (n + 1.0, total + error[i])
    return out


def bands() -> None:
    rows = read(FORECASTS)
    forecast, seen, height = (
        np.array([float(r[n] or "nan") for r in rows]) for n in ("forecast48h_mean_c", "observed_c", "elev_m")
    )
    station, day = (np.array([r[n] for r in rows]) for n in ("station", "valid_utc"))
    error = seen - forecast
    spreads = Spreads()
    sd = float(spreads.air_temp_sd_c(np.array([48.0]))[0])
    print(f"48 h air temperature, {error.size} forecasts, {np.unique(day).size} days: error sd {error.std():.2f} K")
    for name, left in (("as forecast", error), ("learned error off", error - past_mean(station, day, error))):
        for stated in (2.0, sd, 3.15):
            parts = []
            for band in BANDS:
                inside = np.abs(left) <= stated * NormalDist().inv_cdf(0.5 + band / 2.0)
                low, high = drawn(day, inside * 1.0, np.ones(inside.size))
                parts.append(f"{band:.0%} band {inside.mean():.1%} ({low:.1%}-{high:.1%})")
            print(f"  {name:18s} stated {stated:.2f} K: " + "   ".join(parts) + f"   sd {left.std():.2f}")
    print("  in use by lead: " + ", ".join(
        f"{lead:g} h {k:g} K" for lead, k in zip(spreads.lead_h, spreads.air_temp_c, strict=True)
    ))  # fmt: skip
    for low, high in ((-1e9, 500.0), (500.0, 1200.0), (1200.0, 1e9)):
        k = (height >= low) & (height < high)
        inside = np.abs(error[k]) <= sd * NormalDist().inv_cdf(0.9)
        print(f"  {max(low, 0):.0f} to {min(high, 4000):.0f} m: {k.sum()} forecasts, sd {error[k].std():.2f} K, "
              f"80 % band {inside.mean():.1%}")  # fmt: skip


def lapse() -> None:
    rows = read(PAIRS)
    epoch, valley, rh, wind, summit = (
        np.array([float(r[n]) if r[n] else np.nan for r in rows])
        for n in ("epoch_s", "t_valley", "rh_valley", "ff_valley", "t_summit")
    )
    when = [datetime.fromtimestamp(e, UTC) for e in epoch]
    month, year = np.array([w.month for w in when]), np.array([w.year for w in when])
    zenith, _ = radiation.solar_position(47.0, 11.5, epoch)
    pressure = humidity.isa_pressure_hpa(VALLEY_M)
    rate = humidity.regime_lapse_k_per_m(valley, pressure, rh / 100.0, np.nan, 0.0, month)
    moved = humidity.temperature_at_height_c(
        valley, VALLEY_M, SUMMIT_M, lapse_k_per_m=rate, wind_mps=wind, sun_is_up=zenith < 90.0
    )
    rise_km = (SUMMIT_M - VALLEY_M) / 1000.0
    true, error = (valley - summit) / rise_km, moved - summit
    wet, night = humidity.is_saturated(rh / 100.0, 1.0, 0.0), zenith >= 90.0
    known = np.isfinite(error)
    print(f"valley {VALLEY_M:.0f} m to summit {SUMMIT_M:.0f} m, {known.sum()} winter hours, years {np.unique(year)}")
    stated = np.where(wet, AIR.height_sigma_wet_k_per_km, AIR.height_sigma_k_per_km)
    groups = {
        "all": known, "saturated": known & wet, "dry": known & ~wet, "dry, night, wind < 2 m/s": known & ~wet & night
        & (wind < 2.0), "dry, day": known & ~wet & ~night,
    }  # fmt: skip
    groups |= {f"year {y}": known & (year == y) for y in np.unique(year)}
    for name, k in groups.items():
        if k.sum() < 100:
            continue
        z = np.abs(error[k]) / (stated[k] * rise_km)
        low, high = drawn(year[k] * 12 + month[k], error[k], np.ones(k.sum()))
        print(f"  {name:26s} {k.sum():6d} h  true {true[k].mean():4.1f} sd {true[k].std():3.1f} K/km   moved: bias "
              f"{error[k].mean():+5.2f} ({low:+.2f} to {high:+.2f}) MAE {np.abs(error[k]).mean():4.2f} K   "
              f"80 % band {np.mean(z <= 1.2816):.0%}")  # fmt: skip


if __name__ == "__main__":
    bands()
    lapse()
