"""Scheduled tasks that run once: claimed by a daemon under a lease, settled with an outcome.

waiting ── claim ──→ (leased) ── settle → settled
   ↑                   │
   └── the lease ends
"""

from datetime import datetime, timedelta
from typing import Any, Final

from sqlalchemy import Row, and_, bindparam, delete, or_, select, tuple_, update

from alertd.store.connection import Database, insert_or
from alertd.store.rows import Due
from alertd.store.schema import due, slots

WAITING, SETTLED = "waiting", "settled"
REOPENED = "reopened"  # prefix of the outcome of a task that a clock ahead of time had settled
LONGEST_LEASE = timedelta(hours=1)
_FREE: dict[str, Any] = {"owner": None, "lease_until": None}
_ONE: Final = select(due).where(due.c.kind == bindparam("of_kind"), due.c.key == bindparam("of_key"))


class DueTable:
    """The due tasks of one store. Every method raises StoreError when the store fails."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def put(self, kind: str, key: str, due_at: datetime) -> bool:
        """Add a task; return whether it is new. An existing task keeps its time and state."""
        with self._database.write() as connection:
            added = connection.execute(
                insert_or(connection, due)
                .values(kind=kind, key=key, due_at=due_at, state=WAITING, epoch=0, outcome="")
                .on_conflict_do_nothing()
                .returning(due.c.key)
            )
            return added.first() is not None

    def claim(self, now: datetime, limit: int, lease_s: float, owner: str, kind: str | None = None) -> list[Due]:
        """Claim up to `limit` due tasks that are free, earliest due first, for `lease_s` seconds."""
        free = or_(due.c.lease_until.is_(None), due.c.lease_until <= now)
        chosen = select(due.c.kind, due.c.key).where(due.c.state == WAITING, due.c.due_at <= now, free)
        if kind is not None:
            chosen = chosen.where(due.c.kind == kind)
        chosen = chosen.order_by(due.c.due_at, due.c.kind, due.c.key).limit(limit)
        with self._database.write() as connection:
            claimed = connection.execute(
                update(due)
                .where(tuple_(due.c.kind, due.c.key).in_(chosen))
                .values(owner=owner, lease_until=now + timedelta(seconds=lease_s), epoch=due.c.epoch + 1)
                .returning(*due.c)
            )
            return sorted(map(_due, claimed), key=lambda slot: (slot.due_at, slot.kind, slot.key))

    def settle(self, claimed: Due, outcome: str) -> bool:
        """Record the outcome (ran, ran late, skipped and why). Returns False when another owner has the claim."""
        return self._under_claim(claimed, state=SETTLED, outcome=outcome)

    def reopen_future(self, kind: str, now: datetime, grace: timedelta, too_late: str) -> list[str]:
        """Reopen tasks that a clock ahead of time settled, and free leases that end far in the future; return the keys.

        Reopened are settled tasks that are not due yet. So are tasks skipped as late that are less than `grace`
        overdue: their outcome starts with `too_late`. The slots with the same key are deleted.
        """
        not_late = and_(due.c.due_at > now - grace, due.c.outcome.startswith(too_late, autoescape=True))
        ahead = and_(due.c.kind == kind, due.c.state == SETTLED, or_(due.c.due_at > now, not_late))
        leased = and_(due.c.kind == kind, due.c.state == WAITING, due.c.lease_until > now + LONGEST_LEASE)
        with self._database.read() as connection:
            if connection.execute(select(due.c.key).where(or_(ahead, leased)).limit(1)).first() is None:
                return []
        with self._database.write() as connection:
            connection.execute(update(due).where(leased).values(**_FREE))
            again = {"state": WAITING, "outcome": f"{REOPENED} {now.isoformat()}", **_FREE}
            keys = sorted(connection.execute(update(due).where(ahead).values(**again).returning(due.c.key)).scalars())
            for key in keys:
                fleet, _, local_date = key.rpartition("/")
                named = and_(slots.c.kind == kind, slots.c.fleet == fleet, slots.c.local_date == local_date)
                connection.execute(delete(slots).where(named))
            return keys

    def get(self, kind: str, key: str) -> Due | None:
        """Return a task, or None."""
        with self._database.read() as connection:
            row = connection.execute(_ONE, {"of_kind": kind, "of_key": key}).one_or_none()
        return None if row is None else _due(row)

    def waiting(self, kind: str) -> list[Due]:
        """Return the tasks that are not settled, earliest due first."""
        query = select(due).where(due.c.state == WAITING, due.c.kind == kind).order_by(due.c.due_at, due.c.key)
        with self._database.read() as connection:
            return [_due(row) for row in connection.execute(query)]

    def _under_claim(self, claimed: Due, **values: object) -> bool:
        same = and_(due.c.kind == claimed.kind, due.c.key == claimed.key, due.c.epoch == claimed.epoch)
        with self._database.write() as connection:
            changed = connection.execute(
                update(due).where(same, due.c.owner == claimed.owner, due.c.state == WAITING).values(**values, **_FREE)
            )
            return changed.rowcount > 0


def _due(row: Row[Any]) -> Due:
    return Due(
        kind=row.kind,
        key=row.key,
        due_at=row.due_at,
        state=row.state,
        owner=row.owner or "",
        epoch=row.epoch,
        outcome=row.outcome,
    )
