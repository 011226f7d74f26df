"""Disk that the store and the archive take in 14 days, computed from hours of the real cycle.

    python tests/benchmarks/disk.py --trips 160 --hours 2

One road lies in the demo's storm, whose next forecast differs a little each hour: a random walk of a fixed seed delays
the front, warms the air and wets it. After the first plans of all trips come so many hourly cycles. Every notice counts
as delivered, texts are packed, plans and inputs are thinned, by the code of the daemon.

Measured: bytes of a plan with a notice, of another plan, of a notice, of a thinned plan, of a trip's newest plan; bytes
in the archive for a plan, and for a road and hour; and how many plans have a notice. From these, GB for `--of` trips on
`--roads` over `--days` are computed, for a storm that never ends and for one in a third of the hours. A trip counts as
planned for `--life` hours, with first plans once; a plan of six without a notice stays where none of the six has one.
"""

import argparse
import asyncio
import json
import shutil
import sqlite3
import sys
import tempfile
import time
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from multiprocessing.connection import Connection
from pathlib import Path

import numpy as np
from sqlalchemy import select

sys.path.insert(0, str(Path(__file__).resolve().parent))

import cycle

from alertd.planning.planner import create_planner
from alertd.planning.replays.replay_archive import ReplayWriter
from alertd.service.cycle import run_cycle
from alertd.service.retention import apply_retention, pack_texts_of
from alertd.settings.model import Settings
from alertd.store.archive import Archive
from alertd.store.rows import StoredTrip
from alertd.store.schema import notices, packs, plans
from alertd.store.store import Store
from alertd.testing.clock import ManualClock

EVERY_PLAN_H = 24.0
NOTICE_TABLES = ("notices", "notices_seen", "deliveries", "event_log")
MARK = "alertd.in_pack/1:"
WALK = (0.3, 0.15, 0.05)  # [A] an hour: delay of the front [h], warmer air [K], logarithm of the precipitation factor
HELD = 0.95  # [A] of the last hour's difference


def serve(pipe: Connection) -> None:
    """A stand-in forecast server; it takes the time and the storm from the pipe."""
    from alertd.testing.fake_open_meteo import FakeOpenMeteo
    from alertd.testing.weather.storm import Storm

    with FakeOpenMeteo(now_utc=cycle.NOW) as api:
        pipe.send(api.base_url)
        while (got := pipe.recv()) is not None:
            api.now_utc, (late_h, warmer_k, wetter) = got
            api.storm = Storm(front_late_h=late_h, warmer_k=warmer_k, wetter=wetter)
            pipe.send("set")


@dataclass(slots=True, kw_only=True)
class Counted:
    """Notices and plans with a notice, of the first cycle and of later ones, and processor seconds of packing."""

    named: list[int] = field(default_factory=list)
    notices: list[int] = field(default_factory=list)
    packing_s: float = 0.0


async def run_hours(settings: Settings, trips: list[dict[str, str]], pipe: Connection, hours: int) -> Counted:
    """Plan, record and pack."""
    clock, rng, walk, counted = ManualClock(cycle.NOW), np.random.default_rng(cycle.SEED), np.zeros(3), Counted()
    with Store(settings.store) as store:
        for trip in trips:
            store.put_trip(StoredTrip(id=trip["id"], body=json.dumps(trip), created_at=cycle.NOW))
        writer = ReplayWriter(archive=Archive(settings.archive), texts=False)
        async with create_planner(settings, clock, writer) as planner:
            for hour in range(hours + 1):
                outcome = await run_cycle(planner, store, clock())
                made = [notice for id_ in outcome.new_notices if (notice := store.notice(id_)) is not None]
                counted.named.append(len({notice.plan_id for notice in made if notice.plan_id}))
                counted.notices.append(len(made))
                print(json.dumps({"hour": hour, "plans": len(outcome.plans), "named": counted.named[-1]}), flush=True)
                clock.advance(timedelta(minutes=61))
                walk = HELD * walk + rng.normal(size=3) * np.array(WALK)
                pipe.send((clock(), (float(walk[0]), float(walk[1]), float(np.exp(walk[2])))))
                pipe.recv()
        deliver_all(settings.store)
        began = time.process_time()
        pack_texts_of(store, clock() + timedelta(hours=12))
        counted.packing_s = time.process_time() - began
    return counted


def deliver_all(place: Path) -> None:
    """Mark all deliveries as done, as with receivers that answer."""
    with sqlite3.connect(place) as connection:
        connection.execute("UPDATE deliveries SET state = 'done', settled_at = next_try")
    connection.close()


def tables(place: Path) -> dict[str, int]:
    """Bytes of each table with its indexes, without free pages."""
    connection = sqlite3.connect(place, isolation_level=None)
    connection.execute("VACUUM")
    of_tables = connection.execute(
        "SELECT m.tbl_name, sum(d.pgsize) FROM dbstat d JOIN sqlite_master m ON m.name = d.name GROUP BY 1"
    ).fetchall()
    connection.close()
    return dict(of_tables)


def stored_bytes(place: Path) -> dict[str, float]:
    """Mean bytes of each kind of row, with what it has in packs."""
    with Store(place) as store, store._database.read() as connection:
        packed = {row.id: len(row.texts) for row in connection.execute(select(packs))}
        kinds: dict[str, set[int]] = {"named plan": set(), "other plan": set(), "notice": set()}
        rows = dict.fromkeys(kinds, 0)
        named = {row.plan_id for row in connection.execute(select(notices.c.plan_id).distinct())}
        newest: list[int] = []
        for row in connection.execute(select(plans.c.id, plans.c.body)):
            if not row.body.startswith(MARK):
                newest.append(len(row.body))
                continue
            kind = "named plan" if row.id in named else "other plan"
            kinds[kind].add(int(row.body[len(MARK) :].split(":")[0]))
            rows[kind] += 1
        for row in connection.execute(select(notices.c.body)):
            kinds["notice"].add(int(row.body[len(MARK) :].split(":")[0]))
            rows["notice"] += 1
    of_tables = tables(place)
    plan_row = (of_tables["plans"] - sum(newest)) / (sum(rows.values()) - rows["notice"] + len(newest))
    notice_row = sum(of_tables[name] for name in NOTICE_TABLES) / rows["notice"]
    own = {"named plan": plan_row, "other plan": plan_row, "notice": notice_row}
    found = {kind: own[kind] + sum(packed[n] for n in ids) / max(rows[kind], 1) for kind, ids in kinds.items()}
    return found | {"newest plan": plan_row + sum(newest) / len(newest)}


def archive_bytes(archive: Archive) -> tuple[float, float]:
    """Bytes on disk of what lies with each road and hour (answers and their list), and of records of plans."""
    shared = records = 0.0
    for path in archive.folder.glob("contents/*/*"):
        content, size = archive.get(path.name), path.stat().st_blocks * 512
        if b'"alertd.inputs/' in content:
            records += size
        elif content.startswith(b'[{"body"') or b'"hourly"' in content[:5000]:
            shared += size
    return shared, records


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--trips", type=int, default=160)
    parser.add_argument("--hours", type=int, default=2, help="after the first plans")
    parser.add_argument("--of", type=int, default=10_000, help="trips to compute for")
    parser.add_argument("--roads", type=int, default=60)
    parser.add_argument("--days", type=int, default=14)
    parser.add_argument("--life", type=float, default=43.0, help="hours that a trip is planned for")
    parser.add_argument("--keep", type=Path, help="leave the store and the archive in this folder")
    asked = parser.parse_args()
    folder = asked.keep or Path(tempfile.mkdtemp(prefix="alertd-disk-"))
    folder.mkdir(parents=True, exist_ok=True)
    trips = cycle.make_fleet(folder, asked.trips, 1, own_rigs=True)
    with cycle.forecast_server(serve) as (url, pipe):
        settings = cycle.settings_of(folder, url)
        counted = asyncio.run(run_hours(settings, trips, pipe, asked.hours))
    plans_n = asked.trips * (asked.hours + 1)
    size = stored_bytes(settings.store)
    shared, records = archive_bytes(Archive(settings.archive))
    size |= {"archive, road and hour": shared / (asked.hours + 1), "archive, plan": records / plans_n}
    size["thinned plan"] = thinned_bytes(settings.store, cycle.NOW + timedelta(days=4), settings)
    rates = {
        name: rate(of, asked.trips, asked.life) for name, of in (("named", counted.named), ("notices", counted.notices))
    }
    row = {
        "packing_ms_a_plan": round(1e3 * counted.packing_s / plans_n, 1),
        "bytes": {name: round(value) for name, value in size.items()},
        "a_trip_and_hour": {name: [round(part, 3) for part in value] for name, value in rates.items()},
        "gb_in_a_lasting_storm": gigabytes(asked, size, rates, 1.0),
        "gb_with_storm_in_a_third": gigabytes(asked, size, rates, 1.0 / 3.0),
    }
    print(json.dumps(row))
    if asked.keep is None:
        shutil.rmtree(folder)
    return 0


def rate(counts: list[int], trips: int, life_h: float) -> tuple[float, float]:
    """How many a trip and hour: by later forecasts, and by the first plan in the life of a trip."""
    return sum(counts[1:]) / (trips * (len(counts) - 1)), counts[0] / trips / life_h


def thinned_bytes(place: Path, now: datetime, settings: Settings) -> float:
    """Thin the plans, and return the bytes that remain of each removed one."""
    with Store(place) as store:
        before = store.plans_made(cycle.NOW, now)
        apply_retention(store, replace(settings.keep, every_plan=1), now)
        removed = len(before) - len(store.plans_made(cycle.NOW, now))
    return tables(place)["thinned_plans"] / removed


def gigabytes(
    asked: argparse.Namespace, size: dict[str, float], rates: dict[str, tuple[float, float]], stormy_frac: float
) -> dict[str, float]:
    """GB by part. In calm hours nothing but first plans has notices; sizes are those of a storm all the same."""
    named, notices_n = (stormy_frac * later + first for later, first in (rates["named"], rates["notices"]))
    hours, trips = asked.days * 24.0, asked.of
    storm_named = sum(rates["named"])
    calm_named = rates["named"][1]
    alone = stormy_frac * (1 - storm_named) ** 6 / 6 + (1 - stormy_frac) * (1 - calm_named) ** 6 / 6
    left = max(1.0 - named - alone, 0.0)
    parts = {
        "plans with a notice": trips * hours * named * size["named plan"],
        "other plans of a day": trips * EVERY_PLAN_H * (1.0 - named) * size["other plan"],
        "one in six hours": trips * (hours - EVERY_PLAN_H) * alone * size["named plan"],
        "thinned plans": trips * (hours - EVERY_PLAN_H) * left * size["thinned plan"],
        "newest and last plans": trips * (2 * size["newest plan"] + hours / asked.life * size["named plan"]),
        "notices": trips * hours * notices_n * size["notice"],
        "archive": asked.roads * hours * size["archive, road and hour"] + trips * hours * size["archive, plan"],
    }
    return {name: round(value / 1e9, 2) for name, value in (*parts.items(), ("all", sum(parts.values())))}


if __name__ == "__main__":
    raise SystemExit(main())
