"""Settings read anew while the daemon runs: taken whole when all of them are sound, else not at all."""

import logging
from collections.abc import Awaitable, Callable
from dataclasses import replace
from typing import Final

from alertd.errors import AlertdError
from alertd.settings.model import Settings, read_settings

log = logging.getLogger(__name__)

# What a running daemon cannot change, by its field here and its key in the settings file.
AT_A_START: Final = {
    "store": "daemon.store",
    "takeover_s": "daemon.takeover_s",
    "http_host": "daemon.http_host",
    "http_port": "daemon.http_port",
    "log": "daemon.log",
}


async def reread(old: Settings, try_out: Callable[[Settings], Awaitable[None]]) -> Settings | None:
    """The settings of the file as it is now; None, and one line in the log, when anything in them is wrong.

    try_out: opens all that settings name: places, rules, feeds, channels. What needs a restart stays as it was.
    """
    try:
        new = read_settings(old.where)
        await try_out(new)
    except AlertdError as exc:
        log.error("settings not taken, the old ones stay: %s", exc)
        return None
    except Exception:
        log.exception("settings not taken, the old ones stay: a fault of alertd")
        return None
    held = [key for name, key in AT_A_START.items() if getattr(new, name) != getattr(old, name)]
    if held:
        log.warning("%s: changed in the file, and takes effect at the next start", ", ".join(held))
    log.info("settings read anew")
    return replace(new, **{name: getattr(old, name) for name in AT_A_START})
