"""One SQLite file, opened so that what was acknowledged survives a power cut, and every failure of it in one line."""

import re
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import Connection, Engine, create_engine, event, insert, inspect, select
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError

from alertd.errors import StoreError
from alertd.store.schema import SCHEMA_VERSION, meta, metadata

_SYNCHRONOUS_LEVEL = {"FULL": 2, "EXTRA": 3}
_TAKES_WRITE_LOCK = {"alertd_takes_write_lock": True}

_FULL_OR_FAILING = {sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR}  # a file-size limit shows as IOERR, not as FULL
_BUSY = {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}
_DAMAGED = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}


def wal_is_safe(sqlite_version: str) -> bool:
    """Whether this SQLite is free of the WAL-reset bug (3.7.0 to 3.51.2; mended in 3.51.3, 3.50.7 and 3.44.6)."""
    major, minor, patch = (int(part) for part in re.findall(r"\d+", sqlite_version)[:3])
    if (major, minor) in {(3, 44), (3, 50), (3, 51)}:
        return patch >= {44: 6, 50: 7, 51: 3}[minor]
    return (major, minor) > (3, 51)


class Database:
    """The file and its engine. `read` and `write` each give one transaction; leaving by an exception undoes it."""

    def __init__(self, place: Path | str, *, wal: bool = False, busy_timeout_s: float = 5.0) -> None:
        """Open or create the file at `place` (a path, or a URL `sqlite:///path`).

        Raises StoreError when the file cannot be used, is not ours, or was written by a newer alertd.
        """
        url = _sqlite_url(place)
        self.path = Path(str(url.database))
        self._busy_timeout_s = busy_timeout_s
        if wal and not wal_is_safe(sqlite3.sqlite_version):
            raise StoreError(
                f"store {self.path}: SQLite {sqlite3.sqlite_version} can corrupt a file in WAL mode; "
                "leave WAL off, or use SQLite 3.51.3 or later"
            )
        # The rollback journal needs EXTRA to sync the folder too; WAL is durable from FULL on.
        self._journal, self._synchronous = ("wal", "FULL") if wal else ("delete", "EXTRA")
        # Threads of one daemon take turns here: SQLite's own waiting is by polling, and under load it starves one of
        # several writers for longer than the timeout.
        self._turn = threading.RLock()
        self._engine = create_engine(url, connect_args={"timeout": busy_timeout_s})
        event.listen(self._engine, "connect", self._prepare)
        event.listen(self._engine, "begin", _begin)
        self._writing = self._engine.execution_options(**_TAKES_WRITE_LOCK)
        try:
            self._verify_journal()
            self._create_or_check_schema()
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        self._engine.dispose()

    @contextmanager
    def read(self) -> Iterator[Connection]:
        with self._transaction(self._engine) as connection:
            yield connection

    @contextmanager
    def write(self) -> Iterator[Connection]:
        with self._transaction(self._writing) as connection:
            yield connection

    @contextmanager
    def _transaction(self, engine: Engine) -> Iterator[Connection]:
        try:
            with self._turn, engine.begin() as connection:
                yield connection
        except DBAPIError as exc:
            raise self._explained(exc) from exc

    def _prepare(self, dbapi: sqlite3.Connection, _record: object) -> None:
        dbapi.isolation_level = None  # Python's own transaction control off: _begin says when and how
        dbapi.execute("PRAGMA foreign_keys=ON").close()
        dbapi.execute(f"PRAGMA synchronous={self._synchronous}").close()
        level = dbapi.execute("PRAGMA synchronous").fetchone()[0]
        if level != _SYNCHRONOUS_LEVEL[self._synchronous]:
            raise StoreError(
                f"store {self.path}: SQLite keeps synchronous at {level}, not {self._synchronous}, so a power cut "
                "could lose notices; use another build of SQLite"
            )

    def _verify_journal(self) -> None:
        with self._guarded(), self._engine.connect() as connection:
            # The journal mode cannot change inside a transaction, so this goes straight to the driver.
            dbapi = connection.connection.driver_connection
            assert isinstance(dbapi, sqlite3.Connection)  # noqa: S101 - narrows the type, holds by construction
            try:
                mode = dbapi.execute(f"PRAGMA journal_mode={self._journal}").fetchone()[0]
            except sqlite3.Error as exc:
                raise self._explained_code(exc) from exc
        if mode != self._journal:
            raise StoreError(
                f"store {self.path}: journal mode is {mode}, not {self._journal}; "
                "close other programs that hold the file and start again"
            )

    def _create_or_check_schema(self) -> None:
        with self.write() as connection:
            tables = inspect(connection).get_table_names()
            if not tables:
                metadata.create_all(connection)
                connection.execute(insert(meta).values(key="schema_version", value=str(SCHEMA_VERSION)))
                return
            if meta.name not in tables:
                raise StoreError(f"store {self.path}: this SQLite file is not alertd's; name another file")
            found = connection.execute(select(meta.c.value).where(meta.c.key == "schema_version")).scalar()
        if found is None or not found.isdigit():
            raise StoreError(f"store {self.path}: this SQLite file is not alertd's; name another file")
        if int(found) > SCHEMA_VERSION:
            raise StoreError(
                f"store {self.path}: written by a newer alertd (schema {found}, this one knows {SCHEMA_VERSION}); "
                "run that newer alertd, or start with another file"
            )

    @contextmanager
    def _guarded(self) -> Iterator[None]:
        try:
            yield
        except DBAPIError as exc:
            raise self._explained(exc) from exc

    def _explained(self, exc: DBAPIError) -> StoreError:
        return self._explained_code(exc.orig)

    def _explained_code(self, cause: BaseException | None) -> StoreError:
        code = getattr(cause, "sqlite_errorcode", 0) & 0xFF  # the low byte is the kind, the rest the detail
        if code in _FULL_OR_FAILING:
            said = f"disk is full or failing ({cause}); nothing was half-written; free space and the daemon goes on"
        elif code in _BUSY:
            said = (
                f"held by another program for over {self._busy_timeout_s:g} s ({cause}); nothing was half-written; "
                "close that program and the daemon goes on"
            )
        elif code in _DAMAGED:
            said = f"not a sound SQLite file ({cause}); move it aside and put back the last backup"
        elif code == sqlite3.SQLITE_READONLY:
            said = f"cannot be written ({cause}); give the daemon's user the right to write the file and its folder"
        elif code == sqlite3.SQLITE_CANTOPEN:
            said = f"cannot be opened ({cause}); make the folder and give the daemon's user the right to write there"
        else:
            said = f"refused what was to be stored ({cause}); nothing was half-written; this is a fault of alertd"
        return StoreError(" ".join(f"store {self.path}: {said}".split()))


def _begin(connection: Connection) -> None:
    """Take the write lock at the start: a reader that later writes would fail at once, whatever the busy timeout."""
    writes = connection.get_execution_options().get("alertd_takes_write_lock", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def _sqlite_url(place: Path | str) -> URL:
    if isinstance(place, Path) or "://" not in place:
        return URL.create("sqlite", database=str(place))
    try:
        url = make_url(place)
    except ArgumentError as exc:
        raise StoreError("store: the URL cannot be read; write it as sqlite:///path/to/alertd.sqlite") from exc
    if url.get_backend_name() != "sqlite" or url.database in (None, "", ":memory:"):
        raise StoreError(
            f"store {url.render_as_string()}: only a SQLite file is served yet; "
            "write it as sqlite:///path/to/alertd.sqlite"
        )
    return url
