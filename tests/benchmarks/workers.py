"""One cycle of a fleet on PostgreSQL with `alertd work` processes, and with workers killed at random moments.

    python tests/benchmarks/workers.py --trips 60 --routes 6 --workers 1 2
    python tests/benchmarks/workers.py --trips 60 --routes 6 --workers 2 --kills 3

The fleet and the storm are those of `cycle.py`; the leader asks the sources and records, workers plan. Printed a round:
wall seconds, processor seconds of the leader and of the workers, roads that the leader planned itself, bytes that the
queue held, and, with kills, what was lost and what has another id than in the first round.
"""

import argparse
import asyncio
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parent))

import cycle as fleet

from alertd.planning.corridors.shared_work import share_work
from alertd.planning.planner import create_planner
from alertd.service.cycle import run_cycle
from alertd.settings.model import Settings
from alertd.store.rows import StoredTrip
from alertd.store.store import Store
from alertd.store.url import PostgresUrl, parse_store_url
from alertd.testing.clock import ManualClock
from alertd.testing.postgres import PostgresCluster, server_programs


class Workers:
    """Processes of `alertd work` on one store."""

    def __init__(self, url: str, folder: Path) -> None:
        shutil.copytree(fleet.DEMO, folder, ignore=shutil.ignore_patterns("var"))
        text = (fleet.DEMO / "alertd.toml").read_text(encoding="utf-8")
        text = text.replace("../../config", str(fleet.DEMO.parents[1] / "config"))
        self.config = folder / "alertd.toml"
        self.config.write_text(text.replace('store = "var/alertd.db"', f'store = "{url}"'), encoding="utf-8")
        self.running: list[subprocess.Popen[bytes]] = []
        self.cpu_s = 0.0

    def start(self) -> None:
        self.running.append(
            subprocess.Popen(
                [sys.executable, "-m", "alertd", "work", "--config", str(self.config)],
                cwd=fleet.DEMO.parents[1],
                stderr=subprocess.DEVNULL,
                env={**os.environ, "PYTHONPATH": str(fleet.DEMO.parents[1])},
            )
        )

    def kill_one(self, rng: random.Random) -> None:
        victim = self.running.pop(rng.randrange(len(self.running)))
        victim.send_signal(signal.SIGKILL)
        self._ended(victim)
        self.start()

    def stop(self) -> float:
        for process in self.running:
            process.terminate()
        for process in self.running:
            self._ended(process)
        return self.cpu_s

    def _ended(self, process: "subprocess.Popen[bytes]") -> None:
        _, _, used = os.wait4(process.pid, 0)
        process.returncode = 0
        self.cpu_s += used.ru_utime + used.ru_stime


async def one_round(settings: Settings, trips: list[dict[str, str]], workers: Workers, n: int, kills: int) -> dict:
    """Cycle, with `n` workers and `kills` of them killed; the ids of what it recorded are under "ids"."""
    place = settings.store
    assert isinstance(place, PostgresUrl)
    rng = random.Random(n + kills)
    with Store(place) as store:
        for trip in trips:
            store.put_trip(StoredTrip(id=trip["id"], body=json.dumps(trip), created_at=fleet.NOW))
        async with create_planner(settings, ManualClock(fleet.NOW)) as planner, share_work(place) as shared:
            planner.use(shared)
            for _ in range(n):
                workers.start()
            while (await shared._queue._rows("SELECT count(*) AS n FROM procrastinate_workers"))[0]["n"] < n:
                await asyncio.sleep(0.1)
            wall_s, own_s = time.perf_counter(), time.process_time()
            running = asyncio.create_task(run_cycle(planner, store, fleet.NOW))
            most_bytes = 0
            for _ in range(kills):
                await asyncio.wait({running}, timeout=rng.uniform(1.0, 8.0))
                if not running.done():
                    workers.kill_one(rng)
            while not running.done():
                held = await shared._queue._rows("SELECT coalesce(sum(octet_length(body)), 0) AS n FROM parts")
                most_bytes = max(most_bytes, int(held[0]["n"]))
                await asyncio.wait({running}, timeout=0.5)
            outcome = await running
            row = {
                "workers": n,
                "kills": kills,
                "planned": len(outcome.plans),
                "notices": len(outcome.new_notices),
                "wall_s": round(time.perf_counter() - wall_s, 1),
                "leader_cpu_s": round(time.process_time() - own_s, 1),
                "roads_by_leader": shared.helped_n,
                "queue_mb": round(most_bytes / 1e6, 1),
            }
            row["workers_cpu_s"] = round(await asyncio.to_thread(workers.stop), 1)
        row["ids"] = {n.id for trip in trips for n in store.notices(trip["id"])}
    return row


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--trips", type=int, default=60)
    parser.add_argument("--routes", type=int, default=6)
    parser.add_argument("--workers", type=int, nargs="+", default=[1, 2])
    parser.add_argument("--kills", type=int, default=0)
    asked = parser.parse_args()
    programs = server_programs()
    if programs is None:
        print("no PostgreSQL server programs on this machine")
        return 1
    folder = Path(tempfile.mkdtemp(prefix="alertd-workers-"))
    trips = fleet.make_fleet(folder, asked.trips, asked.routes, own_rigs=True)
    first: set[str] = set()
    wrong = 0
    with fleet.forecast_server() as (forecasts, _), PostgresCluster(programs) as cluster:
        for i, (n, kills) in enumerate([(n, 0) for n in asked.workers] + [(max(asked.workers), asked.kills)]):
            if i == len(asked.workers) and not kills:
                break
            url = cluster.new_store_url()
            place = parse_store_url(url)
            settings = replace(fleet.settings_of(folder, forecasts), store=place, cache=folder / f"http-{i}")
            row = asyncio.run(one_round(settings, trips, Workers(url, folder / f"workers-{i}"), n, kills))
            ids = row.pop("ids")
            first = first or ids
            row |= {"lost": len(first - ids), "other_ids": len(ids - first)}
            wrong += row["lost"] + row["other_ids"] + asked.trips - row["planned"]
            print(json.dumps(row), flush=True)
    shutil.rmtree(folder)
    return int(wrong > 0)


if __name__ == "__main__":
    raise SystemExit(main())
