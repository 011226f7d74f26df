"""How well the road's surface temperature is forecast, against road stations: by hand, from the checkout's root.

    python tests/benchmarks/score_road_temperature.py

Reads ../shared/observations (open test data of a public road-weather model: stations in Canada, the US and Europe,
2004-2016). Nothing is tuned here and no measured road or ground temperature enters the model. Three ways:

- cold start: the forecast that was at hand, alone. What a user gets from a source without past hours.
- with past: before the forecast's first hour, what the station's own air, dew point and wind said, as a source with
  past hours would; cloud of the past was not measured and is taken as the forecast's mean of its first 24 hours.
- weather known: the station's air, dew point and wind throughout, scored from the seventh hour on; cloud from the
  forecast where it reaches, else one half; the forecast's own hours follow, to make a first day. What is left is the
  road model's own error, and the cloud's.

Under each score stands the error of the forecast's own air temperature at the same hours: no road model can be
better informed than that.

How the files are read: 999, 9999 and -9999 are missing. Cloud is in octas, except where values above 8 show that the
file holds percent. Rain and snow are totals since the start, so amounts are differences (a falling total is a fault
and gives 0); snow depth is taken as 1 mm of water per cm. A forecast value holds at its instant, so an hour is the mean
of its two ends. Case 049 repeats the numbers of case 048 under another place and is left out.
"""

import csv
import sys
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from alertd.forecast.ensemble import Spreads, to_ensemble
from alertd.forecast.model import Forecast
from alertd.road import humidity, radiation
from alertd.road.corridor import road_cells, run_corridor
from alertd.road.parameters import BRIDGE_DECK, ROAD, SurfaceParams

OBSERVATIONS = Path(__file__).resolve().parents[3] / "shared" / "observations"
FORECASTS = OBSERVATIONS / "road_forecast_inputs.csv"
STATIONS = OBSERVATIONS / "road_surface_observations.csv"
REPEATED = {"case049"}
MEMBERS = 31
PAST_H = 48
HOUR = 3600.0
ROAD_NIGHT_ZENITH_DEG = 93.0  # sun gone, and with it the last of what it left


@dataclass(frozen=True)
class Case:
    """Times in epoch seconds; columns by name, (time,)."""

    name: str
    lat: float
    lon: float
    bridge: bool
    forecast_s: Any
    forecast: dict[str, Any]
    station_s: Any
    station: dict[str, Any]


def number(text: str) -> float:
    value = float(text) if text else np.nan
    return value if abs(value) < 9990.0 and abs(value) not in (999.0,) else np.nan


def epoch(text: str) -> float:
    when = datetime.fromisoformat(text)
    return (when if when.tzinfo else when.replace(tzinfo=UTC)).timestamp()


def columns(rows: list[dict[str, str]], names: tuple[str, ...]) -> tuple[Any, dict[str, Any]]:
    ordered = {epoch(r["time_utc"]): [number(r[n]) for n in names] for r in rows}
    at = np.array(sorted(ordered))
    table = np.array([ordered[s] for s in at]).reshape(at.size, len(names))
    return at, {n: table[:, i] for i, n in enumerate(names)}


def read_cases() -> list[Case]:
    if not FORECASTS.exists():
        raise SystemExit(f"{FORECASTS} is not there: this score needs the observations beside the checkout")
    groups: dict[str, tuple[list[dict[str, str]], list[dict[str, str]]]] = defaultdict(lambda: ([], []))
    for which, path in enumerate((FORECASTS, STATIONS)):
        with path.open(newline="", encoding="utf-8") as f:
            for row in csv.DictReader(f):
                groups[row["case"]][which].append(row)
    cases = []
    for name, (result, seen) in sorted(groups.items()):
        if not seen or name in REPEATED:
            continue
        weather = ("air_c", "dewpoint_c", "wind_kmh")
        more = ("rain_mm_cum", "snow_cm_cum", "pressure_hpa", "cloud_octas", "solar_wm2")
        forecast_s, forecast = columns(result, weather + more)
        station_s, station = columns(seen, (*weather, "road_surface_c"))
        place = (result or seen)[0]
        bridge = seen[0]["type"] == "bridge"
        cases.append(
            Case(name, float(place["lat"]), float(place["lon"]), bridge, forecast_s, forecast, station_s, station)
        )
    return cases


def at_times(when: Any, times: Any, values: Any, reach_s: float = 3 * HOUR) -> Any:
    """Linear between known values; NaN outside them and further than `reach_s` from any."""
    known = np.isfinite(values)
    if not known.any():
        return np.full(when.shape, np.nan)
    t, v = times[known], values[known]
    near = np.abs(when[:, None] - t[None, :]).min(axis=1) <= reach_s
    out = np.interp(when, t, v, left=np.nan, right=np.nan)
    return np.where(near, out, np.nan)


def hourly(ends: Any) -> Any:
    """Means over hours from values at their ends; one known end stands for the hour."""
    pair = np.stack([ends[:-1], ends[1:]])
    count = np.isfinite(pair).sum(axis=0)
    return np.where(count > 0, np.nansum(pair, axis=0) / np.maximum(count, 1), np.nan)


def cloud_frac(octas: Any) -> Any:
    top = np.nanmax(octas) if np.isfinite(octas).any() else 8.0
    return octas / (100.0 if top > 8.0 else 8.0)


def build(case: Case, way: str) -> Forecast:
    """The Forecast value of one case, its arrays (1, 1, hour)."""
    f, s = case.forecast, case.station
    have = case.forecast_s.size > 1
    if way == "weather known":
        first, last = case.station_s[0], max([case.station_s[-1], *case.forecast_s[-1:]])
    else:
        first, last = case.forecast_s[0], case.forecast_s[-1]
        if way == "with past":
            first = max(min(case.station_s[0], first), first - PAST_H * HOUR)
    first, last = np.floor(first / HOUR) * HOUR, np.ceil(last / HOUR) * HOUR
    ends = np.arange(first, last + 1.0, HOUR)

    def result(name: str) -> Any:
        return at_times(ends, case.forecast_s, f[name]) if have else np.full(ends.shape, np.nan)

    def seen(name: str) -> Any:
        return at_times(ends, case.station_s, s[name])

    def both(name: str) -> Any:
        if way == "cold start":
            return result(name)
        ours, theirs = (seen(name), result(name)) if way == "weather known" else (result(name), seen(name))
        return np.where(np.isfinite(ours), ours, theirs)

    cloud = cloud_frac(result("cloud_octas"))
    day = ends < case.forecast_s[0] + 24 * HOUR if have else np.zeros(ends.shape, dtype=bool)
    usual = np.nanmean(cloud[day]) if np.isfinite(cloud[day]).any() else 0.5
    total = np.where(np.isfinite(result("rain_mm_cum")), result("rain_mm_cum"), 0.0)
    total = total + np.where(np.isfinite(result("snow_cm_cum")), result("snow_cm_cum"), 0.0)
    if have:  # what the forecast had counted before its first row did not fall in that hour
        total = np.where(ends < case.forecast_s[0], total[np.argmax(ends >= case.forecast_s[0])], total)
        total = np.where(ends > case.forecast_s[-1], total[np.flatnonzero(ends <= case.forecast_s[-1])[-1]], total)
    saturated = humidity.svp_water_hpa
    fields = {
        "air_temp_c": hourly(both("air_c")),
        "rh_frac": np.clip(saturated(hourly(both("dewpoint_c"))) / saturated(hourly(both("air_c"))), 0.05, 1.0),
        "wind_mps": np.nan_to_num(hourly(both("wind_kmh")) / 3.6, nan=2.0),
        "pressure_hpa": hourly(result("pressure_hpa")),
        "cloud_frac": hourly(np.where(np.isfinite(cloud), cloud, usual)),
        "shortwave_wm2": hourly(result("solar_wm2")),
        "precip_mmwe_h": np.maximum(np.diff(total), 0.0),
    }
    nan = np.full(ends.size - 1, np.nan)
    for name in ("precip_prob_frac", "freezing_level_m", "snow_level_m"):
        fields[name] = nan.copy()
    start = datetime.fromtimestamp(first, UTC)
    issued = datetime.fromtimestamp(case.forecast_s[0], UTC) if have else start + timedelta(hours=ends.size)
    pressure = np.nanmean(fields["pressure_hpa"]) if np.isfinite(fields["pressure_hpa"]).any() else 1000.0
    height = 44330.8 * (1.0 - (pressure / 1013.25) ** 0.190263)  # ISO 2533 inverted; only to stand in for pressure
    return Forecast(
        provider=case.name, licence="", issued_at=issued, fetched_at=issued, start=start,
        lat_deg=np.array([case.lat]), lon_deg=np.array([case.lon]), elevation_m=np.array([height]),
        precip_form=np.zeros((1, 1, nan.size), dtype=np.int8), **{n: v[None, None, :] for n, v in fields.items()},
    )  # fmt: skip


def run(case: Case, way: str, road: SurfaceParams, deck: SurfaceParams) -> tuple[Any, Any, Any] | None:
    """Road minus observed at whole hours, whether it is night, and the air's own error; None without a pair."""
    if way != "weather known" and case.forecast_s.size < 2:
        return None
    result = build(case, way)
    rng = np.random.default_rng(1)
    now = result.issued_at
    assert now is not None
    forecast = to_ensemble(result, members=MEMBERS, spreads=Spreads(), rng=rng, now_utc=now)
    cells = road_cells([0.0], result.elevation_m, [0], result.lat_deg, result.lon_deg)
    field = run_corridor(forecast, cells, rng=rng, params=deck if case.bridge else road)
    modelled = field.surface_temp_c.mean(axis=0, dtype=np.float64)[0]
    at = field.first_epoch_s + HOUR * np.arange(modelled.size)
    observed = at_times(at, case.station_s, case.station["road_surface_c"], reach_s=0.35 * HOUR)
    earliest = at[0] + 5 * HOUR if way == "weather known" else case.forecast_s[0] + 0.5 * HOUR
    pair = np.isfinite(observed) & np.isfinite(modelled) & (at >= earliest)
    if not pair.any():
        return None
    zenith, _ = radiation.solar_position(case.lat, case.lon, at)
    # The field's air is the mean of the hour that ends there.
    air_seen = at_times(at - 0.5 * HOUR, case.station_s, case.station["air_c"], reach_s=0.6 * HOUR)
    air_error = field.air_temp_c.mean(axis=0, dtype=np.float64)[0] - air_seen
    return (modelled - observed)[pair], zenith[pair] > ROAD_NIGHT_ZENITH_DEG, air_error[pair]


def line(name: str, errors: list[Any]) -> str:
    """Over all hours; the last figure gives every case the same weight."""
    if not errors:
        return f"  {name:6s} none"
    e = np.concatenate(errors)
    by_case = np.mean([np.abs(x).mean() for x in errors])
    return (
        f"  {name:6s} {len(errors):3d} cases {e.size:4d} h   bias {e.mean():+5.2f}   MAE {np.abs(e).mean():4.2f}"
        f"   RMSE {np.sqrt(np.mean(e * e)):4.2f}   MAE by case {by_case:4.2f} K"
    )


def score(road: SurfaceParams, deck: SurfaceParams, say: Callable[[str], None], *, each: bool = False) -> None:
    cases = read_cases()
    for way in ("cold start", "with past", "weather known"):
        say(way)
        done = {c.name: r for c in cases if (r := run(c, way, road, deck)) is not None}
        for name, mask in (("night", True), ("day", False)):
            say(line(name, [e[n == mask] for e, n, _ in done.values() if (n == mask).any()]))
            air_errors = [a[(n == mask) & np.isfinite(a)] for _, n, a in done.values()]
            say(line("  air", [a for a in air_errors if a.size]))
        for name, (e, night, _) in done.items() if each else ():
            for word, part in (("night", e[night]), ("day", e[~night])):
                if part.size:
                    mae = np.abs(part).mean()
                    say(f"    {name} {word:5s} {part.size:3d} h  bias {part.mean():+5.1f}  MAE {mae:4.1f}")


def score_decks(say: Callable[[str], None]) -> None:
    """Stations on bridges, run as the decks they are and as if they were road."""
    cases = [case for case in read_cases() if case.bridge]
    for name, params in (("deck", BRIDGE_DECK), ("road", ROAD)):
        say(f"stations on bridges run as {name}, weather known")
        done = [r for case in cases if (r := run(case, "weather known", ROAD, params)) is not None]
        for word, mask in (("night", True), ("day", False)):
            say(line(word, [e[n == mask] for e, n, _ in done if (n == mask).any()]))


if __name__ == "__main__":
    score(ROAD, BRIDGE_DECK, print, each="--each" in sys.argv)
    score_decks(print)
