"""Leadership of one store among several daemons: standing by, acquiring, renewing, detecting loss."""

import asyncio
import logging
import os
import socket
import time
from collections.abc import Callable

from alertd.clock import Clock
from alertd.errors import StoreError
from alertd.store.leadership import Candidate

log = logging.getLogger(__name__)

POLL_EVERY_S = 1.0
RENEWALS_PER_LEASE = 5  # so that an occasionally slow store does not cost the leadership


def process_name() -> str:
    """Name of this process, for people."""
    return f"{socket.gethostname()}:{os.getpid()}"


async def wait_for_leadership(
    candidate: Candidate, clock: Clock, stop: asyncio.Event, on_poll: Callable[[str], None] = lambda status: None
) -> bool:
    """Wait until this daemon leads; returns False when it is stopped first. on_poll: called with the status after each
    unsuccessful attempt.

    Raises StoreError when the store fails at the first attempt; later failures are retried.
    """
    status = ""
    while not stop.is_set():
        try:
            if await asyncio.to_thread(candidate.acquire, time.monotonic(), clock()):
                log.info("leading the store" + (" after standing by" if status else ""))
                return True
            leads = (await asyncio.to_thread(candidate.current_leader)).owner
            # Between one leader and the next the owner is empty, which is not a change worth logging.
            line = f"standing by: {leads or 'another daemon'} leads" if leads or not status else status
        except StoreError as exc:
            if not status:
                raise
            line = f"standing by: {exc}"
        if line != status:
            log.info("%s", line)
            status = line
        on_poll(status)
        await wait(stop, POLL_EVERY_S)
    return False


async def renew_leadership(candidate: Candidate, every_s: float, lost: asyncio.Event) -> None:
    """Renew the lease repeatedly, and set `lost` when another daemon leads."""
    last_error = ""
    while not lost.is_set():
        await wait(lost, every_s)
        try:
            if not await asyncio.to_thread(candidate.renew):
                log.error("leadership lost: another daemon leads; this one stands by")
                lost.set()
            last_error = ""
        except StoreError as exc:  # writes fail too; the store decides whether another daemon can lead
            if str(exc) != last_error:
                log.error("%s", exc)
            last_error = str(exc)


async def wait(event: asyncio.Event, at_most_s: float) -> None:
    try:
        await asyncio.wait_for(event.wait(), at_most_s)
    except TimeoutError:
        return
