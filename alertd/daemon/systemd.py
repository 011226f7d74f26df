"""Reports the daemon's state to systemd (ready, reloading, stopping, alive) by sd_notify(3)."""

import asyncio
import logging
import os
import socket
import time

from alertd.service.liveness import Liveness

log = logging.getLogger(__name__)

WATCHDOG_EVERY_S = 15.0
STALLED_AFTER_S = (
    20.0  # shorter than in `liveness`, so that systemd detects a hang within WatchdogSec, not after twice that
)


def notify(state: str) -> None:
    """Send e.g. "READY=1" to the service manager; does nothing without one."""
    address = os.environ.get("NOTIFY_SOCKET", "")  # noqa: TID251 - systemd passes it only through the environment
    if not address:
        return
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as out:
            out.connect("\0" + address[1:] if address.startswith("@") else address)
            out.sendall(state.encode())
    except OSError as exc:
        log.warning("service manager not notified of %s (%s)", state.partition("\n")[0], exc.strerror)


def notify_reloading() -> str:
    """The message that sd_notify(3) requires at the start of a reload; READY=1 ends the reload."""
    return f"RELOADING=1\nMONOTONIC_USEC={time.monotonic_ns() // 1000}"


async def keep_alive(liveness: Liveness, every_s: float = WATCHDOG_EVERY_S) -> None:
    """Send heartbeats while the daemon's work makes progress. Without them, systemd kills and restarts the daemon.
    Never returns."""
    reported = ""
    while True:
        problem = liveness.problem(STALLED_AFTER_S)
        if not problem:
            notify("WATCHDOG=1")
        elif problem != reported:
            log.error("%s; no heartbeat is sent to the service manager", problem)
        reported = problem
        await asyncio.sleep(every_s)
