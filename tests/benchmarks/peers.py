"""Ours beside what an engineer would otherwise reach for, in one run: gpxpy, geopandas, MetPy, pvlib, a loop, polling.

    python tests/benchmarks/peers.py                 # every case that this machine has the libraries for
    python tests/benchmarks/peers.py --case borders

Each side of each size runs in a process of its own. Printed: processor seconds of the best of several runs, the growth
of resident memory over the runs [MB], the exponent of growth with size (1 is linear) between the two largest, how many
times ours is faster, and how far both agree. What both need once, such as outlines or an import, is not counted.
A library that is missing is named and its side is skipped.
"""

import argparse
import asyncio
import importlib
import json
import math
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parent))

import numpy as np

LEAST_S = 0.5  # of runs, of which the best counts
MOST_RUNS = 20
CONFIG = Path(__file__).resolve().parents[2] / "config"
Side = Callable[[Any], Any]


@dataclass(frozen=True)
class Case:
    """sizes: the last is the worst case. make: input of a size; agree: how far two results agree, for the reader."""

    sizes: tuple[Any, ...]
    make: Callable[[Any], Any]
    sides: dict[str, tuple[tuple[str, ...], Callable[[], Side]]]  # by name: libraries, and the function
    agree: Callable[[Any, Any], str]


# Reading GPX


def gpx_file(size: Any) -> bytes:
    """A recorded track; the worst has the extensions of a sensor at every point."""
    n, worst = (50_000, True) if size == "worst" else (size, False)
    s = np.linspace(0.0, 600.0, n)
    more = (
        "<time>2027-01-14T10:30:00Z</time><extensions><x:TrackPointExtension><x:atemp>-4</x:atemp><x:hr>90</x:hr>"
        "</x:TrackPointExtension></extensions>"
        if worst
        else ""
    )
    points = "".join(
        f'<trkpt lat="{47.2 + 0.25 * math.sin(a / 40):.6f}" lon="{-119 + a * 0.0098:.6f}">'
        f"<ele>{1200 + 500 * math.sin(a / 12):.1f}</ele>{more}</trkpt>"
        for a in s
    )
    head = '<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1" xmlns:x="http://x.example/v2" creator="bench">'
    return f"{head}<trk><trkseg>{points}</trkseg></trk></gpx>".encode()


def our_gpx() -> Side:
    from alertd.sources.files.gpx.read import parse_gpx

    def read(data: bytes) -> Any:
        line = parse_gpx(data, "bench.gpx")
        return line.lat_deg, line.lon_deg, line.elevation_m

    return read


def gpxpy_gpx() -> Side:
    import gpxpy

    def read(data: bytes) -> Any:
        points = [p for t in gpxpy.parse(data.decode()).tracks for s in t.segments for p in s.points]
        return tuple(np.array([getattr(p, k) for p in points]) for k in ("latitude", "longitude", "elevation"))

    return read


# Lands and stops along a road


@dataclass(frozen=True)
class Road:
    lat_deg: Any
    lon_deg: Any
    distance_m: Any
    bearing_deg: Any


def road(n: int, *, along_border: bool = False, km: float = 600.0) -> Road:
    """From Seattle's longitude east; or up and down the border of Washington and Idaho, across it every 3 km."""
    s = np.linspace(0.0, 1.0, n)
    if along_border:
        lat, lon = 46.45 + 2.5 * s, -117.04 + 0.02 * np.sin(s * 280 / 3 * math.pi)
    else:
        lat, lon = 47.2 + 0.25 * np.sin(15 * s), -121.9 + s * km * 0.0132
    x, y = np.radians(lon) * np.cos(np.radians(lat)) * 6.371e6, np.radians(lat) * 6.371e6
    d = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    turn = np.degrees(np.arctan2(np.gradient(x), np.gradient(y))) % 360.0
    return Road(lat, lon, d, turn)


def borders_input(size: Any) -> Any:
    from alertd.sources.files.boundaries import read_boundaries

    names = ("us_states.topo.json", "ca_provinces.geojson")
    boundaries = read_boundaries(*(CONFIG / "boundaries" / name for name in names))
    return (road(10_000, along_border=True) if size == "worst" else road(size)), boundaries


def our_borders() -> Side:
    from alertd.route.jurisdictions import find_jurisdictions

    def find(given: Any) -> Any:
        line, boundaries = given
        spans, _ = find_jurisdictions(line, boundaries)
        starts = np.array([span.start_m for span in spans])
        codes = np.array([span.code for span in spans])
        return codes[np.searchsorted(starts, line.distance_m, side="right") - 1]

    return find


def geopandas_borders() -> Side:
    import geopandas
    import shapely

    kept: dict[int, Any] = {}

    def find(given: Any) -> Any:
        line, boundaries = given
        if id(boundaries) not in kept:
            lands = [(lx.code, lx.shape(i)) for lx in boundaries.lands for i in range(len(lx.polygons))]
            codes, shapes = zip(*lands, strict=True)
            kept[id(boundaries)] = geopandas.GeoDataFrame({"code": codes}, geometry=list(shapes), crs=4326)
        points = geopandas.GeoDataFrame(geometry=shapely.points(line.lon_deg, line.lat_deg), crs=4326)
        joined = points.sjoin(kept[id(boundaries)], how="left", predicate="within")
        first = joined[~joined.index.duplicated()].sort_index()
        return first["code"].fillna("").to_numpy()

    return find


def stops_input(size: Any) -> Any:
    from alertd.route.stops import Stop, StopKind

    n, near = (10_000, 1.0) if size == "worst" else (size, 0.05)
    line, rng = road(2400), np.random.default_rng(4)
    at = rng.integers(0, 2400, n)
    beside = rng.random(n) < near
    lat = np.where(beside, line.lat_deg[at] + rng.normal(0, 0.002, n), rng.uniform(40, 49, n))
    lon = np.where(beside, line.lon_deg[at], rng.uniform(-124, -105, n))
    stops = [
        Stop(id=str(i), name="", kind=StopKind.TURNOUT, lat_deg=float(a), lon_deg=float(o), serves_both=True)
        for i, (a, o) in enumerate(zip(lat, lon, strict=True))
    ]
    return line, stops


def our_stops() -> Side:
    from alertd.route.project import snap_stops

    return lambda given: {s.stop.id: s.distance_m for s in snap_stops(*given)}


def geopandas_stops() -> Side:
    import geopandas
    import shapely

    kept: dict[int, Any] = {}

    def find(given: Any) -> Any:
        line, stops = given
        if id(stops) not in kept:
            points = shapely.points([s.lon_deg for s in stops], [s.lat_deg for s in stops])
            kept[id(stops)] = geopandas.GeoDataFrame({"id": [s.id for s in stops]}, geometry=points, crs=4326)
        track = geopandas.GeoSeries([shapely.LineString(np.c_[line.lon_deg, line.lat_deg])], crs=4326)
        zone = track.estimate_utm_crs()
        flat, here = track.to_crs(zone), kept[id(stops)].to_crs(zone)
        strip = geopandas.GeoDataFrame(geometry=flat.buffer(800.0), crs=zone)
        near = here.sjoin(strip, predicate="within")
        return dict(zip(near["id"], flat.iloc[0].project(near.geometry.array), strict=True))

    return find


# Air and sun


def air_input(size: Any) -> Any:
    """Winter air; the worst is dry, warm and high, where the search for the wet bulb takes most steps."""
    rng, n = np.random.default_rng(2), 1000 if size == "worst" else size
    if size == "worst":
        return rng.uniform(15, 35, n), rng.uniform(0.05, 0.3, n), rng.uniform(600, 750, n)
    return rng.uniform(-25, 3, n), rng.uniform(0.6, 1.0, n), rng.uniform(700, 1000, n)


def our_wet_bulb() -> Side:
    from alertd.road.humidity import wet_bulb_c

    return lambda air: wet_bulb_c(*air)


def metpy_wet_bulb() -> Side:
    from metpy import calc
    from metpy.units import units

    def find(air: Any) -> Any:
        t, rh, p = air
        dew = calc.dewpoint_from_relative_humidity(t * units.degC, rh * units.dimensionless)
        return calc.wet_bulb_temperature(p * units.hPa, t * units.degC, dew).to("degC").m

    return find


def loop_wet_bulb() -> Side:
    """The same balance, value by value, by bisection with the standard library."""

    def svp(t: float) -> float:
        return 6.1121 * math.exp((18.678 - t / 234.5) * t / (257.14 + t))  # Buck 1996, liquid water

    def one(t: float, rh: float, p: float) -> float:
        e = rh * svp(t)
        w, low, high = 0.62198 * e / (p - e), t - 40.0, t
        for _ in range(25):
            tw = (low + high) / 2
            ws = 0.62198 * svp(tw) / (p - svp(tw))
            if (2501 - 2.326 * tw) * ws - 1.006 * (t - tw) - w * (2501 + 1.86 * t - 4.186 * tw) > 0:
                high = tw
            else:
                low = tw
        return (low + high) / 2

    return lambda air: np.array([one(*values) for values in zip(*(a.tolist() for a in air), strict=True)])


def sun_input(size: Any) -> Any:
    """Times of one place; the worst has as many places, each with its own time."""
    n = 500 if size == "worst" else size
    epoch = np.sort(np.random.default_rng(3).uniform(1.79e9, 1.82e9, n))
    if size == "worst":
        return np.linspace(40, 60, n), np.linspace(-125, -100, n), epoch
    return 47.4, -121.4, epoch


def our_sun() -> Side:
    from alertd.road.radiation import solar_position

    return lambda given: solar_position(*given)[0]


def pvlib_sun() -> Side:
    import pandas
    from pvlib import solarposition

    def find(given: Any) -> Any:
        lat, lon, epoch = given
        times = pandas.DatetimeIndex(pandas.to_datetime(epoch, unit="s", utc=True))
        if np.ndim(lat) == 0:
            return solarposition.get_solarposition(times, lat, lon)["zenith"].to_numpy()
        each = zip(times, lat, lon, strict=True)  # one place a call is what it offers
        return np.array([solarposition.get_solarposition(t, a, o)["zenith"].iloc[0] for t, a, o in each])

    return find


# Asking the sources


def polling_input(size: Any) -> int:
    return 20 if size == "worst" else size


def our_polling() -> Side:
    """Two cycles of trips on one road: the sources are asked for the road, and answers are kept."""
    return lambda trips_n: asyncio.run(_polled(trips_n, plain=False))


def plain_polling() -> Side:
    """The same requests for each trip in each cycle, parsed to arrays."""
    return lambda trips_n: asyncio.run(_polled(trips_n, plain=True))


async def _polled(trips_n: int, *, plain: bool) -> Any:
    import cycle as fleet
    import httpx

    from alertd.planning.planner import create_planner
    from alertd.sources.files.trips import parse_trip
    from alertd.testing.clock import ManualClock

    with fleet.forecast_server() as (url, _), tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        trips = [parse_trip(t, "bench") for t in fleet.make_fleet(folder, trips_n, 1, own_rigs=False)]
        settings = fleet.settings_of(folder, url)
        async with create_planner(settings, ManualClock(fleet.NOW)) as planner:
            route = await planner.route("road-0", "bench")
            job = await planner.prepare(route, trips, fleet.NOW)
            urls = [response.url for response in job.responses]
        sent = []
        whole = httpx.AsyncClient.send

        async def send(client: httpx.AsyncClient, request: httpx.Request, **options: Any) -> httpx.Response:
            sent.append(request.url)
            return await whole(client, request, **options)

        httpx.AsyncClient.send = send  # type: ignore[method-assign]
        counted = Counted()
        if plain:
            async with httpx.AsyncClient() as client:
                for _ in range(2 * trips_n):
                    for one in urls:
                        rows = (await client.get(one)).json()
                        for row in rows if isinstance(rows, list) else [rows]:
                            [np.asarray(v) for k, v in row.get("hourly", {}).items() if k != "time"]
        else:
            settings = fleet.replace(settings, cache=folder / "http-2")
            async with create_planner(settings, ManualClock(fleet.NOW)) as planner:
                for _ in range(2):
                    await planner.prepare(route, trips, fleet.NOW)
        return counted.done(len(sent))


class Counted:
    """Counts from here on, so that the making of the fleet does not count."""

    def __init__(self) -> None:
        self.cpu_s = time.process_time()

    def done(self, asked: int) -> dict[str, float]:
        return {"cpu_s": time.process_time() - self.cpu_s, "asked": asked}


def nearly(ours: Any, theirs: Any) -> str:
    return f"largest difference {float(np.abs(np.asarray(ours) - np.asarray(theirs)).max()):.3g}"


CASES: dict[str, Case] = {
    "gpx": Case(
        sizes=(1000, 10_000, 100_000, "worst"),
        make=gpx_file,
        sides={"ours": ((), our_gpx), "gpxpy": (("gpxpy",), gpxpy_gpx)},
        agree=nearly,
    ),
    "borders": Case(
        sizes=(1000, 10_000, 100_000, "worst"),
        make=borders_input,
        sides={"ours": ((), our_borders), "geopandas": (("geopandas",), geopandas_borders)},
        agree=lambda a, b: f"same land at {np.mean(np.asarray(a) == np.asarray(b)):.2%} of samples",
    ),
    "stops": Case(
        sizes=(100, 1000, 10_000, "worst"),
        make=stops_input,
        sides={"ours": ((), our_stops), "geopandas": (("geopandas",), geopandas_stops)},
        agree=lambda a, b: f"{len(a.keys() & b.keys())} stops in both, {len(a.keys() ^ b.keys())} in one",
    ),
    "wet bulb": Case(
        sizes=(100, 1000, 4000, "worst"),
        make=air_input,
        sides={
            "ours": ((), our_wet_bulb),
            "metpy": (("metpy",), metpy_wet_bulb),
            "per-point loop": ((), loop_wet_bulb),
        },
        agree=nearly,
    ),
    "sun": Case(
        sizes=(1000, 10_000, 100_000, "worst"),
        make=sun_input,
        sides={"ours": ((), our_sun), "pvlib": (("pvlib",), pvlib_sun)},
        agree=nearly,
    ),
    "polling": Case(
        sizes=(5, 10, "worst"),
        make=polling_input,
        sides={"ours": ((), our_polling), "plain polling": ((), plain_polling)},
        agree=lambda a, b: f"requests {a['asked']:.0f} and {b['asked']:.0f}",
    ),
}


def _resident_mb(name: str) -> float:
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) / 1024.0 for line in lines if line.startswith(name))


def measure(case: str, side: str, size: Any, result: Path) -> None:
    """One side of one size, in this process; the result goes to a file, for the comparison."""
    chosen = CASES[case]
    function = chosen.sides[side][1]()
    polled = case == "polling"
    if not polled:
        function(chosen.make(chosen.sizes[0]))  # imports, and what is made once
    given = chosen.make(size)
    if case in ("borders", "stops"):
        function(given)  # outlines and points in memory
    Path("/proc/self/clear_refs").write_text("5")
    before_mb, runs, spent_s = _resident_mb("VmRSS"), [], 0.0
    while spent_s < LEAST_S and len(runs) < (1 if polled else MOST_RUNS):
        began_s = time.process_time()
        found = function(given)
        runs.append(found["cpu_s"] if polled else time.process_time() - began_s)
        spent_s += runs[-1]
    np.save(result, np.array([found], dtype=object), allow_pickle=True)
    print(json.dumps({"cpu_s": min(runs), "mb": max(_resident_mb("VmHWM") - before_mb, 0.0)}))


def compare(name: str) -> None:
    """Print one case."""
    case = CASES[name]
    print(f"\n{name}")
    rows: dict[tuple[str, Any], dict[str, float]] = {}
    with tempfile.TemporaryDirectory() as folder:
        for side, (libraries, _) in case.sides.items():
            if absent := [lib for lib in libraries if not _is_there(lib)]:
                print(f"  {side}: skipped, {', '.join(absent)} is not installed")
                continue
            for size in case.sizes:
                file = Path(folder) / f"{side}-{size}.npy"
                done = subprocess.run(
                    [sys.executable, __file__, "--one", name, side, str(size), str(file)],
                    capture_output=True,
                    text=True,
                    check=False,
                )
                if done.returncode != 0:
                    print(f"  {side} {size}: failed: {done.stderr.strip().splitlines()[-1:]}")
                    continue
                rows[side, size] = row = json.loads(done.stdout.splitlines()[-1])
                more = ""
                if side != "ours" and ("ours", size) in rows:
                    ours = np.load(Path(folder) / f"ours-{size}.npy", allow_pickle=True)[0]
                    theirs = np.load(file, allow_pickle=True)[0]
                    faster = row["cpu_s"] / max(rows["ours", size]["cpu_s"], 1e-9)
                    more = f"  ours is {faster:.1f} times faster; {case.agree(ours, theirs)}"
                print(f"  {side:>14} {size!s:>7}: {row['cpu_s'] * 1e3:10.2f} ms {row['mb']:7.1f} MB{more}", flush=True)
            *_, small, large = [s for s in case.sizes if s != "worst"]
            if (side, small) in rows and (side, large) in rows:
                grown = math.log(rows[side, large]["cpu_s"] / rows[side, small]["cpu_s"]) / math.log(large / small)
                print(f"  {side:>14} grows with size to the power {grown:.2f}", flush=True)


def _is_there(library: str) -> bool:
    try:
        importlib.import_module(library)
    except ImportError:
        return False
    return True


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--case", choices=CASES, action="append")
    parser.add_argument("--one", nargs=4, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.one:
        case, side, size, file = asked.one
        measure(case, side, int(size) if size.isdigit() else size, Path(file))
        return 0
    for name in asked.case or CASES:
        compare(name)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
