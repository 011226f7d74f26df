"""Which of several daemons of one store leads: who stops leading, killed or frozen, is followed by another.

The leader holds the store's lock, which comes free when it dies, and counts up `beat` while it lives. Another takes
over when it gets the lock, or when the beat has stood still for the whole lease by its own monotonic clock: no two
clocks are compared. Taking over raises the epoch, and every transaction that writes asks for it (`connection`), so one
that was frozen and wakes writes nothing.
"""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Row, select, update

from alertd.errors import LeadershipLost, StoreError
from alertd.store.connection import Database
from alertd.store.schema import leader

_NEVER_LED = -1  # no epoch


@dataclass(frozen=True, slots=True, kw_only=True)
class Leader:
    """Who leads; `owner` is "" when nobody does."""

    owner: str
    epoch: int
    since: datetime | None


class Candidate:
    """One daemon that leads the store or stands by for it. Every method but `release` may raise StoreError."""

    def __init__(self, database: Database, owner: str, *, lease_s: float) -> None:
        """`owner` is for people to read; `lease_s` the same for all daemons of a store.

        From now on, whatever of this process writes while it does not lead is refused: a job that it had begun when it
        lost the lead may come to its end late.
        """
        self._database, self._owner, self._lease_s = database, owner, lease_s
        database.epoch = _NEVER_LED
        self._lock = database.new_lock()
        self._seen: tuple[int, int] | None = None
        self._seen_since_s = 0.0

    def acquire(self, now_s: float, now: datetime) -> bool:
        """Lead, if nobody else does; returns whether it leads. `now_s` is of a monotonic clock."""
        locked = self._lock.take()
        with self._database.read() as connection:
            row = connection.execute(select(leader)).one()
        if not self._is_free(row, locked, now_s) or not self._took(row, locked, now):
            self._lock.release()
            return False
        self._database.epoch = row.epoch + 1
        return True

    def renew(self) -> bool:
        """Say that it lives, well within each lease; returns whether it still leads."""
        try:
            locked = self._lock.take()
            with self._database.write() as connection:
                connection.execute(update(leader).values(beat=leader.c.beat + 1, locked=locked))
        except LeadershipLost:
            self._lock.release()
            return False
        return True

    def release(self) -> None:
        """Lead no more, so that another may at once."""
        try:
            with self._database.write() as connection:
                connection.execute(update(leader).values(owner=None, locked=False))
        except StoreError:  # another leads already, or takes over when the lock is free
            pass
        finally:
            self._lock.release()

    def current_leader(self) -> Leader:
        with self._database.read() as connection:
            row = connection.execute(select(leader)).one()
        return Leader(owner=row.owner or "", epoch=row.epoch, since=row.since)

    def _is_free(self, row: Row[Any], locked: bool, now_s: float) -> bool:
        beat = (row.epoch, row.beat)
        if beat != self._seen:
            self._seen, self._seen_since_s = beat, now_s
        # A leader that got its place by lease may still be without the lock, so that a free lock says nothing of it.
        dead = locked and row.locked
        return row.owner is None or dead or now_s - self._seen_since_s >= self._lease_s

    def _took(self, row: Row[Any], locked: bool, now: datetime) -> bool:
        taken = (
            update(leader)
            .where(leader.c.epoch == row.epoch, leader.c.beat == row.beat)  # nobody was quicker
            .values(epoch=row.epoch + 1, beat=0, owner=self._owner, locked=locked, since=now)
        )
        with self._database.write(fenced=False) as connection:
            return connection.execute(taken).rowcount > 0
