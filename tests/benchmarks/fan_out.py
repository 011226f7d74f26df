"""How long a burst of notices takes to reach many receivers, all on the loopback address.

    python tests/benchmarks/fan_out.py --notices 10000 --receivers 2000

One process stands for all receivers, a path each; it takes every POST after `--answer-ms`. Notices are recorded as a
cycle records them, several of a trip to each receiver, and one dispatcher carries them out as the daemon does.
Printed: seconds from the record of the first notice to the last answer, the processor's seconds of the sender in that
round (on a busy machine the better measure), what was lost and what came twice. With `--hanging N` so many receivers
never answer: the others must not wait for them.
"""

import argparse
import asyncio
import json
import multiprocessing
import random
import ssl
import sys
import tempfile
import time
from contextlib import AsyncExitStack
from datetime import UTC, datetime, timedelta
from ipaddress import ip_network
from multiprocessing.connection import Connection
from pathlib import Path

SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
BODY_BYTES = 6000  # a plan's event of a middling trip


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


async def carry(folder: Path, port: int, notices_n: int, receivers_n: int, hanging_n: int) -> dict[str, float]:
    from alertd.delivery.channels.webhook import Endpoint, WebhookChannel
    from alertd.delivery.worker import DeliveryWorker
    from alertd.notices.model import Audience, Notice, NoticeKind, notice_id
    from alertd.store.rows import StoredTrip
    from alertd.store.store import Store

    allow = (ip_network("127.0.0.0/8"),)
    names = [f"r{n}" for n in range(receivers_n)]
    with Store(folder / "alertd.sqlite") as store:
        async with AsyncExitStack() as stack:
            ways_out, tls = {}, ssl.create_default_context()
            began = time.time()
            for n, name in enumerate(names):
                path = f"hangs/{name}" if n < hanging_n else name
                endpoint = Endpoint(
                    name=name, url=f"http://127.0.0.1:{port}/{path}", secrets=(SECRET,), allow_networks=allow
                )
                ways_out[name] = await stack.enter_async_context(WebhookChannel(endpoint, tls=tls))
            opened_s = time.time() - began
            started = datetime.now(UTC)
            for n in range(receivers_n):
                store.put_trip(StoredTrip(id=f"trip-{n}", body="{}", created_at=started))
            decided_at = time.time()
            for n, name in enumerate(names):
                trip = f"trip-{n}"
                output = [
                    Notice(
                        id=notice_id(NoticeKind.WORSE, Audience.FLEET, trip, str(k)),
                        kind=NoticeKind.WORSE,
                        audience=Audience.FLEET,
                        trip_id=trip,
                        plan_id="",
                        created_at=started,
                        expires_at=started + timedelta(hours=12),
                        text=f"notice {k} of {trip}",
                        body=json.dumps({"trip": n, "number": k, "filler": "x" * BODY_BYTES}),
                    )
                    for k in range(notices_n // receivers_n)
                ]
                store.record_notices(output, {Audience.FLEET: [name]}, started)
            recorded_s = time.time() - decided_at
            dispatcher = DeliveryWorker(store.outbox, ways_out, owner="bench", rng=random.Random(1))
            began, cpu_s = time.time(), time.process_time()
            await dispatcher.deliver_due(datetime.now(UTC))
            round_s, cpu_s = time.time() - began, time.process_time() - cpu_s
            undelivered_n = store.outbox.health(datetime.now(UTC)).waiting_n
        return {
            "open_channels_s": round(opened_s, 1),
            "record_s": round(recorded_s, 1),
            "round_s": round(round_s, 1),
            "round_cpu_s": round(cpu_s, 1),
            "undelivered": undelivered_n,
            "decided_at": decided_at,
        }


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--notices", type=int, default=10_000)
    parser.add_argument("--receivers", type=int, default=2_000)
    parser.add_argument("--hanging", type=int, default=0)
    parser.add_argument("--answer-ms", type=float, default=0.0)
    asked = parser.parse_args()
    ours, theirs = multiprocessing.Pipe()
    process = multiprocessing.Process(target=receive, args=(theirs, asked.answer_ms / 1000.0), daemon=True)
    process.start()
    port = ours.recv()
    with tempfile.TemporaryDirectory() as folder:
        done = asyncio.run(carry(Path(folder), port, asked.notices, asked.receivers, asked.hanging))
    ours.send("enough")
    arrived = ours.recv()
    process.join()
    ids = [one for _, one, _ in arrived]
    due_n = asked.notices // asked.receivers * (asked.receivers - asked.hanging)
    decided_at = done.pop("decided_at")
    waits_s = sorted(at - decided_at for *_, at in arrived)
    tally = {
        **done,
        "taken": len(ids),
        "lost": due_n - len(set(ids)),
        "sent_twice": len(ids) - len(set(ids)),
        "all_out_s": round(waits_s[-1], 1) if waits_s else None,
        "half_out_s": round(waits_s[len(waits_s) // 2], 1) if waits_s else None,
    }
    print(json.dumps(tally))
    return 0 if tally["lost"] == 0 and waits_s[-1] <= 60.0 else 1


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
    raise SystemExit(main())
