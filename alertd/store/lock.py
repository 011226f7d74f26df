"""The store's lock, which the system or the server frees when its holder dies: for leading, and for migrating."""

from pathlib import Path
from typing import Protocol

from filelock import FileLock, Timeout

from alertd.errors import StoreError


class Lock(Protocol):
    """Held by one at a time. Raises StoreError when that cannot be found out."""

    def take(self, within_s: float = 0.0) -> bool:
        """Hold it; returns whether it is held now. Of one that holds it, asks whether it still does."""

    def release(self) -> None: ...


def lock_path(database: Path) -> Path:
    return database.with_name(f"{database.name}.lock")


class LockFile:
    """A file beside the SQLite file."""

    def __init__(self, database: Path) -> None:
        self._database, self._path = database, lock_path(database)
        # Not bound to a thread: the daemon may start in one and stop in another.
        self._lock = FileLock(self._path, thread_local=False)

    def take(self, within_s: float = 0.0) -> bool:
        if self._lock.is_locked:
            return True
        try:
            self._lock.acquire(timeout=within_s)
        except Timeout:
            return False
        except OSError as exc:
            raise StoreError(
                f"store {self._database}: the lock file {self._path} cannot be made ({exc.strerror}); "
                "make the folder and give the daemon's user the right to write there"
            ) from exc
        return True

    def release(self) -> None:
        self._lock.release()
