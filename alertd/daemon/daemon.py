"""The daemon: leads a store, runs its jobs on a schedule and serves HTTP until it is stopped."""

import asyncio
import logging
import random
import signal
import socket
import sqlite3
import ssl
import sys
from collections.abc import AsyncIterator, Awaitable, Callable, Coroutine, Iterator, Mapping, Sequence
from contextlib import AsyncExitStack, asynccontextmanager, contextmanager
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlsplit

import uvicorn
from apscheduler.schedulers.asyncio import AsyncIOScheduler

import alertd
from alertd.clock import Clock
from alertd.daemon.clock_watch import ClockWatch, watch_clock
from alertd.daemon.connection_limit import Gate, GuardedListener, most_connections, raise_descriptor_limit
from alertd.daemon.http_server import server_config
from alertd.daemon.leadership import RENEWALS_PER_LEASE, process_name, renew_leadership, wait_for_leadership
from alertd.daemon.reload import reload_settings
from alertd.daemon.systemd import keep_alive, notify_reloading
from alertd.daemon.systemd import notify as tell_manager
from alertd.delivery.channel import Channel, OutgoingNotice
from alertd.delivery.channels.apprise import GatewayChannel
from alertd.delivery.channels.console import ConsoleChannel
from alertd.delivery.channels.email import EmailContent, MailChannel
from alertd.delivery.channels.file import FileChannel
from alertd.delivery.channels.webhook import WebhookChannel
from alertd.delivery.heartbeat import Heartbeat
from alertd.delivery.worker import DeliveryWorker
from alertd.errors import AlertdError, ConfigError, StoreError
from alertd.notices.model import Notice
from alertd.planning.planner import Planner, create_planner
from alertd.planning.replay_record import ReplayWriter, record_response
from alertd.service.brief_email import content_loader
from alertd.service.briefs import send_due
from alertd.service.cap_alerts import CapAlerts
from alertd.service.channel_alarms import notify_channel_alarms
from alertd.service.clock_guard import GuardedClock
from alertd.service.cycle import run_cycle
from alertd.service.dead_letters import resend_after_outage
from alertd.service.liveness import Liveness
from alertd.service.metrics import Metrics
from alertd.service.retention import apply_retention
from alertd.service.scheduled_notices import ActiveTrip, send_scheduled
from alertd.settings.model import Settings
from alertd.sources.http.answer import SourceResponse
from alertd.sources.http.cache import DiskCache
from alertd.sources.http.client import MAX_STALE_USE
from alertd.store.archive import Archive
from alertd.store.leadership import Candidate
from alertd.store.store import Store
from alertd.web.app import make_api
from alertd.web.exposure import check_exposure

# First releases in which `ipaddress` no longer counts some private ranges as public (CVE-2024-4032). Webhook
# addresses are checked against a separate table (`delivery.address_policy`); the note concerns other code.
FIXED_IN: dict[tuple[int, int], int] = {(3, 11): 10, (3, 12): 4}


def platform_text() -> str:
    """Versions for the first line of the log. The daemon does not use SQLite's WAL mode, which has bugs in some
    releases."""
    return f"alertd {alertd.__version__}, Python {_dotted(sys.version_info[:3])}, SQLite {sqlite3.sqlite_version}"


def outdated(python: Sequence[int] = sys.version_info[:3]) -> str:
    """Why this Python should be updated; "" when it need not be."""
    patch = FIXED_IN.get((python[0], python[1]))
    if patch is None or python[2] >= patch:
        return ""
    return (
        f"Python {_dotted(python)} lacks security fixes of {python[0]}.{python[1]}.{patch} (CVE-2024-4032 among them); "
        "update it when you can"
    )


def _dotted(version: Sequence[int]) -> str:
    return ".".join(map(str, version))


log = logging.getLogger(__name__)

DELIVER_EVERY_S = 5
CHECK_CLOCK_EVERY_S = 30
SEND_SCHEDULED_EVERY_S = 60
HOUSEKEEPING_EVERY_H = 6
MAX_RUNS_PER_JOB = 2  # of the same job
OVERDUE_S = 1800.0  # an older undelivered notice stops the heartbeat, and makes the daemon degraded
LONGEST_PAUSE = timedelta(days=2)  # longest pause of a delivery; twice the longest that a receiver may request
# Time for running requests and jobs to end at shutdown; interrupted work is repeated after the next start.
REQUEST_SHUTDOWN_TIMEOUT_S = 3
JOB_SHUTDOWN_TIMEOUT_S = 4.0


@asynccontextmanager
async def open_channels(
    settings: Settings, email_content: Callable[[OutgoingNotice], EmailContent] | None = None
) -> AsyncIterator[Mapping[str, Channel]]:
    """Open every channel of the settings, by name. `email_content`: HTML and images of an email."""
    async with AsyncExitStack() as stack:
        out: dict[str, Channel] = {}
        tls = ssl.create_default_context()  # once: loading takes 50 ms
        for endpoint in settings.endpoints:
            out[endpoint.name] = await stack.enter_async_context(WebhookChannel(endpoint, tls=tls))
        for folder in settings.folders:
            out[folder.name] = FileChannel(folder.name, folder.path)
        for mailbox in settings.mailboxes:
            out[mailbox.name] = MailChannel(mailbox, content_for=email_content, tls=tls)
        for gateway in settings.gateways:
            out[gateway.name] = opened = GatewayChannel(gateway.name, gateway.url, sms=gateway.sms)
            stack.callback(opened.close)
        for name in settings.consoles:
            out[name] = ConsoleChannel(name, sys.stdout)
        yield out


@asynccontextmanager
async def heartbeat_of(settings: Settings) -> AsyncIterator[Callable[[], None]]:
    """A function that calls the watchdog of the settings, if any. Raises ConfigError for its address."""
    if not settings.heartbeat_url:
        yield lambda: None
        return
    async with Heartbeat(settings.heartbeat_url, settings.heartbeat_allow_networks) as heartbeat:
        yield heartbeat.beat


# Job labels in metrics; they stay as they were before the methods were renamed.
_JOB_LABELS: Final = {"send_scheduled": "speak", "housekeeping": "tidy"}


def _label(job: Callable[[], Coroutine[None, None, None]]) -> str:
    return _JOB_LABELS.get(job.__name__, job.__name__)


class Daemon:
    """The jobs and their shared objects. A job that fails logs one line and runs again at its next scheduled time."""

    def __init__(
        self,
        planning: Planner,
        store: Store,
        delivery: DeliveryWorker,
        clock: Clock,
        watched: tuple[Liveness, Metrics] | None = None,
        heartbeat: Callable[[], None] = lambda: None,
    ) -> None:
        """heartbeat: called after each cycle while no notice is overdue; it must not block."""
        self._heartbeat = heartbeat
        self._planning, self._store, self._delivery, self._clock = planning, store, delivery, clock
        self._guard = clock if isinstance(clock, GuardedClock) else None
        self._liveness, self._meters = watched or (Liveness(), Metrics())
        self.alerts = CapAlerts(store, planning.settings.fleet)
        self._one_at_a_time = asyncio.Lock()
        self._under_way: set[asyncio.Task[None]] = set()
        self._active: tuple[ActiveTrip, ...] = ()

    async def cycle(self) -> None:
        """Plan all due trips. A brief and a cycle never run at the same time."""
        async with self._one_at_a_time:
            outcome = await run_cycle(self._planning, self._store, self._clock())
            self._active = outcome.active
            await self.alerts.update(self._planning, outcome, self._clock())
        self._meters.record_plans(outcome.plans, len(outcome.not_planned), len(outcome.unread))
        log.info("cycle done: trips=%d new_notices=%d", len(outcome.plans), len(outcome.new_notices))
        await self.deliver()
        outbox = await asyncio.to_thread(self._store.outbox.health, self._clock())
        if outbox.oldest_waiting_age_s <= OVERDUE_S:
            self._heartbeat()
        else:
            age_min = outbox.oldest_waiting_age_s / 60.0
            log.warning("heartbeat skipped: oldest undelivered notice is %.0f min old", age_min)

    async def brief(self) -> None:
        """Settle the due morning briefs: send them, or record them as skipped."""
        async with self._one_at_a_time:
            now, known_right = self._clock(), self._guard is not None and self._guard.confirmed
            if known_right:
                await asyncio.to_thread(self._store.outbox.wake_future, now, LONGEST_PAUSE)
            settled = await send_due(
                self._planning, self._store, now, process_name(), may_skip=self._settles, reopens=known_right
            )
        for one in settled:
            self._meters.due_slots.labels(one.end.replace(" ", "_")).inc()
        if any(one.notice_ids for one in settled):
            await self.deliver()

    async def send_scheduled(self) -> None:
        """Send the notices that became due since the last cycle."""
        settings = self._planning.settings
        async with self._one_at_a_time:
            new = await asyncio.to_thread(
                send_scheduled,
                self._active,
                self._store,
                settings.fleet,
                settings.notices,
                settings.targets,
                self._clock(),
                settings.languages,
                self._planning.links.message_link,
            )
        if new:
            log.info("%d scheduled notices created", len(new))
            await self.deliver()

    @property
    def _settles(self) -> bool:
        """Whether the clock is good enough to skip or expire anything."""
        return self._guard is None or self._guard.trusted

    async def deliver(self) -> None:
        done = await self._delivery.deliver_due(self._clock(), settles=self._settles)
        for alarm in done.alarms:
            log.error("%s", alarm, extra={"trip": alarm.trip_id})
        self._meters.count_alarms(done.alarms)
        await asyncio.to_thread(notify_channel_alarms, self._store, self._planning.settings, done.alarms, self._clock())
        for target in done.recovered:
            back = await asyncio.to_thread(resend_after_outage, self._store, target, self._clock())
            log.info("channel %s recovered; %d parked notices queued again", target, len(back.requeued))

    async def housekeeping(self) -> None:
        """Remove cached answers, archived inputs and store records past their retention."""
        settings, now = self._planning.settings, self._clock()
        if self._guard is not None and not self._guard.may_remove:
            log.info("housekeeping skipped: %s", self._guard.problem or "clock not confirmed by a server")
            return
        cache = DiskCache(settings.cache, lambda text: log.warning("%s", text))
        answers = await asyncio.to_thread(cache.prune, fetched_before=now - MAX_STALE_USE, now_utc=now)
        kept = 0
        if settings.archive is not None:
            archive, since = Archive(settings.archive), now - timedelta(days=settings.archive_days)
            kept = await asyncio.to_thread(archive.prune, unused_since=since)
        rows = await asyncio.to_thread(apply_retention, self._store, settings.keep, now)
        if answers or kept or rows:
            log.info("housekeeping removed %d cached answers, %d archive files, %d records", answers, kept, rows)

    def trigger(self, job: Callable[[], Coroutine[None, None, None]]) -> Callable[[], Awaitable[None]]:
        """The timer's callback for `job`: starts it, unless two runs are in progress, and does not wait.

        Two runs, so that a cycle requested during another one follows it and plans the trip just posted, and so that a
        slow receiver delays only its own channel.
        """

        async def start() -> None:
            self._liveness.heartbeat()
            if sum(task.get_name() == _label(job) for task in self._under_way) < MAX_RUNS_PER_JOB:
                task = asyncio.create_task(self.run_job(job), name=_label(job))
                self._under_way.add(task)
                task.add_done_callback(self._under_way.discard)

        return start

    async def run_job(self, job: Callable[[], Coroutine[None, None, None]]) -> None:
        """Run `job`; log a failure."""
        try:
            with self._liveness.job(_label(job)):
                await job()
            self._meters.last_success.labels(_label(job)).set(self._clock().timestamp())
        except AlertdError as exc:
            log.error("job %s failed: %s", _label(job), exc)
        except Exception:
            # An internal error in one job must not stop the others.
            log.exception("job %s failed; next run at its scheduled time", _label(job))

    async def finish(self, within_s: float) -> None:
        """Wait for the running jobs, and cancel those that exceed the time limit."""
        if not self._under_way:
            return
        _, late = await asyncio.wait(self._under_way, timeout=within_s)
        for task in late:
            task.cancel()
        if late:
            log.warning("%d jobs cancelled at shutdown; their work is repeated after the next start", len(late))
            await asyncio.wait(late, timeout=1.0)


async def run_daemon(settings: Settings, clock: Clock, on_ready: Callable[[str], None]) -> None:
    """Run until SIGTERM or SIGINT: lead the store, or stand by while another daemon leads. SIGHUP reloads the settings.

    Raises StoreError when the store cannot be used, ConfigError on settings.
    """
    if isinstance(settings.store, Path):
        _make_folder(settings.store)
    raise_descriptor_limit()
    clock = GuardedClock(clock)
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
            candidate = store.candidate(process_name(), lease_s=settings.takeover_s)
            while await wait_for_leadership(candidate, clock, stop, standing_by):
                metrics.set_leading(True)
                try:
                    settings = await _run_as_leader(
                        settings, clock, ready, store, candidate, stop, reload, (liveness, metrics)
                    )
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


async def _run_as_leader(
    settings: Settings,
    clock: Clock,
    on_ready: Callable[[str], None],
    store: Store,
    candidate: Candidate,
    stop: asyncio.Event,
    reload: asyncio.Event,
    watched: tuple[Liveness, Metrics],
) -> Settings:
    """Run the services until the daemon is stopped or another daemon leads; returns the current settings.

    New settings restart the services with the same leadership and socket, so clients only wait meanwhile.
    """
    lost = asyncio.Event()
    renewing = asyncio.create_task(renew_leadership(candidate, settings.takeover_s / RENEWALS_PER_LEASE, lost))
    try:
        with _open_socket(settings) as listener:
            await asyncio.to_thread(store.outbox.release_claims)
            while not stop.is_set() and not lost.is_set():
                changed = asyncio.create_task(_wait_for_new_settings(settings, clock, reload, store))
                try:
                    await _run_services(settings, clock, on_ready, store, listener, (stop, lost), changed, watched)
                    settings = changed.result() if changed.done() and not changed.cancelled() else settings
                finally:
                    changed.cancel()
    finally:
        renewing.cancel()
        await asyncio.wait([renewing])
    return settings


async def _wait_for_new_settings(settings: Settings, clock: Clock, reload: asyncio.Event, store: Store) -> Settings:
    """Wait for new valid settings."""
    while True:
        await reload.wait()
        reload.clear()
        tell_manager(notify_reloading())
        new = await reload_settings(settings, partial(_validate, clock=clock, store=store))
        if new is not None:
            return new
        tell_manager("READY=1")


async def _validate(settings: Settings, clock: Clock, store: Store) -> None:
    """Open and close everything that these settings name. Raises ConfigError, StoreError."""
    await asyncio.to_thread(check_exposure, settings, store)
    async with create_planner(settings, clock), open_channels(settings), heartbeat_of(settings):
        pass


async def _run_services(
    settings: Settings,
    clock: Clock,
    on_ready: Callable[[str], None],
    store: Store,
    listener: socket.socket,
    ends: tuple[asyncio.Event, ...],
    changed: asyncio.Task[Settings],
    watched: tuple[Liveness, Metrics],
) -> None:
    """Plan, notify, brief and serve until one of `ends` is set or the settings have changed."""
    liveness, metrics = watched
    liveness.heartbeat()

    def on_response(answer: SourceResponse) -> None:
        record_response(answer)
        metrics.count_response(answer)
        if isinstance(clock, GuardedClock) and answer.clock_offset_s is not None:
            clock.heard(urlsplit(answer.url).hostname or "", answer.clock_offset_s)

    keep = ReplayWriter(archive=Archive(settings.archive), or_log=True) if settings.archive else None
    async with (
        create_planner(settings, clock, keep, on_response) as planning,
        open_channels(settings, content_loader(store)) as channels,
        heartbeat_of(settings) as beat,
    ):
        timed = {name: metrics.instrument(channel, clock) for name, channel in channels.items()}
        worker = DeliveryWorker(store.outbox, timed, owner=process_name(), rng=random.Random())
        daemon = Daemon(planning, store, worker, clock, watched, beat)
        machine = clock.machine if isinstance(clock, GuardedClock) else clock  # the timer uses the unguarded clock
        scheduler = _schedule(daemon, settings, machine)
        if isinstance(clock, GuardedClock):
            metrics.clock_doubted.set_function(lambda: float(not clock.trusted))
        app = make_api(planning, store, clock, lambda: _run_cycle_soon(scheduler, machine), watched, daemon.alerts)
        if await asyncio.to_thread(app.state.authenticator.denies_all):
            log.error("no active API token: all HTTP requests will be rejected; create one with `alertd token new`")
        gate = Gate(most_connections(raise_descriptor_limit()))
        server = uvicorn.Server(server_config(app, REQUEST_SHUTDOWN_TIMEOUT_S, gate))

        def stepped(_by_s: float) -> None:
            metrics.clock_steps.inc()
            for job in scheduler.get_jobs():  # they wait for the old time
                job.modify(next_run_time=machine())

        scheduler.start()
        watching = asyncio.create_task(watch_clock(ClockWatch(machine), stepped))
        try:
            with GuardedListener.over(listener, gate) as own:  # the server closes its socket
                await _serve(server, own, on_ready, changed, *(asyncio.create_task(end.wait()) for end in ends))
        finally:
            watching.cancel()
            scheduler.shutdown(wait=False)
            await daemon.finish(JOB_SHUTDOWN_TIMEOUT_S)


def _make_folder(database: Path) -> None:
    try:
        database.parent.mkdir(parents=True, exist_ok=True)
    except OSError as exc:
        raise StoreError(
            f"store {database}: cannot create its folder ({exc.strerror}); "
            "name another place in daemon.store, or give the daemon's user the right to write there"
        ) from exc


@contextmanager
def _open_socket(settings: Settings) -> Iterator[socket.socket]:
    """The listening socket. Opened here, because uvicorn ends the process when it cannot open its own."""
    host, port = settings.http_host, settings.http_port
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        listener = socket.create_server((host, port), family=family, backlog=128)
    except OSError as exc:
        raise ConfigError(
            str(settings.where),
            "daemon.http_port",
            f"cannot listen on {host} port {port} ({exc.strerror})",
            "stop the program that has it, or name another address or port",
        ) from exc
    with listener:
        yield listener


async def _serve(
    server: uvicorn.Server, listener: socket.socket, on_ready: Callable[[str], None], *ends: asyncio.Task[Any]
) -> None:
    """Serve until one of `ends` is done.

    uvicorn raises a received signal again when it has stopped, which would end the process before its jobs. The event
    loop therefore handles signals before the first request and after the last, and they only set `stop`.
    """
    serving = asyncio.create_task(server.serve(sockets=[listener]))
    while not server.started and not serving.done():
        await asyncio.sleep(0.05)
    if server.started:
        host, port = listener.getsockname()[:2]
        on_ready(f"http://[{host}]:{port}" if ":" in host else f"http://{host}:{port}")
    await asyncio.wait([serving, *ends], return_when=asyncio.FIRST_COMPLETED)
    for task in ends:
        task.cancel()
    server.should_exit = True
    await serving


def _schedule(daemon: Daemon, settings: Settings, clock: Clock) -> AsyncIOScheduler:
    """Schedule the jobs. The timer only triggers; each job decides from the store and the clock what is due.

    Coalescing without a grace time, because the default silently drops a job that is a second late.
    """
    scheduler = AsyncIOScheduler(timezone="UTC", job_defaults={"misfire_grace_time": None, "coalesce": True})
    now = clock()
    minutes = settings.plan_every_min
    scheduler.add_job(daemon.trigger(daemon.cycle), "interval", minutes=minutes, id="cycle", next_run_time=now)
    scheduler.add_job(daemon.trigger(daemon.brief), "interval", seconds=CHECK_CLOCK_EVERY_S, id="brief")
    scheduler.add_job(
        daemon.trigger(daemon.send_scheduled), "interval", seconds=SEND_SCHEDULED_EVERY_S, id="send_scheduled"
    )
    scheduler.add_job(daemon.trigger(daemon.deliver), "interval", seconds=DELIVER_EVERY_S, id="deliver")
    scheduler.add_job(
        daemon.trigger(daemon.housekeeping),
        "interval",
        hours=HOUSEKEEPING_EVERY_H,
        id="housekeeping",
        next_run_time=now,
    )
    return scheduler


def _run_cycle_soon(scheduler: AsyncIOScheduler, clock: Clock) -> None:
    scheduler.modify_job("cycle", next_run_time=clock())
