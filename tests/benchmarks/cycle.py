"""The real planning cycle with everything on: departures, notices, store and archive.

    python tests/benchmarks/cycle.py --trips 200 --routes 10
    python tests/benchmarks/cycle.py --trips 60 --routes 6 --processes 2

Each truck has a rig file of its own, of a few kinds, and every road lies in the demo's storm. A generator of a fixed
seed draws kinds and departures, so neither depends on the road; printed first is how many combinations of road, kind
and departure there are. Four cycles run: the first of a process, with all answers to fetch; one an hour later with a
new forecast; one five minutes after that, where plans of trips with new messages take these into account; and one five
minutes later, where nothing has changed. The forecast server is a process of its own. Printed a cycle: wall and
processor seconds, processor milliseconds a trip, the peak of resident memory, what is resident afterwards and once
freed memory is returned, bytes a trip that the store and the archive grew by, seconds until the first record of any
trip, and seconds until the notices were recorded of the trip that is first in the cycle's order, of those that got any.
With processes that plan, their processor seconds count in `cpu_s` and not in `own_cpu_s`, and `children_mb` is the sum
of their peaks of memory.
"""

import argparse
import asyncio
import gc
import json
import multiprocessing
import os
import re
import resource
import shutil
import sys
import tempfile
import time
from collections.abc import AsyncGenerator, Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from alertd.clock import Clock
from alertd.memory import limit_memory, release_memory
from alertd.notices.model import Notice
from alertd.planning.corridors.pool import RoadPool
from alertd.planning.planner import Planner, create_planner
from alertd.planning.replays.replay_archive import ReplayWriter
from alertd.service.cycle import run_cycle
from alertd.settings.model import Settings
from alertd.settings.read import read_settings
from alertd.sources.files.trips import TripRequest
from alertd.store.archive import Archive
from alertd.store.rows import StoredTrip
from alertd.store.store import Store
from alertd.testing.clock import ManualClock

DEMO = Path(__file__).resolve().parents[2] / "fixtures" / "demo"
NOW = datetime(2027, 1, 14, 10, 30, tzinfo=UTC)
CYCLES = (("cold", 0), ("new forecast", 61), ("what was sent", 5), ("unchanged", 5))  # minutes after the one before
KINDS = ("tractor-6x4-van-53", "doubles-6x4", "tractor-6x2-lift")
SEED = 1500
DEPARTURES, APART_MIN = 288, 5  # in a day


def serve(pipe: Connection) -> None:
    """A stand-in forecast server; it takes the time from the pipe."""
    from alertd.testing.fake_open_meteo import FakeOpenMeteo
    from alertd.testing.weather.storm import Storm

    with FakeOpenMeteo(now_utc=NOW) as api:
        pipe.send(api.base_url)
        while (now := pipe.recv()) is not None:
            api.now_utc, api.storm = now, Storm(wetter=1.1)
            pipe.send("set")


def make_fleet(folder: Path, trips_n: int, routes_n: int, *, own_rigs: bool) -> list[dict[str, str]]:
    """Write roads and rig files, and return the trips as a fleet's system would post them."""
    routes, rigs = folder / "routes", folder / "rigs"
    for each in (routes, rigs):
        each.mkdir()
    for n in range(routes_n):
        text = (DEMO / f"i90-{('west', 'east')[n % 2]}.gpx").read_text(encoding="utf-8")
        moved = re.sub(r'lat="([0-9.]+)"', lambda m, n=n: f'lat="{float(m[1]) + 1e-5 * n:.6f}"', text)  # type: ignore[misc]
        (routes / f"road-{n}.gpx").write_text(moved, encoding="utf-8")
    out = []
    texts = [(DEMO.parents[1] / "config" / "rigs" / f"{k}.toml").read_text(encoding="utf-8") for k in KINDS]
    rng = np.random.default_rng(SEED)
    kinds, departs = rng.integers(len(KINDS), size=trips_n), rng.integers(DEPARTURES, size=trips_n)
    for n, kind in enumerate(kinds if own_rigs else range(len(KINDS))):
        text = re.sub(r'(?m)^name = ".*"', f'name = "Truck {n}"', texts[kind])
        (rigs / f"truck-{n}.toml").write_text(text, encoding="utf-8")
    for n, (kind, slot) in enumerate(zip(kinds.tolist(), departs.tolist(), strict=True)):
        depart = NOW + timedelta(minutes=APART_MIN * slot + 30)
        rig = n if own_rigs else kind
        out.append(
            {"id": f"T-{n}", "route": f"road-{n % routes_n}", "rig": f"truck-{rig}", "depart": depart.isoformat()}
        )
    return out


def settings_of(folder: Path, forecasts: str) -> Settings:
    """The demo's settings over the written fleet."""
    settings = read_settings(DEMO / "alertd.toml")
    return replace(
        settings,
        places=replace(settings.places, routes=folder / "routes", rigs=folder / "rigs"),
        forecast=settings.forecast.with_keys(open_meteo_url=forecasts),
        store=folder / "alertd.db",
        cache=folder / "http",
        archive=folder / "archive",
        trips=None,
    )


def _memory_mb(name: str) -> float:
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith(name):
            return int(line.split()[1]) / 1024.0
    return 0.0


def _forget_peak() -> None:
    Path("/proc/self/clear_refs").write_text("5")


def _bytes(path: Path) -> int:
    """Bytes on disk of a file or folder; a file with several names counts once."""
    files = [path, Path(f"{path}-wal")] if not path.is_dir() else path.rglob("*")
    found = {s.st_ino: s.st_blocks * 512 for s in (f.stat() for f in files if f.is_file())}
    return sum(found.values())


def _cpu_s(pids: tuple[int, ...] = ()) -> float:
    """Processor seconds of this process, of its children that ended, and of those that run."""
    own, children = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    ticks = (Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[11:13] for pid in pids)
    running_s = sum(int(t) for pair in ticks for t in pair) / os.sysconf("SC_CLK_TCK")
    return own.ru_utime + own.ru_stime + children.ru_utime + children.ru_stime + running_s


def _peak_mb(pid: int) -> float:
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(int(line.split()[1]) / 1024.0 for line in lines if line.startswith("VmHWM"))


@contextmanager
def forecast_server(serve: Callable[[Connection], None] = serve) -> Iterator[tuple[str, Connection]]:
    """The server's address, and the pipe to it. serve: runs in its process."""
    ours, theirs = multiprocessing.Pipe()
    process = multiprocessing.get_context("spawn").Process(target=serve, args=(theirs,), daemon=True)
    process.start()
    try:
        yield ours.recv(), ours
    finally:
        ours.send(None)
        process.join()


async def measure(
    settings: Settings, trips: list[dict[str, str]], pipe: Connection, processes: int = 1
) -> list[dict[str, object]]:
    clock = ManualClock(NOW)
    rows = []
    with Store(settings.store) as store:
        for trip in trips:
            store.put_trip(StoredTrip(id=trip["id"], body=json.dumps(trip), created_at=NOW))
        keep = ReplayWriter(archive=Archive(settings.archive), texts=False) if settings.archive else None
        async with create_planner(settings, clock, keep) as planner, RoadPool(processes) as pool:
            planner.runner = pool
            await pool.begin(planner.ground, len(trips))
            for name, later in CYCLES:
                clock.advance(timedelta(minutes=later))
                if later == 61:
                    pipe.send(clock())
                    pipe.recv()
                rows.append({"cycle": name, **await one_cycle(planner, store, settings, clock, trips)})
                if pool.pids:
                    rows[-1]["children_mb"] = round(sum(map(_peak_mb, pool.pids)))
                print(json.dumps(rows[-1]), flush=True)
    return rows


@contextmanager
def noted(planner: Planner, store: Store, order: list[str], on_record: Callable[[], None]) -> Iterator[None]:
    """Append the trips of the first planning of a cycle in its order, and call `on_record` after each record."""
    plan_in_turn, record_plans = planner.plan_in_turn, store.record_plans

    def planning(trips: Sequence[TripRequest], *args: Any) -> AsyncGenerator[Any, None]:
        order.extend([] if order else [trip.id for trip in trips])
        return plan_in_turn(trips, *args)

    def recording(*args: Any) -> Any:
        found = record_plans(*args)
        on_record()
        return found

    with patch.object(planner, "plan_in_turn", planning), patch.object(store, "record_plans", recording):
        yield


async def one_cycle(planner: Planner, store: Store, settings: Settings, clock: Clock, trips) -> dict[str, object]:  # type: ignore[no-untyped-def]
    """Run a cycle and return its figures."""
    first: dict[str, float] = {}
    recorded_s: list[float] = []
    order: list[str] = []
    disk = _bytes(settings.store) + _bytes(settings.archive)
    _forget_peak()
    pids = planner.runner.pids
    wall, cpu, own = time.perf_counter(), _cpu_s(pids), time.process_time()

    def on_new(notice: Notice) -> None:
        first.setdefault(notice.trip_id, time.perf_counter() - wall)

    store.on_new = on_new
    with noted(planner, store, order, lambda: recorded_s.append(time.perf_counter() - wall)):
        outcome = await run_cycle(planner, store, clock())
    row = {
        "trips": len(outcome.plans),
        "not_planned": len(outcome.not_planned),
        "notices": len(outcome.new_notices),
        "wall_s": round(time.perf_counter() - wall, 2),
        "cpu_s": round(_cpu_s(planner.runner.pids) - cpu, 2),
        "own_cpu_s": round(time.process_time() - own, 2),
        "peak_mb": round(_memory_mb("VmHWM")),
        "disk_kb_a_trip": round((_bytes(settings.store) + _bytes(settings.archive) - disk) / len(trips) / 1e3, 1),
    }
    row["first_record_s"] = round(recorded_s[0], 2) if recorded_s else None
    row["first_word_s"] = next((round(first[trip_id], 2) for trip_id in order if trip_id in first), None)
    del outcome
    gc.collect()
    row["held_mb"] = round(_memory_mb("VmRSS"))
    release_memory()  # as the daemon does after each cycle
    row["rest_mb"] = round(_memory_mb("VmRSS"))
    row["cpu_ms_a_trip"] = round(1e3 * float(row["cpu_s"]) / len(trips), 1)
    return row


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--trips", type=int, default=200)
    parser.add_argument("--routes", type=int, default=10)
    parser.add_argument("--shared-rigs", action="store_true", help="three rig files for the whole fleet")
    parser.add_argument("--processes", type=int, default=1, help="that plan; 1 plans in this one")
    parser.add_argument("--keep", type=Path, help="leave the store and the archive in this folder")
    asked = parser.parse_args()
    folder = asked.keep or Path(tempfile.mkdtemp(prefix="alertd-cycle-"))
    folder.mkdir(parents=True, exist_ok=True)
    trips = make_fleet(folder, asked.trips, asked.routes, own_rigs=not asked.shared_rigs)
    kinds = {p.stem: re.sub("(?m)^name = .*", "", p.read_text("utf-8")) for p in (folder / "rigs").iterdir()}
    distinct = {(t["route"], kinds[t["rig"]], t["depart"]) for t in trips}
    print(json.dumps({"trips": len(trips), "distinct_road_kind_departure": len(distinct)}), flush=True)
    limit_memory()  # as the daemon does
    with forecast_server() as (url, pipe):
        rows = asyncio.run(measure(settings_of(folder, url), trips, pipe, asked.processes))
    if asked.keep is None:
        shutil.rmtree(folder)
    return int(any(row["not_planned"] for row in rows))


if __name__ == "__main__":
    raise SystemExit(main())
