"""Time reading and building a 600 km line of 47,000 points. Run by hand: python tests/benchmarks/bench_route.py"""

from pathlib import Path
from time import perf_counter

import numpy as np

from alertd.route.build import build_route
from alertd.route.geometry.clean import clean_line
from alertd.sources.files.boundaries import read_boundaries
from alertd.sources.files.gpx.read import parse_gpx
from alertd.sources.files.places import read_crossings, read_named_summits

CONFIG = Path(__file__).parents[2] / "config"
POINTS = 47_000
REPEATS = 5


def invented_file() -> bytes:
    s = np.linspace(0.0, 600.0, POINTS)
    lat = 47.2 + 0.25 * np.sin(s / 40.0) + 0.004 * np.sin(s / 1.3)
    lon = -119.0 + s * 0.0098
    ele = 1200.0 + 500.0 * np.sin(s / 12.0) + 8.0 * np.sin(s / 0.7)
    points = "".join(
        f'<trkpt lat="{a:.6f}" lon="{b:.6f}"><ele>{e:.1f}</ele></trkpt>' for a, b, e in zip(lat, lon, ele, strict=True)
    )
    return f'<gpx version="1.1"><trk><trkseg>{points}</trkseg></trk></gpx>'.encode()


def main() -> None:
    data = invented_file()
    start = perf_counter()
    boundaries = read_boundaries(
        *(CONFIG / "boundaries" / n for n in ("us_states.topo.json", "ca_provinces.geojson", "countries.topo.json"))
    )
    crossings = read_crossings(CONFIG / "crossings.toml")
    summits = read_named_summits(CONFIG / "summits.toml")
    print(f"places read once: {perf_counter() - start:.3f} s")
    read_s, build_s = [], []
    for _ in range(REPEATS):
        start = perf_counter()
        line = parse_gpx(data, "bench.gpx")
        middle = perf_counter()
        route = build_route(clean_line(line), jurisdictions=boundaries, crossings=crossings, named_summits=summits)
        read_s.append(middle - start)
        build_s.append(perf_counter() - middle)
    print(f"{len(data) / 1e6:.1f} MB, {POINTS} points, {route.length_m / 1000:.0f} km, {route.distance_m.size} samples")
    print(f"read: best {min(read_s):.3f} s, build: best {min(build_s):.3f} s of {REPEATS}")
    print([(span.code, round(span.end_m / 1000)) for span in route.jurisdictions], f"{len(route.climbs)} climbs")


if __name__ == "__main__":
    main()
