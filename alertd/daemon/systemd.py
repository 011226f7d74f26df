"""Telling systemd how the daemon stands: ready, reloading, stopping, alive. Its protocol is sd_notify(3)."""

import asyncio
import logging
import os
import socket
import time

from alertd.service.liveness import Liveness

log = logging.getLogger(__name__)

WATCHDOG_EVERY_S = 15.0
STALLED_AFTER_S = (
    20.0  # shorter than the pulse's own, so that a hang is met within WatchdogSec and not after twice that
)


def notify(state: str) -> None:
    """Send e.g. "READY=1" to whoever started the daemon; nothing happens where nobody listens."""
    address = os.environ.get("NOTIFY_SOCKET", "")  # noqa: TID251 - systemd says it in no other way
    if not address:
        return
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as out:
            out.connect("\0" + address[1:] if address.startswith("@") else address)
            out.sendall(state.encode())
    except OSError as exc:
        log.warning("the service manager could not be told %s (%s)", state.partition("\n")[0], exc.strerror)


def notify_reloading() -> str:
    """What sd_notify(3) wants at the start of a reload; READY=1 ends it."""
    return f"RELOADING=1\nMONOTONIC_USEC={time.monotonic_ns() // 1000}"


async def keep_alive(liveness: Liveness, every_s: float = WATCHDOG_EVERY_S) -> None:
    """Say for ever that the daemon lives, as long as its work moves on. Silent, it is killed and started anew."""
    said = ""
    while True:
        problem = liveness.problem(STALLED_AFTER_S)
        if not problem:
            notify("WATCHDOG=1")
        elif problem != said:
            log.error("%s; the service manager is not told that all is well", problem)
        said = problem
        await asyncio.sleep(every_s)
