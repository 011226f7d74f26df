"""Does moving a forecast's next hours toward what a station measures now help? By hand, from the checkout's root.

    python tests/benchmarks/score_nudge.py

Reads ../shared/observations as score_road_temperature.py does: road stations in Canada, the US and Europe, 2004-2016,
each with the forecast that was at hand. "Now" is every whole hour of a forecast at which the station had measured in
the hour before; the hours after it are scored against what the station then measured. Overlapping nows of one case hang
together, so every figure is the mean over cases of the case's mean absolute error [K], and the interval is a bootstrap
over cases (90 %).

What this cannot show: every case has one station, so the cell is the station's own place and height. It is the best
that a correction can do; how it carries from an airfield to a pass is not measured here. The forecasts' issue times are
not known; their first hour is taken for it. Nor are the heights they are for: an error of height is one that alertd
corrects anyway and that lasts, so the nudge is also scored with each case's mean error taken off first, which leaves it
too little to do as the other way leaves it too much.

Last, the road: its surface temperature in the six hours after the first now, with the forecast's past hours from the
station as score_road_temperature.py has them.
"""

import sys
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from score_road_temperature import HOUR, MEMBERS, Case, at_times, build, read_cases

from alertd.forecast.ensemble import Spreads, to_ensemble
from alertd.forecast.model import Forecast
from alertd.forecast.nudge import NudgeParams, nudge
from alertd.forecast.observations import Station, StationReport
from alertd.road.corridor import road_cells, run_corridor
from alertd.road.parameters import BRIDGE_DECK, ROAD

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


def errors(case: Case, params: NudgeParams | None, less_k: float = 0.0) -> Any:
    """(now, lead): forecast minus measured [K], NaN where not measured; params None for the forecast as it is.

    less_k is taken off the forecast first.
    """
    told = build(case, "cold start")
    told = replace(told, air_temp_c=told.air_temp_c - less_k)
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


def road_errors(case: Case, params: NudgeParams | None) -> Any:
    """(hour,) of the six after the first now: road surface minus measured [K]."""
    told = build(case, "with past")
    assert told.issued_at is not None
    begins_s = told.issued_at.timestamp()
    for at_s in np.ceil(begins_s / HOUR) * HOUR + HOUR * np.arange(told.hours):
        seen = report(case, told, at_s)
        if seen is not None and seen.observed_at >= told.issued_at:
            break
    else:
        return np.array([])
    now = datetime.fromtimestamp(at_s, UTC)
    rng = np.random.default_rng(1)
    forecast = to_ensemble(told, members=MEMBERS, spreads=Spreads(), rng=rng, now_utc=now)
    if params is not None:
        forecast = nudge(forecast, [seen], now, params).forecast
    cells = road_cells([0.0], told.elevation_m, [0], told.lat_deg, told.lon_deg)
    field = run_corridor(forecast, cells, rng=rng, params=BRIDGE_DECK if case.bridge else ROAD)
    modelled = field.surface_temp_c.mean(axis=0, dtype=np.float64)[0]
    at = field.first_epoch_s + HOUR * np.arange(modelled.size)
    measured = at_times(at, case.station_s, case.station["road_surface_c"], reach_s=0.35 * HOUR)
    error = (modelled - measured)[(at > at_s) & (at <= at_s + 6 * HOUR)]
    return error[np.isfinite(error)]


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
    print("as built, each case's mean error taken off first")
    less = [float(np.nanmean(t)) for t in before]
    level = [errors(c, None, k) for c, k in zip(cases, less, strict=True)]
    after = [errors(c, NudgeParams(), k) for c, k in zip(cases, less, strict=True)]
    for low, high in GROUPS:
        print(line(f"{low}-{high} h", by_case(level, low, high), by_case(after, low, high)))
    print("road surface in the six hours after the first now, as built")
    roads = [(road_errors(c, None), road_errors(c, NudgeParams())) for c in cases]
    roads = [(plain, moved) for plain, moved in roads if plain.size]
    was, now = (np.array([np.abs(e).mean() for e in side]) for side in zip(*roads, strict=True))
    print(line("0-6 h", was, now))
    bias = [np.concatenate(side).mean() for side in zip(*roads, strict=True)]
    print(f"  bias {bias[0]:+.2f} -> {bias[1]:+.2f} K over {sum(e.size for e, _ in roads)} hours")
    full = replace(NudgeParams(), fade_h=1e9, warm_share=1.0, warm_most_k=99.0, cool_most_k=99.0)
    after = [errors(c, full) for c in cases]
    print("how long an error lasts: half of it taken off, never fading (the weight of a station against the forecast)")
    for lead in range(LEADS_H):
        print(line(f"{lead}-{lead + 1} h", by_case(before, lead, lead + 1), by_case(after, lead, lead + 1)))


if __name__ == "__main__":
    main()
