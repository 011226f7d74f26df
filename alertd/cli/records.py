"""The daemon's store, for commands that look into it."""

from pathlib import Path

from alertd.errors import InputError
from alertd.service.settings import Settings
from alertd.store.store import Store


def daemon_store(settings: Settings) -> Store:
    """The store, open. Raises InputError where no daemon has made one, and never makes one."""
    if isinstance(settings.store, Path) and not settings.store.exists():
        raise InputError(
            str(settings.store), "", "there is no store yet", "run the daemon once, or name it in daemon.store"
        )
    return Store(settings.store)
