"""Leading one store among several daemons: standing by until the place is free, and noticing when it is lost."""

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
RENEWALS_PER_LEASE = 5  # so that a store that is slow now and then costs nobody the lead


def process_name() -> str:
    """This process, for people to read."""
    return f"{socket.gethostname()}:{os.getpid()}"


async def wait_for_leadership(
    candidate: Candidate, clock: Clock, stop: asyncio.Event, on_poll: Callable[[str], None] = lambda said: None
) -> bool:
    """Wait until this daemon leads; returns False when it is told to stop first. on_poll: hears of each look in vain.

    Raises StoreError when the store fails at the first look; later ones wait for it to come back.
    """
    said = ""
    while not stop.is_set():
        try:
            if await asyncio.to_thread(candidate.acquire, time.monotonic(), clock()):
                log.info("leading the store" + (" after standing by" if said else ""))
                return True
            leads = (await asyncio.to_thread(candidate.current_leader)).owner
            # Between one that ended and the next nobody is named, which is no news.
            line = f"standing by: {leads or 'another daemon'} leads" if leads or not said else said
        except StoreError as exc:
            if not said:
                raise
            line = f"standing by: {exc}"
        if line != said:
            log.info("%s", line)
            said = line
        on_poll(said)
        await wait(stop, POLL_EVERY_S)
    return False


async def renew_leadership(candidate: Candidate, every_s: float, lost: asyncio.Event) -> None:
    """Say again and again that this daemon lives, and set `lost` when another leads by then."""
    said = ""
    while not lost.is_set():
        await wait(lost, every_s)
        try:
            if not await asyncio.to_thread(candidate.renew):
                log.error("another daemon leads by now; this one stops its work and stands by")
                lost.set()
            said = ""
        except StoreError as exc:  # its writes fail too; whether another can lead is for the store to say
            if str(exc) != said:
                log.error("%s", exc)
            said = str(exc)


async def wait(event: asyncio.Event, at_most_s: float) -> None:
    try:
        await asyncio.wait_for(event.wait(), at_most_s)
    except TimeoutError:
        return
