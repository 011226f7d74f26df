"""One daemon a store: a lock file beside the database, held for the daemon's life and freed by the system after it."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from filelock import FileLock, Timeout

from alertd.errors import StoreError


def lock_path(database: Path) -> Path:
    return database.with_name(f"{database.name}.lock")


@contextmanager
def sole_daemon(database: Path) -> Iterator[None]:
    """Hold the store at `database` for one daemon. Raises StoreError when another one has it."""
    path = lock_path(database)
    # Not bound to a thread: the daemon may start in one and stop in another.
    lock = FileLock(path, timeout=0, thread_local=False)
    try:
        lock.acquire()
    except Timeout as exc:
        raise StoreError(
            f"store {database}: another alertd daemon holds {path}; stop that one first, or give this one another store"
        ) from exc
    except OSError as exc:
        raise StoreError(
            f"store {database}: the lock file {path} cannot be made ({exc.strerror}); "
            "make the folder and give the daemon's user the right to write there"
        ) from exc
    try:
        yield
    finally:
        lock.release()
