"""A worker of the leading daemon of a PostgreSQL store: plans roads, and delivers where wanted, until it is stopped."""

import asyncio
import logging
import signal
from contextlib import suppress
from typing import Final

from alertd.daemon.leadership import process_name
from alertd.errors import ConfigError, StoreError
from alertd.memory import limit_memory
from alertd.planning.corridors.worker import RoadWorker
from alertd.settings.model import Settings
from alertd.store.url import PostgresUrl
from alertd.store.work.queue import OpenQueue

log = logging.getLogger(__name__)

TRY_AGAIN_S: Final = 5.0


async def run_worker(settings: Settings, deliver: bool = False) -> None:
    """Work until SIGTERM or SIGINT; a server that cannot be reached is tried again. Raises ConfigError.

    deliver: also send on the channels that the leader gives to this worker.
    """
    place = settings.store
    if not isinstance(place, PostgresUrl):
        raise ConfigError(
            str(settings.where),
            "daemon.store",
            "is a file",
            "workers need a PostgreSQL store; else set daemon.processes",
        )
    limit_memory()
    stop = asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        asyncio.get_running_loop().add_signal_handler(number, stop.set)
    try:
        async with asyncio.TaskGroup() as parts:
            parts.create_task(_plan(place, stop))
            if deliver:
                from alertd.daemon.sender import deliver_for_leader  # its libraries cost memory

                parts.create_task(deliver_for_leader(settings, stop))
    except BaseExceptionGroup as failed:
        raise failed.exceptions[0] from failed
    log.info("worker stopped")


async def _plan(place: PostgresUrl, stop: asyncio.Event) -> None:
    last = ""
    while not stop.is_set():
        try:
            async with OpenQueue(place) as queue:
                if await queue.wait_until_ready(stop):
                    log.info("worker %s takes roads from store %s", process_name(), place)
                    await queue.serve(RoadWorker(queue).work, stop)
            last = ""
        except StoreError as exc:
            if str(exc) != last:
                log.error("%s", exc)
            last = str(exc)
            with suppress(TimeoutError):
                await asyncio.wait_for(stop.wait(), TRY_AGAIN_S)
