"""Settings read anew while the daemon runs: taken whole when all of them are sound, else not at all."""

import logging
from collections.abc import Awaitable, Callable
from dataclasses import replace
from typing import Final

from alertd.errors import AlertdError
from alertd.settings.model import Settings, read_settings

log = logging.getLogger(__name__)

# What a running daemon cannot change, by its field here and its key in the settings file.
RESTART_ONLY: Final = {
    "store": "daemon.store",
    "takeover_s": "daemon.takeover_s",
    "http_host": "daemon.http_host",
    "http_port": "daemon.http_port",
    "log": "daemon.log",
}


async def reload_settings(old: Settings, validate: Callable[[Settings], Awaitable[None]]) -> Settings | None:
    """The settings of the file as it is now; None, and one line in the log, when anything in them is wrong.

    validate: opens all that settings name: places, rules, feeds, channels. What needs a restart stays as it was.
    """
    try:
        new = read_settings(old.where)
        await validate(new)
    except AlertdError as exc:
        log.error("settings not taken, the old ones stay: %s", exc)
        return None
    except Exception:
        log.exception("settings not taken, the old ones stay: a fault of alertd")
        return None
    held = [key for name, key in RESTART_ONLY.items() if getattr(new, name) != getattr(old, name)]
    if held:
        log.warning("%s: changed in the file, and takes effect at the next start", ", ".join(held))
    log.info("settings read anew")
    return replace(new, **{name: getattr(old, name) for name in RESTART_ONLY})
