"""A receiver that is down for hours, on a virtual clock: what arrives, when, in which order, and how often it is asked.

    python tests/benchmarks/outage.py

Real dispatcher and store; only the time and the other end are made. Trips get a notice every so often throughout, of
6, 12 or 36 hours' use. The dispatcher is called once a virtual minute. A row an outage: what was of use when the
receiver came back must arrive within ten minutes (last min), each trip's notices in the order of their decisions.
"""

import argparse
import asyncio
import random
import sys
import tempfile
from collections import Counter
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

START = datetime(2027, 1, 14, tzinfo=UTC)
LIVES_H = (6, 12, 36)
EVERY_MIN = 90
AFTER_MIN = 30
HEAD = (
    "down h",
    "decided",
    "arrived",
    "expired",
    "parked",
    "lost",
    "out of order",
    "twice",
    "last, min after",
    "tries",
)


class Other:
    """The receiver: takes nothing while it is down."""

    def __init__(self) -> None:
        self.down = False
        self.tries_n = 0
        self.taken: list[tuple[str, str]] = []
        self.last_at_s = 0.0

    async def send(self, outgoing: Any, now_epoch_s: float) -> None:
        from alertd.errors import DeliveryError

        self.tries_n += self.down
        if self.down:
            raise DeliveryError("hook", "ConnectError")
        self.taken.append((outgoing.trip_id, outgoing.notice_id))
        self.last_at_s = now_epoch_s


async def outage(folder: Path, down_h: int, trips_n: int, seed: int) -> Sequence[object]:
    """One row of the table."""
    from alertd.delivery.worker import DeliveryWorker
    from alertd.notices.model import Audience, Notice, NoticeKind, notice_id
    from alertd.service.dead_letters import resend_after_outage
    from alertd.store.rows import StoredTrip
    from alertd.store.store import Store

    decided: dict[str, list[str]] = {}
    other = Other()
    with Store(folder / "alertd.sqlite") as store:
        dispatcher = DeliveryWorker(store.outbox, {"hook": other}, owner="bench", rng=random.Random(seed))
        for n in range(trips_n):
            store.put_trip(StoredTrip(id=f"trip-{n}", body="{}", created_at=START))
        back_min = down_h * 60
        for minute in range(back_min + AFTER_MIN):
            now = START + timedelta(minutes=minute)
            other.down = minute < back_min
            for n in range(trips_n):
                if minute < back_min and minute % EVERY_MIN == n % EVERY_MIN:
                    trip = f"trip-{n}"
                    id_ = notice_id(NoticeKind.WORSE, Audience.FLEET, trip, str(minute))
                    notice = Notice(
                        id=id_,
                        kind=NoticeKind.WORSE,
                        audience=Audience.FLEET,
                        trip_id=trip,
                        plan_id="",
                        created_at=now,
                        expires_at=now + timedelta(hours=LIVES_H[n % len(LIVES_H)]),
                        text="",
                        body="{}",
                    )
                    store.record_notices([notice], {Audience.FLEET: ["hook"]}, now)
                    decided.setdefault(trip, []).append(id_)
            done = await dispatcher.deliver_due(now)
            for target in done.recovered:
                resend_after_outage(store, target, now)
        [tally] = store.outbox.counts_by_channel()
    arrived: dict[str, list[str]] = {}
    for trip, id_ in other.taken:
        arrived.setdefault(trip, []).append(id_)
    in_order = {trip: [one for one in ids if one in set(arrived.get(trip, ()))] for trip, ids in decided.items()}
    decided_n = sum(map(len, decided.values()))
    return (
        down_h,
        decided_n,
        tally.done_n,
        tally.expired_n,
        tally.parked_n,
        decided_n - tally.done_n - tally.expired_n - tally.parked_n,
        sum(arrived.get(trip, []) != ids for trip, ids in in_order.items()),
        sum(n - 1 for n in Counter(id_ for _, id_ in other.taken).values()),
        round((other.last_at_s - (START + timedelta(hours=down_h)).timestamp()) / 60.0, 1),
        other.tries_n,
    )


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hours", type=int, nargs="+", default=[1, 6, 8, 24, 72])
    parser.add_argument("--trips", type=int, default=30)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    print("  ".join(HEAD))
    bad = 0
    for down_h in asked.hours:
        with tempfile.TemporaryDirectory() as folder:
            row = asyncio.run(outage(Path(folder), down_h, asked.trips, asked.seed))
        print("  ".join(f"{value!s:>{len(name)}}" for name, value in zip(HEAD, row, strict=True)))
        bad += bool(row[5] or row[6] or row[7]) or float(str(row[8])) > 10
    return 1 if bad else 0


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
    raise SystemExit(main())
