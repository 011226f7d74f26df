"""Whether the daemon is seen to hang, to jump in time and to live: pulse, clock and service manager."""

import asyncio
import logging
import socket
from collections.abc import Iterator
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from apscheduler.schedulers import base
from apscheduler.schedulers.asyncio import AsyncIOScheduler

from alertd.clock import system_clock
from alertd.daemon import systemd, versions
from alertd.daemon.clock_watch import ClockWatch, watch_clock
from alertd.service.liveness import STUCK_S, Liveness
from alertd.settings.secrets import secret_path


class Ticks:
    """Both clocks, moved by hand."""

    def __init__(self) -> None:
        self.now, self.s = datetime(2027, 1, 14, tzinfo=UTC), 1000.0

    def wall(self) -> datetime:
        return self.now

    def monotonic(self) -> float:
        return self.s

    def go(self, seconds: float, step_s: float = 0.0) -> None:
        self.s += seconds
        self.now += timedelta(seconds=seconds + step_s)


def test_late_timer_is_a_hang_after_a_minute_until_it_returns() -> None:
    ticks = Ticks()
    liveness = Liveness(ticks.monotonic)
    ticks.go(60.0)
    assert liveness.problem() == ""
    ticks.go(1.0)
    assert liveness.problem() == "no timer tick for 61 s"
    liveness.heartbeat()
    assert liveness.problem() == ""


def test_job_that_never_ends_is_a_hang_though_the_timer_runs() -> None:
    ticks = Ticks()
    liveness = Liveness(ticks.monotonic)
    with liveness.job("cycle"):
        ticks.go(STUCK_S + 1.0)
        liveness.heartbeat()
        assert liveness.problem() == "job cycle has been running for 30 min"
    assert liveness.problem() == ""


@pytest.mark.parametrize("step_s", [3600.0, -3600.0, 86400.0, -86400.0, 6 * 3600.0, 0.0])
def test_a_step_of_the_clock_is_told_once_and_slewing_is_not(step_s: float) -> None:
    ticks = Ticks()
    watch = ClockWatch(ticks.wall, ticks.monotonic)
    ticks.go(5.0, 0.0025)  # NTP slews by half a millisecond a second
    assert watch.step_s() == 0.0
    ticks.go(5.0, step_s)
    assert watch.step_s() == pytest.approx(step_s)
    ticks.go(5.0)
    assert watch.step_s() == 0.0


@pytest.mark.parametrize("step", [timedelta(hours=-1), timedelta(hours=1), timedelta(days=-1)], ids=str)
async def test_jobs_go_on_after_a_step_of_the_clock(
    step: timedelta, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Without the watch the timer waits out an hour that the clock was set back."""
    off = [timedelta(0)]

    class Stepped(datetime):
        @classmethod
        def now(cls, tz: object = None) -> datetime:  # type: ignore[override]
            return (system_clock() + off[0]).astimezone(tz)  # type: ignore[arg-type]

    monkeypatch.setattr(base, "datetime", Stepped)
    ran = []
    scheduler = AsyncIOScheduler(timezone="UTC", job_defaults={"misfire_grace_time": None, "coalesce": True})
    scheduler.add_job(lambda: ran.append(1), "interval", seconds=3600, id="job")

    def again(_by_s: float) -> None:
        for job in scheduler.get_jobs():
            job.modify(next_run_time=system_clock() + off[0])

    scheduler.start()
    watching = asyncio.create_task(watch_clock(ClockWatch(lambda: system_clock() + off[0]), again, every_s=0.02))
    try:
        await asyncio.sleep(0.05)
        assert ran == []
        off[0] = step
        async with asyncio.timeout(5.0):
            while not ran:
                await asyncio.sleep(0.02)
        await asyncio.sleep(0.1)
    finally:
        watching.cancel()
        scheduler.shutdown(wait=False)
    assert ran == [1]  # coalesced: an hour forward is no hour of runs
    assert [r.levelno for r in caplog.records if "system clock moved" in r.getMessage()] == [logging.ERROR]


@pytest.fixture
def manager(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[socket.socket]:
    """A service manager's socket, as sd_notify(3) describes it."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(str(tmp_path / "notify"))
        listening.settimeout(5.0)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        yield listening


async def test_watchdog_is_notified_only_while_work_moves_on(
    manager: socket.socket, caplog: pytest.LogCaptureFixture
) -> None:
    ticks = Ticks()
    liveness = Liveness(ticks.monotonic)
    alive = asyncio.create_task(systemd.keep_alive(liveness, every_s=0.01))
    assert await asyncio.to_thread(manager.recv, 100) == b"WATCHDOG=1"
    ticks.go(21.0)
    await asyncio.sleep(0.05)
    manager.setblocking(False)
    with suppress(BlockingIOError):
        while manager.recv(100):
            pass
    await asyncio.sleep(0.05)
    with pytest.raises(BlockingIOError):
        manager.recv(100)
    liveness.heartbeat()
    await asyncio.sleep(0.05)
    assert manager.recv(100) == b"WATCHDOG=1"
    alive.cancel()
    assert [r.getMessage() for r in caplog.records if r.levelno == logging.ERROR] == [
        "no timer tick for 21 s; no heartbeat is sent to the service manager"
    ]


def test_an_abstract_socket_and_no_socket_are_both_fine(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    systemd.notify("READY=1")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind("\0alertd-test-notify")
        listening.settimeout(5.0)
        monkeypatch.setenv("NOTIFY_SOCKET", "@alertd-test-notify")
        systemd.notify("READY=1\nSTATUS=leading")
        assert listening.recv(100) == b"READY=1\nSTATUS=leading"


def test_credential_is_read_only_where_systemd_puts_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert secret_path(tmp_path, "secrets/tms.txt") == tmp_path / "secrets" / "tms.txt"
    monkeypatch.delenv("CREDENTIALS_DIRECTORY", raising=False)
    with pytest.raises(ValueError, match="hands no credentials"):
        secret_path(tmp_path, "credential:tms")
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", "/run/credentials/alertd.service")
    assert secret_path(tmp_path, "credential:tms") == Path("/run/credentials/alertd.service/tms")
    for name in ("credential:", "credential:../tms", "credential:a/b", "credential:.."):
        with pytest.raises(ValueError, match="does not name a credential"):
            secret_path(tmp_path, name)


@pytest.mark.parametrize(
    ("python", "old"),
    [((3, 11, 9), True), ((3, 11, 10), False), ((3, 12, 3), True), ((3, 12, 4), False), ((3, 13, 0), False)],
)
def test_a_python_without_the_fixes_is_told(python: tuple[int, int, int], old: bool) -> None:
    """Releases that mend CVE-2024-4032, from its advisory: 3.11.10 and 3.12.4; every 3.13."""
    assert bool(versions.outdated(python)) is old
