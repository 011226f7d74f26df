"""The store's lock for leading and migrating; the system or server frees it when its holder dies."""

from pathlib import Path
from typing import Protocol

from filelock import FileLock, Timeout

from alertd.errors import StoreError


class Lock(Protocol):
    """An exclusive lock. Raises StoreError when its state cannot be determined."""

    def take(self, within_s: float = 0.0) -> bool:
        """Acquire the lock within `within_s` seconds; return whether it is held now.

        A holder that calls it again checks that it still holds the lock.
        """

    def release(self) -> None: ...


def lock_path(database: Path) -> Path:
    """Return the path of the lock file beside a SQLite file."""
    return database.with_name(f"{database.name}.lock")


class LockFile:
    """A lock file beside the SQLite file."""

    def __init__(self, database: Path) -> None:
        self._database, self._path = database, lock_path(database)
        # Not bound to a thread: the daemon may start in one thread and stop in another.
        self._lock = FileLock(self._path, thread_local=False)

    def take(self, within_s: float = 0.0) -> bool:
        """See `Lock.take`."""
        if self._lock.is_locked:
            return True
        try:
            self._lock.acquire(timeout=within_s)
        except Timeout:
            return False
        except OSError as exc:
            raise StoreError(
                f"store {self._database}: the lock file {self._path} cannot be created ({exc.strerror}); "
                "create the folder and give the daemon's user write permission"
            ) from exc
        return True

    def release(self) -> None:
        """Release the lock."""
        self._lock.release()
