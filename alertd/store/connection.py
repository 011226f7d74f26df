"""Opens a store's database, SQLite or PostgreSQL, and runs its read and write transactions.

A failure of the database becomes a StoreError of one line.

Writers run one at a time. SQLite allows one writer per file. On PostgreSQL every write transaction first locks the
single row of `leader`, so both backends behave alike. A daemon whose epoch is no longer current is refused there.
"""

from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import Any, Protocol

from sqlalchemy import Connection, Engine, Table, select
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import DBAPIError

from alertd.errors import LeadershipLost, StoreError
from alertd.store.lock import Lock
from alertd.store.migrate import revision_of, upgrade_store
from alertd.store.postgres import PostgresServer
from alertd.store.schema import REVISION, leader
from alertd.store.sqlite import SqliteFile
from alertd.store.url import StoreLocation, parse_store_url

# Built once: every write transaction runs the second.
_EPOCH = select(leader.c.epoch)
_EPOCH_LOCKED = _EPOCH.with_for_update()


class _Backend(Protocol):
    @property
    def engine(self) -> Engine: ...
    @property
    def turn(self) -> AbstractContextManager[object]: ...
    def new_lock(self) -> Lock: ...
    def check(self) -> None: ...
    def explained(self, cause: BaseException | None) -> str: ...


class Database:
    """One open database. An exception inside a transaction rolls it back.

    `epoch`: the leadership epoch under which this process may write; None for a process that never leads.
    """

    def __init__(self, place: StoreLocation | str, *, wal: bool = False, busy_timeout_s: float = 5.0) -> None:
        """Open or create the store at `place`, and upgrade it to the current schema.

        Raises StoreError when the store is unusable, belongs to another program, or has a newer schema.
        """
        self.place = place if not isinstance(place, Path | str) else parse_store_url(place)
        self.epoch: int | None = None
        self._backend: _Backend = (
            SqliteFile(self.place, wal=wal, busy_timeout_s=busy_timeout_s)
            if isinstance(self.place, Path)
            else PostgresServer(self.place, busy_timeout_s=busy_timeout_s)
        )
        self._writing = self._backend.engine.execution_options(alertd_writes=True)
        try:
            with self._guarded():
                self._backend.check()
            self._upgrade(busy_timeout_s)
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        """Close all connections."""
        self._backend.engine.dispose()

    def new_lock(self) -> Lock:
        """Return a new handle of the store's lock."""
        return self._backend.new_lock()

    @contextmanager
    def read(self, *, leading: bool = False) -> Iterator[Connection]:
        """Read transaction. With `leading`, raises LeadershipLost when another daemon leads."""
        with self._transaction(self._backend.engine) as connection:
            if leading:
                self._check_epoch(connection.execute(_EPOCH).scalar_one())
            yield connection

    @contextmanager
    def write(self, *, fenced: bool = True) -> Iterator[Connection]:
        """Write transaction. Raises LeadershipLost when another daemon leads, unless `fenced` is False."""
        with self._transaction(self._writing) as connection:
            epoch = connection.execute(_EPOCH_LOCKED).scalar_one()
            if fenced:
                self._check_epoch(epoch)
            yield connection

    def _check_epoch(self, epoch: int) -> None:
        if self.epoch is not None and self.epoch != epoch:
            raise LeadershipLost(f"store {self.place}: another daemon leads now; this one is on standby")

    @contextmanager
    def _transaction(self, engine: Engine) -> Iterator[Connection]:
        with self._guarded(), self._backend.turn, engine.begin() as connection:
            yield connection

    @contextmanager
    def _guarded(self) -> Iterator[None]:
        try:
            yield
        except DBAPIError as exc:
            message = f"store {self.place}: {self._backend.explained(exc.orig)}"
            raise StoreError(" ".join(message.split())) from exc

    def _upgrade(self, busy_timeout_s: float) -> None:
        with self.read() as connection:
            if revision_of(connection, self.place) == REVISION:
                return
        lock = self.new_lock()
        if not lock.take(busy_timeout_s):
            raise StoreError(
                f"store {self.place}: an alertd daemon of an older version holds it; "
                "stop that daemon first, or name another store"
            )
        try:
            with self._transaction(self._writing) as connection:
                revision = revision_of(connection, self.place)  # another process may have upgraded it meanwhile
                if revision != REVISION:
                    upgrade_store(connection, revision)
        finally:
            lock.release()


def insert_or(connection: Connection, table: Table) -> Any:
    """Return an INSERT of the connection's dialect, with `on_conflict_do_nothing` and `on_conflict_do_update`."""
    return insert_of(connection.dialect.name, table)


def insert_of(dialect: str, table: Table) -> Any:
    """`insert_or` for the name of a dialect."""
    return (sqlite if dialect == "sqlite" else postgresql).insert(table)
