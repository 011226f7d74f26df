"""The daemon: one process a store that plans, notifies, briefs and answers until it is told to stop."""

import asyncio
import contextlib
import logging
import random
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from contextlib import AsyncExitStack, asynccontextmanager

import uvicorn
from apscheduler.schedulers.asyncio import AsyncIOScheduler

from alertd.delivery.channel import Channel
from alertd.delivery.file import FileChannel
from alertd.delivery.outbox import Dispatcher
from alertd.delivery.webhook import WebhookChannel
from alertd.errors import AlertdError
from alertd.service.api import make_api
from alertd.service.clock import Clock
from alertd.service.cycle import brief_due, run_cycle, send_brief
from alertd.service.planner import Planner, planner
from alertd.service.settings import Settings
from alertd.store.lock import sole_daemon
from alertd.store.store import Store

log = logging.getLogger(__name__)

DELIVER_EVERY_S = 5
LOOK_AT_CLOCK_EVERY_S = 30


@asynccontextmanager
async def channels(settings: Settings) -> AsyncIterator[Mapping[str, Channel]]:
    """Every channel of the settings by name, open."""
    async with AsyncExitStack() as stack:
        out: dict[str, Channel] = {}
        for endpoint in settings.endpoints:
            out[endpoint.name] = await stack.enter_async_context(WebhookChannel(endpoint))
        for folder in settings.folders:
            out[folder.name] = FileChannel(folder.name, folder.path)
        yield out


class Daemon:
    """The jobs and what they share. A job that fails says so in one line and comes again at its next time."""

    def __init__(self, planning: Planner, store: Store, dispatcher: Dispatcher, clock: Clock) -> None:
        self._planning, self._store, self._dispatcher, self._clock = planning, store, dispatcher, clock
        self._one_at_a_time = asyncio.Lock()

    async def cycle(self) -> None:
        """Plan all due trips; a brief and a cycle never run at once."""
        async with self._one_at_a_time:
            outcome = await run_cycle(self._planning, self._store, self._clock())
        log.info("planned %d trips, %d new notices", len(outcome.plans), len(outcome.new_notices))
        await self.deliver()

    async def brief(self) -> None:
        """Send the morning brief when its time has come and it was not sent."""
        now = self._clock()
        slot = brief_due(now, self._planning)
        if slot is None:
            return
        async with self._one_at_a_time:
            sent = await send_brief(self._planning, self._store, now, slot)
        if sent:
            log.info("brief of %s recorded", slot.local_date)
            await self.deliver()

    async def deliver(self) -> None:
        done = await self._dispatcher.deliver_due(self._clock())
        for alarm in done.alarms:
            log.error("%s", alarm)


async def run_daemon(settings: Settings, clock: Clock, on_ready: Callable[[str], None]) -> None:
    """Run until SIGTERM or SIGINT. Raises StoreError when another daemon holds the store, ConfigError on settings."""
    settings.store.parent.mkdir(parents=True, exist_ok=True)
    with sole_daemon(settings.store), Store(settings.store) as store:
        store.outbox.release_claims()
        async with planner(settings, clock) as planning, channels(settings) as ways_out:
            dispatcher = Dispatcher(store.outbox, ways_out, owner="daemon", rng=random.Random())
            daemon = Daemon(planning, store, dispatcher, clock)
            scheduler = _schedule(daemon, settings, clock)
            app = make_api(planning, store, clock, wake=lambda: _soon(scheduler, clock))
            server = uvicorn.Server(
                uvicorn.Config(
                    app, host=settings.http_host, port=settings.http_port, log_level="warning", lifespan="off"
                )
            )
            scheduler.start()
            try:
                await _serve(server, on_ready)
            finally:
                scheduler.shutdown(wait=False)


async def _serve(server: uvicorn.Server, on_ready: Callable[[str], None]) -> None:
    """Serve until a signal. uvicorn takes SIGINT and SIGTERM itself and lets requests end."""
    serving = asyncio.create_task(server.serve())
    while not server.started and not serving.done():
        await asyncio.sleep(0.05)
    if server.started:
        host, port = server.servers[0].sockets[0].getsockname()[:2]
        on_ready(f"http://{host}:{port}")
    with contextlib.suppress(asyncio.CancelledError, KeyboardInterrupt):
        await serving


def _schedule(daemon: Daemon, settings: Settings, clock: Clock) -> AsyncIOScheduler:
    """The timer only kicks; what is due is decided from the store and the clock each time.

    No grace time and coalescing on, since the default drops a job that is a second late without a word.
    """
    scheduler = AsyncIOScheduler(
        timezone="UTC", job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 1}
    )
    now = clock()
    minutes = settings.plan_every_min
    scheduler.add_job(_guarded(daemon.cycle), "interval", minutes=minutes, id="cycle", next_run_time=now)
    scheduler.add_job(_guarded(daemon.brief), "interval", seconds=LOOK_AT_CLOCK_EVERY_S, id="brief")
    scheduler.add_job(_guarded(daemon.deliver), "interval", seconds=DELIVER_EVERY_S, id="deliver")
    return scheduler


def _soon(scheduler: AsyncIOScheduler, clock: Clock) -> None:
    scheduler.modify_job("cycle", next_run_time=clock())


def _guarded(job: Callable[[], Awaitable[None]]) -> Callable[[], Awaitable[None]]:
    async def run() -> None:
        try:
            await job()
        except AlertdError as exc:
            log.error("%s", exc)
        except Exception:
            # A fault of ours in one job must not end the others; the log keeps it whole.
            log.exception("a job failed; it comes again at its next time")

    return run
