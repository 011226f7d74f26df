"""Memory of a real `alertd run`: its own process, a fleet of 24 trips over 6 roads, and a stand-in forecast server.

    python tests/benchmarks/daemon_memory.py [--trips 24] [--roads 6] [--hours 0]

Printed: resident memory at the peak and at rest, and the share of it that no other process has (PSS), after the first
cycle. With `--hours N`, N hourly cycles run in this process by a made clock instead, each with a new
forecast, and the resident memory after each is printed. That shows what grows, which one cycle cannot.
"""

import argparse
import asyncio
import os
import re
import signal
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import bench_command
import cycle

from alertd.testing.fake_open_meteo import FakeOpenMeteo

REST_S = 20.0  # after the last plan of the first cycle: the daemon has then returned what it freed


def kilobytes(pid: int, file: str, name: str) -> float:
    lines = Path(f"/proc/{pid}/{file}").read_text(encoding="ascii").splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith(f"{name}:"))


def write_fleet(folder: Path, url: str, trips_n: int, roads_n: int, now: datetime) -> Path:
    """Write roads, rigs, trips and settings; returns the settings file."""
    trips = cycle.make_fleet(folder, trips_n, roads_n, own_rigs=True)
    rows = ["id,route,rig,depart"]
    for trip in trips:
        depart = now + (datetime.fromisoformat(trip["depart"]) - cycle.NOW)
        rows.append(f"{trip['id']},{trip['route']},{trip['rig']},{depart.isoformat(timespec='seconds')}")
    (folder / "trips.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    path = bench_command.settings(folder, url)
    text = path.read_text(encoding="utf-8")
    text = re.sub(r"(?m)^rigs = .*$", f'rigs = "{folder}/rigs"', text)
    text = re.sub(r"(?m)^routes = .*$", f'routes = "{folder}/routes"', text)
    text = text.replace('"trips.csv"', f'"{folder}/trips.csv"').replace("[daemon]\n", "[daemon]\nhttp_port = 0\n")
    path.write_text(text, encoding="utf-8")
    return path


def planned_n(folder: Path) -> int:
    import sqlite3

    try:
        with sqlite3.connect(f"file:{folder}/alertd.db?mode=ro", uri=True) as store:
            return int(store.execute("select count(distinct trip_id) from plans").fetchone()[0])
    except sqlite3.OperationalError:
        return 0


def run_daemon(folder: Path, trips_n: int, roads_n: int) -> None:
    now = datetime.now(UTC)
    with FakeOpenMeteo(now_utc=now) as api:
        path = write_fleet(folder, api.base_url, trips_n, roads_n, now)
        environment = {**os.environ, "PYTHONPATH": str(cycle.DEMO.parents[1])}
        log = (folder / "log.txt").open("w")
        command = [sys.executable, "-m", "alertd", "run", "--config", str(path)]
        daemon = subprocess.Popen(command, env=environment, stdout=log, stderr=log)
        try:
            until = time.monotonic() + 150.0
            while planned_n(folder) < trips_n and time.monotonic() < until and daemon.poll() is None:
                time.sleep(0.5)
            if planned_n(folder) < trips_n:
                raise SystemExit(f"{planned_n(folder)} trips planned\n{(folder / 'log.txt').read_text()[-3000:]}")
            time.sleep(REST_S)
            peak, rest = (kilobytes(daemon.pid, "status", name) / 1024.0 for name in ("VmHWM", "VmRSS"))
            pss = kilobytes(daemon.pid, "smaps_rollup", "Pss") / 1024.0
            print(f"{trips_n} trips, {roads_n} roads: peak {peak:.0f} MB, at rest {rest:.0f} MB, PSS {pss:.0f} MB")
        finally:
            daemon.send_signal(signal.SIGTERM)
            daemon.wait(30.0)
            log.close()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--trips", type=int, default=24)
    parser.add_argument("--roads", type=int, default=6)
    parser.add_argument("--hours", type=int, default=0)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if not asked.hours:
            return run_daemon(folder, asked.trips, asked.roads)
        cycle.CYCLES = (("cold", 0), *((f"hour {n}", 61) for n in range(1, asked.hours + 1)))
        trips = cycle.make_fleet(folder, asked.trips, asked.roads, own_rigs=True)
        cycle.limit_memory()
        with cycle.forecast_server() as (url, pipe):
            asyncio.run(cycle.measure(cycle.settings_of(folder, url), trips, pipe))


if __name__ == "__main__":
    main()
