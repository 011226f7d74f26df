"""Our reader of GPX files against gpxpy: processor seconds and memory on each file. Run by hand.

    python tests/benchmarks/gpx_readers.py FILE.gpx ...

gpxpy is not a dependency; install it beside the project to compare (`pip install --target DIR gpxpy`, PYTHONPATH=DIR).
Both read from bytes in memory. gpxpy makes an object of each point; ours makes arrays, so both are asked for the same
result: latitude, longitude and height of all points as arrays. Time is the best of several readings, with the garbage
collector on as in use. Memory is the peak of what Python allocates while one file is read, by tracemalloc. Files of
less than 20 kB measure start-up only, and are marked.
"""

import argparse
import importlib.util
import tracemalloc
from collections.abc import Callable
from pathlib import Path
from statistics import median
from time import process_time

import numpy as np

from alertd.errors import InputError
from alertd.sources.files.gpx.read import parse_gpx

SMALL_BYTES = 20_000


def ours(data: bytes) -> int:
    """Points that our reader finds."""
    return parse_gpx(data, "bench.gpx").lat_deg.size


def gpxpy_points(data: bytes) -> int:
    """Points that gpxpy finds, as arrays."""
    import gpxpy  # type: ignore[import-not-found]

    found = gpxpy.parse(data)
    lines = [s.points for t in found.tracks for s in t.segments] or [r.points for r in found.routes]
    rows = [(p.latitude, p.longitude, p.elevation) for points in lines for p in points]
    return np.asarray(rows, dtype=np.float64).shape[0]


def measure(read: Callable[[bytes], int], data: bytes, times: int) -> tuple[int, float, float]:
    """Points, best processor seconds and peak of memory in MB."""
    points = read(data)
    best = min(_seconds(read, data) for _ in range(times))
    tracemalloc.start()
    read(data)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return points, best, peak / 1e6


def _seconds(read: Callable[[bytes], int], data: bytes) -> float:
    began = process_time()
    read(data)
    return process_time() - began


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("files", type=Path, nargs="+")
    parser.add_argument("--times", type=int, default=7)
    asked = parser.parse_args()
    other = importlib.util.find_spec("gpxpy") is not None
    print(f"{'file':34} {'kB':>6} {'points':>7} {'ours ms':>8} {'MB':>6}  {'gpxpy ms':>9} {'MB':>6}   faster  memory")
    faster, leaner = [], []
    for path in asked.files:
        data = path.read_bytes()
        try:
            points, own_s, own_mb = measure(ours, data, asked.times)
        except InputError as exc:
            print(f"{path.name[:34]:34} refused: {exc}")
            continue
        row = f"{path.name[:34]:34} {len(data) / 1e3:6.0f} {points:7d} {own_s * 1e3:8.2f} {own_mb:6.2f}"
        if other:
            _, s, mb = measure(gpxpy_points, data, asked.times)
            row += f"  {s * 1e3:9.2f} {mb:6.2f}  {s / own_s:6.1f}x  1/{mb / own_mb:.1f}"
            if len(data) >= SMALL_BYTES:
                faster.append(s / own_s)
                leaner.append(mb / own_mb)
        print(row + ("" if len(data) >= SMALL_BYTES else "  (small)"))
    if faster:
        print(
            f"{len(faster)} files of {SMALL_BYTES // 1000} kB and more: {min(faster):.1f} to {max(faster):.1f}x faster"
            f" (median {median(faster):.1f}), memory 1/{min(leaner):.1f} to 1/{max(leaner):.1f}"
        )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
