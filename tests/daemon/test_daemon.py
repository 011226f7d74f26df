"""The daemon's jobs: one fault is one line and stops nothing else; told to stop, what is under way may end."""

import asyncio
import logging
import random
import signal
import socket
from collections.abc import AsyncIterator, Callable
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from alertd.clock import system_clock
from alertd.daemon import jobs
from alertd.daemon.daemon import run_daemon
from alertd.daemon.jobs import Daemon, schedule_jobs
from alertd.delivery.worker import DeliveryWorker
from alertd.errors import ConfigError, StoreError
from alertd.notices.model import Audience
from alertd.notices.triggers.compose import office_notice
from alertd.planning.planner import Planner
from alertd.planning.recordings.folder import ROUNDS, RecordingFolder
from alertd.planning.road_reports import NO_ROAD_REPORTS
from alertd.planning.weather import WeatherSources
from alertd.service.cycle import DueTrips
from alertd.settings.model import Settings
from alertd.settings.recording import RecordSettings
from alertd.settings.reference_data import ReferenceData
from alertd.settings.watch import WatchSettings
from alertd.sources.http.cache import CacheEntry, DiskCache, cache_key
from alertd.store.archive import Archive
from alertd.store.rows import StoredTrip
from alertd.store.store import Store
from alertd.watch.beacon import decode


@pytest.fixture
async def daemon(
    make_settings: Callable[..., Settings], ground: ReferenceData, tmp_path: Path
) -> AsyncIterator[Daemon]:
    planning = Planner(
        make_settings(trips=None), ground, WeatherSources(providers=[], members=5, seed=1, stale_h=6.0), []
    )
    with Store(tmp_path / "alertd.db") as store:
        dispatcher = DeliveryWorker(store.outbox, {}, owner="test", rng=random.Random(1))
        yield Daemon(planning, store, dispatcher, system_clock)


async def test_a_store_that_fails_inside_a_job_is_one_line_in_the_log(
    daemon: Daemon, caplog: pytest.LogCaptureFixture
) -> None:
    async def job() -> None:
        raise StoreError("store x: disk is full")

    await daemon.run_job(job)
    assert [(r.levelno, r.getMessage(), r.exc_info) for r in caplog.records] == [
        (logging.ERROR, "job job failed: store x: disk is full", None)
    ]


async def test_internal_error_in_a_job_is_logged_and_ends_nothing(
    daemon: Daemon, caplog: pytest.LogCaptureFixture
) -> None:
    async def job() -> None:
        raise KeyError("ours")

    await daemon.run_job(job)
    (record,) = caplog.records
    assert record.exc_info is not None
    assert record.getMessage() == "job job failed; next run at its scheduled time"


async def test_a_job_under_way_is_let_end(daemon: Daemon) -> None:
    go, done = asyncio.Event(), []

    async def job() -> None:
        await go.wait()
        done.append("whole")

    await daemon.trigger(job)()
    asyncio.get_running_loop().call_later(0.01, go.set)
    await daemon.finish(within_s=5.0)
    assert done == ["whole"]


async def test_a_job_that_does_not_end_is_cut_off_and_that_is_said(
    daemon: Daemon, caplog: pytest.LogCaptureFixture
) -> None:
    async def job() -> None:
        await asyncio.Event().wait()

    await daemon.trigger(job)()
    await daemon.finish(within_s=0.01)
    assert ["1 jobs cancelled at shutdown" in r.getMessage() for r in caplog.records] == [True]


async def test_cleanup_removes_only_answers_and_inputs_past_their_days(
    daemon: Daemon, make_settings: Callable[..., Settings], tmp_path: Path
) -> None:
    """Inputs of a plan of days ago stay while the store has the plan; those of a new plan stay in any case."""
    settings, now = make_settings(), system_clock()
    assert settings.archive is not None
    cache, archive = DiskCache(settings.cache), Archive(settings.archive)
    for hours in (1, 47, 49):  # the last good answer is used for 48 hours at most
        at = now - timedelta(hours=hours)
        cache.put(cache_key(str(hours)), CacheEntry(headers={}, body=b"{}", fetched_at=at, fresh_until=at, varied={}))
    ids = {days: "plan_" + f"{days:032}" for days in (1, settings.archive_days - 1, settings.archive_days + 1, 5)}
    for days, id_ in ids.items():
        at = now - timedelta(days=days)
        archive.file_plan(id_, archive.put(f'{{"pack": "{id_}"}}'.encode(), at), at)
    with Store(tmp_path / "alertd.db") as store:
        store.put_trip(StoredTrip(id="T-1", body="{}", created_at=now))
        for days in (settings.archive_days + 1, settings.archive_days - 1):
            store.record_plan(ids[days], "T-1", now - timedelta(days=days), "{}", [], {})
    await daemon.housekeeping()
    assert [cache.get(cache_key(str(hours))) is not None for hours in (1, 47, 49)] == [True, True, False]
    assert archive.plans() == [ids[1], ids[settings.archive_days - 1]]


async def test_replaced_plans_are_packed_and_read_the_same(
    daemon: Daemon, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    body = '{"plan":{"advice":"clear","arrive_at":"","chain_probability":0.0,"depart_at":""}}'
    with Store(tmp_path / "alertd.db") as store:
        store.put_trip(StoredTrip(id="T-1", body="{}", created_at=system_clock()))
        for days in (3, 2):
            store.record_plan(f"plan-{days}", "T-1", system_clock() - timedelta(days=days), body, [], {})
        await daemon.pack_texts()
        assert "2 texts of plans and notices packed" in [r.getMessage() for r in caplog.records]
        assert {plan.body for plan in store.stored_plans.read(["plan-3", "plan-2"])} == {body}


async def test_an_archive_of_two_stores_keeps_the_plans_of_both(
    daemon: Daemon, make_settings: Callable[..., Settings], caplog: pytest.LogCaptureFixture
) -> None:
    settings, now = make_settings(), system_clock()
    assert settings.archive is not None
    archive, of_other, at = Archive(settings.archive), "plan_" + 32 * "7", now - timedelta(days=5)
    archive.file_plan(of_other, archive.put(b'{"pack": "x"}', at), at)
    assert archive.note_store("/var/other.db", now) == ()
    await daemon.housekeeping()
    assert archive.plans() == [of_other]
    assert ["/var/other.db files plans here too" in r.getMessage() for r in caplog.records] == [True]
    (former,) = [path for path in (archive.folder / "stores").iterdir() if path.read_text() == "/var/other.db"]
    former.rename(former.with_suffix(".tmp"))  # as a crash leaves a file that it had begun
    await daemon.housekeeping()
    assert archive.plans() == []


async def test_job_requested_while_running_runs_once_more_only(daemon: Daemon) -> None:
    go, begun = asyncio.Event(), []

    async def job() -> None:
        begun.append(1)
        await go.wait()

    for _ in range(5):
        await daemon.trigger(job)()
    await asyncio.sleep(0)
    go.set()
    await daemon.finish(within_s=5.0)
    assert len(begun) == 2


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT], ids=lambda n: n.name)
async def test_a_signal_ends_the_daemon_in_order_and_frees_its_store(
    number: signal.Signals, make_settings: Callable[..., Settings]
) -> None:
    settings = make_settings(trips=None, http_port=0)

    def on_ready(url: str) -> None:
        assert url.startswith("http://127.0.0.1:")
        asyncio.get_running_loop().call_soon(signal.raise_signal, number)

    for _ in range(2):  # the second finds the store free
        await asyncio.wait_for(run_daemon(settings, system_clock, on_ready), 10)


async def test_a_port_that_is_taken_is_told_with_the_mend(make_settings: Callable[..., Settings]) -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        settings = make_settings(trips=None, http_port=other.getsockname()[1])
        with pytest.raises(ConfigError, match=r"daemon\.http_port: cannot listen on 127\.0\.0\.1 port .*; stop the"):
            await run_daemon(settings, system_clock, lambda url: None)


async def test_a_store_whose_folder_cannot_be_made_is_told(
    make_settings: Callable[..., Settings], tmp_path: Path
) -> None:
    (tmp_path / "file").touch()
    settings = replace(make_settings(trips=None), store=tmp_path / "file" / "in-it" / "alertd.db")
    with pytest.raises(StoreError, match=r"cannot create its folder \(Not a directory\); name another place"):
        await run_daemon(settings, system_clock, lambda url: None)


@pytest.fixture
def beating(daemon: Daemon) -> list[int]:
    beats: list[int] = []
    daemon._heartbeat = lambda: beats.append(1)
    return beats


async def test_each_good_cycle_beats_and_an_overdue_notice_stops_it(daemon: Daemon, beating: list[int]) -> None:
    await daemon.cycle()
    assert beating == [1]
    now = system_clock()
    notice = office_notice("fleet.data", ("x",), "x", timedelta(hours=9), now - timedelta(minutes=31))
    daemon._store.record_notices([notice], {Audience.DISPATCHER: ["hook"]}, now + timedelta(minutes=5))
    await daemon.cycle()
    assert beating == [1]


async def test_a_cycle_that_fails_does_not_beat(
    daemon: Daemon, beating: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    async def fails(*_: object) -> None:
        raise StoreError("store x: disk is full")

    monkeypatch.setattr(jobs, "read_due_trips", fails)
    await daemon.run_job(daemon.cycle)
    assert beating == []


async def test_a_due_notice_does_not_wait_for_slow_sources(daemon: Daemon, monkeypatch: pytest.MonkeyPatch) -> None:
    asked, answered, sent = asyncio.Event(), asyncio.Event(), []

    async def plan(planner: Planner, store: Store, now_utc: datetime) -> DueTrips:
        asked.set()
        await answered.wait()
        return DueTrips(now_utc=now_utc, trips=(), reports={}, on_roads=NO_ROAD_REPORTS, sent={}, unread=())

    def send(*args: object) -> tuple[str, ...]:
        sent.append(args)
        return ()

    monkeypatch.setattr(jobs, "read_due_trips", plan)
    monkeypatch.setattr(jobs, "send_scheduled", send)
    cycle = asyncio.create_task(daemon.cycle())
    await asked.wait()
    await asyncio.wait_for(daemon.send_scheduled(), 5.0)
    assert len(sent) == 1
    assert not cycle.done()
    answered.set()
    await cycle


async def test_each_good_cycle_writes_the_beacon(
    make_settings: Callable[..., Settings], ground: ReferenceData, tmp_path: Path
) -> None:
    watch = WatchSettings(file=tmp_path / "beacon.json", key=b"k" * 32)
    planning = Planner(
        make_settings(trips=None, watch=watch), ground, WeatherSources(providers=[], members=5, seed=1, stale_h=6.0), []
    )
    with Store(tmp_path / "alertd.db") as store:
        worker = DeliveryWorker(store.outbox, {}, owner="test", rng=random.Random(1))
        before = system_clock()
        await Daemon(planning, store, worker, system_clock).cycle()
    written = decode((tmp_path / "beacon.json").read_bytes(), b"k" * 32, "")
    assert before <= written.written_at <= system_clock()
    assert written.next_by - written.written_at == timedelta(minutes=planning.settings.plan_every_min + 10)


async def test_passes_in_the_settings_are_recorded_at_whole_hours(daemon: Daemon, tmp_path: Path) -> None:
    """Without a source the round has station reports at most; it is kept all the same."""
    planning = daemon._planning
    assert schedule_jobs(daemon, planning.settings, system_clock).get_job("record") is None
    chosen = RecordSettings(passes=("Lookout Pass",), folder=tmp_path / "recording", every_h=6.0)
    planning.settings = replace(planning.settings, record=chosen)
    job = schedule_jobs(daemon, planning.settings, system_clock).get_job("record")
    assert (job.trigger.interval, job.next_run_time.hour % 6, job.next_run_time.minute) == (timedelta(hours=6), 0, 0)
    await daemon.record()
    assert [line.value["place"]["name"] for line in RecordingFolder(chosen.folder).lines(ROUNDS)] == ["Lookout Pass"]


async def test_runs_missed_in_three_years_are_one(daemon: Daemon) -> None:
    """The scheduler lists every missed run of a job before it starts one: the daemon would stand still for minutes."""
    at, jump, every = system_clock(), timedelta(days=3 * 365), timedelta(seconds=5)
    trigger = schedule_jobs(daemon, daemon._planning.settings, lambda: at).get_job("deliver").trigger
    assert trigger.get_next_fire_time(at, at + timedelta(seconds=1)) == at + every
    assert trigger.get_next_fire_time(at, at + jump) == at + jump
    assert trigger.get_next_fire_time(at + jump, at + jump) == at + jump + every
