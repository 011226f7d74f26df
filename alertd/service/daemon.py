"""The daemon: one process leads a store, and plans, notifies, briefs and answers until it is told to stop."""

import asyncio
import logging
import random
import signal
import socket
import ssl
import sys
from collections.abc import AsyncIterator, Awaitable, Callable, Coroutine, Iterator, Mapping
from contextlib import AsyncExitStack, asynccontextmanager, contextmanager
from datetime import timedelta
from pathlib import Path

import uvicorn
from apscheduler.schedulers.asyncio import AsyncIOScheduler

from alertd.delivery.channel import Channel
from alertd.delivery.console import ConsoleChannel
from alertd.delivery.file import FileChannel
from alertd.delivery.gateway import GatewayChannel
from alertd.delivery.mail import MailChannel
from alertd.delivery.outbox import Dispatcher
from alertd.delivery.webhook import WebhookChannel
from alertd.errors import AlertdError, ConfigError, StoreError
from alertd.service.api import make_api
from alertd.service.clock import Clock
from alertd.service.cycle import brief_due, run_cycle, send_brief
from alertd.service.inputs import Keep
from alertd.service.leading import BEATS_A_LEASE, keep_leading, own_name, stand_by
from alertd.service.outages import tell
from alertd.service.parked import resend_after_outage
from alertd.service.planner import Planner, planner
from alertd.service.retention import forget
from alertd.service.settings import Settings
from alertd.service.speaking import Standing, speak
from alertd.service.standings import StoredBook
from alertd.sources.cache import DiskCache
from alertd.sources.http import LONGEST_USE_OF_LAST_GOOD
from alertd.store.archive import Archive
from alertd.store.leader import Candidate
from alertd.store.store import Store

log = logging.getLogger(__name__)

DELIVER_EVERY_S = 5
LOOK_AT_CLOCK_EVERY_S = 30
SPEAK_EVERY_S = 60
TIDY_EVERY_H = 6
AT_ONCE = 2  # of one job
# Told to stop, requests and jobs under way get so long to end; what is cut off then is done again after the next start.
REQUESTS_END_WITHIN_S = 3
JOBS_END_WITHIN_S = 4.0


@asynccontextmanager
async def channels(settings: Settings) -> AsyncIterator[Mapping[str, Channel]]:
    """Every channel of the settings by name, open."""
    async with AsyncExitStack() as stack:
        out: dict[str, Channel] = {}
        tls = ssl.create_default_context()  # read once: it takes a twentieth of a second
        for endpoint in settings.endpoints:
            out[endpoint.name] = await stack.enter_async_context(WebhookChannel(endpoint, tls=tls))
        for folder in settings.folders:
            out[folder.name] = FileChannel(folder.name, folder.path)
        for mailbox in settings.mailboxes:
            out[mailbox.name] = MailChannel(mailbox, tls=tls)
        for gateway in settings.gateways:
            out[gateway.name] = opened = GatewayChannel(gateway.name, gateway.url, sms=gateway.sms)
            stack.callback(opened.close)
        for name in settings.consoles:
            out[name] = ConsoleChannel(name, sys.stdout)
        yield out


class Daemon:
    """The jobs and what they share. A job that fails says so in one line and comes again at its next time."""

    def __init__(self, planning: Planner, store: Store, dispatcher: Dispatcher, clock: Clock) -> None:
        self._planning, self._store, self._dispatcher, self._clock = planning, store, dispatcher, clock
        self._one_at_a_time = asyncio.Lock()
        self._under_way: set[asyncio.Task[None]] = set()
        self._standing: tuple[Standing, ...] = ()

    async def cycle(self) -> None:
        """Plan all due trips; a brief and a cycle never run at once."""
        async with self._one_at_a_time:
            outcome = await run_cycle(self._planning, self._store, self._clock())
            self._standing = outcome.standing
        log.info("planned %d trips, %d new notices", len(outcome.plans), len(outcome.new_notices))
        await self.deliver()

    async def brief(self) -> None:
        """Send the morning brief when its time has come and it was not sent."""
        if brief_due(self._clock(), self._planning) is None:
            return
        async with self._one_at_a_time:
            now = self._clock()  # a cycle may have held it up
            slot = brief_due(now, self._planning)
            sent = await send_brief(self._planning, self._store, now, slot) if slot else ()
        if slot and sent:
            log.info("brief of %s recorded", slot.local_date)
            await self.deliver()

    async def speak(self) -> None:
        """Say what has come to its moment since the last cycle."""
        settings = self._planning.settings
        async with self._one_at_a_time:
            new = await speak(
                self._standing,
                self._store,
                settings.fleet,
                settings.notices,
                settings.targets,
                self._clock(),
                self._planning.links.in_words,
            )
        if new:
            log.info("%d notices whose moment has come", len(new))
            await self.deliver()

    async def deliver(self) -> None:
        done = await self._dispatcher.deliver_due(self._clock())
        for alarm in done.alarms:
            log.error("%s", alarm)
        await asyncio.to_thread(tell, self._store, self._planning.settings, done.alarms, self._clock())
        for target in done.recovered:
            back = await asyncio.to_thread(resend_after_outage, self._store, target, self._clock())
            log.info("target %s takes notices again; %d that were parked go out again", target, len(back.again))

    async def tidy(self) -> None:
        """Remove what is older than the settings want: stored answers, kept inputs, and records of the store."""
        settings, now = self._planning.settings, self._clock()
        cache = DiskCache(settings.cache, lambda text: log.warning("%s", text))
        answers = await asyncio.to_thread(cache.prune, fetched_before=now - LONGEST_USE_OF_LAST_GOOD, now_utc=now)
        kept = 0
        if settings.archive is not None:
            archive, since = Archive(settings.archive), now - timedelta(days=settings.archive_days)
            kept = await asyncio.to_thread(archive.prune, unused_since=since)
        rows = await asyncio.to_thread(forget, self._store, settings.keep, now)
        if answers or kept or rows:
            log.info("removed %d stored answers, %d files of the archive and %d records", answers, kept, rows)

    def kick(self, job: Callable[[], Coroutine[None, None, None]]) -> Callable[[], Awaitable[None]]:
        """What the timer calls for `job`: starts it, unless two of it are under way, and does not wait for it.

        Two, so that a cycle asked for during another comes after it and the trip just posted is not left for later,
        and so that a slow receiver holds up its own lane only.
        """

        async def start() -> None:
            if sum(task.get_name() == job.__name__ for task in self._under_way) < AT_ONCE:
                task = asyncio.create_task(self.guarded(job), name=job.__name__)
                self._under_way.add(task)
                task.add_done_callback(self._under_way.discard)

        return start

    async def guarded(self, job: Callable[[], Coroutine[None, None, None]]) -> None:
        """Run `job`: a failure is told in the log, and its next time comes all the same."""
        try:
            await job()
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


async def run_daemon(settings: Settings, clock: Clock, on_ready: Callable[[str], None]) -> None:
    """Run until SIGTERM or SIGINT: lead the store, or stand by while another daemon does.

    Raises StoreError when the store cannot be used, ConfigError on settings.
    """
    if isinstance(settings.store, Path):
        _make_folder(settings.store)
    stop = asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        asyncio.get_running_loop().add_signal_handler(number, stop.set)
    with Store(settings.store) as store:
        candidate = store.candidate(own_name(), lease_s=settings.takeover_s)
        while await stand_by(candidate, clock, stop):
            try:
                await _lead(settings, clock, on_ready, store, candidate, stop)
            finally:
                await asyncio.to_thread(candidate.release)


async def _lead(
    settings: Settings,
    clock: Clock,
    on_ready: Callable[[str], None],
    store: Store,
    candidate: Candidate,
    stop: asyncio.Event,
) -> None:
    """Do the daemon's work until it is told to stop, or another daemon leads."""
    lost = asyncio.Event()
    beating = asyncio.create_task(keep_leading(candidate, settings.takeover_s / BEATS_A_LEASE, lost))
    try:
        with _listening(settings) as listener:
            await asyncio.to_thread(store.outbox.release_claims)
            keep = Keep(archive=Archive(settings.archive), or_log=True) if settings.archive else None
            async with planner(settings, clock, keep) as planning, channels(settings) as ways_out:
                dispatcher = Dispatcher(
                    store.outbox, ways_out, owner=own_name(), rng=random.Random(), book=StoredBook(store)
                )
                daemon = Daemon(planning, store, dispatcher, clock)
                scheduler = _schedule(daemon, settings, clock)
                app = make_api(planning, store, clock, wake=lambda: _soon(scheduler, clock))
                server = uvicorn.Server(
                    uvicorn.Config(
                        app,
                        log_config=None,
                        access_log=False,
                        lifespan="off",
                        timeout_graceful_shutdown=REQUESTS_END_WITHIN_S,
                    )
                )
                scheduler.start()
                try:
                    await _serve(server, listener, on_ready, stop, lost)
                finally:
                    scheduler.shutdown(wait=False)
                    await daemon.finish(JOBS_END_WITHIN_S)
    finally:
        beating.cancel()
        await asyncio.wait([beating])


def _make_folder(database: Path) -> None:
    try:
        database.parent.mkdir(parents=True, exist_ok=True)
    except OSError as exc:
        raise StoreError(
            f"store {database}: its folder cannot be made ({exc.strerror}); "
            "name another place in daemon.store, or give the daemon's user the right to write there"
        ) from exc


@contextmanager
def _listening(settings: Settings) -> Iterator[socket.socket]:
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
    server: uvicorn.Server, listener: socket.socket, on_ready: Callable[[str], None], *ends: asyncio.Event
) -> None:
    """Serve until one of `ends` is set.

    uvicorn raises a signal once more when it has served, which would end the process before its jobs are: the loop
    takes it from before the first request to after the last, and it only says stop.
    """
    serving = asyncio.create_task(server.serve(sockets=[listener]))
    while not server.started and not serving.done():
        await asyncio.sleep(0.05)
    if server.started:
        host, port = listener.getsockname()[:2]
        on_ready(f"http://[{host}]:{port}" if ":" in host else f"http://{host}:{port}")
    waiting = [asyncio.create_task(end.wait()) for end in ends]
    await asyncio.wait([serving, *waiting], return_when=asyncio.FIRST_COMPLETED)
    for task in waiting:
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
    scheduler.add_job(daemon.kick(daemon.cycle), "interval", minutes=minutes, id="cycle", next_run_time=now)
    scheduler.add_job(daemon.kick(daemon.brief), "interval", seconds=LOOK_AT_CLOCK_EVERY_S, id="brief")
    scheduler.add_job(daemon.kick(daemon.speak), "interval", seconds=SPEAK_EVERY_S, id="speak")
    scheduler.add_job(daemon.kick(daemon.deliver), "interval", seconds=DELIVER_EVERY_S, id="deliver")
    scheduler.add_job(daemon.kick(daemon.tidy), "interval", hours=TIDY_EVERY_H, id="tidy", next_run_time=now)
    return scheduler


def _soon(scheduler: AsyncIOScheduler, clock: Clock) -> None:
    scheduler.modify_job("cycle", next_run_time=clock())
