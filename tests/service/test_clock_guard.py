"""A wrong reading of the clock ends nothing: no brief is skipped, no report removed, no notice expired."""

import random
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from alertd.daemon.jobs import Daemon
from alertd.delivery.worker import DeliveryWorker
from alertd.errors import DeliveryError
from alertd.notices.model import Audience, Notice, NoticeKind, notice_id
from alertd.planning.planner import Planner
from alertd.planning.weather import WeatherSources
from alertd.service.briefs import KIND, send_due
from alertd.service.clock_guard import STEADY_S, GuardedClock
from alertd.settings.model import KeepDays, Settings
from alertd.settings.reference_data import ReferenceData
from alertd.store.rows import StoredEvent
from alertd.store.store import Store

BEFORE = datetime(2027, 1, 13, 18, 0, tzinfo=UTC)
HOUR, DAY = timedelta(hours=1), timedelta(days=1)
MONTH = timedelta(days=30)


class Machine:
    """A machine's two clocks; `off` is how wrong the one that can be set is."""

    def __init__(self, now: datetime = BEFORE) -> None:
        self.true, self.s, self.off = now, 5000.0, timedelta(0)

    def wall(self) -> datetime:
        return self.true + self.off

    def elapsed(self) -> float:
        return self.s

    def go(self, by: timedelta) -> None:
        self.true += by
        self.s += by.total_seconds()


@pytest.fixture
def machine() -> Machine:
    return Machine()


@pytest.fixture
def clock(machine: Machine) -> GuardedClock:
    return GuardedClock(machine.wall, machine.elapsed)


def servers_confirm(clock: GuardedClock, machine: Machine, *hosts: str, off: timedelta = timedelta(0)) -> None:
    """Servers whose clocks are right, but for `off`."""
    for host in hosts or ("api.weather.gov",):
        clock.record_offset(host, (machine.true + off - clock()).total_seconds())


@pytest.mark.parametrize("off", [MONTH, -MONTH, timedelta(hours=1), timedelta(days=3 * 365)], ids=str)
def test_one_wrong_reading_moves_nothing(off: timedelta, clock: GuardedClock, machine: Machine) -> None:
    machine.go(timedelta(seconds=5))
    machine.off = off
    assert clock() == machine.true
    assert not clock.trusted
    machine.off = timedelta(0)
    machine.go(timedelta(seconds=5))
    assert clock() == machine.true


def test_a_step_that_servers_confirm_is_taken_over_at_once(clock: GuardedClock, machine: Machine) -> None:
    machine.off = -3 * HOUR  # was wrong from the start
    wrong = GuardedClock(machine.wall, machine.elapsed)
    servers_confirm(wrong, machine, "a.example", "b.example")
    assert "differs from servers' clocks by +3 h" in wrong.problem
    machine.off = timedelta(0)
    assert wrong() == machine.true
    assert wrong.confirmed
    assert wrong.trusted


def test_a_step_without_servers_is_taken_over_when_steady(clock: GuardedClock, machine: Machine) -> None:
    machine.go(timedelta(seconds=STEADY_S))
    assert clock.trusted
    machine.off = HOUR
    clock()
    machine.go(timedelta(seconds=STEADY_S - 1))
    assert clock() == machine.true
    machine.go(timedelta(seconds=1))
    assert clock() == machine.true + HOUR
    assert clock.trusted
    assert not clock.confirmed
    machine.go(48 * HOUR)
    assert clock.trusted
    assert not clock.may_remove  # a wrong clock can be steady too, and removed records do not come back


@pytest.mark.parametrize("off", [DAY, 31 * DAY, 3 * 365 * DAY, -31 * DAY])
def test_a_large_step_without_servers_waits_six_hours(clock: GuardedClock, machine: Machine, off: timedelta) -> None:
    machine.go(timedelta(seconds=STEADY_S))
    machine.off = off
    clock()
    for _ in range(35):
        machine.go(timedelta(minutes=10))
        assert clock() == machine.true
    machine.go(timedelta(minutes=10))
    assert clock() == machine.true + off


@pytest.mark.parametrize("off", [MONTH, -MONTH, timedelta(hours=1)], ids=str)
def test_a_step_by_the_time_service_is_taken_over_at_once(off: timedelta, machine: Machine) -> None:
    """After a restart under a wrong clock, without servers: the service sets the clock right."""
    synchronised = False
    machine.off = off
    clock = GuardedClock(machine.wall, machine.elapsed, lambda: synchronised)
    machine.go(HOUR)
    machine.off = timedelta(0)
    assert clock() == machine.true + off
    synchronised = True
    assert clock() == machine.true
    assert clock.trusted
    assert not clock.may_remove  # that needs a server


def test_time_service_against_the_servers_decides_nothing(machine: Machine) -> None:
    clock = GuardedClock(machine.wall, machine.elapsed, lambda: True)
    assert clock.trusted  # from the start
    servers_confirm(clock, machine)
    machine.off = MONTH
    machine.go(HOUR)
    assert clock() == machine.true
    assert not clock.trusted


def test_a_step_against_the_servers_is_never_taken_over(clock: GuardedClock, machine: Machine) -> None:
    servers_confirm(clock, machine, "a.example")
    machine.off = DAY
    for _ in range(30):
        machine.go(timedelta(seconds=60))
        assert clock() == machine.true
    assert "jumped by +24 h" in clock.problem


def test_one_server_with_a_wrong_clock_decides_nothing(clock: GuardedClock, machine: Machine) -> None:
    servers_confirm(clock, machine, "a.example")
    servers_confirm(clock, machine, "wrong.example", off=DAY)
    assert clock.confirmed
    servers_confirm(clock, machine, "b.example", "c.example")
    assert clock.confirmed


def test_a_start_is_in_doubt_until_confirmed_or_steady(clock: GuardedClock, machine: Machine) -> None:
    assert clock.problem == "the clock is not confirmed yet"
    servers_confirm(clock, machine)
    assert clock.confirmed
    assert clock.may_remove


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "alertd.db") as opened:
        yield opened


@pytest.fixture
def make_daemon(
    make_settings: Callable[..., Settings], ground: ReferenceData, store: Store
) -> Callable[[GuardedClock], Daemon]:
    keep = KeepDays(positions=5, plans=1, trips=7, reports=7)
    settings = replace(
        make_settings(trips=None, keep=keep),
        targets={one: (("office",) if one is Audience.DISPATCHER else ()) for one in Audience},
    )
    planning = Planner(settings, ground, WeatherSources(providers=[], members=5, seed=1, stale_h=6.0), [])

    class Down:
        async def send(self, outgoing: object, now_epoch_s: float) -> None:
            raise DeliveryError("office", "answered 503")

    def make(clock: GuardedClock) -> Daemon:
        dispatcher = DeliveryWorker(store.outbox, {"office": Down()}, owner="test", rng=random.Random(1))
        return Daemon(planning, store, dispatcher, clock)

    return make


def briefs_sent(store: Store) -> list[str]:
    output = store.notices_since(Audience.DISPATCHER, datetime(2000, 1, 1, tzinfo=UTC))
    return [n.id for n in output if n.kind is NoticeKind.BRIEF]


def ends(store: Store, days: int = 40) -> dict[str, str]:
    first = BEFORE.date() - timedelta(days=5)
    fleet = "Quillback & Tarn Haulage (invented)"
    dates = ((first + timedelta(days=n)).isoformat() for n in range(days))
    return {d: slot.outcome for d in dates if (slot := store.due.get(KIND, f"{fleet}/{d}")) is not None}


@pytest.mark.parametrize("jump", [MONTH, -MONTH, timedelta(days=3 * 365)], ids=str)
async def test_a_month_ahead_for_one_reading_loses_nothing(
    jump: timedelta,
    machine: Machine,
    clock: GuardedClock,
    make_daemon: Callable[[GuardedClock], Daemon],
    store: Store,
) -> None:
    daemon = make_daemon(clock)
    servers_confirm(clock, machine)
    await daemon.brief()
    report = StoredEvent(id="on", trip_id="", kind="chains_on", at=BEFORE - HOUR, body="{}")
    store.put_event(report)
    notice = Notice(
        id=notice_id(NoticeKind.WORSE, Audience.DISPATCHER, "x"), kind=NoticeKind.WORSE, audience=Audience.DISPATCHER,
        trip_id="", plan_id="", created_at=BEFORE, expires_at=BEFORE + 12 * HOUR, text="x", body="{}",
    )  # fmt: skip
    store.record_notices([notice], {Audience.DISPATCHER: ["office"]}, BEFORE)
    machine.off = jump
    await daemon.brief()
    await daemon.housekeeping()
    await daemon.deliver()
    machine.off = timedelta(0)
    assert store.event("on") == report
    assert [row.state for row in store.outbox.of_notice(notice.id)] == ["waiting"]
    sent_before = len(briefs_sent(store))
    machine.go(timedelta(hours=16, minutes=31))  # the next morning, 03:31 in Denver
    await daemon.brief()
    assert ends(store)["2027-01-14"].startswith("ran")
    assert len(briefs_sent(store)) == sent_before + 1
    assert not [day for day, how in ends(store).items() if how.startswith("skipped")]


async def test_a_daemon_that_starts_with_a_wrong_clock_loses_nothing(
    machine: Machine, make_daemon: Callable[[GuardedClock], Daemon], store: Store
) -> None:
    first = GuardedClock(machine.wall, machine.elapsed)
    servers_confirm(first, machine)
    await make_daemon(first).brief()
    report = StoredEvent(id="on", trip_id="", kind="chains_on", at=BEFORE - HOUR, body="{}")
    store.put_event(report)
    machine.off = MONTH
    machine.go(timedelta(hours=1))
    second = GuardedClock(machine.wall, machine.elapsed)
    daemon = make_daemon(second)
    for _ in range(2):
        await daemon.housekeeping()
        await daemon.brief()
        await daemon.deliver()
        servers_confirm(second, machine, "a.example", "b.example")  # they say that it is wrong
        machine.go(timedelta(minutes=5))
    assert not [day for day, how in ends(store).items() if how.startswith("skipped")]
    assert store.event("on") == report
    machine.off = timedelta(0)
    machine.go(timedelta(hours=15, minutes=25))  # 03:35 in Denver of the next morning
    sent_before = len(briefs_sent(store))
    await daemon.brief()
    assert ends(store)["2027-01-14"].startswith("ran")
    assert len(briefs_sent(store)) == sent_before + 1


async def test_briefs_settled_by_a_clock_ahead_become_due_again(
    machine: Machine, make_daemon: Callable[[GuardedClock], Daemon], store: Store
) -> None:
    """As a daemon without doubt in its clock left them: 30 mornings skipped, and the last of them sent."""
    clock = GuardedClock(machine.wall, machine.elapsed)
    servers_confirm(clock, machine)
    daemon = make_daemon(clock)
    await daemon.brief()
    await send_due(daemon._planning, store, BEFORE + MONTH - timedelta(hours=7, minutes=20), "ahead")
    assert sum(how.startswith("skipped") for how in ends(store).values()) >= 28
    sent = briefs_sent(store)
    machine.go(timedelta(hours=16, minutes=31))
    for _ in range(31):
        await daemon.brief()
        machine.go(DAY)
        servers_confirm(clock, machine)
    how = ends(store)
    assert [d for d, h in how.items() if d > "2027-01-13" and not h.startswith("ran")] == []
    assert len(briefs_sent(store)) == len(sent) + 31


async def test_pauses_set_by_a_clock_ahead_end_when_it_is_right(
    machine: Machine, clock: GuardedClock, make_daemon: Callable[[GuardedClock], Daemon], store: Store
) -> None:
    notice = Notice(
        id=notice_id(NoticeKind.WORSE, Audience.DISPATCHER, "x"), kind=NoticeKind.WORSE, audience=Audience.DISPATCHER,
        trip_id="", plan_id="", created_at=BEFORE, expires_at=BEFORE + 2 * MONTH, text="x", body="{}",
    )  # fmt: skip
    store.record_notices([notice], {Audience.DISPATCHER: ["office"]}, BEFORE + MONTH)
    servers_confirm(clock, machine)
    await make_daemon(clock).brief()
    (row,) = store.outbox.of_notice(notice.id)
    assert row.next_try <= machine.true


async def test_nothing_expires_or_is_disabled_in_doubt(
    machine: Machine, clock: GuardedClock, make_daemon: Callable[[GuardedClock], Daemon], store: Store
) -> None:
    """A restart with a clock 30 days ahead meets a channel that failed the day before, and a notice of use."""
    notice = Notice(
        id=notice_id(NoticeKind.WORSE, Audience.DISPATCHER, "x"), kind=NoticeKind.WORSE, audience=Audience.DISPATCHER,
        trip_id="", plan_id="", created_at=BEFORE, expires_at=BEFORE + 12 * HOUR, text="x", body="{}",
    )  # fmt: skip
    later = replace(notice, id=notice_id(NoticeKind.WORSE, Audience.DISPATCHER, "y"), expires_at=BEFORE + 90 * DAY)
    store.record_notices([notice, later], {Audience.DISPATCHER: ["office"]}, BEFORE)
    first = make_daemon(clock)
    for _ in range(3):
        await first.deliver()
        store.outbox.release_claims()
        machine.go(HOUR)
    assert store.channels.by_name()["office"].state == "failing"
    machine.off = MONTH
    wrong = make_daemon(GuardedClock(machine.wall, machine.elapsed))
    for _ in range(3):
        await wrong.deliver()
        machine.go(timedelta(minutes=1))
    assert [row.state for one in (notice, later) for row in store.outbox.of_notice(one.id)] == ["waiting", "waiting"]
    assert store.channels.by_name()["office"].state == "failing"
