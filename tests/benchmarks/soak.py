"""Virtual days of the daemon's own jobs under a storm that moves: memory over time, and what was lost or came twice.

    python tests/benchmarks/soak.py [--days 3] [--trips 24] [--every-min 60] [--compare-h 36]

Real jobs, planner, store, dispatcher and webhook channel; the clock, the forecast server and the receiver are made. The
demo's storm is moved every six hours. Each trip leaves at its hour of the days. The receiver is down two hours a day.
Lost: decided and neither taken nor expired. Memory is of this whole process, stand-ins included.
"""

import argparse
import asyncio
import logging
import random
import sys
import tempfile
import time
from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

REPO = Path(__file__).resolve().parents[2]
START = datetime(2027, 1, 13, 6, 0, tzinfo=UTC)
REPORT_EVERY = timedelta(hours=6)


def rss_mb() -> float:
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return int(next(line.split()[1] for line in status.splitlines() if line.startswith("VmRSS"))) / 1024.0


async def soak(folder: Path, days: int, trips_n: int, every: timedelta, compare_h: float) -> int:
    from alertd.daemon.channels import open_channels
    from alertd.daemon.jobs import Daemon
    from alertd.delivery.worker import DeliveryWorker
    from alertd.notices.model import Audience
    from alertd.planning.planner import create_planner
    from alertd.service.trip_import.save_trip import save_trip
    from alertd.settings.read import read_settings
    from alertd.sources.files.trips import parse_trip
    from alertd.store.store import Store
    from alertd.testing.clock import ManualClock
    from alertd.testing.fake_open_meteo import FakeOpenMeteo
    from alertd.testing.weather.storm import Storm
    from alertd.testing.webhook_receiver import ReceiverFault, WebhookReceiver

    settings = read_settings(REPO / "fixtures" / "demo" / "alertd.toml")
    clock, rng, began_s = ManualClock(START), random.Random(1), time.monotonic()
    kinds: Counter[str] = Counter()
    with (
        FakeOpenMeteo(now_utc=START) as api,
        WebhookReceiver(settings.channels[0].secret("secret_file"), clock=clock) as receiver,
        Store(folder / "alertd.db") as store,
    ):
        store.on_new = lambda notice: kinds.update([f"{notice.kind.value}/{notice.audience.value}"])
        settings = replace(
            settings,
            forecast=settings.forecast.with_keys(open_meteo_url=api.base_url),
            channels=tuple(c.with_keys(url=receiver.url) for c in settings.channels),
            store=folder / "alertd.db",
            cache=folder / "http",
            archive=folder / "archive",
            trips=None,
            plan=replace(settings.plan, compare_h=compare_h),
        )
        for n in range(trips_n):
            leaves = START + timedelta(hours=6 + (days * 24 - 8) * n / trips_n)
            way = ("i90-west", "i90-east")[n % 2]
            rig = ("quillback-17", "quillback-31", "quillback-23", "quillback-44")[n % 4]
            row = {"id": f"S-{n}", "route": way, "rig": rig, "depart": leaves.isoformat(), "driver": f"Driver {n}"}
            save_trip(store, parse_trip(row, "soak"), START)
        async with create_planner(settings, clock) as planning, open_channels(settings) as ways_out:
            dispatcher = DeliveryWorker(store.outbox, ways_out, owner="soak", rng=rng)
            daemon = Daemon(planning, store, dispatcher, clock)
            print("  hour   RSS MB  notices    taken  waiting  wall s")
            while clock() < START + timedelta(days=days):
                since = clock() - START
                api.now_utc = clock()
                if since % timedelta(hours=6) == timedelta(0):
                    api.storm = Storm(
                        front_late_h=rng.uniform(-3.0, 3.0),
                        warmer_k=rng.uniform(-2.0, 2.0),
                        wetter=rng.uniform(0.5, 2.0),
                    )
                receiver.set_fault(ReceiverFault(status=503) if 10 <= since / timedelta(hours=1) % 24 < 12 else None)
                await daemon.cycle()
                for _ in range(max(1, every // timedelta(minutes=10))):
                    await daemon.brief()
                    await daemon.send_scheduled()
                    await daemon.deliver()
                    clock.advance(timedelta(minutes=10))
                if since % timedelta(hours=6) == timedelta(0):
                    await daemon.housekeeping()
                    health = store.outbox.health(clock())
                    print(
                        f"{since / timedelta(hours=1):6.0f} {rss_mb():8.0f} {kinds.total():8} "
                        f"{len(receiver.received):8} {health.waiting_n:8} {time.monotonic() - began_s:7.0f}",
                        flush=True,
                    )
            receiver.set_fault(None)
            clock.advance(timedelta(minutes=30))
            await daemon.deliver()
        health = store.outbox.health(clock())
        taken = Counter(one.id for one in receiver.received)
        decided = {n.id for who in Audience for n in store.notices_since(who, START - timedelta(days=1))}
        lost = len(decided - taken.keys()) - health.expired_n
        twice = sum(n - 1 for n in taken.values())
    print("notices: " + ", ".join(f"{n} {name}" for name, n in sorted(kinds.items())))
    print(
        f"decided {len(decided)}, taken {len(taken)}, expired {health.expired_n}, parked {health.parked_n}, "
        f"lost {lost}, twice {twice}, refused signatures {len(receiver.refused)}"
    )
    return 1 if lost or twice or receiver.refused else 0


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--days", type=int, default=3)
    parser.add_argument("--trips", type=int, default=24)
    parser.add_argument("--every-min", type=int, default=60)
    parser.add_argument("--compare-h", type=float, default=36.0)
    asked = parser.parse_args()
    logging.basicConfig(level=logging.CRITICAL)
    with tempfile.TemporaryDirectory() as folder:
        return asyncio.run(
            soak(Path(folder), asked.days, asked.trips, timedelta(minutes=asked.every_min), asked.compare_h)
        )


if __name__ == "__main__":
    sys.path.insert(0, str(REPO))
    raise SystemExit(main())
