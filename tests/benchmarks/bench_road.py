"""How long the road model takes, by hand: python tests/benchmarks/bench_road.py"""

import sys
from datetime import UTC, datetime
from pathlib import Path
from time import perf_counter

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from alertd.forecast.series import Forecast
from alertd.road.air import wet_bulb_c
from alertd.road.corridor import at_arrival, member_quantiles, road_cells, run_corridor
from alertd.road.pavement import ROAD
from alertd.road.sun import solar_position
from alertd.road.surface import Forcing, advance, start_state


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
        freezing_level_m=nan.copy(), snow_level_m=nan.copy(), precip_form=np.zeros(shape, dtype=np.int8),
    )  # fmt: skip


def best_of(runs: int, work: object) -> float:
    times = []
    for _ in range(runs):
        began = perf_counter()
        work()  # type: ignore[operator]
        times.append(perf_counter() - began)
    return min(times)


def column_72h(columns: int) -> None:
    state = start_state(np.full((len(ROAD.layers_m), columns), -2.0))
    values = (-1.0, 5.0, 800.0, 3.0, 100.0, 250.0, 0.1, 0.1, 0.5)
    weather = Forcing(*(np.full(columns, v) for v in values))
    for _ in range(72 * 4):
        state, _ = advance(state, weather, ROAD, 900.0)


def main() -> None:
    print(f"surface column, 8 000 columns x 72 h at 900 s: {best_of(3, lambda: column_72h(8000)):.2f} s")
    t = np.random.default_rng(1).uniform(-20.0, 10.0, 100_000)
    print(f"wet bulb, 100 000 points: {1e3 * best_of(3, lambda: wet_bulb_c(t, 0.8, 850.0)):.0f} ms")
    print(f"sun, 100 000 points: {1e3 * best_of(3, lambda: solar_position(47.0, t, 1.77e9)):.0f} ms")
    rng = np.random.default_rng(3)
    distance = np.arange(0.0, 600_000.0, 250.0)
    # A mountain crossing: four climbs of 1000 m over 600 km, a forecast cell every 5 km.
    height = 900.0 + 500.0 * np.sin(distance / 600_000.0 * 8.0 * np.pi) + rng.normal(0.0, 3.0, distance.size)
    cell = (distance // 5000.0).astype(int)
    lat, lon = np.linspace(46.0, 48.0, distance.size), np.linspace(-120.0, -112.0, distance.size)
    cells = road_cells(distance, height, cell, lat, lon)
    for members in (20, 40):
        fc = forecast(members, int(cell.max()) + 1, 96)
        q = member_quantiles(members, rng)
        took = best_of(2, lambda fc=fc, q=q: run_corridor(fc, cells, quantiles=q))
        print(f"corridor 600 km, {members} members x {cells.columns_n} columns x 96 h: {took:.2f} s")
    field = run_corridor(fc, cells, quantiles=q)
    arrive = fc.start.timestamp() + 24 * 3600.0 + distance / 22.0
    took = best_of(3, lambda: at_arrival(field, cells, arrive))
    print(f"arrival of one truck, {distance.size} samples: {1e3 * took:.1f} ms")


if __name__ == "__main__":
    main()
