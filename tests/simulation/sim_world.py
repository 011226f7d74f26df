"""The outside of a simulated night: clock, sources, receivers, disk, and the two daemons that live in it."""

import random
from collections import Counter
from collections.abc import AsyncGenerator
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import numpy as np
from sim_store import FaultyDatabase, Killed, SimulatedStore, Violation, share_statements

from alertd.daemon.jobs import Daemon
from alertd.delivery.channel import ChannelGone, NoticeRejected, OutgoingNotice
from alertd.delivery.worker import DeliveryWorker
from alertd.errors import DeliveryError
from alertd.plan.make_plan import make_plan
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.params import PlanParams
from alertd.plan.request import PlanRequest, TripInput
from alertd.plan.serialize import with_id
from alertd.planning.planner import Planner
from alertd.planning.weather import WeatherSources
from alertd.road.road_class import RoadClass
from alertd.route.model import Route, Summit
from alertd.service.clock_guard import GuardedClock
from alertd.settings.model import Settings
from alertd.settings.reference_data import ReferenceData
from alertd.store.rows import StoredEvent
from alertd.store.store import Store
from alertd.testing.factories import MIDNIGHT, at_hour, make_rig, make_route, make_rules, make_stop, make_weather

DEPARTS: Final = at_hour(22)
BEGINS: Final = DEPARTS - timedelta(hours=11)
TRIPS: Final = ("QT-1", "QT-2")
RECEIVERS: Final = ("phones", "office", "tms")
LEASE_S: Final = 900.0
_ROUTES: Final[dict[str, tuple[float, Route]]] = {}  # read once for all nights


@lru_cache(maxsize=8)
def template(departs: datetime = DEPARTS) -> Plan:
    """CHAIN over Larch Pass and Tarn Pass, on made road."""
    later = departs - DEPARTS
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
        first_hour=MIDNIGHT + later,
        issued_at=MIDNIGHT + later,
    )
    trip = TripInput(id="QT-1", depart_at=departs, driver="Odalys Fenwright", dispatcher="office")
    request = PlanRequest(trip, route, make_rig(), {"US-XX": make_rules()}, weather, PlanParams(), BEGINS + later)
    plan = make_plan(request)
    if [s.advice for s in plan.stretches] != [Advice.CHAIN, Advice.CHAIN]:
        raise Violation("the template of the simulated plans does not chain over both passes")
    along = replace(
        plan.along,
        **{name: tuple(v[::10]) for name, v in vars_of(plan.along).items() if isinstance(v, tuple) and len(v) > 20},
    )
    along = replace(along, need_frac=tuple(0.0 for _ in along.need_frac))
    return replace(plan, departures=(), along=along)  # of no use here, and most of a plan's bytes


def vars_of(value: Any) -> dict[str, Any]:
    return {name: getattr(value, name) for name in value.__dataclass_fields__}


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
    world: "World"
    fault: str = ""
    kills: bool = False
    freezes: bool = False
    fills: bool = False
    got: list[tuple[int, str, str, bytes]] = field(default_factory=list)  # delivery id, notice id, trip, bytes
    got_at: list[datetime] = field(default_factory=list)  # of each, when it really came
    took: dict[str, "Process | None"] = field(default_factory=dict)  # by notice id: the daemon that saw it accepted
    fired: Counter[str] = field(default_factory=Counter)

    async def send(self, outgoing: OutgoingNotice, now_epoch_s: float) -> None:
        draw, fault, sender = self.world.draw, self.fault, self.world.sender
        if fault:
            self.fired[fault] += 1
        if fault == "receiver fails" and draw.random() < 0.8:
            raise DeliveryError(self.name, "answers 503")
        if fault == "receiver hangs":
            raise DeliveryError(self.name, "no full answer within 15 s")
        if fault == "receiver refuses":
            raise NoticeRejected(self.name, "answers 400", permanent=True)
        if fault == "receiver redirects":
            raise DeliveryError(self.name, "answers 302")
        if fault == "receiver gone":
            raise ChannelGone(self.name, "answers 410")
        self.got.append((outgoing.id, outgoing.notice_id, outgoing.trip_id, outgoing.body))
        self.got_at.append(self.world.machine.real)
        self.world.note_received(self, sender, outgoing, now_epoch_s)
        if self.world.broken:  # a daemon that forgets what it sent would send without end
            raise Killed
        if fault == "receiver drips" and draw.random() < 0.7:  # it took the notice, and its answer never ended
            raise DeliveryError(self.name, "no full answer within 15 s")
        if self.kills:
            self.kills = False
            self.fired["killed after a send"] += 1
            raise Killed
        if self.fills and not self.world.disk:  # before the mark, and then for a step or two
            self.fills, self.world.disk, self.world.full_n = False, "disk full after a send", draw.randint(2, 3)
        if self.freezes:
            self.freezes = False
            await self.world.freeze_leader()
        self.took[outgoing.notice_id] = sender


@dataclass
class Line:
    """One daemon's way to a receiver: it tells which daemon sends, also while that one stands still in a send."""

    receiver: Receiver
    process: "Process | None" = None

    async def send(self, outgoing: OutgoingNotice, now_epoch_s: float) -> None:
        self.receiver.world.sender = self.process
        await self.receiver.send(outgoing, now_epoch_s)


class SimulatedPlanner(Planner):
    """The real planner, whose plans come from a walk over advice instead of from weather."""

    world: "World"
    clock: GuardedClock

    async def plan_in_turn(self, trips: Any, now_utc: datetime, *_: Any, **__: Any) -> AsyncGenerator[list[Any], None]:
        """Road by road, as the real one: in some cycles the trips share a road, in others each has its own."""
        if self.world.sources == "sources stall":  # no server answers
            if self.clock.trusted and abs(self.clock() - self.world.machine.real) > timedelta(minutes=3):
                self.world.fired["wrong clock and no server to show it"] += 1
        else:  # servers answer, and their Date is right
            for host in ("a.example", "b.example", "c.example"):
                self.clock.record_offset(host, (self.world.machine.real - self.clock()).total_seconds())
        done = [(trip, self.world.plan_for(trip.id, now_utc, self.clock)) for trip in trips]
        for group in [done] if self.world.draw.random() < 0.5 else [[one] for one in done]:
            if group:
                yield group


@dataclass
class Process:
    """One daemon: its store, jobs and candidacy. `dead`: killed, to be started again."""

    name: str
    store: Store
    daemon: Daemon
    candidate: Any
    clock: GuardedClock
    frozen_n: int = 0
    was_right: bool = False  # its clock, when its step began
    cycled_at: datetime | None = None
    housekept_at: datetime | None = None


@dataclass(frozen=True)
class PlanMade:
    """What an invariant must know of a plan: when it was really made, how it stood, and what was in doubt."""

    trip: str
    at: datetime
    ranks: tuple[int, ...]
    partial: bool
    clock_problem: str


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
    plans: dict[str, PlanMade] = field(default_factory=dict)
    departs: dict[str, datetime] = field(default_factory=lambda: dict.fromkeys(TRIPS, DEPARTS))
    broken: list[str] = field(default_factory=list)  # found where a raise would be handled by the daemon
    sender: Process | None = None
    standby: Any = None  # runs a step of the other daemons while the leader is frozen in a send
    asked_n: int = 0
    events: dict[str, dict[tuple[str, int | None], list[StoredEvent]]] = field(default_factory=dict)  # read, by kind
    full_n: int = 0  # steps for which the disk stays full after a send
    writes_n: int = 0  # transactions of all daemons that write, also those that fail
    checked_n: int = -1  # `writes_n` when the store was last checked

    def __post_init__(self) -> None:
        self.draw = random.Random(self.seed)
        self.receivers = {name: Receiver(name, self) for name in RECEIVERS}
        self.sky = {trip: [Advice.READY, None] for trip in self.departs}

    # Sources

    def walk(self) -> None:
        """Let the truth change at one pass of one trip, now and then."""
        if self.draw.random() < 0.35:
            trip, at = self.draw.choice(tuple(self.departs)), self.draw.randrange(2)
            self.sky[trip][at] = self.draw.choice([None, None, Advice.READY, Advice.CHAIN, Advice.CHAIN, Advice.HOLD])

    def plan_for(self, trip_id: str, now_utc: datetime, clock: GuardedClock) -> Plan:
        base, known = template(self.departs[trip_id]), list(self.sky[trip_id])
        partial = self.sources in ("sources partial", "sources lie", "sources stall")
        if self.sources:
            self.fired[self.sources] += 1
            self.asked_n += 1
        if self.sources == "sources lie" or (self.sources == "sources contradict" and self.asked_n // 2 % 2):
            known = [None, None]  # an answer that looks mild
        stretches = tuple(
            replace(s, advice=a, probability=_odds(a))
            for a, s in zip(known, base.stretches, strict=True)
            if a is not None
        )
        advice = max((s.advice for s in stretches), key=lambda a: a.rank, default=Advice.CLEAR)
        if partial and advice is Advice.CLEAR:
            advice = Advice.READY
        stale = self.sources == "sources stall"
        fetched = now_utc - timedelta(hours=7 if stale else 0)
        issued = fetched.replace(minute=0, second=0, microsecond=0)
        plan = with_id(
            replace(
                base,
                trip_id=trip_id,
                driver=f"driver of {trip_id}",
                made_at=now_utc,
                stretches=stretches,
                advice=advice,
                partial=partial,
                sources=tuple(replace(s, issued_at=issued, fetched_at=fetched, stale=stale) for s in base.sources),
            )
        )
        ranks = tuple(Advice.CLEAR.rank if a is None else a.rank for a in known)
        self.plans[plan.id] = PlanMade(trip_id, self.machine.real, ranks, partial, clock.problem)
        return plan

    # Receivers

    def note_received(self, by: Receiver, sender: Process | None, outgoing: OutgoingNotice, now_epoch_s: float) -> None:
        """Note a notice that arrived too late to be of use, or at another time than its own, by a right clock."""
        if sender is None:
            return
        late = self.machine.real - outgoing.expires_at  # type: ignore[operator]
        right = abs(sender.clock() - self.machine.real) < timedelta(minutes=3)
        if right and late > timedelta(minutes=5):
            self.broken.append(f"{by.name} got {outgoing.notice_id} {late} after it expired")
        off_s = now_epoch_s - self.machine.real.timestamp()
        if sender.was_right and not self.machine.off and abs(off_s) > 180.0:
            self.broken.append(f"{by.name} got {outgoing.notice_id} {-off_s:.0f} s after the time of its run")
        if by.took.get(outgoing.notice_id) is sender:
            self.broken.append(f"{by.name} got {outgoing.notice_id} twice from a daemon that saw it accepted")

    async def freeze_leader(self) -> None:
        """Let the leader stand still for its whole lease; another daemon lives meanwhile, and takes over."""
        if self.standby is not None:
            self.fired["leader frozen in a send"] += 1
            await self.standby()

    # Processes

    def start(self, name: str) -> Process:
        store = SimulatedStore(self.folder / "alertd.db", self)
        share_statements(store)
        real = store._database
        store._database = FaultyDatabase(real, self)  # type: ignore[assignment]
        real._transaction = store._database._transaction  # type: ignore[method-assign]
        for part in vars(store).values():
            if hasattr(part, "_database"):
                part._database = store._database
        clock = GuardedClock(self.machine, self.machine.elapsed_s)
        weather = WeatherSources(providers=[], members=5, seed=1, stale_h=6.0)
        planner = SimulatedPlanner(self.settings, self.ground, weather, [])
        planner.world, planner.clock, planner._routes = self, clock, _ROUTES
        channels = {to: Line(receiver) for to, receiver in self.receivers.items()}
        worker = DeliveryWorker(store.outbox, channels, owner=name, rng=self.draw, elapsed=self.machine.elapsed_s)
        daemon = Daemon(planner, store, worker, clock)
        process = Process(name, store, daemon, store.candidate(name, lease_s=LEASE_S), clock)
        for line in channels.values():
            line.process = process
        return process


def _odds(advice: Advice | None) -> float:
    return {None: 0.02, Advice.READY: 0.3}.get(advice, 0.8)
