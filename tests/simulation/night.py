"""One simulated night of the real daemon, driven by a seed: `python tests/simulation/night.py SEED [SEED ...]`.

Real: the jobs of `Daemon` (cycle, scheduled notices, brief, delivery, housekeeping), the policy of notices, store,
outbox, leadership of two daemons on one store, the guarded clock. Simulated (`sim_world`): machine clock, sources (as
plans that change, are partial, stale, or contradict one another), receivers, drivers, and failures of the disk. A
failing seed is one line to rerun, and a span like 1-300 runs many.

After every step the invariants of `sim_checks` hold:

- no decided notice is lost: its deliveries are waiting, done, parked or expired, and none expires before its time;
- a receiver gets the same bytes for the same id, and repeats only where a fault explains them;
- a receiver first hears of one trip in the order of decision, and of nothing after it expired;
- relief comes from a whole plan, under a clock without doubt, and after it was milder for the policy's time;
- a driver does not get the same words twice under two ids;
- only the leader writes: two daemons never decide in one epoch;
- nothing grows without bound.

At the end, after hours without faults: every decided notice is delivered, parked or expired, and each morning has its
brief, or the next brief names the reason.
"""

import asyncio
import gc
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime, time, timedelta
from pathlib import Path
from typing import Any, Final
from unittest.mock import patch

sys.path.insert(0, str(Path(__file__).parent))

from sim_checks import check_decided, check_end, check_receivers
from sim_store import Killed, Violation, copy_empty_store
from sim_world import BEGINS, LEASE_S, Process, World
from sim_world import Receiver as Receiver  # the controls break it

from alertd.errors import LeadershipLost, StoreError
from alertd.notices.model import Audience
from alertd.records.driver_reports import save_report
from alertd.service.dead_letters import reopen
from alertd.service.trip_import.save_trip import save_trip
from alertd.settings.model import Settings
from alertd.settings.reference_data import ReferenceData
from alertd.sources.files.trips import parse_trip
from alertd.sources.requests.driver_reports import parse_report
from alertd.store.store import Store

STEP: Final = timedelta(minutes=15)
STEPS: Final = 60  # 15 hours, over the departure and the passes
HOUSEKEEPING_EVERY: Final = timedelta(hours=4)  # more often than the daemon
# Hours without faults, over the brief of the second morning: first each hour, then within the grace of a brief.
SETTLES_H: Final = (1,) * 8 + (2,) * 12
TARGETS: Final = {Audience.DRIVER: ("phones",), Audience.DISPATCHER: ("office",), Audience.FLEET: ("tms",)}
FAULTS: Final = (
    "sources partial",
    "sources lie",
    "sources stall",
    "sources contradict",
    "receiver fails",
    "receiver hangs",
    "receiver drips",
    "receiver redirects",
    "receiver refuses",
    "receiver gone",
    "killed after a send",
    "killed before a commit",
    "killed after a commit",
    "disk full",
    "disk read-only",
    "disk full after a send",
    "clock ahead",
    "clock back",
    "restarted under a wrong clock",
    "leader frozen",
    "leader frozen in a send",
    "confirmed late",
)
AFTER_A_SEND: Final = {
    "killed after a send": "kills",
    "leader frozen in a send": "freezes",
    "disk full after a send": "fills",
}


async def run_night(world: World) -> Counter[str]:
    """Run one night; returns how often each fault fired. Raises Violation."""
    copy_empty_store(world.folder / "alertd.db")
    with Store(world.folder / "alertd.db") as store:
        save_trips(store, world.departs)
    processes = [world.start("first"), world.start("second")]
    spans: dict[str, int] = {}
    for _ in range(STEPS):
        world.machine.real += STEP
        world.walk()
        _begin_faults(world, spans, processes)
        await _step(world, processes)
        _end_faults(world, spans)
    _lift_all(world, processes)
    for n, hours in enumerate(SETTLES_H):
        world.machine.real += timedelta(hours=hours)
        await _step(world, processes, reopens=n == 0)
    check_end(world, processes[0].store)
    for process in processes:
        process.store.close()
    for receiver in world.receivers.values():
        world.fired += receiver.fired
    return world.fired


def save_trips(store: Store, departs: Mapping[str, datetime]) -> None:
    for id_, at in departs.items():
        row = {"id": id_, "route": "i90-west.gpx", "rig": "quillback-17", "depart": at.isoformat()}
        row["driver"] = f"driver of {id_}"
        save_trip(store, parse_trip(row, "simulation"), BEGINS)


def _begin_faults(world: World, spans: dict[str, int], processes: list[Process]) -> None:
    draw = world.draw
    for fault in FAULTS:
        if fault in spans or draw.random() > 0.06:
            continue
        length = draw.randint(1, 6)
        receiver = draw.choice(list(world.receivers.values()))
        if fault.startswith("sources") and not world.sources:
            world.sources = fault
        elif fault.startswith("receiver") and not receiver.fault:
            receiver.fault = fault
        elif fault in AFTER_A_SEND:
            setattr(receiver, AFTER_A_SEND[fault], True)
        elif fault.startswith("killed") and not world.kill_at:
            world.kill_at = fault
        elif fault.startswith("disk") and not world.disk:
            world.disk, length = fault, draw.randint(1, 3)
        elif fault.startswith("clock"):
            _set_clock(world, spans, fault)
        elif fault == "restarted under a wrong clock":
            _set_clock(world, spans, draw.choice(["clock ahead", "clock back"]))
            spans["clock ahead"] = length
            _restart(world, processes, draw.randrange(2))
            world.fired[fault] += 1
            continue
        elif fault == "leader frozen":
            processes[0].frozen_n = length
            world.fired[fault] += 1
        else:
            continue
        spans[fault] = length


def _set_clock(world: World, spans: dict[str, int], fault: str) -> None:
    hours = world.draw.choice([1, 2, 3, 24, 31 * 24, 3 * 365 * 24])
    world.machine.off = timedelta(hours=hours if fault == "clock ahead" else -hours)
    world.fired[fault] += 1
    for other in ("clock ahead", "clock back"):
        spans.pop(other, None)


def _end_faults(world: World, spans: dict[str, int]) -> None:
    for fault in [f for f, left in spans.items() if left <= 1]:
        del spans[fault]
        if fault == world.sources:
            world.sources = ""
        if fault == world.disk:
            world.disk = ""
        if fault.startswith("clock"):
            world.machine.off = timedelta(0)
        for receiver in world.receivers.values():
            if receiver.fault == fault:
                receiver.fault = ""
    for fault in spans:
        spans[fault] -= 1
    world.full_n -= 1
    if world.disk == "disk full after a send" and world.full_n <= 0:
        world.disk = ""


def _lift_all(world: World, processes: list[Process]) -> None:
    world.sources = world.disk = world.kill_at = ""
    world.machine.off = timedelta(0)
    for receiver in world.receivers.values():
        receiver.fault, receiver.kills, receiver.freezes, receiver.fills = "", False, False, False
    for process in processes:
        process.frozen_n = 0


def _restart(world: World, processes: list[Process], at: int) -> None:
    process = processes[at]
    process.store.close()
    process.candidate._lock.release()
    processes[at] = world.start(process.name)


async def _step(world: World, processes: list[Process], *, reopens: bool = False) -> None:
    leaders = []
    for i in range(len(processes)):
        process = processes[i]
        if process.frozen_n > 0:
            process.frozen_n -= 1
            continue
        if await _lives(world, processes, i, reopens=reopens):
            leaders.append(process.name)
    if len(leaders) > 1 and "leader frozen in a send" not in world.fired:
        raise Violation(f"two leaders in one step: {leaders}")
    check_decided(world, processes[0].store)
    check_receivers(world)


async def _lives(world: World, processes: list[Process], i: int, *, reopens: bool = False) -> bool:
    """One step of one daemon; returns whether it led. A killed one is started again."""
    process = processes[i]

    async def others_live() -> None:
        world.standby = None
        for _ in range(2):  # the first look learns the beat, the second takes over when the lease is over
            world.machine.real += timedelta(seconds=LEASE_S)
            for k in range(len(processes)):
                if k != i:
                    await _lives(world, processes, k)

    world.standby = others_live
    try:
        return await _live(world, process, reopens=reopens)
    except Killed:
        _restart(world, processes, i)
    except LeadershipLost:
        world.fired["write of a former leader refused"] += 1
        process.candidate._lock.release()
        process.store._database.epoch = -1
        process.cycled_at = None
    finally:
        world.standby = None
    return False


async def _live(world: World, process: Process, *, reopens: bool) -> bool:
    """One step of one daemon; returns whether it leads."""
    real = world.machine.real
    process.was_right = abs(process.clock() - real) < timedelta(minutes=1)
    try:
        if process.store._database.epoch in (None, -1):
            if not process.candidate.acquire(world.machine.elapsed_s(), real):
                return False
        elif not _renews(world, process):
            return False
        if process.cycled_at is None:
            process.store.outbox.release_claims()
        if reopens:
            for name in world.receivers:
                reopen(process.store, name, [name], real)
        _drivers_confirm(world, process.store)
        await _run_jobs(world, process)
    except LeadershipLost:
        raise
    except StoreError:
        return False
    return True


async def _run_jobs(world: World, process: Process) -> None:
    daemon, real = process.daemon, world.machine.real
    for job in (daemon.cycle, daemon.send_scheduled, daemon.brief, daemon.deliver, daemon.housekeeping):
        if job == daemon.cycle and process.cycled_at and real - process.cycled_at < 2 * STEP:
            continue
        if job == daemon.housekeeping:
            if process.housekept_at and real - process.housekept_at < HOUSEKEEPING_EVERY:
                continue
            process.housekept_at = real
        try:
            await job()
            process.cycled_at = real if job == daemon.cycle else process.cycled_at
        except LeadershipLost:
            raise
        except StoreError:
            world.fired["job failed on the disk"] += 1


def _renews(world: World, process: Process) -> bool:
    """Whether a leader goes on. A disk that takes no write ends no leadership: what is decided is still sent."""
    try:
        return bool(process.candidate.renew())
    except LeadershipLost:
        raise
    except StoreError:
        world.fired["leader goes on without a lease written"] += 1
        return True


def _drivers_confirm(world: World, store: Store) -> None:
    if world.draw.random() > 0.2 or not world.receivers["phones"].got:
        return
    _, notice_id, trip, _ = world.draw.choice(world.receivers["phones"].got)
    if trip:
        at = world.machine.real - timedelta(minutes=world.draw.randint(0, 90))
        report = parse_report({"what": "read", "at": at.isoformat(), "notice_id": notice_id}, "simulation")
        try:
            save_report(store, trip, report)
        except LeadershipLost:
            raise
        except StoreError:  # the app of the driver gets an error, and the driver does not repeat it
            return
        world.fired["confirmed late"] += 1


@contextmanager
def night_folder() -> Iterator[Path]:
    """In memory where possible: what a disk adds to a night is in `tests/benchmarks/power_cut.py`."""
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(prefix="night-", dir=memory if memory.is_dir() else None) as folder:
        yield Path(folder)


@contextmanager
def _one_thread() -> Iterator[None]:
    """Run what goes to a thread at once instead: a seed then gives the same night each time, and a cheaper one."""

    async def at_once(function: Callable[..., Any], /, *args: Any, **more: Any) -> Any:
        return function(*args, **more)

    to_thread = asyncio.to_thread
    asyncio.to_thread = at_once  # type: ignore[assignment]
    try:
        yield
    finally:
        asyncio.to_thread = to_thread


@contextmanager
def _no_collector() -> Iterator[None]:
    """Collect cycles after the night and not in it, and only those of the night: the collector is half of its cost."""
    gc.disable()
    gc.freeze()
    try:
        with patch("alertd.daemon.jobs.release_memory", lambda: None):
            yield
    finally:
        gc.enable()
        gc.collect()
        gc.unfreeze()


def simulate(seed: int, settings: Settings, ground: ReferenceData) -> Counter[str]:
    """Run the night of a seed in a folder of its own. Raises Violation with the seed."""
    with night_folder() as folder:
        brief_at = time((7 * seed) % 24, 30)  # in some nights among the faults
        settings = replace(settings, store=folder / "alertd.db", cache=folder / "cache", brief_at=brief_at)
        world = World(seed, folder, settings, ground)
        try:
            with _one_thread(), _no_collector():
                return asyncio.run(run_night(world))
        except Violation as exc:
            raise Violation(f"seed {seed}: {exc} (python tests/simulation/night.py {seed})") from exc


def night_settings() -> tuple[Settings, ReferenceData]:
    """The demo's settings with three simulated channels."""
    from alertd.settings.read import read_settings
    from alertd.settings.reference_data import load_reference_data

    root = Path(__file__).resolve().parents[2]
    settings = read_settings(root / "fixtures" / "demo" / "alertd.toml")
    settings = replace(settings, trips=None, channels=(), targets=TARGETS, archive=None, feeds=None, public_url="")
    return settings, load_reference_data(settings.places)


def main(run: Callable[..., Counter[str]] = simulate) -> None:
    """Run the seeds named on the command line; print what fired. Ends with 1 when a seed breaks an invariant."""
    import logging
    import time

    logging.disable(logging.CRITICAL)
    settings, ground = night_settings()
    total: Counter[str] = Counter()
    began_s = time.monotonic()
    seeds = [n for text in sys.argv[1:] for n in _seeds(text)]
    broken = []
    for seed in seeds:
        try:
            fired = run(seed, settings, ground)
            total += fired
            print(f"seed {seed}: {fired.total()} faults", file=sys.stderr, flush=True)
        except Violation as exc:
            broken.append(str(exc))
            print(exc, file=sys.stderr, flush=True)
    for name, n in sorted(total.items()):
        print(f"{n:8} {name}")
    print(f"{len(seeds)} nights in {time.monotonic() - began_s:.0f} s, {len(broken)} broke an invariant")
    raise SystemExit(1 if broken else 0)


def _seeds(text: str) -> range:
    first, _, last = text.partition("-")
    return range(int(first), int(last or first) + 1)


if __name__ == "__main__":
    main()
