"""A store's database, SQLite or PostgreSQL: one transaction a `read` or `write`, every failure in one line.

Writers take turns. On SQLite the file has one writer at a time; on PostgreSQL every writing transaction first locks
the one row of `leader`, so what holds of one holds of the other. In that turn a fenced daemon is refused.
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


class _Backend(Protocol):
    @property
    def engine(self) -> Engine: ...
    @property
    def turn(self) -> AbstractContextManager[object]: ...
    def new_lock(self) -> Lock: ...
    def check(self) -> None: ...
    def explained(self, cause: BaseException | None) -> str: ...


class Database:
    """Open until `close`. Leaving a transaction by an exception undoes it.

    `epoch`: that of the leadership under which alone this process may write; None for one that never means to lead.
    """

    def __init__(self, place: StoreLocation | str, *, wal: bool = False, busy_timeout_s: float = 5.0) -> None:
        """Open or create the store at `place`, and bring it up to this alertd's tables.

        Raises StoreError when it cannot be used, is not ours, or was written by a newer alertd.
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
        self._backend.engine.dispose()

    def new_lock(self) -> Lock:
        return self._backend.new_lock()

    @contextmanager
    def read(self, *, leading: bool = False) -> Iterator[Connection]:
        """`leading`: refuse it to a daemon that no longer leads."""
        with self._transaction(self._backend.engine) as connection:
            if leading:
                self._check_epoch(connection.execute(select(leader.c.epoch)).scalar_one())
            yield connection

    @contextmanager
    def write(self, *, fenced: bool = True) -> Iterator[Connection]:
        """Raises LeadershipLost when another daemon leads by now, unless it is not `fenced`."""
        with self._transaction(self._writing) as connection:
            epoch = connection.execute(select(leader.c.epoch).with_for_update()).scalar_one()
            if fenced:
                self._check_epoch(epoch)
            yield connection

    def _check_epoch(self, epoch: int) -> None:
        if self.epoch is not None and self.epoch != epoch:
            raise LeadershipLost(f"store {self.place}: another daemon leads by now; this one stands by")

    @contextmanager
    def _transaction(self, engine: Engine) -> Iterator[Connection]:
        with self._guarded(), self._backend.turn, engine.begin() as connection:
            yield connection

    @contextmanager
    def _guarded(self) -> Iterator[None]:
        try:
            yield
        except DBAPIError as exc:
            said = f"store {self.place}: {self._backend.explained(exc.orig)}"
            raise StoreError(" ".join(said.split())) from exc

    def _upgrade(self, busy_timeout_s: float) -> None:
        with self.read() as connection:
            if revision_of(connection, self.place) == REVISION:
                return
        lock = self.new_lock()
        if not lock.take(busy_timeout_s):
            raise StoreError(
                f"store {self.place}: another alertd daemon holds it, of an older version; "
                "stop that one first, or give this one another store"
            )
        try:
            with self._transaction(self._writing) as connection:
                revision = revision_of(connection, self.place)  # another process may have been quicker
                if revision != REVISION:
                    upgrade_store(connection, revision)
        finally:
            lock.release()


def insert_or(connection: Connection, table: Table) -> Any:
    """An INSERT of the connection's dialect that can say `on_conflict_do_nothing` and `on_conflict_do_update`."""
    return (sqlite if connection.dialect.name == "sqlite" else postgresql).insert(table)
