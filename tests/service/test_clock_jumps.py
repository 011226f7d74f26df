"""A jump of the machine's clock and back: retention, tokens, beacon, watch and outbox keep to the time that passes."""

import random
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from alertd.daemon.jobs import Daemon
from alertd.delivery.channel import OutgoingNotice
from alertd.delivery.worker import DeliveryWorker
from alertd.notices.model import Audience, Notice, NoticeKind, notice_id
from alertd.planning.planner import Planner
from alertd.planning.weather import WeatherSources
from alertd.service.clock_guard import GuardedClock
from alertd.service.tokens import TokenAuthenticator, new_token
from alertd.settings.model import KeepDays, Settings
from alertd.settings.reference_data import ReferenceData
from alertd.settings.watch import WatchSettings
from alertd.store.rows import StoredEvent
from alertd.store.store import Store
from alertd.watch.beacon import Beacon, decode, write_beacon
from alertd.watch.watcher import Watcher

BEGINS = datetime(2027, 1, 13, 18, 0, tzinfo=UTC)
MINUTE, HOUR, DAY = timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)
JUMPS = (HOUR, -2 * HOUR, DAY, 31 * DAY, 3 * 365 * DAY)
KEY = b"k" * 32


class Machine:
    """A machine whose settable clock may be `off`; real time passes by `go`."""

    def __init__(self) -> None:
        self.real, self.off = BEGINS, timedelta(0)

    def wall(self) -> datetime:
        return self.real + self.off

    def elapsed_s(self) -> float:
        return self.real.timestamp()

    def go(self, by: timedelta) -> None:
        self.real += by


class Channel:
    def __init__(self) -> None:
        self.got: list[OutgoingNotice] = []

    async def send(self, outgoing: OutgoingNotice, now_epoch_s: float) -> None:
        self.got.append(outgoing)


@pytest.fixture
def machine() -> Machine:
    return Machine()


@pytest.fixture
def clock(machine: Machine) -> GuardedClock:
    guarded = GuardedClock(machine.wall, machine.elapsed_s)
    machine.go(timedelta(minutes=11))  # steady for long enough, without any server
    return guarded


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "alertd.db") as opened:
        yield opened


@pytest.fixture
def make_daemon(
    make_settings: Callable[..., Settings], ground: ReferenceData, store: Store, tmp_path: Path
) -> Callable[..., Daemon]:
    targets = {one: (("office",) if one is Audience.DISPATCHER else ()) for one in Audience}
    watch = WatchSettings(file=tmp_path / "beacon.json", key=KEY, folder=tmp_path / "watch")
    keep = KeepDays(positions=5, plans=1, trips=7, reports=7)
    settings = replace(make_settings(trips=None, keep=keep), targets=targets, watch=watch)
    planner = Planner(settings, ground, WeatherSources(providers=[], members=5, seed=1, stale_h=6.0), [])

    def make(clock: GuardedClock, channel: Any) -> Daemon:
        worker = DeliveryWorker(store.outbox, {"office": channel}, owner="test", rng=random.Random(1))
        return Daemon(planner, store, worker, clock)

    return make


def notice(lasts: timedelta) -> Notice:
    return Notice(
        id=notice_id(NoticeKind.WORSE, Audience.DISPATCHER, "x"), kind=NoticeKind.WORSE, audience=Audience.DISPATCHER,
        trip_id="", plan_id="", created_at=BEGINS, expires_at=BEGINS + lasts, text="x", body="{}",
    )  # fmt: skip


@pytest.mark.parametrize("jump", JUMPS, ids=str)
async def test_unconfirmed_jump_removes_nothing_ever(
    jump: timedelta, machine: Machine, clock: GuardedClock, make_daemon: Callable[..., Daemon], store: Store
) -> None:
    """No server answers for two days: the jump is accepted in the end, and still nothing may be removed by it."""
    report = StoredEvent(id="on", trip_id="", kind="chains_on", at=BEGINS - 7 * DAY + HOUR / 2, body="{}")
    store.put_event(report)
    daemon = make_daemon(clock, Channel())
    machine.off = jump
    for _ in range(16):
        await daemon.housekeeping()
        machine.go(3 * HOUR)
    assert clock() == machine.real + jump
    machine.off = timedelta(0)
    await daemon.housekeeping()
    assert store.event("on") == report


async def test_confirmed_clock_removes_what_is_due(
    machine: Machine, clock: GuardedClock, make_daemon: Callable[..., Daemon], store: Store
) -> None:
    """The control: the same record is removed once a server confirms that its time is over."""
    store.put_event(StoredEvent(id="on", trip_id="", kind="chains_on", at=BEGINS - 7 * DAY + HOUR / 2, body="{}"))
    machine.go(DAY)
    clock.record_offset("api.example", 0.0)
    await make_daemon(clock, Channel()).housekeeping()
    assert store.event("on") is None


@pytest.mark.parametrize("off", [-60 * DAY, -3 * 365 * DAY, 3 * 365 * DAY], ids=str)
async def test_wrong_clock_does_not_shorten_what_notices_are_kept(
    off: timedelta, machine: Machine, make_daemon: Callable[..., Daemon], store: Store
) -> None:
    """A notice is recorded and sent under a wrong clock. Its days count from the first clock that servers confirm."""
    machine.off = off
    clock = GuardedClock(machine.wall, machine.elapsed_s)
    machine.go(11 * MINUTE)
    assert clock.trusted
    channel = Channel()
    daemon = make_daemon(clock, channel)
    sent = replace(notice(HOUR), created_at=clock(), expires_at=clock() + HOUR)
    later = replace(sent, id="ntc_later")
    store.record_notices([sent], {Audience.DISPATCHER: ["office"]}, clock())
    store.record_notices([later], {}, clock())  # for the next digest: it has no delivery
    await daemon.deliver()
    assert [one.notice_id for one in channel.got] == [sent.id]
    machine.off = timedelta(0)
    kept = []
    for _ in range(9):
        clock.record_offset("api.example", (machine.real - clock()).total_seconds())
        await daemon.housekeeping()
        kept.append((store.notice(sent.id) is not None, store.notice(later.id) is not None))
        machine.go(DAY)
    assert kept == [(True, True)] * 8 + [(False, False)]


@pytest.mark.parametrize("jump", JUMPS, ids=str)
def test_jump_neither_ends_nor_revives_a_token(
    jump: timedelta, machine: Machine, clock: GuardedClock, store: Store
) -> None:
    door = TokenAuthenticator(store, "", clock, open_without=True)
    _, valid = new_token(store, "tms", ["read"], BEGINS - 30 * DAY + HOUR, 30)
    _, over = new_token(store, "old", ["read"], BEGINS - 30 * DAY - HOUR, 30)
    for off in (timedelta(0), jump, timedelta(0)):
        machine.off = off
        assert (door.allowed(valid, "read"), door.allowed(over, "read")) == (True, False)
        machine.go(MINUTE)


@pytest.mark.parametrize("jump", JUMPS, ids=str)
async def test_jump_expires_no_waiting_notice(
    jump: timedelta, machine: Machine, clock: GuardedClock, make_daemon: Callable[..., Daemon], store: Store
) -> None:
    """It is sent during the jump by the time that passes, and one that is really over is not."""
    channel = Channel()
    fresh, over = notice(HOUR), replace(notice(MINUTE), id="ntc_over")
    store.record_notices([fresh, over], {Audience.DISPATCHER: ["office"]}, BEGINS)
    machine.off = jump
    daemon = make_daemon(clock, channel)
    await daemon.deliver()
    assert [one.notice_id for one in channel.got] == [fresh.id]
    assert [row.state for row in store.outbox.of_notice(over.id)] == ["waiting"]
    machine.off = timedelta(0)
    machine.go(timedelta(minutes=3))
    await daemon.deliver()
    assert [row.state for row in store.outbox.of_notice(over.id)] == ["expired"]


@pytest.mark.parametrize("jump", JUMPS, ids=str)
async def test_beacon_names_the_time_that_passes(
    jump: timedelta, machine: Machine, clock: GuardedClock, make_daemon: Callable[..., Daemon], tmp_path: Path
) -> None:
    machine.off = jump
    await make_daemon(clock, Channel())._write_beacon()
    written = decode((tmp_path / "beacon.json").read_bytes(), KEY, "beacon")
    assert written.written_at == machine.real


@pytest.mark.parametrize("jump", JUMPS, ids=str)
async def test_jump_at_the_watch_is_no_silence(
    jump: timedelta, machine: Machine, clock: GuardedClock, make_settings: Callable[..., Settings], tmp_path: Path
) -> None:
    """The clock of the watch's own machine jumps; then the daemon really is silent, and the office hears of it."""
    office, file = Channel(), tmp_path / "beacon.json"
    watch = WatchSettings(file=file, key=KEY, folder=tmp_path / "watch")
    watch.folder.mkdir()
    settings = replace(make_settings(), watch=watch, targets={Audience.DISPATCHER: ("office",)})
    with Store(watch.store) as store:
        worker = DeliveryWorker(store.outbox, {"office": office}, owner="watch", rng=random.Random(1))
        ask = (str(file), settings, store, worker, clock, machine.elapsed_s)
        watcher = Watcher(*ask, settles=lambda: clock.trusted)
        at = machine.real
        known = Beacon(fleet="Quillback", zone="America/Denver", written_at=at, next_by=at + 40 * MINUTE, trips=())
        write_beacon(file, known, KEY)
        for off in (timedelta(0), jump, timedelta(0)):
            machine.off = off
            assert not (await watcher.look()).silent
            machine.go(5 * MINUTE)
        machine.off = jump
        machine.go(30 * MINUTE)
        assert (await watcher.look()).silent
    assert len(office.got) == 1
