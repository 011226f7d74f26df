"""SQLite backend: one file with durable commits, and database failures as one-line messages."""

import re
import sqlite3
import threading
from contextlib import AbstractContextManager
from pathlib import Path

from sqlalchemy import Connection, create_engine, event
from sqlalchemy.engine import URL
from sqlalchemy.exc import OperationalError

from alertd.errors import StoreError
from alertd.store.lock import LockFile

_SYNCHRONOUS_LEVEL = {"FULL": 2, "EXTRA": 3}

_FULL_OR_FAILING = {sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR}  # a file-size limit is reported as IOERR, not as FULL
_BUSY = {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}
_DAMAGED = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}


def wal_is_safe(sqlite_version: str) -> bool:
    """Whether this SQLite is free of the WAL-reset bug (3.7.0 to 3.51.2; fixed in 3.51.3, 3.50.7 and 3.44.6)."""
    major, minor, patch = (int(part) for part in re.findall(r"\d+", sqlite_version)[:3])
    if (major, minor) in {(3, 44), (3, 50), (3, 51)}:
        return patch >= {44: 6, 50: 7, 51: 3}[minor]
    return (major, minor) > (3, 51)


class SqliteFile:
    """Engine of one SQLite file, and its error messages."""

    def __init__(self, path: Path, *, wal: bool, busy_timeout_s: float) -> None:
        self.path, self._busy_timeout_s = path, busy_timeout_s
        if wal and not wal_is_safe(sqlite3.sqlite_version):
            raise StoreError(
                f"store {path}: SQLite {sqlite3.sqlite_version} can corrupt a file in WAL mode; "
                "leave WAL off, or use SQLite 3.51.3 or later"
            )
        # The rollback journal needs EXTRA to sync the folder too; WAL is durable with FULL.
        self._journal, self._synchronous = ("wal", "FULL") if wal else ("delete", "EXTRA")
        # Threads of one daemon use this lock: SQLite waits by polling, which under load starves a writer past the
        # timeout.
        self.turn: AbstractContextManager[object] = threading.RLock()
        self.engine = create_engine(URL.create("sqlite", database=str(path)), connect_args={"timeout": busy_timeout_s})
        event.listen(self.engine, "connect", self._prepare)
        event.listen(self.engine, "begin", _begin)

    def new_lock(self) -> LockFile:
        """Return a new handle of the store's lock."""
        return LockFile(self.path)

    def check(self) -> None:
        """Set the journal mode and verify it. Raises StoreError when it does not take effect."""
        with self.engine.connect() as connection:
            # The journal mode cannot change inside a transaction, so this goes straight to the driver.
            dbapi = connection.connection.driver_connection
            assert isinstance(dbapi, sqlite3.Connection)  # noqa: S101 - narrows the type, holds by construction
            try:
                mode = dbapi.execute(f"PRAGMA journal_mode={self._journal}").fetchone()[0]
            except sqlite3.Error as exc:
                raise StoreError(f"store {self.path}: {self.explained(exc)}") from exc
        if mode != self._journal:
            raise StoreError(
                f"store {self.path}: journal mode is {mode}, not {self._journal}; "
                "close other programs that hold the file and start again"
            )

    def explained(self, cause: BaseException | None) -> str:
        """Return a one-line message for a database error, with a hint."""
        code = getattr(cause, "sqlite_errorcode", 0) & 0xFF  # the low byte is the primary code, the rest the detail
        if code in _FULL_OR_FAILING:
            return f"disk is full or failing ({cause}); no partial write; free space and the daemon continues"
        if code in _BUSY:
            return (
                f"held by another program for over {self._busy_timeout_s:g} s ({cause}); no partial write; "
                "close that program and the daemon continues"
            )
        if code in _DAMAGED:
            return f"not a valid SQLite file ({cause}); move it aside and restore the last backup"
        if code == sqlite3.SQLITE_READONLY:
            return (
                f"cannot be written ({cause}); give the daemon's user write permission on the file and its folder, or "
                "mount a file system that became read-only as writable again, and the daemon continues"
            )
        if code == sqlite3.SQLITE_CANTOPEN:
            return f"cannot be opened ({cause}); create the folder and give the daemon's user write permission"
        return f"rejected a write ({cause}); no partial write; internal error of alertd"

    def _prepare(self, dbapi: sqlite3.Connection, _record: object) -> None:
        dbapi.isolation_level = None  # disables Python's own transaction control: _begin starts transactions
        dbapi.execute("PRAGMA foreign_keys=ON").close()
        dbapi.execute(f"PRAGMA synchronous={self._synchronous}").close()
        level = dbapi.execute("PRAGMA synchronous").fetchone()[0]
        if level != _SYNCHRONOUS_LEVEL[self._synchronous]:
            raise StoreError(
                f"store {self.path}: SQLite keeps synchronous at {level}, not {self._synchronous}, so a power cut "
                "could lose notices; use another build of SQLite"
            )


def _begin(connection: Connection) -> None:
    """Take the write lock at the start: a read lock that is upgraded later fails at once, despite the busy timeout."""
    writes = connection.get_execution_options().get("alertd_writes", False)
    driver = connection.connection.driver_connection
    assert isinstance(driver, sqlite3.Connection)  # noqa: S101 - narrows the type, holds by construction
    try:
        driver.execute("BEGIN IMMEDIATE" if writes else "BEGIN")  # at the driver: several times cheaper
    except sqlite3.Error as exc:
        raise OperationalError("BEGIN", None, exc) from exc
