"""PostgreSQL backend: durable commits, one advisory lock, and database failures as one-line messages."""

import time
from contextlib import AbstractContextManager, nullcontext
from typing import Any, Final

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.exc import DBAPIError

from alertd.errors import StoreError
from alertd.store.url import PostgresUrl

# The advisory lock key is two numbers: one for alertd, one for this store's schema.
_LOCK: Final = f"SELECT pg_try_advisory_lock({int.from_bytes(b'alrt')}, hashtext(current_schema()))"
_POLL_EVERY_S: Final = 0.1
# A dead network must not block the daemon for the system's default of two hours.
_KEEPALIVE: Final = {
    "connect_timeout": 5,
    "keepalives_idle": 10,
    "keepalives_interval": 5,
    "keepalives_count": 3,
    "tcp_user_timeout": 15_000,
}
_HINTS: Final = {
    "53100": "disk is full or failing ({}); no partial write; free space and the daemon continues",
    "42501": "the user lacks permission ({}); grant it the right to create and use tables in this database",
    "25006": "read-only server ({}); name the primary server, not a standby",
}


class PostgresServer:
    """Engine of one PostgreSQL database, and its error messages."""

    def __init__(self, place: PostgresUrl, *, busy_timeout_s: float) -> None:
        self.place, self._busy_timeout_s = place, busy_timeout_s
        self.turn: AbstractContextManager[object] = nullcontext()
        try:
            self.engine = create_engine(place.url, connect_args=_KEEPALIVE, pool_pre_ping=True)
        except ImportError as exc:
            raise StoreError(
                f"store {place}: the library for PostgreSQL is not installed; pip install 'psycopg[binary]'"
            ) from exc
        event.listen(self.engine, "connect", self._prepare)

    def new_lock(self) -> "SessionLock":
        """Return a new handle of the store's lock."""
        return SessionLock(self)

    def check(self) -> None:
        """Raise StoreError when the server's encoding is not UTF8 or fsync is off."""
        with self.engine.connect() as connection:
            for name, wanted in (("server_encoding", "UTF8"), ("fsync", "on")):
                found = connection.exec_driver_sql(f"SHOW {name}").scalar()
                if found != wanted:
                    raise StoreError(f"store {self.place}: the server's {name} is {found}; alertd needs {wanted}")

    def explained(self, cause: BaseException | None) -> str:
        """Return a one-line message for a database error, with a hint."""
        state, message = getattr(cause, "sqlstate", None), str(cause)
        if state in _HINTS:
            return _HINTS[state].format(message)
        if state == "55P03":
            return (
                f"held by another program for over {self._busy_timeout_s:g} s ({message}); no partial write; "
                "stop that program and the daemon continues"
            )
        unreachable = state is None and type(cause).__name__ == "OperationalError"
        if unreachable or (state or "")[:2] in ("08", "57", "25"):  # shut down, or disconnected while idle
            return f"cannot be reached ({message}); start the server, or correct daemon.store and its password"
        return f"rejected a write ({message}); no partial write; internal error of alertd"

    def _prepare(self, dbapi: Any, _record: object) -> None:
        with dbapi.cursor() as cursor:
            cursor.execute("SELECT set_config('lock_timeout', %s, false)", (f"{self._busy_timeout_s * 1000:.0f}ms",))
            # A frozen process must not block other writers forever.
            cursor.execute("SET idle_in_transaction_session_timeout = '10s'")
            # "off" acknowledges commits that a server crash loses; settings stricter than "on" stay.
            if cursor.execute("SHOW synchronous_commit").fetchone() == ("off",):
                cursor.execute("SET synchronous_commit = on")
        dbapi.commit()


class SessionLock:
    """An advisory lock on a connection of its own: the server frees it when that connection ends."""

    def __init__(self, server: PostgresServer) -> None:
        self._server = server
        # Autocommit: the server would disconnect an idle open transaction.
        self._engine: Engine = server.engine.execution_options(isolation_level="AUTOCOMMIT")
        self._connection: Connection | None = None

    def take(self, within_s: float = 0.0) -> bool:
        """See `Lock.take`. Polls every 0.1 s."""
        ends_s = time.monotonic() + within_s
        while not (held := self._try()) and time.monotonic() < ends_s:
            time.sleep(_POLL_EVERY_S)
        return held

    def _try(self) -> bool:
        try:
            if self._connection is not None and self._still_there(self._connection):
                return True
            self._connection = self._engine.connect()
            self._connection.detach()  # closing it ends the session, which frees the lock
            held = self._connection.exec_driver_sql(_LOCK).scalar()
        except DBAPIError as exc:
            self.release()
            raise StoreError(
                " ".join(f"store {self._server.place}: {self._server.explained(exc.orig)}".split())
            ) from exc
        if not held:
            self.release()
        return bool(held)

    def _still_there(self, connection: Connection) -> bool:
        try:
            connection.exec_driver_sql("SELECT 1")
        except DBAPIError:
            self.release()
            return False
        return True

    def release(self) -> None:
        """Close the lock's connection, which frees the lock."""
        connection, self._connection = self._connection, None
        if connection is not None:
            connection.close()
