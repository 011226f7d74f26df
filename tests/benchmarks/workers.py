"""Cycles of a fleet on PostgreSQL with `alertd work` processes, and with workers killed at random moments.

    python tests/benchmarks/workers.py --trips 60 --routes 6 --workers 1 2
    python tests/benchmarks/workers.py --trips 60 --routes 6 --workers 2 --kills 3
    python tests/benchmarks/workers.py --trips 100000 --routes 300 --workers 1 2 4 --limit-s 700

The fleet, the storm and the cycles are those of `cycle.py`; the leader asks the sources and records, workers plan. A
line of progress is printed each half minute. A cycle that is cut off, by --limit-s or by SIGINT or SIGTERM, is printed
with `recorded_frac` below 1; nothing is extrapolated from it, and its round ends there.

Printed a cycle: wall seconds; processor seconds of the leader, of the workers and of PostgreSQL; roads and trips that
the leader planned itself; jobs; seconds until the first record of any trip, and until the notices were recorded of the
trip that is first in the cycle's order, of those that got any; peaks of memory, of connections and of bytes in the
queue; bytes a trip that the tables and indexes of the store grew by. With kills, also what was lost and what has
another id than in the first round.
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
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import timedelta
from itertools import accumulate
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parent))

import cycle as fleet
from sqlalchemy import insert, select

from alertd.memory import limit_memory, release_memory
from alertd.notices.model import Notice
from alertd.planning.corridors.shared_work import SharedWork, share_work
from alertd.planning.planner import Planner, create_planner
from alertd.service.cycle import OnRecorded, run_cycle
from alertd.settings.model import Settings
from alertd.store.schema import notices, trips
from alertd.store.store import Store
from alertd.store.url import PostgresUrl, parse_store_url
from alertd.testing.clock import ManualClock
from alertd.testing.postgres import PostgresCluster, server_programs

ROWS_A_STATEMENT = 5_000
LOOK_EVERY_S = 2.0
PROGRESS_EVERY_S = 30.0
_TICKS_S = os.sysconf("SC_CLK_TCK")


class Workers:
    """Processes of `alertd work` on one store."""

    def __init__(self, url: str, folder: Path) -> None:
        shutil.copytree(fleet.DEMO, folder, ignore=shutil.ignore_patterns("var"))
        text = (fleet.DEMO / "alertd.toml").read_text(encoding="utf-8")
        text = text.replace("../../config", str(fleet.DEMO.parents[1] / "config"))
        self.config = folder / "alertd.toml"
        self.config.write_text(text.replace('store = "var/alertd.db"', f'store = "{url}"'), encoding="utf-8")
        self.log = (folder / "workers.log").open("wb")
        self.running: list[subprocess.Popen[bytes]] = []
        self.ended_cpu_s = 0.0

    def start(self) -> None:
        self.running.append(
            subprocess.Popen(
                [sys.executable, "-m", "alertd", "work", "--config", str(self.config)],
                cwd=fleet.DEMO.parents[1],
                stderr=self.log,
                env={**os.environ, "PYTHONPATH": str(fleet.DEMO.parents[1])},
            )
        )

    @property
    def pids(self) -> list[int]:
        return [process.pid for process in self.running]

    @property
    def cpu_s(self) -> float:
        return self.ended_cpu_s + sum(map(_cpu_s_of, self.pids))

    def kill_one(self, rng: random.Random) -> None:
        victim = self.running.pop(rng.randrange(len(self.running)))
        victim.send_signal(signal.SIGKILL)
        self._ended(victim)
        self.start()

    def stop(self) -> None:
        for process in self.running:
            process.terminate()
        for process in self.running:
            self._ended(process)
        self.running.clear()

    def _ended(self, process: "subprocess.Popen[bytes]") -> None:
        _, _, used = os.wait4(process.pid, 0)
        process.returncode = 0
        self.ended_cpu_s += used.ru_utime + used.ru_stime


class Server:
    """The processes of the PostgreSQL server."""

    def __init__(self, cluster: PostgresCluster) -> None:
        self.first = int((cluster.folder / "data" / "postmaster.pid").read_text().split()[0])

    @property
    def pids(self) -> list[int]:
        listed = Path(f"/proc/{self.first}/task/{self.first}/children").read_text()
        return [self.first, *map(int, listed.split())]

    @property
    def cpu_s(self) -> float:
        """Also of its processes that ended."""
        return sum(map(_cpu_s_of, self.pids)) + _cpu_s_of(self.first, children=True)

    @property
    def memory_mb(self) -> float:
        """Resident memory, of which a page that several processes share counts once."""
        return sum(map(_share_mb, self.pids))


def _cpu_s_of(pid: int, *, children: bool = False) -> float:
    with suppress(OSError):  # it has just ended
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        return sum(map(int, fields[13:15] if children else fields[11:13])) / _TICKS_S
    return 0.0


def _share_mb(pid: int) -> float:
    with suppress(OSError):
        lines = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
        return next((int(line.split()[1]) / 1024.0 for line in lines if line.startswith("Pss:")), 0.0)
    return 0.0


@dataclass(slots=True)
class Peaks:
    """The largest values seen during a cycle."""

    queue_mb: float = 0.0
    connections: int = 0
    workers_mb: float = 0.0
    postgres_mb: float = 0.0

    async def look(self, shared: SharedWork, workers: Workers, server: Server) -> None:
        held = await _value(shared, "SELECT coalesce(sum(octet_length(body)), 0) AS n FROM parts")
        used = await _value(shared, "SELECT count(*) AS n FROM pg_stat_activity WHERE backend_type = 'client backend'")
        self.queue_mb = max(self.queue_mb, int(held) / 1e6)
        self.connections = max(self.connections, int(used))
        self.workers_mb = max(self.workers_mb, sum(map(_share_mb, workers.pids)))
        self.postgres_mb = max(self.postgres_mb, server.memory_mb)


async def _value(shared: SharedWork, query: str) -> Any:
    return (await shared._queue._rows(query))[0]["n"]


@dataclass(slots=True)
class Round:
    """What the cycles of one number of workers have in common."""

    planner: Planner
    store: Store
    shared: SharedWork
    workers: Workers
    server: Server
    trips_n: int
    limit_s: float
    stop: asyncio.Event
    rng: random.Random
    recorded: set[str] = field(default_factory=set)

    async def cycle(self, name: str, clock: ManualClock, kills: int) -> dict[str, Any]:
        """Run a cycle and return its figures."""
        peaks, first, recorded_s, order = Peaks(), dict[str, float](), list[float](), list[str]()
        before_mb, jobs_n = await self._store_mb(), await self._jobs_n()
        leader = self.shared.helped_n, self.shared.helped_trips_n
        fleet._forget_peak()
        self.recorded.clear()
        began_s, cpu_s = time.perf_counter(), (time.process_time(), self.workers.cpu_s, self.server.cpu_s)

        def since_s() -> float:
            return time.perf_counter() - began_s

        def on_new(notice: Notice) -> None:
            first.setdefault(notice.trip_id, since_s())

        def take(active: Sequence[Any]) -> None:
            self.recorded.update(one.plan.trip_id for one in active)

        self.store.on_new = on_new
        with fleet.noted(self.planner, self.store, order, lambda: recorded_s.append(since_s())):
            on_recorded = OnRecorded(turn=asyncio.Lock(), take=take)
            running = asyncio.create_task(run_cycle(self.planner, self.store, clock(), on_recorded))
            kills_at_s = list(accumulate(self.rng.uniform(0.5, 4.0) for _ in range(kills)))
            stopped, printed_s = asyncio.create_task(self.stop.wait()), 0.0
            while not running.done() and not stopped.done() and since_s() < self.limit_s:
                await asyncio.wait({running, stopped}, timeout=LOOK_EVERY_S, return_when=asyncio.FIRST_COMPLETED)
                while kills_at_s and since_s() >= kills_at_s[0]:
                    kills_at_s.pop(0)
                    self.workers.kill_one(self.rng)
                await peaks.look(self.shared, self.workers, self.server)
                if since_s() - printed_s >= PROGRESS_EVERY_S:
                    printed_s = since_s()
                    print(json.dumps({"cycle": name, "after_s": round(printed_s), **self._share()}), flush=True)
            stopped.cancel()
            cut_off = not running.done()
            if cut_off:
                running.cancel()
                await asyncio.wait({running})
        outcome = None if cut_off else await running
        return {
            "cycle": name,
            "cut_off": cut_off,
            **self._share(),
            "not_planned": None if outcome is None else len(outcome.not_planned),
            "notices": None if outcome is None else len(outcome.new_notices),
            "wall_s": round(since_s(), 1),
            "leader_cpu_s": round(time.process_time() - cpu_s[0], 1),
            "workers_cpu_s": round(self.workers.cpu_s - cpu_s[1], 1),
            "postgres_cpu_s": round(self.server.cpu_s - cpu_s[2], 1),
            "first_record_s": round(recorded_s[0], 1) if recorded_s else None,
            "first_word_s": next((round(first[trip_id], 1) for trip_id in order if trip_id in first), None),
            "roads_by_leader": self.shared.helped_n - leader[0],
            "trips_by_leader": self.shared.helped_trips_n - leader[1],
            "killed": kills - len(kills_at_s),
            "jobs": await self._jobs_n() - jobs_n,
            "queue_mb": round(peaks.queue_mb, 1),
            "connections": peaks.connections,
            "leader_peak_mb": round(fleet._memory_mb("VmHWM")),
            "workers_peak_mb": round(peaks.workers_mb),
            "postgres_peak_mb": round(peaks.postgres_mb),
            "store_kb_a_trip": round((await self._store_mb() - before_mb) * 1e3 / max(len(self.recorded), 1), 1),
        }

    def _share(self) -> dict[str, float]:
        return {"recorded": len(self.recorded), "recorded_frac": round(len(self.recorded) / self.trips_n, 4)}

    async def _store_mb(self) -> float:
        schema = "replace(current_schema(), '_work', '')"
        size = f"SELECT coalesce(sum(pg_total_relation_size(c.oid)), 0) AS n FROM pg_class c WHERE relkind = 'r' AND relnamespace = {schema}::regnamespace"  # fmt: skip  # noqa: E501
        return int(await _value(self.shared, size)) / 1e6

    async def _jobs_n(self) -> int:
        return int(await _value(self.shared, "SELECT coalesce(pg_sequence_last_value('procrastinate_jobs_id_seq'), 0) AS n"))  # fmt: skip  # noqa: E501


async def one_round(
    settings: Settings, rows: list[dict[str, str]], workers: Workers, server: Server, pipe: Connection, asked: Any
) -> tuple[bool, set[str]]:
    """Run the cycles with `asked.now` workers; returns whether all ended, and the ids of all notices."""
    place, clock, complete = settings.store, ManualClock(fleet.NOW), True
    assert isinstance(place, PostgresUrl)
    stop = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(number, stop.set)
    with Store(place) as store:
        began_s = time.perf_counter()
        insert_trips(store, rows)
        inserted_s = time.perf_counter() - began_s
        async with create_planner(settings, clock) as planner, share_work(place) as shared:
            print(json.dumps({"workers": asked.now, "kills": asked.kills_now, "insert_s": round(inserted_s, 1), "begin_s": round(time.perf_counter() - began_s, 1)}), flush=True)  # fmt: skip  # noqa: E501
            planner.use(shared)
            try:
                for _ in range(asked.now):
                    workers.start()
                while await _value(shared, "SELECT count(*) AS n FROM procrastinate_workers") < asked.now:
                    await asyncio.sleep(0.1)
                rng = random.Random(asked.now + asked.kills_now)
                run = Round(planner, store, shared, workers, server, len(rows), asked.limit_s, stop, rng)
                for name, later in fleet.CYCLES[: asked.cycles]:
                    clock.advance(timedelta(minutes=later))
                    if name == "new forecast":
                        pipe.send(clock())
                        pipe.recv()
                    row = await run.cycle(name, clock, asked.kills_now)
                    print(json.dumps({"workers": asked.now, "kills": asked.kills_now, **row}), flush=True)
                    complete = not row["cut_off"] and row["recorded"] == len(rows)
                    release_memory()  # as the daemon does after each cycle
                    if row["cut_off"]:
                        break
            finally:
                await asyncio.to_thread(workers.stop)
        with store._database.read() as connection:
            ids = set(connection.execute(select(notices.c.id)).scalars())
    asked.stopped = stop.is_set()
    return complete, ids


def insert_trips(store: Store, rows: list[dict[str, str]]) -> None:
    """Save many trips at once."""
    same = {"created_at": fleet.NOW, "cancelled": False}
    for n in range(0, len(rows), ROWS_A_STATEMENT):
        with store._database.write() as connection:
            part = [{"id": row["id"], "body": json.dumps(row), **same} for row in rows[n : n + ROWS_A_STATEMENT]]
            connection.execute(insert(trips), part)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--trips", type=int, default=60)
    parser.add_argument("--routes", type=int, default=6)
    parser.add_argument("--workers", type=int, nargs="+", default=[1, 2])
    parser.add_argument("--cycles", type=int, default=1, choices=range(1, len(fleet.CYCLES) + 1))
    parser.add_argument("--kills", type=int, default=0, help="in each cycle of one more round")
    parser.add_argument("--limit-s", type=float, default=float("inf"), help="of each cycle")
    asked = parser.parse_args()
    programs = server_programs()
    if programs is None:
        print("no PostgreSQL server programs on this machine")
        return 1
    limit_memory()  # as the daemon does
    folder = Path(tempfile.mkdtemp(prefix="alertd-workers-"))
    rows = fleet.make_fleet(folder, asked.trips, asked.routes, own_rigs=True)
    first: set[str] | None = None
    wrong = 0
    rounds = [(n, 0) for n in asked.workers] + ([(max(asked.workers), asked.kills)] if asked.kills else [])
    with PostgresCluster(programs) as cluster:
        for i, (asked.now, asked.kills_now) in enumerate(rounds):
            url = cluster.new_store_url()
            workers = Workers(url, folder / f"workers-{i}")
            with fleet.forecast_server() as (forecasts, pipe):  # a new one, whose clock is at the start again
                settings = fleet.settings_of(folder, forecasts)
                settings = replace(settings, store=parse_store_url(url), cache=folder / f"http-{i}")
                complete, ids = asyncio.run(one_round(settings, rows, workers, Server(cluster), pipe, asked))
            if not complete:
                wrong += not asked.stopped and asked.limit_s == float("inf")
            elif first is None:
                first = ids
            else:
                row = {"workers": asked.now, "lost": len(first - ids), "other_ids": len(ids - first)}
                print(json.dumps(row), flush=True)
                wrong += row["lost"] + row["other_ids"]
            if asked.stopped:
                break
    shutil.rmtree(folder)
    return int(wrong > 0)


if __name__ == "__main__":
    raise SystemExit(main())
