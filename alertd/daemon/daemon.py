"""The daemon: leads a store, runs the jobs on their schedule and serves HTTP until it is stopped."""

import asyncio
import logging
import random
import signal
import socket
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager, nullcontext
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from pathlib import Path
from urllib.parse import urlsplit

import uvicorn

from alertd.clock import Clock
from alertd.daemon.channels import open_channels
from alertd.daemon.clock_watch import ClockWatch, watch_clock
from alertd.daemon.connection_limit import Gate, GuardedListener, most_connections, raise_descriptor_limit
from alertd.daemon.http_server import open_socket, serve, server_config
from alertd.daemon.jobs import Daemon, run_cycle_soon, schedule_jobs
from alertd.daemon.kernel_clock import is_synchronised
from alertd.daemon.leadership import RENEWALS_PER_LEASE, process_name, renew_leadership, wait_for_leadership
from alertd.daemon.reload import reload_settings
from alertd.daemon.sharing import DeliveryShare, share_delivery, take_back
from alertd.daemon.systemd import keep_alive, notify_reloading
from alertd.daemon.systemd import notify as tell_manager
from alertd.daemon.versions import outdated, platform_text
from alertd.delivery.heartbeat import Heartbeat
from alertd.delivery.worker import DeliveryWorker
from alertd.errors import StoreError
from alertd.memory import limit_memory
from alertd.notices.model import Notice
from alertd.planning.corridors.pool import RoadPool
from alertd.planning.corridors.runner import RoadRunner
from alertd.planning.planner import Planner, create_planner
from alertd.planning.replays.replay_archive import ReplayWriter
from alertd.planning.replays.response_recorder import record_response
from alertd.service.brief_email import content_loader
from alertd.service.clock_guard import GuardedClock
from alertd.service.liveness import Liveness
from alertd.service.metrics import Metrics
from alertd.settings.model import Settings
from alertd.sources.http.answer import SourceResponse
from alertd.store.archive import Archive
from alertd.store.leadership import Candidate
from alertd.store.store import Store
from alertd.store.url import PostgresUrl
from alertd.web.app import make_api
from alertd.web.exposure import check_exposure

log = logging.getLogger(__name__)

# Time for running requests and jobs to end at shutdown; interrupted work is repeated after the next start.
REQUEST_SHUTDOWN_TIMEOUT_S = 3
JOB_SHUTDOWN_TIMEOUT_S = 4.0


@asynccontextmanager
async def heartbeat_of(settings: Settings) -> AsyncIterator[Callable[[], None]]:
    """A function that calls the watchdog of the settings, if any. Raises ConfigError for its address."""
    if not settings.heartbeat_url:
        yield lambda: None
        return
    async with Heartbeat(settings.heartbeat_url, settings.heartbeat_allow_networks) as heartbeat:
        yield heartbeat.beat


@dataclass(frozen=True, slots=True, kw_only=True)
class DaemonContext:
    """Values that the parts of a daemon share from start to end. Settings may change meanwhile.

    on_ready: called with the URL when HTTP requests are answered. stop, reload: set by signals.
    """

    clock: Clock
    store: Store
    on_ready: Callable[[str], None]
    stop: asyncio.Event
    reload: asyncio.Event
    liveness: Liveness
    metrics: Metrics


async def run_daemon(settings: Settings, clock: Clock, on_ready: Callable[[str], None]) -> None:
    """Run until SIGTERM or SIGINT: lead the store, or stand by while another daemon leads. SIGHUP reloads the settings.

    Raises StoreError when the store cannot be used, ConfigError on settings.
    """
    if isinstance(settings.store, Path):
        _make_folder(settings.store)
    raise_descriptor_limit()
    limit_memory()
    clock = GuardedClock(clock, synchronised=partial(is_synchronised, clock))
    log.info("%s", platform_text())
    if outdated():
        log.warning("%s", outdated())
    stop, reload, liveness, metrics = asyncio.Event(), asyncio.Event(), Liveness(), Metrics()
    for number in (signal.SIGTERM, signal.SIGINT):
        asyncio.get_running_loop().add_signal_handler(number, stop.set)
    asyncio.get_running_loop().add_signal_handler(signal.SIGHUP, reload.set)

    def standing_by(status: str) -> None:
        liveness.heartbeat()
        tell_manager(f"READY=1\nSTATUS={status}")

    def ready(url: str) -> None:
        tell_manager(f"READY=1\nSTATUS=leading, answers on {url}")
        on_ready(url)

    alive = asyncio.create_task(keep_alive(liveness))
    try:
        with Store(settings.store) as store:
            check_exposure(settings, store)
            store.on_new = _count_notice(metrics)
            metrics.begin(store)
            context = DaemonContext(
                clock=clock,
                store=store,
                on_ready=ready,
                stop=stop,
                reload=reload,
                liveness=liveness,
                metrics=metrics,
            )
            candidate = store.candidate(process_name(), lease_s=settings.takeover_s)
            while await wait_for_leadership(candidate, clock, stop, standing_by):
                metrics.set_leading(True)
                try:
                    settings = await _run_as_leader(context, settings, candidate)
                finally:
                    metrics.set_leading(False)
                    await asyncio.to_thread(candidate.release)
        tell_manager("STOPPING=1")
    finally:
        alive.cancel()


def _count_notice(metrics: Metrics) -> Callable[[Notice], None]:
    def on_new(notice: Notice) -> None:
        metrics.count_notice(notice)
        log.info(
            "notice created kind=%s audience=%s trip=%s",
            notice.kind.value,
            notice.audience.value,
            notice.trip_id or "-",
            extra={"trip": notice.trip_id, "notice": notice.id},
        )

    return on_new


async def _run_as_leader(context: DaemonContext, settings: Settings, candidate: Candidate) -> Settings:
    """Run the services until the daemon is stopped or another daemon leads; returns the current settings.

    New settings restart the services with the same leadership and socket, so clients only wait meanwhile.
    """
    lost = asyncio.Event()
    renewing = asyncio.create_task(renew_leadership(candidate, settings.takeover_s / RENEWALS_PER_LEASE, lost))
    try:
        with open_socket(settings) as listener:
            await asyncio.to_thread(context.store.outbox.release_claims)
            while not context.stop.is_set() and not lost.is_set():
                changed = asyncio.create_task(_wait_for_new_settings(context, settings))
                try:
                    await _run_services(context, settings, listener, lost, changed)
                    settings = changed.result() if changed.done() and not changed.cancelled() else settings
                finally:
                    changed.cancel()
    finally:
        renewing.cancel()
        await asyncio.wait([renewing])
    return settings


async def _wait_for_new_settings(context: DaemonContext, settings: Settings) -> Settings:
    """Wait for new valid settings."""
    while True:
        await context.reload.wait()
        context.reload.clear()
        tell_manager(notify_reloading())
        new = await reload_settings(settings, partial(_validate, clock=context.clock, store=context.store))
        if new is not None:
            return new
        tell_manager("READY=1")


async def _validate(settings: Settings, clock: Clock, store: Store) -> None:
    """Open and close everything that these settings name. Raises ConfigError, StoreError."""
    await asyncio.to_thread(check_exposure, settings, store)
    async with create_planner(settings, clock), open_channels(settings), heartbeat_of(settings):
        pass


async def _run_services(
    context: DaemonContext,
    settings: Settings,
    listener: socket.socket,
    lost: asyncio.Event,
    changed: asyncio.Task[Settings],
) -> None:
    """Plan, notify, brief and serve until the daemon is stopped, the lead is lost or the settings have changed."""
    clock, store, metrics = context.clock, context.store, context.metrics
    watched = context.liveness, metrics
    context.liveness.heartbeat()

    def on_response(answer: SourceResponse) -> None:
        record_response(answer)
        metrics.count_response(answer)
        if isinstance(clock, GuardedClock) and answer.clock_offset_s is not None:
            clock.record_offset(urlsplit(answer.url).hostname or "", answer.clock_offset_s)

    keep = ReplayWriter(archive=Archive(settings.archive), or_log=True, texts=False) if settings.archive else None
    async with (
        create_planner(settings, clock, keep, on_response) as planning,
        open_channels(settings, content_loader(store)) as channels,
        heartbeat_of(settings) as beat,
        road_runner(settings) as runner,
        delivery_shared(settings, store, clock),
    ):
        planning.use(runner)
        worker = DeliveryWorker(store.outbox, channels, owner=process_name(), rng=random.Random())
        daemon = Daemon(planning, store, worker, clock, watched, beat)
        machine = clock.machine if isinstance(clock, GuardedClock) else clock  # the timer uses the unguarded clock
        scheduler = schedule_jobs(daemon, settings, machine)
        if isinstance(clock, GuardedClock):
            metrics.clock_doubted.set_function(lambda: float(not clock.trusted))
        app = make_api(planning, store, clock, lambda: run_cycle_soon(scheduler, machine), watched, daemon.alerts)
        if await asyncio.to_thread(app.state.authenticator.denies_all):
            log.error(
                "no active API token: all HTTP requests will be rejected; create one with "
                "`alertd token new --name NAME --scopes read`"
            )
        gate = Gate(most_connections(raise_descriptor_limit()))
        server = uvicorn.Server(server_config(app, REQUEST_SHUTDOWN_TIMEOUT_S, gate, settings.http_proxies))

        def stepped(_by_s: float) -> None:
            metrics.clock_steps.inc()
            for job in scheduler.get_jobs():  # they wait for the old time
                job.modify(next_run_time=machine())

        restoring = asyncio.create_task(restore_alerts(daemon, planning, machine()))
        scheduler.start()
        watching = asyncio.create_task(watch_clock(ClockWatch(machine), stepped))
        try:
            with GuardedListener.over(listener, gate) as own:  # the server closes its socket
                ends = (asyncio.create_task(event.wait()) for event in (context.stop, lost))
                await serve(server, own, context.on_ready, changed, *ends)
        finally:
            watching.cancel()
            restoring.cancel()
            scheduler.shutdown(wait=False)
            await daemon.finish(JOB_SHUTDOWN_TIMEOUT_S)


def road_runner(settings: Settings) -> AbstractAsyncContextManager[RoadRunner]:
    """What plans the roads of these settings: workers of the store, or processes of this machine."""
    if settings.workers and isinstance(settings.store, PostgresUrl):
        from alertd.planning.corridors.shared_work import share_work  # with the libraries of an extra

        return share_work(settings.store)
    return RoadPool(settings.processes)


def delivery_shared(settings: Settings, store: Store, clock: Clock) -> AbstractAsyncContextManager[object]:
    """Give channels to the delivering workers of these settings, or to none."""
    if not settings.workers:
        take_back(store)
        return nullcontext()

    def reading() -> tuple[datetime, bool]:
        return clock(), not isinstance(clock, GuardedClock) or clock.trusted

    return share_delivery(DeliveryShare(store.senders, settings, reading))


async def restore_alerts(daemon: Daemon, planning: Planner, now_utc: datetime) -> None:
    """Serve the alerts of stored plans until the first cycle has ended."""
    try:
        await daemon.alerts.restore(planning, now_utc)
    except StoreError as exc:
        log.warning("alerts wait for the first cycle: %s", exc)


def _make_folder(database: Path) -> None:
    try:
        database.parent.mkdir(parents=True, exist_ok=True)
    except OSError as exc:
        raise StoreError(
            f"store {database}: cannot create its folder ({exc.strerror}); "
            "name another place in daemon.store, or give the daemon's user the right to write there"
        ) from exc
