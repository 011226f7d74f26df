"""How long a burst of notices takes to reach its receivers, all on the loopback address.

    python tests/benchmarks/fan_out.py --notices 10000 --receivers 2000
    python tests/benchmarks/fan_out.py --notices 2000 --receivers 1 --trips 500
    python tests/benchmarks/fan_out.py --notices 2000 --receivers 8 --trips 500 --postgres
    python tests/benchmarks/fan_out.py --notices 2000 --receivers 8 --trips 500 --deliver 2

One process stands for all receivers, a path each; it takes every POST after `--answer-ms`. Notices are recorded as a
cycle records them, of `--trips` trips for each receiver, and one dispatcher carries them out as the daemon does. With
--postgres the store is on a throw-away PostgreSQL server instead of a file; with --deliver so many processes of
`alertd work --deliver` on such a store send, and the daemon's part here only gives them the channels.

Printed: seconds from the record of the first notice to the last answer; seconds and notices a second from the begin of
the round to the last answer; processor milliseconds a notice of the senders (on a busy machine the better measure);
what was lost, came twice, or came before an older notice of its trip. With `--hanging N` so many receivers never
answer: the others must not wait for them.
"""

import argparse
import asyncio
import json
import multiprocessing
import os
import random
import shutil
import ssl
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from contextlib import AsyncExitStack, ExitStack
from datetime import UTC, datetime, timedelta
from ipaddress import ip_network
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

REPO = Path(__file__).resolve().parents[2]
DEMO = REPO / "fixtures" / "demo"
SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
BODY_BYTES = 6000  # a plan's event of a middling trip
PATIENCE_S = 600.0
_TICKS_S = os.sysconf("SC_CLK_TCK")


def receive(pipe: Connection, answer_s: float) -> None:
    """Serve until the pipe closes; then send every (path, webhook-id, arrival) down it, in order of arrival."""
    arrived: list[tuple[str, str, float]] = []

    async def talk(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while True:
                head = (await reader.readuntil(b"\r\n\r\n")).decode("latin-1")
                lines = head.split("\r\n")
                fields = {k.lower(): v.strip() for k, _, v in (line.partition(":") for line in lines[1:])}
                await reader.readexactly(int(fields["content-length"]))
                path = lines[0].split(" ")[1]
                if path.startswith("/hangs"):
                    await asyncio.sleep(3600)
                if answer_s:
                    await asyncio.sleep(answer_s)
                arrived.append((path, fields["webhook-id"], time.time()))
                writer.write(b"HTTP/1.1 204 No Content\r\n\r\n")
                await writer.drain()
        except (asyncio.IncompleteReadError, ConnectionError, asyncio.CancelledError):
            writer.close()

    async def serve() -> None:
        server = await asyncio.start_server(talk, "127.0.0.1", 0, backlog=4096)
        pipe.send(server.sockets[0].getsockname()[1])
        await asyncio.get_running_loop().run_in_executor(None, pipe.recv)
        pipe.send(arrived)

    asyncio.run(serve())


class Burst:
    """The notices of one run, and how they are recorded."""

    def __init__(self, asked: argparse.Namespace, port: int) -> None:
        self.names = [f"r{n}" for n in range(asked.receivers)]
        hanging = set(self.names[: asked.hanging])
        self.urls = {n: f"http://127.0.0.1:{port}/{'hangs/' if n in hanging else ''}{n}" for n in self.names}
        self.each_n, self.trips_n = asked.notices // asked.receivers, asked.trips
        self.place_of: dict[str, tuple[str, int]] = {}  # trip and number, by id
        self.decided_at = 0.0

    def put_trips(self, store: Any) -> None:
        from sqlalchemy import insert

        from alertd.store.schema import trips

        same = {"body": "{}", "created_at": datetime.now(UTC), "cancelled": False}
        rows = [{"id": f"{name}-{k}", **same} for name in self.names for k in range(self.trips_n)]
        with store._database.write() as connection:
            connection.execute(insert(trips), rows)

    def record(self, store: Any) -> None:
        """Record all of them."""
        from alertd.notices.model import Audience, Notice, NoticeKind, notice_id

        started = datetime.now(UTC)
        self.decided_at = time.time()
        for name in self.names:
            output = []
            for k in range(self.each_n):
                trip = f"{name}-{k % self.trips_n}"
                id_ = notice_id(NoticeKind.WORSE, Audience.FLEET, trip, str(k))
                self.place_of[id_] = trip, k
                output.append(
                    Notice(
                        id=id_,
                        kind=NoticeKind.WORSE,
                        audience=Audience.FLEET,
                        trip_id=trip,
                        plan_id="",
                        created_at=started,
                        expires_at=started + timedelta(hours=12),
                        text=f"notice {k} of {trip}",
                        body=json.dumps({"trip": trip, "number": k, "filler": "x" * BODY_BYTES}),
                    )
                )
            store.record_notices(output, {Audience.FLEET: [name]}, started)

    def out_of_order_n(self, ids: list[str]) -> int:
        """Trips of which a notice came first after a newer one."""
        came: dict[str, list[int]] = defaultdict(list)
        for id_ in dict.fromkeys(ids):
            trip, number = self.place_of[id_]
            came[trip].append(number)
        return sum(numbers != sorted(numbers) for numbers in came.values())


async def carry(place: Any, burst: Burst) -> dict[str, float]:
    """Send in this process, as the daemon does."""
    from alertd.delivery.channels.webhook import Endpoint, WebhookChannel
    from alertd.delivery.worker import DeliveryWorker
    from alertd.store.store import Store

    allow = (ip_network("127.0.0.0/8"),)
    with Store(place) as store:
        async with AsyncExitStack() as stack:
            ways_out, tls = {}, ssl.create_default_context()
            began = time.time()
            for name, url in burst.urls.items():
                endpoint = Endpoint(name=name, url=url, secrets=(SECRET,), allow_networks=allow)
                ways_out[name] = await stack.enter_async_context(WebhookChannel(endpoint, tls=tls))
            opened_s = time.time() - began
            burst.put_trips(store)
            burst.record(store)
            recorded_s = time.time() - burst.decided_at
            dispatcher = DeliveryWorker(store.outbox, ways_out, owner="bench", rng=random.Random(1))
            began, cpu_s = time.time(), time.process_time()
            await dispatcher.deliver_due(datetime.now(UTC))
            cpu_s = time.process_time() - cpu_s
            undelivered_n = store.outbox.health(datetime.now(UTC)).waiting_n
        return {
            "open_channels_s": round(opened_s, 1),
            "record_s": round(recorded_s, 1),
            "cpu_s": cpu_s,
            "undelivered": undelivered_n,
            "began": began,
        }


def worker_settings(folder: Path, place: str, burst: Burst) -> Path:
    """The demo's settings with a channel for each receiver."""
    shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("var"))
    (folder / "secret.txt").write_text(SECRET + "\n", encoding="utf-8")
    text = (DEMO / "alertd.toml").read_text(encoding="utf-8").replace("../../config", str(REPO / "config"))
    text = text.replace('store = "var/alertd.db"', f'store = "{place}"\nworkers = true')
    text = text[: text.index("[[webhook]]")]
    for name, url in burst.urls.items():
        text += (
            f'[[webhook]]\nname = "{name}"\nurl = "{url}"\nsecret_file = "secret.txt"\n'
            'audiences = ["fleet", "driver", "dispatcher"]\nallow_networks = ["127.0.0.0/8"]\n'
        )
    config = folder / "alertd.toml"
    config.write_text(text, encoding="utf-8")
    return config


async def by_workers(folder: Path, place: str, burst: Burst, workers_n: int) -> dict[str, float]:
    """Have processes of `alertd work --deliver` send, and give them the channels, as the daemon does."""
    from alertd.daemon.sharing import DeliveryShare
    from alertd.settings.read import read_settings
    from alertd.store.store import Store

    config = worker_settings(folder / "fleet", place, burst)
    settings = read_settings(config)
    command = [sys.executable, "-m", "alertd", "work", "--deliver", "--config", str(config)]
    with Store(settings.store) as store:
        candidate = store.candidate("leader", lease_s=PATIENCE_S)
        assert candidate.acquire(time.monotonic(), datetime.now(UTC))
        burst.put_trips(store)
        share = DeliveryShare(store.senders, settings, lambda: (datetime.now(UTC), True))
        with (folder / "workers.log").open("wb") as log:
            environment = {**os.environ, "PYTHONPATH": str(REPO)}
            workers = [subprocess.Popen(command, cwd=REPO, env=environment, stderr=log) for _ in range(workers_n)]
        try:
            for _ in range(int(PATIENCE_S)):
                await asyncio.to_thread(share.round)
                if len(set(store.senders.given().values())) == min(workers_n, len(burst.names)):
                    break
                await asyncio.sleep(1.0)
            await asyncio.to_thread(burst.record, store)
            recorded_s = time.time() - burst.decided_at
            cpu_s, waiting_n = sum(_cpu_s(w.pid) for w in workers), 1
            while waiting_n and time.time() - burst.decided_at < PATIENCE_S:
                await asyncio.sleep(1.0)
                await asyncio.to_thread(share.round)
                waiting_n = store.outbox.health(datetime.now(UTC)).waiting_n
            cpu_s = sum(_cpu_s(w.pid) for w in workers) - cpu_s
        finally:
            for worker in workers:
                worker.terminate()
            for worker in workers:
                await asyncio.to_thread(worker.wait, 60)
        candidate.release()
    return {
        "record_s": round(recorded_s, 1),
        "cpu_s": cpu_s,
        "undelivered": waiting_n,
        "began": burst.decided_at,  # they send while the rest is recorded
    }


def _cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return sum(map(int, fields[11:13])) / _TICKS_S


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--notices", type=int, default=10_000)
    parser.add_argument("--receivers", type=int, default=2_000)
    parser.add_argument("--trips", type=int, default=1, help="of each receiver; a trip's notices go one after another")
    parser.add_argument("--hanging", type=int, default=0)
    parser.add_argument("--answer-ms", type=float, default=0.0)
    parser.add_argument("--postgres", action="store_true")
    parser.add_argument("--deliver", type=int, default=0, metavar="N", help="workers that send")
    asked = parser.parse_args()
    from alertd.testing.postgres import PostgresCluster, server_programs

    ours, theirs = multiprocessing.Pipe()
    process = multiprocessing.Process(target=receive, args=(theirs, asked.answer_ms / 1000.0), daemon=True)
    process.start()
    burst = Burst(asked, ours.recv())
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        place: Any = folder / "alertd.sqlite"
        if asked.postgres or asked.deliver:
            programs = server_programs()
            if programs is None:
                print("no PostgreSQL server programs on this machine")
                return 1
            place = stack.enter_context(PostgresCluster(programs)).new_store_url()
        done = asyncio.run(by_workers(folder, place, burst, asked.deliver) if asked.deliver else carry(place, burst))
    ours.send("enough")
    arrived = ours.recv()
    process.join()
    ids = [one for _, one, _ in arrived]
    due_n = burst.each_n * (asked.receivers - asked.hanging)
    waits_s = sorted(at - burst.decided_at for *_, at in arrived)
    round_s = max((at for *_, at in arrived), default=0.0) - done.pop("began")
    tally = {
        **done,
        "cpu_s": round(done["cpu_s"], 1),
        "cpu_ms_a_notice": round(1e3 * done["cpu_s"] / max(len(ids), 1), 2),
        "round_s": round(round_s, 1),
        "notices_a_second": round(len(ids) / round_s, 1) if ids else 0.0,
        "taken": len(ids),
        "lost": due_n - len(set(ids)),
        "sent_twice": len(ids) - len(set(ids)),
        "out_of_order": burst.out_of_order_n(ids),
        "all_out_s": round(waits_s[-1], 1) if waits_s else None,
        "half_out_s": round(waits_s[len(waits_s) // 2], 1) if waits_s else None,
    }
    print(json.dumps(tally))
    return 0 if tally["lost"] == tally["out_of_order"] == 0 and waits_s[-1] <= 60.0 else 1


if __name__ == "__main__":
    sys.path.insert(0, str(REPO))
    raise SystemExit(main())
