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

import argparse
import csv
import sys
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from alertd.forecast.ensemble import Spreads, to_ensemble
from alertd.forecast.model import Forecast
from alertd.road import humidity, local_error, nearby, radiation
from alertd.road.corridor import RoadCells, run_corridor
from alertd.road.downscale import AirParams
from alertd.road.nearby import Nearby, SurfaceReading
from alertd.road.parameters import BRIDGE_DECK, ROAD, SurfaceParams

OBSERVATIONS = Path(__file__).resolve().parents[3] / "shared" / "observations"
FORECASTS = OBSERVATIONS / "road_forecast_inputs.csv"
STATIONS = OBSERVATIONS / "road_surface_observations.csv"
REPEATED = {"case049"}
MEMBERS = 31
PAST_H = 48
HOUR = 3600.0
LEAST_H = 3  # hours of a case that count as one
DRAWS = 2000
QUICK = False  # goal 2 for known weather alone, a reading every sixth hour
CLOUD: float | None = None  # the same cloud in all hours of "weather known"; None takes the forecast's
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
        station_s, station = columns(seen, (*weather, "road_surface_c", "subsurface_40cm_c"))
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
        first = case.station_s[0]
        # The start rests on the first day; nothing is scored after the station's last hour.
        last = max(case.station_s[-1], min([first + 25 * HOUR, *case.forecast_s[-1:]]))
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
    if CLOUD is not None and way == "weather known":
        cloud = np.full(ends.shape, CLOUD)
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
    for name in ("precip_prob_frac", "freezing_level_m", "snow_level_m", "gust_mps", "visibility_m"):
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


@dataclass(frozen=True)
class Model:
    """What is run: the road, the deck of a bridge, the air at the road, and the lane that is scored.

    open_sky: the sun's direct part reaches every lane, as it does at a sensor. False scores the lanes of a plan, of
        which the untouched one is in the shade.
    learned: the forecast's present error at the station is taken off where a forecast is at hand.
    """

    road: SurfaceParams = ROAD
    deck: SurfaceParams = BRIDGE_DECK
    open_sky: bool = True
    learned: bool = True


@dataclass(frozen=True)
class Hours:
    """One run at whole hours, (hour,): epoch seconds, road by its members' mean and observed [C], share of the members
    at or below 0 C, the forecast's own air minus the station's [K], and night."""

    at_s: Any
    road_c: Any
    frozen_frac: Any
    observed_c: Any
    air_error_k: Any
    night: Any

    def where(self, mask: Any) -> "Hours":
        return Hours(*(getattr(self, name)[mask] for name in self.__dataclass_fields__))

    @property
    def error_k(self) -> Any:
        return self.road_c - self.observed_c


def run(case: Case, way: str, model: Model) -> Hours | None:
    """All hours with an observation, without a reading; None without any."""
    key = (case.name, way, model)
    if key not in _RUNS:
        found = run_many(case, way, model, (None,))
        _RUNS[key] = found[0] if found else None
    return _RUNS[key]


_RUNS: dict[Any, Hours | None] = {}


def run_many(case: Case, way: str, model: Model, readings: Sequence[SurfaceReading | None]) -> list[Hours]:
    """One run a reading, as columns far enough apart that each has its own reading; [] without an observation.

    The places are moved by 11 km and more; the sun is there within 0.5 degrees of where it is at the station.
    """
    if not readings or (way != "weather known" and case.forecast_s.size < 2):
        return []
    result = build(case, way)
    if way == "with past" and model.learned:
        result = with_present_error(result, case)
    rng = np.random.default_rng(1)
    now = result.issued_at
    assert now is not None
    forecast = to_ensemble(result, members=MEMBERS, spreads=Spreads(), rng=rng, now_utc=now)
    n = np.arange(len(readings))
    wide = int(np.ceil(np.sqrt(n.size)))
    lat = case.lat + 0.1 * (n % wide - wide // 2)
    lon = case.lon + 0.1 * (n // wide - wide // 2) / np.cos(np.radians(case.lat))
    height = float(result.elevation_m[0])
    cells = RoadCells(
        cell_idx=np.zeros(n.size, dtype=np.int64), lat_deg=lat, lon_deg=lon, elevation_m=np.full(n.size, height),
        is_deck=np.zeros(n.size, dtype=bool), column_of_sample=n.copy(), beside_of_sample=n.copy(),
    )  # fmt: skip
    placed = tuple(
        replace(r, lat_deg=float(lat[i]), lon_deg=float(lon[i]), elevation_m=height)
        for i, r in enumerate(readings)
        if r is not None
    )
    field = run_corridor(
        forecast, cells, rng=rng, params=model.deck if case.bridge else model.road, deck=model.deck,
        air=AirParams(shaded=not model.open_sky), nearby=Nearby(readings=placed),
    )  # fmt: skip
    at = field.first_epoch_s + HOUR * np.arange(field.surface_temp_c.shape[2])
    observed = at_times(at, case.station_s, case.station["road_surface_c"], reach_s=0.35 * HOUR)
    zenith, _ = radiation.solar_position(case.lat, case.lon, at)
    # The field's air is the mean of the hour that ends there.
    air_seen = at_times(at - 0.5 * HOUR, case.station_s, case.station["air_c"], reach_s=0.6 * HOUR)
    air_error = field.air_temp_c.mean(axis=0, dtype=np.float64)[0] - air_seen
    night = zenith > ROAD_NIGHT_ZENITH_DEG
    out = []
    for i in n:
        road = field.surface_temp_c[:, i].mean(axis=0, dtype=np.float64)
        frozen = (field.surface_temp_c[:, i] <= 0.0).mean(axis=0)
        pair = np.isfinite(observed) & np.isfinite(road)
        if pair.any():
            out.append(Hours(at, road, frozen, observed, air_error, night).where(pair))
    return out


def with_present_error(result: Forecast, case: Case) -> Forecast:
    """The forecast with its error at the station's last hour taken off, as `road.local_error` does from one value.

    There it also learns from the forecasts of the two days before, which these cases do not have.
    """
    first = int((case.forecast_s[0] - result.start.timestamp()) // HOUR)
    at = result.start.timestamp() + HOUR * (np.arange(result.hours) + 0.5)
    seen = at_times(at, case.station_s, case.station["air_c"], reach_s=0.6 * HOUR)
    seen[first:] = np.nan  # what the station said before the forecast began
    known = np.flatnonzero(np.isfinite(seen))
    own = at_times(at, case.forecast_s, case.forecast["air_c"])
    if (
        not known.size
        or first - known[-1] > local_error.PRESENT_WITHIN_H
        or not np.isfinite(own[first : first + 2]).all()
    ):
        return result
    back = own[first] - (own[first + 1] - own[first]) * (first - known[-1])
    error = float(local_error.shrunk(np.array(seen[known[-1]] - back), np.array(1.0)))
    ahead = np.arange(result.hours) >= first
    change = np.clip(error, -local_error.MOST_K, local_error.MOST_K) * ahead
    return replace(result, air_temp_c=result.air_temp_c + local_error.never_over_freezing(result.air_temp_c, change))


def interval(values: Any, figure: Callable[[Any], float] = np.mean) -> tuple[float, float]:
    """The middle 90 % of a figure over cases drawn again with replacement."""
    rng = np.random.default_rng(2)
    drawn = [figure(values[rng.integers(0, len(values), len(values))]) for _ in range(DRAWS)]
    return float(np.quantile(drawn, 0.05)), float(np.quantile(drawn, 0.95))


def by_case(name: str, parts: dict[str, Any], say: Callable[[str], None], goal: float | None = None) -> None:
    """Mean absolute error, every case alike, with its interval."""
    if not parts:
        say(f"  {name:42s} no case")
        return
    mae = np.array([np.abs(e).mean() for e in parts.values()])
    bias = np.mean([e.mean() for e in parts.values()])
    low, high = interval(mae)
    aim = "" if goal is None else f"   goal {goal:.1f}: {'reached' if mae.mean() <= goal else 'MISSED'}"
    hours = sum(e.size for e in parts.values())
    say(
        f"  {name:42s} {mae.size:3d} cases {hours:4d} h  bias {bias:+5.2f}  MAE {mae.mean():4.2f}"
        f" ({low:.2f} to {high:.2f}) K{aim}"
    )


def goal_past(cases: list[Case], model: Model, say: Callable[[str], None], each: bool = False) -> None:
    """Goal 1: the station's own air, and a day or more of it before."""
    say("1. station air given, 24 h of past or more")
    for word, night in (("night", True), ("day", False)):
        parts = {}
        for case in cases:
            known = case.station_s[np.isfinite(case.station["air_c"])]
            if known.size < 2 or known[-1] - known[0] < 24 * HOUR:
                continue
            hours = run(case, "weather known", model)
            if hours is None:
                continue
            some = hours.where((hours.night == night) & (hours.at_s >= known[0] + 24 * HOUR))
            if some.at_s.size >= LEAST_H:
                parts[case.name] = some.error_k
        by_case(word, parts, say, 1.0 if night else None)
        for name, e in parts.items() if each else ():
            say(f"      {name} {e.size:3d} h  bias {e.mean():+5.2f}  MAE {np.abs(e).mean():4.2f}")


def goal_sensor(cases: list[Case], model: Model, say: Callable[[str], None]) -> None:
    """Goal 2: the hours after a reading of the station's own sensor; a reading every third hour."""
    say("2. after a reading of the road sensor (before: the same hours without one)")
    ranges = ((0.5, 3.5), (3.5, 6.5), (6.5, 12.5))
    for way in ("weather known",) if QUICK else ("weather known", "with past"):
        found: dict[Any, dict[str, list[Any]]] = defaultdict(lambda: defaultdict(list))
        for case in cases:
            before = run(case, way, model)
            if before is None:
                continue
            readings = readings_of(case, before.at_s[:: 6 if QUICK else 3], way)
            for reading, after in zip(readings, run_many(case, way, model, readings), strict=bool(readings)):
                lead = (before.at_s - reading.epoch_s) / HOUR
                for span in ranges:
                    for night in (True, False):
                        inside = (lead > span[0]) & (lead <= span[1]) & (before.night == night)
                        if way == "with past":
                            inside &= before.at_s > case.forecast_s[0]
                        if inside.any():
                            found[night, span, "before"][case.name].append(before.error_k[inside])
                            found[night, span, "with it"][case.name].append(after.error_k[inside])
        for night in (True, False):
            for span in ranges:
                for which in ("before", "with it"):
                    parts = {n: np.concatenate(x) for n, x in found[night, span, which].items()}
                    hours = f"{span[0] + 0.5:g} to {span[1] - 0.5:g} h"
                    goal = 0.8 if (night, span, which) == (True, ranges[0], "with it") else None
                    by_case(f"{way}, {'night' if night else 'day'}, {hours}, {which}", parts, say, goal)


def readings_of(case: Case, at_s: Any, way: str) -> list[SurfaceReading]:
    """What the station's sensor says at these times; with a forecast at hand, from shortly before it begins."""
    out = []
    for t in at_s:
        i = int(np.abs(case.station_s - t).argmin())
        surface = float(np.interp(t, case.station_s, case.station["road_surface_c"]))
        if np.isfinite(surface) and (way != "with past" or t >= case.forecast_s[0] - 3 * HOUR):
            depth = float(case.station["subsurface_40cm_c"][i])
            out.append(
                SurfaceReading(
                    surface_c=surface, depth_c=depth, epoch_s=float(t), lat_deg=case.lat, lon_deg=case.lon,
                    elevation_m=0.0,
                )
            )  # fmt: skip
    return out


def goal_at_hand(cases: list[Case], model: Model, say: Callable[[str], None]) -> None:
    """Goal 3: the forecast at hand; the road's error against that of the forecast's air where that exceeds 2 K."""
    say("3. forecast at hand, past from the station" + ("" if model.learned else ", its present error kept"))
    for reach_h in (3, 6, 999):
        for word in ("night", "day", "all"):
            pairs = []
            for case in cases:
                hours, plain = (run(case, "with past", replace(model, learned=x)) for x in (model.learned, False))
                if hours is None:
                    continue
                since = hours.at_s - case.forecast_s[0]
                mask = np.isfinite(plain.air_error_k) & (since >= 0.5 * HOUR) & (since <= reach_h * HOUR)
                mask &= np.ones(mask.shape, bool) if word == "all" else hours.night == (word == "night")
                if mask.sum() >= LEAST_H:
                    pairs.append([np.abs(hours.error_k[mask]).mean(), np.abs(plain.air_error_k[mask]).mean()])
            if not pairs:
                continue
            found = np.array(pairs)
            low, high = interval(found[:, 0])
            text = f"  {word:6s} first {reach_h:3d} h {len(found):3d} cases  road {found[:, 0].mean():4.2f}"
            text += f" ({low:.2f} to {high:.2f}), air {found[:, 1].mean():4.2f} K"
            wrong = found[found[:, 1] > 2.0]
            if len(wrong):
                ratio = wrong[:, 0].mean() / wrong[:, 1].mean()
                low, high = interval(wrong, lambda x: float(x[:, 0].mean() / x[:, 1].mean()))
                text += f"; air over 2 K: {len(wrong)} cases, road/air {ratio:.2f} ({low:.2f} to {high:.2f})"
                text += f"   goal 0.8: {'reached' if ratio <= 0.8 else 'MISSED'}"
            say(text)


def goal_frozen(cases: list[Case], model: Model, say: Callable[[str], None]) -> None:
    """Goal 4: the Brier score of P(road at or below 0 C), against the share of such hours in the other cases."""
    say("4. P(road at or below 0 C)")
    for way in ("weather known", "with past"):
        parts = []
        for case in cases:
            hours = run(case, way, model)
            if hours is None:
                continue
            first = case.station_s[0] + 24 * HOUR if way == "weather known" else case.forecast_s[0] + 0.5 * HOUR
            some = hours.where(hours.at_s >= first)
            if some.at_s.size >= LEAST_H:
                parts.append((some.frozen_frac, some.observed_c <= 0.0))
        if len(parts) < 2:
            continue
        squares = np.array([np.mean((p - o) ** 2) for p, o in parts])
        shares = np.array([o.mean() for _, o in parts])
        others = (shares.sum() - shares) / (len(parts) - 1)
        usual = np.array([np.mean((q - o) ** 2) for q, (_, o) in zip(others, parts, strict=True)])
        low, high = interval(squares)
        say(
            f"  {way:34s} {len(parts):3d} cases  Brier {squares.mean():.3f} ({low:.3f} to {high:.3f}), share of the"
            f" other cases {usual.mean():.3f}, skill {1.0 - squares.mean() / usual.mean():+.2f}"
        )


def score_goals(model: Model, say: Callable[[str], None], which: str, each: bool = False) -> None:
    cases = read_cases()
    steps: dict[str, Callable[[], None]] = {
        "1": lambda: goal_past(cases, model, say, each),
        "2": lambda: goal_sensor(cases, model, say),
        "3": lambda: goal_at_hand(cases, model, say),
        "4": lambda: goal_frozen(cases, model, say),
        "5": lambda: goal_at_hand(cases, replace(model, learned=False), say),
    }
    for name, step in steps.items():
        if name in which:
            step()


def line(name: str, errors: list[Any]) -> str:
    """Over all hours; the last figure gives every case the same weight."""
    if not errors:
        return f"  {name:6s} none"
    e = np.concatenate(errors)
    cases_mae = np.mean([np.abs(x).mean() for x in errors])
    return (
        f"  {name:6s} {len(errors):3d} cases {e.size:4d} h   bias {e.mean():+5.2f}   MAE {np.abs(e).mean():4.2f}"
        f"   RMSE {np.sqrt(np.mean(e * e)):4.2f}   MAE by case {cases_mae:4.2f} K"
    )


def scored(case: Case, way: str, model: Model) -> Hours | None:
    """The hours that the old tables score: from the seventh, or from the forecast's first."""
    hours = run(case, way, model)
    if hours is None:
        return None
    known = min([case.station_s[0], *case.forecast_s[:1]]) if way == "weather known" else 0.0
    first = case.station_s[0] + 6 * HOUR if way == "weather known" else case.forecast_s[0] + 0.5 * HOUR
    some = hours.where(hours.at_s >= max(first, known))
    return some if some.at_s.size else None


def score_ways(model: Model, say: Callable[[str], None]) -> None:
    """Every hour alike, by how much of the weather is known."""
    cases = read_cases()
    for way in ("cold start", "with past", "weather known"):
        say(way)
        done = [h for c in cases if (h := scored(c, way, model)) is not None]
        for name, mask in (("night", True), ("day", False)):
            say(line(name, [h.error_k[h.night == mask] for h in done if (h.night == mask).any()]))
            air = [h.air_error_k[(h.night == mask) & np.isfinite(h.air_error_k)] for h in done]
            say(line("  air", [a for a in air if a.size]))
    for name, params in (("deck", BRIDGE_DECK), ("road", ROAD)):
        say(f"stations on bridges run as {name}, weather known")
        bridges = replace(model, deck=params)
        done = [h for c in cases if c.bridge and (h := scored(c, "weather known", bridges)) is not None]
        for word, mask in (("night", True), ("day", False)):
            say(line(word, [h.error_k[h.night == mask] for h in done if (h.night == mask).any()]))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--each", action="store_true", help="Figures of each case for the first goal.")
    parser.add_argument("--plan-lanes", action="store_true", help="The lanes of a plan, the untouched in the shade.")
    parser.add_argument("--ways", action="store_true", help="All hours alike, by how much of the weather is known.")
    parser.add_argument("--set", nargs="*", default=[], metavar="NAME=VALUE", help="Another value of the road's.")
    parser.add_argument(
        "--nearby", nargs="*", default=[], metavar="NAME=VALUE", help="Another constant of road.nearby."
    )
    parser.add_argument("--goals", default="12345", help="Which, e.g. 13; 5 is goal 3 without the learned error.")
    parser.add_argument(
        "--cloud", type=float, help="Cloud 0-1 in all hours where the weather is known: what it decides."
    )
    parser.add_argument("--quick", action="store_true", help="Half of goal 2, to compare variants.")
    parser.add_argument("--members", type=int, default=MEMBERS, help="Fewer are faster and change little.")
    asked = parser.parse_args()
    globals().update(MEMBERS=asked.members, QUICK=asked.quick, CLOUD=asked.cloud)
    for name, value in (pair.split("=") for pair in asked.nearby):
        setattr(nearby, name, float(value))
    changed = {name: float(value) for name, value in (pair.split("=") for pair in asked.set)}
    model = Model(
        road=replace(ROAD, **changed), deck=replace(BRIDGE_DECK, **changed), open_sky=not asked.plan_lanes
    )  # fmt: skip
    if asked.ways:
        score_ways(model, print)
    else:
        score_goals(model, print, asked.goals, each=asked.each)


if __name__ == "__main__":
    main()
