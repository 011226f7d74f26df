"""One simulated night of the real daemon, driven by a seed: `python tests/simulation/night.py SEED [SEED ...]`.

Real: the jobs of `Daemon` (cycle, scheduled notices, brief, delivery), the policy of notices, store, outbox, leadership
of two daemons on one store, the guarded clock. Simulated: machine clock, sources (as plans that change, are partial or
lie), receivers, drivers, and failures of the disk. A failing seed is one line to rerun.

After every step these invariants are checked:

- no decided notice is lost: its deliveries are waiting, done, parked or expired;
- a receiver gets the same bytes for the same id;
- a receiver first hears of one trip in the order of decision;
- no notice "eased" is decided on a partial plan;
- only the leader writes: two daemons never decide in one epoch;
- nothing grows without bound.

At the end, after twelve hours without faults: every decided notice is delivered, parked or expired, and the brief of
the morning is sent.
"""

import asyncio
import json
import random
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import numpy as np

from alertd.daemon.jobs import Daemon
from alertd.delivery.channel import ChannelGone, NoticeRejected, OutgoingNotice
from alertd.delivery.worker import DeliveryWorker
from alertd.errors import DeliveryError, LeadershipLost, StoreError
from alertd.notices.model import Audience, NoticeKind
from alertd.plan.make_plan import PlanRequest, TripInput, make_plan
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.params import PlanParams
from alertd.plan.serialize import with_id
from alertd.planning.planner import Planner
from alertd.planning.weather import WeatherSources
from alertd.records.driver_reports import save_report
from alertd.road.road_class import RoadClass
from alertd.route.model import Summit
from alertd.service.clock_guard import GuardedClock
from alertd.service.cycle import save_trip
from alertd.settings.model import Settings
from alertd.settings.reference_data import ReferenceData
from alertd.sources.files.trips import parse_trip
from alertd.sources.requests.driver_reports import parse_report
from alertd.store.schema import deliveries, notices
from alertd.store.store import Store
from alertd.testing.factories import at_hour, make_rig, make_route, make_rules, make_stop, make_weather

DEPARTS: Final = at_hour(22)
BEGINS: Final = DEPARTS - timedelta(hours=11)
STEP: Final = timedelta(minutes=15)
STEPS: Final = 60  # 15 hours, over the departure and the passes
SETTLES: Final = 24  # half hours without faults
TRIPS: Final = ("QT-1", "QT-2")
TARGETS: Final = {Audience.DRIVER: ("phones",), Audience.DISPATCHER: ("office",), Audience.FLEET: ("tms",)}
MOST_NOTICES: Final = 400  # of one night; a loop would exceed it
FAULTS: Final = (
    "sources partial",
    "sources lie",
    "receiver fails",
    "receiver hangs",
    "receiver refuses",
    "receiver gone",
    "killed after a send",
    "killed before a commit",
    "killed after a commit",
    "disk full",
    "disk read-only",
    "clock ahead",
    "clock back",
    "leader frozen",
    "confirmed late",
)


class Killed(BaseException):
    """The process ends here. Not an Exception: no handler of the daemon may catch it."""


class Violation(AssertionError):
    """An invariant does not hold."""


@lru_cache(maxsize=1)
def template() -> Plan:
    """CHAIN over Larch Pass and Tarn Pass, on made road."""
    stops = [
        make_stop(n, m, milepost=f"I-90 MP {n}") for n, m in (("1", 30e3), ("2", 60e3), ("3", 110e3), ("4", 140e3))
    ]
    summits = [
        Summit(distance_m=m, elevation_m=1400.0, prominence_m=300.0, name=n)
        for n, m in (("Larch Pass", 45e3), ("Tarn Pass", 125e3))
    ]
    route = make_route(160e3, stops=stops, summits=summits)
    weather = make_weather(
        route,
        lambda m, d, h: np.where(
            ((d >= 40e3) & (d <= 50e3)) | ((d >= 120e3) & (d <= 130e3)), RoadClass.SNOW, RoadClass.DRY
        ),
    )
    trip = TripInput(id="QT-1", depart_at=DEPARTS, driver="Odalys Fenwright", dispatcher="office")
    plan = make_plan(PlanRequest(trip, route, make_rig(), {"US-XX": make_rules()}, weather, PlanParams(), BEGINS))
    if [s.advice for s in plan.stretches] != [Advice.CHAIN, Advice.CHAIN]:
        raise Violation("the template of the simulated plans does not chain over both passes")
    return plan


@dataclass
class Machine:
    """The machine's clock, which steps, and the time that really passes."""

    real: datetime
    off: timedelta = timedelta(0)

    def __call__(self) -> datetime:
        return self.real + self.off

    def elapsed_s(self) -> float:
        return self.real.timestamp()


@dataclass
class Receiver:
    """Keeps what it gets, and fails as it is told to."""

    name: str
    draw: random.Random
    fault: str = ""
    kills: bool = False
    got: list[tuple[int, str, str, bytes]] = field(default_factory=list)  # delivery id, notice id, trip, bytes
    fired: Counter[str] = field(default_factory=Counter)

    async def send(self, outgoing: OutgoingNotice, now_epoch_s: float) -> None:
        if self.fault:
            self.fired[self.fault] += 1
        if self.fault == "receiver fails" and self.draw.random() < 0.8:
            raise DeliveryError(self.name, "answers 503")
        if self.fault == "receiver hangs":
            await asyncio.sleep(0)
            raise DeliveryError(self.name, "no answer in time")
        if self.fault == "receiver refuses":
            raise NoticeRejected(self.name, "answers 400", permanent=True)
        if self.fault == "receiver gone":
            raise ChannelGone(self.name, "answers 410")
        self.got.append((outgoing.id, outgoing.notice_id, outgoing.trip_id, outgoing.body))
        if self.kills:
            self.kills = False
            self.fired["killed after a send"] += 1
            raise Killed


class SimulatedPlanner(Planner):
    """The real planner, whose plans come from a walk over advice instead of from weather."""

    world: "World"
    clock: GuardedClock

    async def plan(self, trips: Any, now_utc: datetime, *_: Any, **__: Any) -> list[Any]:
        if not self.world.sources:  # three servers answer, and their Date is right
            for host in ("a.example", "b.example", "c.example"):
                self.clock.record_offset(host, (self.world.machine.real - self.clock()).total_seconds())
        return [self.world.plan_for(trip.id, now_utc) for trip in trips]


@dataclass
class Process:
    """One daemon: its store, jobs and candidacy. `dead`: killed, to be started again."""

    name: str
    store: Store
    daemon: Daemon
    candidate: Any
    planner: SimulatedPlanner
    frozen_n: int = 0
    dead: bool = False
    cycled_at: datetime | None = None


@dataclass
class World:
    """Everything outside the daemons, and what they decided."""

    seed: int
    folder: Path
    settings: Settings
    ground: ReferenceData
    draw: random.Random = field(init=False)
    machine: Machine = field(default_factory=lambda: Machine(BEGINS))
    fired: Counter[str] = field(default_factory=Counter)
    sky: dict[str, list[Advice | None]] = field(default_factory=dict)
    sources: str = ""
    disk: str = ""
    kill_at: str = ""
    decided: dict[str, str] = field(default_factory=dict)  # notice id: its body
    partial_cycles: set[str] = field(default_factory=set)  # plan ids

    def __post_init__(self) -> None:
        self.draw = random.Random(self.seed)
        self.receivers = {name: Receiver(name, self.draw) for name in ("phones", "office", "tms")}
        self.sky = {trip: [Advice.READY, None] for trip in TRIPS}

    # Sources

    def walk(self) -> None:
        """Let the truth change at one pass of one trip, now and then."""
        if self.draw.random() < 0.5:
            trip, at = self.draw.choice(TRIPS), self.draw.randrange(2)
            self.sky[trip][at] = self.draw.choice([None, Advice.READY, Advice.CHAIN, Advice.CHAIN, Advice.HOLD])

    def plan_for(self, trip_id: str, now_utc: datetime) -> Plan:
        base, truth = template(), self.sky[trip_id]
        known: list[Advice | None] = list(truth)
        if self.sources:
            self.fired[self.sources] += 1
        if self.sources == "sources lie":
            known = [None, None]  # a doubted answer that looks mild
        stretches = tuple(
            replace(s, advice=a, probability=_odds(a))
            for a, s in zip(known, base.stretches, strict=True)
            if a is not None
        )
        advice = max((s.advice for s in stretches), key=lambda a: a.rank, default=Advice.CLEAR)
        if self.sources and advice is Advice.CLEAR:
            advice = Advice.READY
        issued = now_utc.replace(minute=0, second=0, microsecond=0)
        plan = with_id(
            replace(
                base,
                trip_id=trip_id,
                driver=f"driver of {trip_id}",
                made_at=now_utc,
                stretches=stretches,
                advice=advice,
                partial=bool(self.sources),
                along=replace(base.along, need_frac=tuple(0.0 for _ in base.along.need_frac)),
                sources=tuple(replace(s, issued_at=issued, fetched_at=now_utc) for s in base.sources),
            )
        )
        if plan.partial:
            self.partial_cycles.add(plan.id)
        return plan

    # Processes

    def start(self, name: str) -> Process:
        store = Store(self.folder / "alertd.db")
        store._database = _FaultyDatabase(store._database, self)  # type: ignore[assignment]
        for part in (store.outbox, store.due, store.channels, store.tokens, store.answers):
            part._database = store._database  # type: ignore[attr-defined]
        clock = GuardedClock(self.machine, self.machine.elapsed_s)
        weather = WeatherSources(providers=[], members=5, seed=1, stale_h=6.0)
        planner = SimulatedPlanner(self.settings, self.ground, weather, [])
        planner.world, planner.clock = self, clock
        worker = DeliveryWorker(store.outbox, dict(self.receivers), owner=name, rng=self.draw)
        daemon = Daemon(planner, store, worker, clock)
        return Process(name, store, daemon, store.candidate(name, lease_s=900.0), planner)

    # Checks

    def note_decided(self, store: Store) -> None:
        with store._database.read() as connection:
            for row in connection.execute(notices.select()):
                known = self.decided.setdefault(row.id, row.body)
                if known != row.body:
                    raise Violation(f"notice {row.id} changed its bytes in the store")
                if row.kind == NoticeKind.EASED.value and row.plan_id in self.partial_cycles:
                    raise Violation(f"notice {row.id} eases on a partial plan")
            kept = {row.id: row for row in connection.execute(notices.select())}
            carried = {row.notice_id for row in connection.execute(deliveries.select())}
        if lost := self.decided.keys() - kept.keys():
            raise Violation(f"decided notices are gone: {sorted(lost)}")
        # A notice to the office that is not sent alone comes in the next digest, or in a brief.
        bare = {i for i in self.decided.keys() - carried if kept[i].audience != Audience.DISPATCHER.value}
        if bare:
            raise Violation(f"decided notices have no delivery: {sorted(bare)}")
        if len(kept) > MOST_NOTICES:
            raise Violation(f"{len(kept)} notices in one night")

    def check_receivers(self) -> None:
        for receiver in self.receivers.values():
            bytes_of: dict[str, bytes] = {}
            newest: dict[str, int] = {}
            for delivery_id, notice_id, trip, body in receiver.got:
                if notice_id in bytes_of:
                    if bytes_of[notice_id] != body:
                        raise Violation(f"{receiver.name} got {notice_id} with other bytes")
                    continue
                bytes_of[notice_id] = body
                if trip and delivery_id < newest.get(trip, 0):
                    raise Violation(f"{receiver.name} got {notice_id} of {trip} after a later one")
                newest[trip] = delivery_id


def _odds(advice: Advice | None) -> float:
    return {None: 0.02, Advice.READY: 0.3}.get(advice, 0.8)


class _FaultyDatabase:
    """A database whose writes fail, or end the process before or after their commit."""

    def __init__(self, real: Any, world: World) -> None:
        self._real, self._world = real, world

    def __getattr__(self, name: str) -> Any:
        return getattr(self._real, name)

    def __setattr__(self, name: str, value: Any) -> None:
        if name in ("_real", "_world"):
            object.__setattr__(self, name, value)
        else:
            setattr(self._real, name, value)

    @contextmanager
    def write(self, **more: Any) -> Iterator[Any]:
        world = self._world
        with self._real.write(**more) as connection:
            yield connection
            if world.disk:
                world.fired[world.disk] += 1
                raise StoreError(f"store: {world.disk}")
            if world.kill_at == "killed before a commit":
                world.fired[world.kill_at] += 1
                world.kill_at = ""
                raise Killed
        if world.kill_at == "killed after a commit":
            world.fired[world.kill_at] += 1
            world.kill_at = ""
            raise Killed


async def run_night(world: World) -> Counter[str]:
    """Run one night; returns how often each fault fired. Raises Violation."""
    with Store(world.folder / "alertd.db") as store:
        save_trips(store)
    processes = [world.start("first"), world.start("second")]
    spans: dict[str, int] = {}
    for _ in range(STEPS):
        world.machine.real += STEP
        world.walk()
        _begin_faults(world, spans, processes)
        await _step(world, processes)
        _end_faults(world, spans)
    _lift_all(world, processes)
    for n in range(SETTLES):
        world.machine.real += timedelta(minutes=30)
        await _step(world, processes, reopen=n == 0)
    _check_end(world, processes[0].store)
    for process in processes:
        process.store.close()
    for receiver in world.receivers.values():
        world.fired += receiver.fired
    return world.fired


def save_trips(store: Store) -> None:
    for id_ in TRIPS:
        row = {"id": id_, "route": "i90-west.gpx", "rig": "quillback-17", "depart": DEPARTS.isoformat()}
        row["driver"] = f"driver of {id_}"
        save_trip(store, parse_trip(row, "simulation"), BEGINS)


def _begin_faults(world: World, spans: dict[str, int], processes: list[Process]) -> None:
    draw = world.draw
    for fault in FAULTS:
        if fault in spans or draw.random() > 0.06:
            continue
        length = draw.randint(1, 6)
        if fault.startswith("sources") and not world.sources:
            world.sources = fault
        elif fault.startswith("receiver"):
            receiver = draw.choice(list(world.receivers.values()))
            if receiver.fault:
                continue
            receiver.fault = fault
        elif fault == "killed after a send":
            draw.choice(list(world.receivers.values())).kills = True
        elif fault.startswith("killed") and not world.kill_at:
            world.kill_at = fault
        elif fault.startswith("disk") and not world.disk:
            world.disk, length = fault, draw.randint(1, 3)
        elif fault.startswith("clock"):
            hours = draw.choice([1, 2, 24, 31 * 24])
            world.machine.off = timedelta(hours=hours if fault == "clock ahead" else -hours)
            world.fired[fault] += 1
            for other in ("clock ahead", "clock back"):
                spans.pop(other, None)
        elif fault == "leader frozen":
            processes[0].frozen_n = length
            world.fired[fault] += 1
        else:
            continue
        spans[fault] = length


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


def _lift_all(world: World, processes: list[Process]) -> None:
    world.sources = world.disk = world.kill_at = ""
    world.machine.off = timedelta(0)
    for receiver in world.receivers.values():
        receiver.fault, receiver.kills = "", False
    for process in processes:
        process.frozen_n = 0


async def _step(world: World, processes: list[Process], *, reopen: bool = False) -> None:
    leaders = []
    for i, process in enumerate(processes):
        if process.frozen_n > 0:
            process.frozen_n -= 1
            continue
        try:
            if await _live(world, process, reopen=reopen):
                leaders.append(process.name)
        except Killed:
            process.store.close()
            process.candidate._lock.release()
            processes[i] = world.start(process.name)
        except LeadershipLost:
            world.fired["write of a former leader refused"] += 1
            process.candidate._lock.release()
            process.store._database.epoch = -1
            process.cycled_at = None
    if len(leaders) > 1:
        raise Violation(f"two leaders in one step: {leaders}")
    reader = processes[0].store
    world.note_decided(reader)
    world.check_receivers()


async def _live(world: World, process: Process, *, reopen: bool) -> bool:
    """One step of one daemon; returns whether it leads."""
    real = world.machine.real
    try:
        if process.store._database.epoch in (None, -1):
            if not process.candidate.acquire(world.machine.elapsed_s(), real):
                return False
        elif not process.candidate.renew():
            return False
        process.store.outbox.release_claims() if process.cycled_at is None else None
        if reopen:
            for name in world.receivers:
                _reopen(process.store, name, real)
        _drivers_confirm(world, process.store)
        for job in (process.daemon.cycle, process.daemon.send_scheduled, process.daemon.brief, process.daemon.deliver):
            if job == process.daemon.cycle and process.cycled_at and real - process.cycled_at < 2 * STEP:
                continue
            try:
                await job()
                process.cycled_at = real if job == process.daemon.cycle else process.cycled_at
            except LeadershipLost:
                raise
            except StoreError:
                world.fired["job failed on the disk"] += 1
    except LeadershipLost:
        raise
    except StoreError:
        return False
    return True


def _reopen(store: Store, channel: str, now: datetime) -> None:
    from alertd.service.dead_letters import reopen

    reopen(store, channel, [channel], now)


def _drivers_confirm(world: World, store: Store) -> None:
    if world.draw.random() > 0.2 or not world.receivers["phones"].got:
        return
    _, notice_id, trip, _ = world.draw.choice(world.receivers["phones"].got)
    if trip:
        at = world.machine.real - timedelta(minutes=world.draw.randint(0, 90))
        report = parse_report({"what": "read", "at": at.isoformat(), "notice_id": notice_id}, "simulation")
        save_report(store, trip, report)
        world.fired["confirmed late"] += 1


def _check_end(world: World, store: Store) -> None:
    with store._database.read() as connection:
        rows = list(connection.execute(deliveries.select()))
    waiting = [row.notice_id for row in rows if row.state not in ("done", "parked", "expired", "superseded")]
    if waiting:
        raise Violation(f"still waiting after twelve hours without faults: {waiting}")
    with store._database.read() as connection:
        kinds = Counter(row.kind for row in connection.execute(notices.select()))
        rows_of = list(connection.execute(notices.select()))
    told = {i for row in rows_of if row.kind == "digest" for i in json.loads(row.body)["data"]["notice_ids"]}
    briefs = [row.created_at for row in rows_of if row.kind == NoticeKind.BRIEF.value]
    for row in rows_of:
        reached = row.id in told or any(at >= row.created_at for at in briefs)
        if row.id not in {d.notice_id for d in rows} and not reached:
            raise Violation(f"{row.id} ({row.kind}) is in no message, digest or brief")
    if not kinds[NoticeKind.BRIEF.value]:
        raise Violation("no brief was sent by the end of the morning after")
    received = {name: {got[1] for got in r.got} for name, r in world.receivers.items()}
    for row in rows:
        if row.state == "done" and row.notice_id not in received[row.target]:
            raise Violation(f"{row.notice_id} is marked done and never reached {row.target}")


@contextmanager
def night_folder() -> Iterator[Path]:
    with tempfile.TemporaryDirectory(prefix="night-") as folder:
        yield Path(folder)


def simulate(seed: int, settings: Settings, ground: ReferenceData) -> Counter[str]:
    """Run the night of a seed in a folder of its own. Raises Violation with the seed."""
    with night_folder() as folder:
        world = World(seed, folder, replace(settings, store=folder / "alertd.db"), ground)
        try:
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
    """Run the seeds named on the command line; print what fired."""
    import logging
    import time

    logging.disable(logging.CRITICAL)
    settings, ground = night_settings()
    total: Counter[str] = Counter()
    began_s = time.monotonic()
    seeds = [n for text in sys.argv[1:] for n in _seeds(text)]
    for seed in seeds:
        fired = run(seed, settings, ground)
        print(f"seed {seed}: {sum(fired.values())} faults", file=sys.stderr)
        total += fired
    for name, n in sorted(total.items()):
        print(f"{n:8} {name}")
    print(f"{len(seeds)} nights in {time.monotonic() - began_s:.0f} s, no invariant broken")


def _seeds(text: str) -> range:
    first, _, last = text.partition("-")
    return range(int(first), int(last or first) + 1)


if __name__ == "__main__":
    main()
