"""How long the road model takes, by hand: python tests/benchmarks/bench_road.py

With metpy and pvlib installed it also times them on the same points and says how far our values are from theirs.
Every time is the median of several runs; processor seconds stand beside it, for a machine that is not idle.

What bounds the column is arithmetic: the passes that numpy makes over its arrays, each a load, an operation and a store
for every column. `bound` counts them (one in single precision is half a one) and gives the time they would take at the
speed of one multiplication in cache. It takes 2 to 2.5 times that, for exponentials, roots, tests and changes of
precision are dearer than a multiplication, and each call costs numpy half a microsecond. Memory is not the bound: with
8 MB of arrays in use one multiplication takes a quarter longer than with 128 kB.
"""

import os
import resource
import sys
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import median
from time import perf_counter, process_time
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from alertd.forecast.model import Forecast
from alertd.road.corridor import member_quantiles, road_cells, run_corridor
from alertd.road.energy_balance import Forcing, SurfaceState, hour_constants, start_state, step
from alertd.road.humidity import isa_pressure_hpa, wet_bulb_c
from alertd.road.parameters import ROAD
from alertd.road.radiation import solar_position

COLUMNS, HOURS, STEP_S = 20_000, 72, 600.0
BLOCK = 8192


def forecast(members: int, cells: int, hours: int) -> Forecast:
    rng = np.random.default_rng(7)
    shape = (members, cells, hours)
    start = datetime(2026, 1, 10, tzinfo=UTC)
    nan = np.full(shape, np.nan)
    return Forecast(
        provider="bench", licence="none", issued_at=start, fetched_at=start, start=start,
        lat_deg=np.linspace(46.0, 48.0, cells), lon_deg=np.linspace(-120.0, -112.0, cells),
        elevation_m=rng.uniform(400.0, 1500.0, cells), air_temp_c=rng.normal(-1.0, 4.0, shape),
        rh_frac=rng.uniform(0.5, 1.0, shape), pressure_hpa=nan.copy(), wind_mps=rng.uniform(0.0, 8.0, shape),
        cloud_frac=rng.uniform(0.0, 1.0, shape), shortwave_wm2=nan.copy(),
        precip_mmwe_h=rng.exponential(1.0, shape) * (rng.random(shape) < 0.3), precip_prob_frac=nan.copy(),
        freezing_level_m=nan.copy(), snow_level_m=nan.copy(), gust_mps=nan.copy(),
        visibility_m=nan.copy(), precip_form=np.zeros(shape, dtype=np.int8),
    )  # fmt: skip


def timed(name: str, work: Callable[[], object], runs: int = 7) -> float:
    """Median wall seconds, printed with the spread and the processor time."""
    wall, cpu = [], []
    for _ in range(runs):
        w, c = perf_counter(), process_time()
        work()
        wall.append(perf_counter() - w)
        cpu.append(process_time() - c)
    m = median(wall)
    print(f"{name}: {m:.3f} s (best {min(wall):.3f}, worst {max(wall):.3f}; processor {median(cpu):.3f})")
    return m


def spin(n: int) -> None:
    a, b = np.ones(n), np.empty(n)
    for _ in range(200_000_000 // n):
        np.multiply(a, a, out=b)


def machine() -> None:
    """How much two processes at once are worth here, so that nobody reads one core's time for two."""
    print(f"numpy {np.__version__}, {os.cpu_count()} processors, load {os.getloadavg()[0]:.2f}")
    with ProcessPoolExecutor(2) as pool:
        list(pool.map(spin, (4096, 4096)))
        began = perf_counter()
        list(pool.map(spin, (4096,)))
        one = perf_counter() - began
        began = perf_counter()
        list(pool.map(spin, (4096, 4096)))
        two = perf_counter() - began
    print(f"two processes at once do {2 * one / two:.2f} times the work of one; one multiplication and its store "
          f"takes {one / 200_000_000 * 1e9:.2f} ns an element in cache")  # fmt: skip


class Counted(np.ndarray[Any, Any]):
    """An array that counts the bytes of every operation it takes part in."""

    nbytes_done = 0

    def __array_ufunc__(self, ufunc: np.ufunc, method: str, *inputs: Any, out: Any = None, **kw: Any) -> Any:
        plain = [x.view(np.ndarray) if isinstance(x, Counted) else x for x in inputs]
        if out is not None:
            kw["out"] = tuple(x.view(np.ndarray) for x in out)
        result = getattr(ufunc, method)(*plain, **kw)
        Counted.nbytes_done += max(np.asarray(x).nbytes for x in (result, *plain))
        return result.view(Counted) if isinstance(result, np.ndarray) else result


def bound(took_s: float) -> None:
    """How far the surface column is from what its passes over the arrays alone would take."""
    state, weather = start(BLOCK), some_weather(BLOCK, np.random.default_rng(1))
    steady = hour_constants(weather, ROAD, STEP_S)
    state, _ = step(state, weather, ROAD, STEP_S, steady)
    step(type(state)(*(x.view(Counted) for x in state)), weather, ROAD, STEP_S, steady)
    passes = Counted.nbytes_done / 8 / BLOCK
    spins = []
    for _ in range(5):
        began = process_time()
        spin(4096)
        spins.append(process_time() - began)
    each_s = min(spins) / 200_000_000
    least = passes * each_s * COLUMNS * HOURS * 3600.0 / STEP_S
    print(f"  bound: {passes:.0f} passes a step, {least:.2f} s at {each_s * 1e9:.2f} ns each; "
          f"the column takes {took_s / least:.1f} times that")  # fmt: skip


def start(columns: int) -> SurfaceState:
    return start_state(np.full((len(ROAD.layers_m), columns), -2.0))


def some_weather(columns: int, rng: np.random.Generator) -> Forcing:
    rain = rng.exponential(1.0, columns) * (rng.random(columns) < 0.3)
    lows, highs = (-6.0, 3.0, 780.0, 0.0, 0.0, 200.0), (4.0, 6.0, 900.0, 8.0, 300.0, 320.0)
    six = [rng.uniform(low, high, columns) for low, high in zip(lows, highs, strict=True)]
    return Forcing(*six, rain, np.zeros(columns), 0.5 * rain)


def column(columns: int) -> None:
    """The surface column alone, in blocks, its weather changing by the hour."""
    rng = np.random.default_rng(1)
    for first in range(0, columns, BLOCK):
        n = min(BLOCK, columns - first)
        state, weather = start(n), some_weather(n, rng)
        for _ in range(HOURS):
            steady = hour_constants(weather, ROAD, STEP_S)
            for _ in range(round(3600.0 / STEP_S)):
                state, _ = step(state, weather, ROAD, STEP_S, steady)


def corridor() -> None:
    n = COLUMNS // 40
    place = np.linspace(46.0, 48.0, n), np.linspace(-120.0, -112.0, n)
    cells = road_cells(np.arange(n) * 1000.0, np.full(n, 900.0), np.arange(n), *place)
    reported, q = forecast(40, n, HOURS), member_quantiles(40, np.random.default_rng(0))
    what = f"whole road model, {COLUMNS} columns x {HOURS} h at {STEP_S:.0f} s"
    past = replace(reported, fetched_at=reported.start + timedelta(hours=48))
    timed(f"{what}, one thread", lambda: run_corridor(past, cells, quantiles=q, dt_s=STEP_S))
    timed(
        "  the same without past hours, where snow may lie unseen",
        lambda: run_corridor(reported, cells, quantiles=q, dt_s=STEP_S),
        3,
    )
    print(f"largest memory of the process so far: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


def route() -> None:
    rng = np.random.default_rng(3)
    distance = np.arange(0.0, 600_000.0, 250.0)
    # A mountain crossing: four climbs of 1000 m over 600 km, a forecast cell every 5 km.
    height = 900.0 + 500.0 * np.sin(distance / 600_000.0 * 8.0 * np.pi) + rng.normal(0.0, 3.0, distance.size)
    cell = (distance // 5000.0).astype(int)
    cells = road_cells(
        distance, height, cell, np.linspace(46.0, 48.0, distance.size), np.linspace(-120.0, -112.0, distance.size)
    )
    reported, q = forecast(31, int(cell.max()) + 1, 96), member_quantiles(31, rng)
    work = f"600 km, 31 members x {cells.columns_n} columns x 96 h at 900 s"
    timed(work, lambda: run_corridor(reported, cells, quantiles=q), 3)


def wet_bulb() -> None:
    n, few = 1_000_000, 2_000
    rng = np.random.default_rng(2)
    t, rh, p = rng.uniform(-25.0, 3.0, n), rng.uniform(0.5, 1.0, n), isa_pressure_hpa(rng.uniform(0.0, 3500.0, n))
    ours = timed(f"wet bulb, {n} points", lambda: wet_bulb_c(t, rh, p), 5) / n
    try:
        from metpy.calc import dewpoint_from_relative_humidity, wet_bulb_temperature
        from metpy.units import units
    except ImportError:
        print("  metpy is not installed: not compared")
        return
    air, part = t[:few] * units.degC, rh[:few] * units.dimensionless
    dew = dewpoint_from_relative_humidity(air, part)
    theirs = timed(f"  metpy, {few} points", lambda: wet_bulb_temperature(p[:few] * units.hPa, air, dew), 3) / few
    far = np.abs(wet_bulb_temperature(p[:few] * units.hPa, air, dew).to("degC").m - wet_bulb_c(t, rh, p)[:few]).max()
    print(f"  {theirs / ours:.0f} times metpy's rate; largest difference at -25..3 °C, 50..100 %: {far:.4f} K")


def sunshine() -> None:
    n = 1_000_000
    epoch = np.random.default_rng(4).uniform(1.73e9, 1.80e9, n)
    epoch.sort()
    ours = timed(f"sun, {n} points", lambda: solar_position(47.0, -121.0, epoch), 5)
    try:
        import pandas
        from pvlib.solarposition import get_solarposition
    except ImportError:
        print("  pvlib is not installed: not compared")
        return
    times = pandas.DatetimeIndex(pandas.to_datetime(epoch, unit="s", utc=True))
    theirs = timed("  pvlib, the same points", lambda: get_solarposition(times, 47.0, -121.0), 3)
    far = np.abs(get_solarposition(times, 47.0, -121.0)["zenith"].to_numpy() - solar_position(47.0, -121.0, epoch)[0])
    print(f"  {theirs / ours:.1f} times pvlib's rate; largest difference in zenith {far.max():.4f}°")


if __name__ == "__main__":
    machine()
    bound(timed(f"surface column alone, {COLUMNS} columns x {HOURS} h at {STEP_S:.0f} s", lambda: column(COLUMNS), 5))
    corridor()
    route()
    wet_bulb()
    sunshine()
