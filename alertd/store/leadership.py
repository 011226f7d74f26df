"""Leader election among the daemons of one store, with fencing of a former leader.

The leader holds the store's lock, which the system frees when the process dies, and increments `beat` while it lives.
Another daemon takes over when it gets the lock, or when `beat` has not changed for the whole lease. It measures the
lease with its own monotonic clock, so clocks of two machines are never compared. A takeover raises the epoch. Every
write transaction checks the epoch (`connection`), so a frozen leader that resumes cannot write.
"""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Row, bindparam, select, update

from alertd.errors import LeadershipLost, StoreError
from alertd.store.connection import Database
from alertd.store.schema import leader

_NEVER_LED = -1  # no epoch
# Built once: it runs several times a minute.
_BEAT = update(leader).values(beat=leader.c.beat + 1, locked=bindparam("lock"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Leader:
    """The current leader; `owner` is "" when no daemon leads. `since` is UTC."""

    owner: str
    epoch: int
    since: datetime | None


class Candidate:
    """One daemon that leads the store or is on standby. Every method except `release` may raise StoreError."""

    def __init__(self, database: Database, owner: str, *, lease_s: float) -> None:
        """`owner` is a label for people; `lease_s` must be equal for all daemons of a store.

        From now on every write of this process is refused unless it leads. A job that was running when the lead was
        lost may therefore fail at its next write.
        """
        self._database, self._owner, self._lease_s = database, owner, lease_s
        database.epoch = _NEVER_LED
        self._lock = database.new_lock()
        self._seen: tuple[int, int] | None = None
        self._seen_since_s = 0.0

    def acquire(self, now_s: float, now: datetime) -> bool:
        """Try to become leader; return whether this daemon leads. `now_s` is a monotonic time, `now` a UTC time."""
        locked = self._lock.take()
        with self._database.read() as connection:
            row = connection.execute(select(leader)).one()
        if not self._is_free(row, locked, now_s) or not self._took(row, locked, now):
            self._lock.release()
            return False
        self._database.epoch = row.epoch + 1
        return True

    def renew(self) -> bool:
        """Increment `beat`; return whether this daemon still leads. Call it several times within each lease."""
        try:
            locked = self._lock.take()
            with self._database.write() as connection:
                connection.execute(_BEAT, {"lock": locked})
        except LeadershipLost:
            self._lock.release()
            return False
        return True

    def release(self) -> None:
        """Give up the lead, so that another daemon can take over at once."""
        try:
            with self._database.write() as connection:
                connection.execute(update(leader).values(owner=None, locked=False))
        except StoreError:  # another daemon leads already, or takes over when the lock is free
            pass
        finally:
            self._lock.release()

    def current_leader(self) -> Leader:
        """Return the leader that the store records."""
        with self._database.read() as connection:
            row = connection.execute(select(leader)).one()
        return Leader(owner=row.owner or "", epoch=row.epoch, since=row.since)

    def _is_free(self, row: Row[Any], locked: bool, now_s: float) -> bool:
        beat = (row.epoch, row.beat)
        if beat != self._seen:
            self._seen, self._seen_since_s = beat, now_s
        # A leader that took over by lease may not hold the lock yet, so a free lock does not prove that it died.
        dead = locked and row.locked
        return row.owner is None or dead or now_s - self._seen_since_s >= self._lease_s

    def _took(self, row: Row[Any], locked: bool, now: datetime) -> bool:
        taken = (
            update(leader)
            .where(leader.c.epoch == row.epoch, leader.c.beat == row.beat)  # no other candidate was faster
            .values(epoch=row.epoch + 1, beat=0, owner=self._owner, locked=locked, since=now)
        )
        with self._database.write(fenced=False) as connection:
            return connection.execute(taken).rowcount > 0
