"""The daemon: one process leads a store, and plans, notifies, briefs and answers until it is told to stop."""

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
from dataclasses import dataclass
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
from alertd.delivery.channel import Channel, ClosableChannel, OutgoingNotice
from alertd.delivery.channel_spec import ChannelTools
from alertd.delivery.channels.email import EmailContent
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

# The first releases in which `ipaddress` no longer takes some private ranges for public (CVE-2024-4032). Webhook
# addresses are judged by a table of our own (`delivery.address_policy`); the note is for what else runs on that Python.
FIXED_IN: dict[tuple[int, int], int] = {(3, 11): 10, (3, 12): 4}


def platform_text() -> str:
    """For the log's first line. SQLite's WAL mode, which some of its releases get wrong, is not used by the daemon."""
    return f"alertd {alertd.__version__}, Python {_dotted(sys.version_info[:3])}, SQLite {sqlite3.sqlite_version}"


def outdated(python: Sequence[int] = sys.version_info[:3]) -> str:
    """Why this Python should be updated; "" when it need not."""
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


MAX_RUNS_PER_JOB = 2  # of one job


OVERDUE_S = 1800.0  # a notice undelivered for so long ends the heartbeat, as it makes the daemon degraded


LONGEST_PAUSE = timedelta(days=2)  # no delivery waits so long; twice the longest that a receiver may ask for


# Told to stop, requests and jobs under way get so long to end; what is cut off then is done again after the next start.
REQUEST_SHUTDOWN_TIMEOUT_S = 3


JOB_SHUTDOWN_TIMEOUT_S = 4.0


@asynccontextmanager
async def open_channels(
    settings: Settings, email_content: Callable[[OutgoingNotice], EmailContent] | None = None
) -> AsyncIterator[Mapping[str, Channel]]:
    """Every channel of the settings by name, open. email_content: HTML and pictures of mails besides their text."""
    # The TLS context is made once: it takes a twentieth of a second.
    tools = ChannelTools(tls=ssl.create_default_context(), email_content=email_content)
    async with AsyncExitStack() as stack:
        out: dict[str, Channel] = {}
        for config in settings.channels:
            out[config.name] = opened = config.spec.open(config, tools)
            if isinstance(opened, ClosableChannel):
                stack.push_async_callback(opened.aclose)
        yield out


@asynccontextmanager
async def heartbeat_of(settings: Settings) -> AsyncIterator[Callable[[], None]]:
    """What calls the watchdog of the settings, if one is named. Raises ConfigError on its address."""
    if not settings.heartbeat_url:
        yield lambda: None
        return
    async with Heartbeat(settings.heartbeat_url, settings.heartbeat_allow_networks) as heartbeat:
        yield heartbeat.beat


# The metrics name a job as they did before its method had its present name.
_JOB_LABELS: Final = {"send_scheduled": "speak", "housekeeping": "tidy"}


def _label(job: Callable[[], Coroutine[None, None, None]]) -> str:
    return _JOB_LABELS.get(job.__name__, job.__name__)


class Daemon:
    """The jobs and what they share. A job that fails says so in one line and comes again at its next time."""

    def __init__(
        self,
        planning: Planner,
        store: Store,
        delivery: DeliveryWorker,
        clock: Clock,
        watched: tuple[Liveness, Metrics] | None = None,
        heartbeat: Callable[[], None] = lambda: None,
    ) -> None:
        """heartbeat: called after each cycle while no notice is overdue; it must not wait."""
        self._heartbeat = heartbeat
        self._planning, self._store, self._delivery, self._clock = planning, store, delivery, clock
        self._guard = clock if isinstance(clock, GuardedClock) else None
        self._liveness, self._meters = watched or (Liveness(), Metrics())
        self.alerts = CapAlerts(store, planning.settings.fleet)
        self._one_at_a_time = asyncio.Lock()
        self._under_way: set[asyncio.Task[None]] = set()
        self._standing: tuple[ActiveTrip, ...] = ()

    async def cycle(self) -> None:
        """Plan all due trips; a brief and a cycle never run at once."""
        async with self._one_at_a_time:
            outcome = await run_cycle(self._planning, self._store, self._clock())
            self._standing = outcome.active
            await self.alerts.update(self._planning, outcome, self._clock())
        self._meters.record_plans(outcome.plans, len(outcome.not_planned), len(outcome.unread))
        log.info("planned %d trips, %d new notices", len(outcome.plans), len(outcome.new_notices))
        await self.deliver()
        outbox = await asyncio.to_thread(self._store.outbox.health, self._clock())
        if outbox.oldest_waiting_age_s <= OVERDUE_S:
            self._heartbeat()
        else:
            log.warning("no heartbeat: a notice has waited for %.0f min", outbox.oldest_waiting_age_s / 60.0)

    async def brief(self) -> None:
        """Settle the morning briefs whose time has come: sent, or named as skipped."""
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
        """Say what has come to its moment since the last cycle."""
        planner = self._planning
        async with self._one_at_a_time:
            new = await asyncio.to_thread(
                send_scheduled,
                self._standing,
                self._store,
                planner.settings,
                self._clock(),
                planner.links.message_link,
            )
        if new:
            log.info("%d notices whose moment has come", len(new))
            await self.deliver()

    @property
    def _settles(self) -> bool:
        """Whether things may end by the clock: be skipped, expire."""
        return self._guard is None or self._guard.trusted

    async def deliver(self) -> None:
        done = await self._delivery.deliver_due(self._clock(), settles=self._settles)
        for alarm in done.alarms:
            log.error("%s", alarm, extra={"trip": alarm.trip_id})
        self._meters.count_alarms(done.alarms)
        await asyncio.to_thread(notify_channel_alarms, self._store, self._planning.settings, done.alarms, self._clock())
        for target in done.recovered:
            back = await asyncio.to_thread(resend_after_outage, self._store, target, self._clock())
            log.info("target %s takes notices again; %d that were parked go out again", target, len(back.requeued))

    async def housekeeping(self) -> None:
        """Remove what is older than the settings want: stored answers, kept inputs, and records of the store."""
        settings, now = self._planning.settings, self._clock()
        if self._guard is not None and not self._guard.may_remove:
            log.info("nothing old is removed now: %s", self._guard.problem or "no server has confirmed the clock")
            return
        cache = DiskCache(settings.cache, lambda text: log.warning("%s", text))
        answers = await asyncio.to_thread(cache.prune, fetched_before=now - MAX_STALE_USE, now_utc=now)
        kept = 0
        if settings.archive is not None:
            archive, since = Archive(settings.archive), now - timedelta(days=settings.archive_days)
            kept = await asyncio.to_thread(archive.prune, unused_since=since)
        rows = await asyncio.to_thread(apply_retention, self._store, settings.keep, now)
        if answers or kept or rows:
            log.info("removed %d stored answers, %d files of the archive and %d records", answers, kept, rows)

    def trigger(self, job: Callable[[], Coroutine[None, None, None]]) -> Callable[[], Awaitable[None]]:
        """What the timer calls for `job`: starts it, unless two of it are under way, and does not wait for it.

        Two, so that a cycle asked for during another comes after it and the trip just posted is not left for later,
        and so that a slow receiver holds up its own lane only.
        """

        async def start() -> None:
            self._liveness.heartbeat()
            if sum(task.get_name() == _label(job) for task in self._under_way) < MAX_RUNS_PER_JOB:
                task = asyncio.create_task(self.run_job(job), name=_label(job))
                self._under_way.add(task)
                task.add_done_callback(self._under_way.discard)

        return start

    async def run_job(self, job: Callable[[], Coroutine[None, None, None]]) -> None:
        """Run `job`: a failure is told in the log, and its next time comes all the same."""
        try:
            with self._liveness.job(_label(job)):
                await job()
            self._meters.last_success.labels(_label(job)).set(self._clock().timestamp())
        except AlertdError as exc:
            log.error("%s", exc)
        except Exception:
            # A fault of ours in one job must not end the others; the log keeps it whole.
            log.exception("a job failed; it comes again at its next time")

    async def finish(self, within_s: float) -> None:
        """Let the jobs under way end, and cut off those that do not."""
        if not self._under_way:
            return
        _, late = await asyncio.wait(self._under_way, timeout=within_s)
        for task in late:
            task.cancel()
        if late:
            log.warning("%d jobs cut off; what they had not finished is done after the next start", len(late))
            await asyncio.wait(late, timeout=1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class DaemonContext:
    """What the parts of a daemon share from its start to its end; settings change meanwhile.

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
    """Run until SIGTERM or SIGINT: lead the store, or stand by while another daemon does. SIGHUP reads the settings.

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

    def standing_by(said: str) -> None:
        liveness.heartbeat()
        tell_manager(f"READY=1\nSTATUS={said}")

    def ready(url: str) -> None:
        tell_manager(f"READY=1\nSTATUS=leading, answers on {url}")
        on_ready(url)

    alive = asyncio.create_task(keep_alive(liveness))
    try:
        with Store(settings.store) as store:
            check_exposure(settings, store)
            store.on_new = _on_response(metrics)
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


def _on_response(metrics: Metrics) -> Callable[[Notice], None]:
    def heard(notice: Notice) -> None:
        metrics.count_notice(notice)
        log.info(
            "decided: %s for the %s, %s",
            notice.kind.value,
            notice.audience.value,
            f"trip {notice.trip_id}" if notice.trip_id else "no one trip",
            extra={"trip": notice.trip_id, "notice": notice.id},
        )

    return heard


async def _run_as_leader(context: DaemonContext, settings: Settings, candidate: Candidate) -> Settings:
    """Run the services until the daemon is stopped or another daemon leads; returns the settings at the end.

    New settings restart the services under the same lead, with the same socket: requests wait meanwhile.
    """
    lost = asyncio.Event()
    beating = asyncio.create_task(renew_leadership(candidate, settings.takeover_s / RENEWALS_PER_LEASE, lost))
    try:
        with _open_socket(settings) as listener:
            await asyncio.to_thread(context.store.outbox.release_claims)
            while not context.stop.is_set() and not lost.is_set():
                changed = asyncio.create_task(_wait_for_new_settings(context, settings))
                try:
                    await _run_services(context, settings, listener, lost, changed)
                    settings = changed.result() if changed.done() and not changed.cancelled() else settings
                finally:
                    changed.cancel()
    finally:
        beating.cancel()
        await asyncio.wait([beating])
    return settings


async def _wait_for_new_settings(context: DaemonContext, settings: Settings) -> Settings:
    """Wait for settings that are new and sound."""
    while True:
        await context.reload.wait()
        context.reload.clear()
        tell_manager(notify_reloading())
        new = await reload_settings(settings, partial(_validate, clock=context.clock, store=context.store))
        if new is not None:
            return new
        tell_manager("READY=1")


async def _validate(settings: Settings, clock: Clock, store: Store) -> None:
    """Open all that these settings name, and close it again. Raises ConfigError, StoreError."""
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
    """Plan, notify, brief and answer until the daemon is stopped, the lead is lost or the settings have changed."""
    clock, store, metrics = context.clock, context.store, context.metrics
    watched = context.liveness, metrics
    context.liveness.heartbeat()

    def heard(answer: SourceResponse) -> None:
        record_response(answer)
        metrics.count_response(answer)
        if isinstance(clock, GuardedClock) and answer.clock_offset_s is not None:
            clock.heard(urlsplit(answer.url).hostname or "", answer.clock_offset_s)

    keep = ReplayWriter(archive=Archive(settings.archive), or_log=True) if settings.archive else None
    async with (
        create_planner(settings, clock, keep, heard) as planning,
        open_channels(settings, content_loader(store)) as ways_out,
        heartbeat_of(settings) as beat,
    ):
        timed = {name: metrics.instrument(channel, clock) for name, channel in ways_out.items()}
        dispatcher = DeliveryWorker(store.outbox, timed, owner=process_name(), rng=random.Random())
        daemon = Daemon(planning, store, dispatcher, clock, watched, beat)
        machine = clock.machine if isinstance(clock, GuardedClock) else clock  # what the timer itself goes by
        scheduler = _schedule(daemon, settings, machine)
        if isinstance(clock, GuardedClock):
            metrics.clock_doubted.set_function(lambda: float(not clock.trusted))
        app = make_api(planning, store, clock, lambda: _in_a_moment(scheduler, machine), watched, daemon.alerts)
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
            with GuardedListener.over(listener, gate) as own:  # the server closes what it is given
                ends = (asyncio.create_task(event.wait()) for event in (context.stop, lost))
                await _serve(server, own, context.on_ready, changed, *ends)
        finally:
            watching.cancel()
            scheduler.shutdown(wait=False)
            await daemon.finish(JOB_SHUTDOWN_TIMEOUT_S)


def _make_folder(database: Path) -> None:
    try:
        database.parent.mkdir(parents=True, exist_ok=True)
    except OSError as exc:
        raise StoreError(
            f"store {database}: its folder cannot be made ({exc.strerror}); "
            "name another place in daemon.store, or give the daemon's user the right to write there"
        ) from exc


@contextmanager
def _open_socket(settings: Settings) -> Iterator[socket.socket]:
    """The socket the daemon answers on. Opened here, because uvicorn ends the process when it cannot open its own."""
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

    uvicorn raises a signal once more when it has served, which would end the process before its jobs are: the loop
    takes it from before the first request to after the last, and it only says stop.
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
    """The timer only kicks; what is due is decided from the store and the clock each time.

    No grace time and coalescing on, since the default drops a job that is a second late without a word.
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


def _in_a_moment(scheduler: AsyncIOScheduler, clock: Clock) -> None:
    scheduler.modify_job("cycle", next_run_time=clock())
