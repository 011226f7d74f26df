"""Does moving a forecast's next hours toward what a station measures now help? By hand, from the checkout's root.

    python tests/benchmarks/score_nudge.py

Reads ../shared/observations as score_road_temperature.py does: road stations in Canada, the US and Europe, 2004-2016,
each with the forecast that was at hand. "Now" is every whole hour of a forecast at which the station had measured in
the hour before; the hours after it are scored against what the station then measured. Overlapping nows of one case hang
together, so every figure is the mean over cases of the case's mean absolute error [K], and the interval is a bootstrap
over cases (90 %).

What this cannot show: every case has one station, so the cell is the station's own place and height. It is the best
that a correction can do; how it carries from an airfield to a pass is not measured here. The forecasts' issue times are
not known; their first hour is taken for it.
"""

import sys
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from score_road_temperature import HOUR, Case, at_times, build, read_cases

from alertd.forecast.nudge import NudgeParams, nudge
from alertd.forecast.observed import Station, StationReport
from alertd.forecast.series import Forecast

LEADS_H = 12
GROUPS = ((0, 2), (2, 4), (4, 6), (6, 12))
NAN = float("nan")
WAYS = {
    "as built: cooling whole, warming halved": NudgeParams(),
    "the same, fading over 3 h": NudgeParams(fade_h=3.0),
    "the same, fading over 12 h": NudgeParams(fade_h=12.0),
    "warming not at all": NudgeParams(warm_share=0.0),
    "both alike, up to 5 K": NudgeParams(warm_share=1.0, warm_most_k=5.0, cool_most_k=5.0),
}


def report(case: Case, told: Forecast, at_s: float) -> StationReport | None:
    """What the station last measured in the hour up to `at_s`, at the height that the forecast is for."""
    seen = case.station["air_c"]
    known = np.flatnonzero(np.isfinite(seen) & (case.station_s <= at_s) & (case.station_s > at_s - HOUR))
    if not known.size:
        return None
    i = known[-1]
    place = Station(id=case.name, lat_deg=case.lat, lon_deg=case.lon, elevation_m=float(told.elevation_m[0]))
    return StationReport(
        station=place, source="", observed_at=datetime.fromtimestamp(case.station_s[i], UTC), air_temp_c=seen[i],
        dew_point_c=NAN, rh_frac=NAN, wind_mps=NAN, gust_mps=NAN, wind_from_deg=NAN, visibility_m=NAN,
        precip_last_hour_mmwe=NAN, weather=None, raw="",
    )  # fmt: skip


def errors(case: Case, params: NudgeParams | None) -> Any:
    """(now, lead): forecast minus measured [K], NaN where not measured; params None for the forecast as it is."""
    told = build(case, "cold start")
    first_s = told.start.timestamp()
    middles_s = first_s + HOUR * (np.arange(told.hours) + 0.5)
    measured = at_times(middles_s, case.station_s, case.station["air_c"], reach_s=0.6 * HOUR)
    out = []
    for at_s in first_s + HOUR * np.arange(1, told.hours):
        seen = report(case, told, at_s)
        if seen is None:
            continue
        now = datetime.fromtimestamp(at_s, UTC)
        moved = told if params is None else nudge(told, [seen], now, params).forecast
        error = moved.air_temp_c[0, 0] - measured
        i = round((at_s - first_s) / HOUR)
        row = np.full(LEADS_H, np.nan)
        row[: error.size - i][:LEADS_H] = error[i : i + LEADS_H]
        out.append(row)
    return np.array(out).reshape(-1, LEADS_H)


def by_case(tables: list[Any], low: int, high: int) -> Any:
    """(case,): mean absolute error, NaN for a case without such hours."""
    parts = [np.abs(t[:, low:high]) for t in tables]
    return np.array([np.nanmean(p) if np.isfinite(p).any() else np.nan for p in parts])


def interval(change: Any) -> tuple[float, float]:
    rng = np.random.default_rng(0)
    draws = [change[rng.integers(0, change.size, change.size)].mean() for _ in range(4000)]
    low, high = np.quantile(draws, (0.05, 0.95))
    return float(low), float(high)


def line(name: str, before: Any, after: Any) -> str:
    both = np.isfinite(before) & np.isfinite(after)
    change = after[both] - before[both]
    low, high = interval(change)
    worse = int(np.sum(change > 0.05))
    return (
        f"  {name:9s} {both.sum():2d} cases  MAE {before[both].mean():4.2f} -> {after[both].mean():4.2f} K  "
        f"change {change.mean():+5.2f} ({low:+.2f} to {high:+.2f})  worse in {worse}"
    )


def too_warm(table: Any) -> tuple[int, int]:
    """Hours among the first six that come out more than 1 K too warm, of all."""
    part = table[:, :6]
    return int(np.sum(part > 1.0)), int(np.isfinite(part).sum())


def main() -> None:
    cases = [c for c in read_cases() if c.forecast_s.size > 1]
    plain = {c.name: errors(c, None) for c in cases}
    cases = [c for c in cases if np.isfinite(plain[c.name]).any()]
    before = [plain[c.name] for c in cases]
    nows = sum(np.isfinite(t).any(axis=1).sum() for t in before)
    print(f"{len(cases)} cases, {nows} nows; forecast as it is, then moved")
    for name, params in WAYS.items():
        after = [errors(c, params) for c in cases]
        print(name)
        for low, high in GROUPS:
            print(line(f"{low}-{high} h", by_case(before, low, high), by_case(after, low, high)))
        (was, n), (now, _) = (tuple(map(sum, zip(*map(too_warm, t), strict=True))) for t in (before, after))
        print(f"  more than 1 K too warm within 6 h: {was} -> {now} of {n} hours")
    full = replace(NudgeParams(), fade_h=1e9, warm_share=1.0, warm_most_k=99.0, cool_most_k=99.0)
    after = [errors(c, full) for c in cases]
    print("how long an error lasts: half of it taken off, never fading (the weight of a station against the forecast)")
    for lead in range(LEADS_H):
        print(line(f"{lead}-{lead + 1} h", by_case(before, lead, lead + 1), by_case(after, lead, lead + 1)))


if __name__ == "__main__":
    main()
