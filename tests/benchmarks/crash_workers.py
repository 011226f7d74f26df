"""Kill delivering workers at random moments and count what was lost, repeated with other bytes, or out of order.

    python tests/benchmarks/crash_workers.py --kills 60 --workers 2
    python tests/benchmarks/crash_workers.py --kills 10 --workers 2 --freeze

The leader is this process: it decides notices for some channels and trips, gives the channels to workers of
`alertd work --deliver`, and sends on what is left. A worker that has a channel is killed with SIGKILL after a random
time and another one is started. With --freeze it is stopped with SIGSTOP instead, until others have its channels, and
then continues. PostgreSQL is a throw-away server; receivers are on loopback and check every signature.
Out of order: first receipts of a trip and channel in another order than decided.
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
from collections import Counter, defaultdict
from datetime import UTC, datetime, timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from alertd.daemon.channels import open_channels
from alertd.daemon.sharing import DeliveryShare
from alertd.delivery.worker import DeliveryWorker
from alertd.notices.model import Audience, Notice, NoticeKind, notice_id
from alertd.settings.read import read_settings
from alertd.store.rows import StoredTrip
from alertd.store.store import Store
from alertd.testing.postgres import PostgresCluster, server_programs
from alertd.testing.webhook_receiver import WebhookReceiver

REPO = Path(__file__).resolve().parents[2]
DEMO = REPO / "fixtures" / "demo"
SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
CHANNELS = tuple(f"hook-{n}" for n in range(4))
TRIPS = tuple(f"T-{n}" for n in range(6))
TAKEOVER_S = 2.0
DECIDE_EVERY_S = 0.05
KILL_WITHIN_S = 3.0
PATIENCE_S = 120.0


class Run:
    """One leader and its workers."""

    def __init__(self, folder: Path, url: str, receiver: WebhookReceiver, seed: int) -> None:
        self.draw = random.Random(seed)
        shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("var"))
        (folder / "secret.txt").write_text(SECRET + "\n", encoding="utf-8")
        text = (DEMO / "alertd.toml").read_text(encoding="utf-8").replace("../../config", str(REPO / "config"))
        text = text.replace('store = "var/alertd.db"', f'store = "{url}"\ntakeover_s = {TAKEOVER_S}\nworkers = true')
        text = text[: text.index("[[webhook]]")]
        for name in CHANNELS:
            text += (
                f'[[webhook]]\nname = "{name}"\nurl = "{receiver.url}"\nsecret_file = "secret.txt"\n'
                'audiences = ["fleet", "driver", "dispatcher"]\nallow_networks = ["127.0.0.0/8"]\n'
            )
        self.config = folder / "alertd.toml"
        self.config.write_text(text, encoding="utf-8")
        self.settings = read_settings(self.config)
        self.receiver = receiver
        self.workers: list[subprocess.Popen[bytes]] = []
        self.killed: set[int] = set()
        self.decided: set[int] = set()
        self.hit_n = self.by_leader_n = 0

    def start_worker(self) -> None:
        command = [sys.executable, "-m", "alertd", "work", "--deliver", "--config", str(self.config)]
        environment = {**os.environ, "PYTHONPATH": str(REPO)}
        self.workers.append(subprocess.Popen(command, cwd=REPO, env=environment, stderr=subprocess.DEVNULL))

    def decide(self, store: Store, number: int) -> None:
        now, channel, trip = datetime.now(UTC), self.draw.choice(CHANNELS), self.draw.choice(TRIPS)
        notice = Notice(
            id=notice_id(NoticeKind.PLAN, Audience.FLEET, str(number)),
            kind=NoticeKind.PLAN,
            audience=Audience.FLEET,
            trip_id=trip,
            plan_id="",
            created_at=now,
            expires_at=now + timedelta(days=1),
            text=f"notice {number}",
            body=json.dumps({"number": number, "channel": channel, "trip": trip, "decided_at": now.isoformat()}),
        )
        store.record_notices([notice], {Audience.FLEET: [channel]}, now)
        self.decided.add(number)

    async def lead(self, kills_n: int, workers_n: int, freeze: bool) -> None:
        with Store(self.settings.store) as store:
            candidate = store.candidate("leader", lease_s=15.0)
            assert candidate.acquire(time.monotonic(), datetime.now(UTC))
            for trip in TRIPS:
                store.put_trip(StoredTrip(id=trip, body="{}", created_at=datetime.now(UTC)))
            share = DeliveryShare(store.senders, self.settings, lambda: (datetime.now(UTC), True))
            async with open_channels(self.settings) as channels:
                own = DeliveryWorker(store.outbox, channels, owner="leader", rng=random.Random(1))
                for _ in range(workers_n):
                    self.start_worker()
                hitting = asyncio.create_task(self._hit(store, kills_n, freeze))
                number, ends_s = 0, 0.0
                while not hitting.done() or store.outbox.health(datetime.now(UTC)).waiting_n:
                    if hitting.done():
                        ends_s = ends_s or time.monotonic() + PATIENCE_S
                        assert time.monotonic() < ends_s, "notices still wait"
                    else:
                        await asyncio.to_thread(self.decide, store, number)
                        number += 1
                    if number % 10 == 0 or hitting.done():
                        await asyncio.to_thread(share.round)
                        self.by_leader_n += (await own.deliver_due(datetime.now(UTC))).done_n
                    await asyncio.sleep(DECIDE_EVERY_S)
                await hitting
            for worker in self.workers:
                worker.terminate()
            for worker in self.workers:
                await asyncio.to_thread(worker.wait, 60)
            left = {int(one.owner.split(":")[1]) for one in store.senders.present()}
            assert left <= self.killed  # one that was killed last may still count as present
            candidate.release()

    async def _hit(self, store: Store, kills_n: int, freeze: bool) -> None:
        while self.hit_n < kills_n:
            owners = {owner.split(":")[1] for owner in store.senders.given().values()}
            with_channels = [one for one in self.workers if str(one.pid) in owners]
            if not with_channels:
                await asyncio.sleep(0.2)
                continue
            victim = self.draw.choice(with_channels)
            await asyncio.sleep(self.draw.uniform(0.0, KILL_WITHIN_S))
            self.hit_n += 1
            if freeze:
                victim.send_signal(signal.SIGSTOP)
                await asyncio.sleep(2 * TAKEOVER_S)
                victim.send_signal(signal.SIGCONT)
                continue
            self.workers.remove(victim)
            victim.kill()
            self.killed.add(victim.pid)
            await asyncio.to_thread(victim.wait)
            self.start_worker()

    def tally(self) -> dict[str, int]:
        got = [json.loads(one.body) for one in self.receiver.received]
        seen = Counter(one["number"] for one in got)
        firsts: dict[tuple[str, str], list[int]] = defaultdict(list)
        for one in got:
            line = firsts[one["channel"], one["trip"]]
            if one["number"] not in line:
                line.append(one["number"])
        bytes_of = {(one.id, one.sha256) for one in self.receiver.received}
        return {
            "hit": self.hit_n,
            "decided": len(self.decided),
            "sent_by_leader": self.by_leader_n,
            "lost": len(self.decided - seen.keys()),
            "sent_twice": seen.total() - len(seen),
            "same_id_other_bytes": len(bytes_of) - len({name for name, _ in bytes_of}),
            "out_of_order": sum(line != sorted(line) for line in firsts.values()),
            "refused_signatures": len(self.receiver.refused),
        }


def run(kills_n: int, workers_n: int, seed: int, url: str, freeze: bool = False) -> dict[str, int]:
    """Hit workers `kills_n` times; returns the counts."""
    folder = Path(tempfile.mkdtemp(prefix="alertd-crash-"))
    with WebhookReceiver(SECRET) as receiver:
        one = Run(folder / "fleet", url, receiver, seed)
        try:
            asyncio.run(one.lead(kills_n, workers_n, freeze))
        finally:
            for worker in one.workers:
                worker.kill()
                worker.wait()
            shutil.rmtree(folder)
        return one.tally()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=60)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--freeze", action="store_true")
    asked = parser.parse_args()
    programs = server_programs()
    if programs is None:
        print("no PostgreSQL server programs on this machine")
        return 1
    with PostgresCluster(programs) as cluster:
        tally = run(asked.kills, asked.workers, asked.seed, cluster.new_store_url(), asked.freeze)
    print(json.dumps(tally))
    return int(any(tally[key] for key in ("lost", "same_id_other_bytes", "out_of_order", "refused_signatures")))


if __name__ == "__main__":
    raise SystemExit(main())
