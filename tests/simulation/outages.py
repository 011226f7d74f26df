"""Outages of a day and of three days in the simulated world: what is sent, when, and how much at the return.

    python tests/simulation/outages.py                 # all, as the rows of a Markdown table
    python tests/simulation/outages.py channels 72

Away are all sources, all channels, or the host itself (both daemons, which start again afterwards). Trips depart each
day; the weather changes as in the other nights; nothing else fails. The invariants of `sim_checks` hold throughout.
"""

import asyncio
import logging
import sys
from collections import Counter
from dataclasses import dataclass, replace
from datetime import datetime, time, timedelta
from pathlib import Path
from typing import Any, Final

sys.path.insert(0, str(Path(__file__).parent))

import night
from sim_checks import check_end
from sim_store import copy_empty_store
from sim_world import BEGINS, DEPARTS, World

from alertd.settings.model import Settings
from alertd.settings.reference_data import ReferenceData
from alertd.store.schema import deliveries, notices
from alertd.store.store import Store

KINDS: Final = ("sources", "channels", "host")
BEFORE_H, CHANGES_H, AFTER_H = 3, 6, 36  # around the outage; the last changes are before the last brief
STEP: Final = timedelta(minutes=30)


@dataclass(frozen=True)
class Seen:
    """What an outage did. Counts of messages are of all receivers, unless named otherwise.

    first_after_min: when the first message came after the return. most_in_10_min: the most that one receiver got in
    ten minutes of the first hour after it; most_to_a_driver: of that hour, about one trip. parked_of_use_n: dead
    letters that were still of use at the return and that nothing newer replaced.
    """

    decided_n: int
    sent_n: dict[str, int]
    states: dict[str, int]
    kinds_during: dict[str, int]
    first_after_min: float
    most_in_10_min: int
    most_to_a_driver: int
    parked_of_use_n: int


def outage(kind: str, hours: int, seed: int, settings: Settings, ground: ReferenceData) -> Seen:
    """Run one outage. Raises Violation."""
    with night.night_folder() as folder, night._one_thread(), night._no_collector():
        early = time(2)  # the grace of this brief is over when the host is back
        settings = replace(settings, store=folder / "alertd.db", cache=folder / "cache", brief_at=early)
        days = hours // 24 + 2
        departs = {f"QT-{n + 1}": DEPARTS + timedelta(days=n // 2) for n in range(2 * days)}
        world = World(seed, folder, settings, ground, departs=departs)
        return asyncio.run(_run(world, kind, hours))


async def _run(world: World, kind: str, hours: int) -> Seen:
    copy_empty_store(world.folder / "alertd.db")
    with Store(world.folder / "alertd.db") as store:
        night.save_trips(store, world.departs)
    processes = [world.start("first"), world.start("second")]
    begins, ends = BEGINS + timedelta(hours=BEFORE_H), BEGINS + timedelta(hours=BEFORE_H + hours)
    while world.machine.real < ends + timedelta(hours=AFTER_H):
        world.machine.real += STEP
        during = begins < world.machine.real <= ends
        world.sources = "sources stall" if during and kind == "sources" else ""
        for receiver in world.receivers.values():
            receiver.fault = "receiver hangs" if during and kind == "channels" else ""
        if world.machine.real <= ends + timedelta(hours=CHANGES_H):
            world.walk()
        if during and kind == "host":
            for process in processes:
                process.store.close()
            continue
        if kind == "host" and world.machine.real == ends + STEP:
            processes = [world.start("first"), world.start("second")]
        await night._step(world, processes)
    check_end(world, processes[0].store)
    return _seen(world, processes[0].store, begins, ends)


def _seen(world: World, store: Store, begins: datetime, ends: datetime) -> Seen:
    with store._database.read() as connection:
        kinds = {row.id: row.kind for row in connection.execute(notices.select())}
        rows = list(connection.execute(deliveries.select()))
    states = Counter(row.state for row in rows)
    of_use = [row.id for row in rows if row.state == "parked" and row.expires_at > ends]
    replaced = store.outbox.superseded(of_use)
    sent: Counter[str] = Counter()
    during: Counter[str] = Counter()
    first, burst, of_trip = float("inf"), 0, Counter[str]()
    for receiver in world.receivers.values():
        in_hour = []
        for at, (_, notice_id, trip, _) in zip(receiver.got_at, receiver.got, strict=True):
            when = "before" if at <= begins else "during" if at <= ends else "after"
            sent[when] += 1
            during[kinds.get(notice_id, "other")] += when == "during"
            if when == "after":
                first = min(first, (at - ends) / timedelta(minutes=1))
                if at <= ends + timedelta(hours=1):
                    in_hour.append(at)
                    of_trip[trip] += bool(trip) and receiver.name == "phones"
        for at in in_hour:
            burst = max(burst, sum(at <= one < at + timedelta(minutes=10) for one in in_hour))
    kinds_during = {name: n for name, n in sorted(during.items()) if n}
    return Seen(
        decided_n=len(world.decided),
        sent_n=dict(sent),
        states=dict(states),
        kinds_during=kinds_during,
        first_after_min=first,
        most_in_10_min=burst,
        most_to_a_driver=max(of_trip.values(), default=0),
        parked_of_use_n=len(of_use) - len(replaced),
    )


def main() -> None:
    logging.disable(logging.CRITICAL)
    parts: Any = night.night_settings()
    kinds = sys.argv[1:2] or KINDS
    for kind in kinds:
        for hours in [int(text) for text in sys.argv[2:]] or (24, 72):
            seen = outage(kind, hours, 1, *parts)
            print(f"| {kind}, {hours} h | {' | '.join(str(value) for value in vars(seen).values())} |", flush=True)


if __name__ == "__main__":
    main()
