"""Kill the daemon's delivery loop at random moments and count what was lost and what was sent twice.

    python tests/benchmarks/crash_outbox.py --store sqlite --kills 200
    python tests/benchmarks/crash_outbox.py --store postgres --kills 200

A child process decides notices, keeps them and carries them out to a loopback receiver that checks every signature; it
is killed with SIGKILL after a random time, then started again, over and over. At the end one child is left to finish.
Lost: decisions whose `record_notices` had returned (the child says so on its stdout) that the receiver never saw.
Twice: receipts beyond the first of an id; allowed is one a kill and worker, with the same bytes. SIGKILL does not
stand for a power cut: what the system's page cache holds survives it. Each child leads the store before it does
anything; with PostgreSQL the server is a throw-away one that is not killed.
"""

import argparse
import asyncio
import json
import os
import random
import select
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from ipaddress import ip_network
from pathlib import Path

SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
START_LIMIT_S = 60
KILL_WITHIN_S = 1.2


def child(place: str, url: str, first: int, last: int) -> None:
    """Decide notices number `first` to `last`, delivering meanwhile; then deliver what is left, and end."""

    from alertd.delivery.channels.webhook import Endpoint, WebhookChannel
    from alertd.delivery.worker import DeliveryWorker
    from alertd.notices.model import Audience, Notice, NoticeKind, notice_id
    from alertd.store.store import Store

    def decide(store: Store, number: int) -> None:
        now = datetime.now(UTC)
        notice = Notice(
            id=notice_id(NoticeKind.BRIEF, Audience.FLEET, str(number)),
            kind=NoticeKind.BRIEF,
            audience=Audience.FLEET,
            trip_id="",
            plan_id="",
            created_at=now,
            expires_at=now + timedelta(days=1),
            text=f"notice {number}",
            body=json.dumps({"number": number, "decided_at": now.isoformat()}),
        )
        store.record_notices([notice], {Audience.FLEET: ["hook"]}, now)
        print(number, flush=True)

    async def work(store: Store) -> None:
        endpoint = Endpoint(name="hook", url=url, secrets=(SECRET,), allow_networks=(ip_network("127.0.0.0/8"),))
        async with WebhookChannel(endpoint) as channel:
            dispatcher = DeliveryWorker(store.outbox, {"hook": channel}, owner=str(os.getpid()), rng=random.Random())
            print("ready", flush=True)
            for number in range(first, last):
                await asyncio.to_thread(decide, store, number)
                if number % 3 == 0:
                    await dispatcher.deliver_due(datetime.now(UTC))
            while store.outbox.health(datetime.now(UTC)).waiting_n:
                await dispatcher.deliver_due(datetime.now(UTC))

    with Store(place) as store:
        candidate = store.candidate(str(os.getpid()), lease_s=15.0)
        while not candidate.acquire(time.monotonic(), datetime.now(UTC)):
            time.sleep(0.01)
        store.outbox.release_claims()
        asyncio.run(work(store))
        candidate.release()


def run(kills_n: int, seed: int, a_kill_n: int, place: str) -> dict[str, float]:
    from alertd.testing.webhook_receiver import WebhookReceiver

    draw = random.Random(seed)
    decided: set[int] = set()
    fired_n, next_number = 0, 0
    with WebhookReceiver(SECRET) as receiver:
        for _ in range(kills_n):
            after_s = draw.uniform(0.0, KILL_WITHIN_S)
            words, killed = _one_life(place, receiver.url, next_number, next_number + a_kill_n, after_s)
            decided |= words
            fired_n += killed
            next_number += a_kill_n  # a number cut off before it was kept is never decided: it counts for nothing
        words, killed = _one_life(place, receiver.url, next_number, next_number + 1, None)
        decided |= words
        seen = Counter(json.loads(got.body)["number"] for got in receiver.received)
        bytes_of = {(got.id, got.sha256) for got in receiver.received}
        return {
            "kills": fired_n,
            "decided": len(decided),
            "lost": len(decided - seen.keys()),
            "sent_twice": sum(seen.values()) - len(seen),
            "same_id_other_bytes": len(bytes_of) - len({name for name, _ in bytes_of}),
            "refused_signatures": len(receiver.refused),
        }


def _one_life(place: str, url: str, first: int, last: int, kill_after_s: float | None) -> tuple[set[int], bool]:
    """Run one child; returns the numbers it said it had kept, and whether it was killed before its end."""
    command = [sys.executable, __file__, "--child", place, url, str(first), str(last)]
    repo = str(Path(__file__).resolve().parents[2])
    with subprocess.Popen(command, stdout=subprocess.PIPE, env={**os.environ, "PYTHONPATH": repo}) as process:
        assert process.stdout is not None
        if not select.select([process.stdout], [], [], START_LIMIT_S)[0] or process.stdout.readline() != b"ready\n":
            process.kill()
            raise SystemExit("the child did not start")
        if kill_after_s is not None:
            time.sleep(kill_after_s)
            process.kill()
        output = process.stdout.read()
    lines = output.split(b"\n")[:-1]  # what follows the last newline was cut off
    if kill_after_s is None and process.returncode != 0:
        raise SystemExit(f"the last child ended with {process.returncode}")
    return {int(line) for line in lines}, process.returncode == -signal.SIGKILL


@contextmanager
def new_place(kind: str) -> Iterator[str]:
    """Where a store of this kind may be, for as long as the run."""
    from alertd.testing.postgres import PostgresCluster, server_programs

    if kind == "sqlite":
        with tempfile.TemporaryDirectory() as folder:
            yield f"{folder}/alertd.sqlite"
        return
    programs = server_programs()
    if programs is None:
        raise SystemExit("no PostgreSQL server programs on this machine")
    with PostgresCluster(programs) as cluster:
        yield cluster.new_store_url()


def main() -> int:
    if sys.argv[1:2] == ["--child"]:
        place, url, first, last = sys.argv[2:6]
        child(place, url, int(first), int(last))
        return 0
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--store", choices=["sqlite", "postgres"], default="sqlite")
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--decisions-a-kill", type=int, default=200)
    arguments = parser.parse_args()
    with new_place(arguments.store) as place:
        tally = run(arguments.kills, arguments.seed, arguments.decisions_a_kill, place)
    print(json.dumps({"store": arguments.store} | tally))
    return 0 if tally["lost"] == tally["same_id_other_bytes"] == tally["refused_signatures"] == 0 else 1


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
    raise SystemExit(main())
