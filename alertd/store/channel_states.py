"""Persists each channel's state (up, failing or disabled), its reason and the record of its attempts.

A row is written in the transaction that marks the attempt, so state and outbox agree after a crash.
"""

from collections.abc import Mapping
from datetime import datetime
from functools import lru_cache
from typing import Any, Final

from sqlalchemy import Connection, Row, and_, case, func, or_, select

from alertd.notices.channel_state import ChannelState
from alertd.store.connection import Database, insert_of
from alertd.store.schema import endpoints
from alertd.store.work.claims import sends_on

UP: Final = "up"
DISABLED: Final = "disabled"
_ALL: Final = select(endpoints).order_by(endpoints.c.target)  # built once: each delivery run reads it


class Channels:
    """Channel states of one store. Every method raises StoreError when the store fails."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def get(self, target: str) -> ChannelState | None:
        """Return the state of a channel, or None when none is stored."""
        with self._database.read() as connection:
            row = connection.execute(select(endpoints).where(endpoints.c.target == target)).one_or_none()
        return None if row is None else _state(row)

    def all(self) -> list[ChannelState]:
        """Return all channel states, sorted by name."""
        with self._database.read() as connection:
            return [_state(row) for row in connection.execute(_ALL)]

    def by_name(self) -> Mapping[str, ChannelState]:
        """Return all channel states by name."""
        return {one.target: one for one in self.all()}

    def keep(self, state: ChannelState) -> None:
        """Save the state after an attempt, in a transaction of its own."""
        with self._database.write() as connection:
            keep_state(connection, state)

    def reopen(self, target: str, at: datetime) -> bool:
        """Enable a disabled channel again; return whether it was disabled."""
        with self._database.write() as connection:
            opened = connection.execute(
                endpoints.update()
                .where(endpoints.c.target == target, endpoints.c.state == DISABLED)
                .values(state=UP, reason="", since=at, failures=0)
            )
            return opened.rowcount > 0


def keep_state(connection: Connection, state: ChannelState, sender: str | None = None) -> None:
    """Save the state after an attempt of `sender`, see `claims`. A former sender of the channel changes nothing.

    `since` keeps its first value while the state lasts, and so does the reason of a disabled channel. Attempts of one
    channel run in parallel and may be written out of order: none of them enables a disabled channel.
    """
    values = {
        "target": state.target,
        "state": state.state,
        "reason": state.why,
        "since": state.since,
        "last_success_at": state.last_success_at,
        "last_failure_at": state.last_failure_at,
        "failures": state.failures,
    }
    connection.execute(_keeping(connection.dialect.name, sender), values)


@lru_cache(maxsize=8)  # to build a statement costs more than to run it
def _keeping(dialect: str, sender: str | None) -> Any:
    new = insert_of(dialect, endpoints)
    row = new.excluded
    lasts = endpoints.c.state == row.state
    return new.on_conflict_do_update(
        index_elements=["target"],
        set_={
            "state": row.state,
            "since": case((lasts, endpoints.c.since), else_=row.since),
            "reason": case((lasts & (row.state == DISABLED), endpoints.c.reason), else_=row.reason),
            "last_success_at": func.coalesce(row.last_success_at, endpoints.c.last_success_at),
            "last_failure_at": func.coalesce(row.last_failure_at, endpoints.c.last_failure_at),
            "failures": row.failures,
        },
        where=and_(or_(endpoints.c.state != DISABLED, row.state == DISABLED), sends_on(sender, endpoints.c.target)),
    )


def _state(row: Row[Any]) -> ChannelState:
    return ChannelState(
        target=row.target,
        state=row.state,
        why=row.reason,
        since=row.since,
        last_success_at=row.last_success_at,
        last_failure_at=row.last_failure_at,
        failures=row.failures,
    )
