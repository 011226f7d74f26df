"""Reloads settings at runtime: all of them when they are valid, otherwise none."""

import logging
from collections.abc import Awaitable, Callable
from dataclasses import replace
from typing import Final

from alertd.errors import AlertdError
from alertd.settings.model import Settings
from alertd.settings.read import read_settings

log = logging.getLogger(__name__)

# Settings that need a restart, by field name and by key of the settings file.
RESTART_ONLY: Final = {
    "store": "daemon.store",
    "takeover_s": "daemon.takeover_s",
    "http_host": "daemon.http_host",
    "http_port": "daemon.http_port",
    "log": "daemon.log",
}


async def reload_settings(old: Settings, validate: Callable[[Settings], Awaitable[None]]) -> Settings | None:
    """The current settings of the file; None, with one log line, when any of them is invalid.

    validate: opens everything that the settings name: places, rules, feeds, channels. Settings that need a restart keep
    their old values.
    """
    try:
        new = read_settings(old.where)
        await validate(new)
    except AlertdError as exc:
        log.error("new settings rejected, the old ones stay in use: %s", exc)
        return None
    except Exception:
        log.exception("new settings rejected, the old ones stay in use: internal error")
        return None
    held = [key for name, key in RESTART_ONLY.items() if getattr(new, name) != getattr(old, name)]
    if held:
        log.warning("%s: changed in the file; takes effect at the next start", ", ".join(held))
    log.info("settings reloaded")
    return replace(new, **{name: getattr(old, name) for name in RESTART_ONLY})
