"""One row per attempt to deliver a notice to a channel, with its time and outcome."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from sqlalchemy import Connection, Integer, Text, bindparam, delete, func, insert, select

from alertd.store.connection import Database
from alertd.store.schema import Utc, attempts, deliveries, notices

# Outcomes. A requeued delivery is one that a person or a receiver asked for again.
DONE, FAILED, PARKED, EXPIRED, REQUEUED = "done", "failed", "parked", "expired", "requeued"

_NOTE_LETTERS: Final = 500  # [A] of a receiver's answer: enough to find the cause


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliveryAttempt:
    """One attempt at `at`. `note` is the receiver's answer, or why the notice was given up."""

    delivery_id: int
    at: datetime
    outcome: str
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberedAttempt:
    """An attempt of any process of the store. `decided_at`: when its notice was recorded (UTC)."""

    number: int
    target: str
    outcome: str
    at: datetime
    decided_at: datetime


class Attempts:
    """The attempts of one store. Every method raises StoreError when the store fails."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def of_notice(self, notice_id: str) -> dict[int, list[DeliveryAttempt]]:
        """Return the attempts of a notice by delivery id, oldest first."""
        query = (
            select(attempts)
            .join(deliveries, deliveries.c.id == attempts.c.delivery_id)
            .where(deliveries.c.notice_id == notice_id)
            .order_by(attempts.c.id)
        )
        found: dict[int, list[DeliveryAttempt]] = {}
        with self._database.read() as connection:
            for row in connection.execute(query):
                one = DeliveryAttempt(delivery_id=row.delivery_id, at=row.at, outcome=row.outcome, note=row.note)
                found.setdefault(row.delivery_id, []).append(one)
        return found

    def newest(self) -> int:
        """Return the number of the newest attempt, 0 before the first. Later ones have larger numbers."""
        with self._database.read() as connection:
            return int(connection.execute(select(func.max(attempts.c.id))).scalar() or 0)

    def after(self, number: int, at_most: int) -> list[NumberedAttempt]:
        """Return up to so many attempts after this one, oldest first, with the channels of their deliveries."""
        query = (
            select(attempts.c.id, deliveries.c.target, attempts.c.outcome, attempts.c.at, notices.c.created_at)
            .join(deliveries, deliveries.c.id == attempts.c.delivery_id)
            .join(notices, notices.c.id == deliveries.c.notice_id)
            .where(attempts.c.id > number)
            .order_by(attempts.c.id)
            .limit(at_most)
        )
        with self._database.read() as connection:
            return [
                NumberedAttempt(
                    number=row.id, target=row.target, outcome=row.outcome, at=row.at, decided_at=row.created_at
                )
                for row in connection.execute(query)
            ]


def note_attempts(connection: Connection, at: Mapping[int, datetime], outcome: str, note: str = "") -> None:
    """Record one attempt of each delivery, at its time. A delivery that was deleted meanwhile is skipped."""
    same = {"of_outcome": outcome, "with_note": note[:_NOTE_LETTERS]}
    if at:
        connection.execute(_NOTING, [{"delivery_id": one, "when": when, **same} for one, when in at.items()])


# Built once: to build a statement costs more than to run it.
_NOTING: Final = insert(attempts).from_select(
    ["delivery_id", "at", "outcome", "note"],
    select(
        deliveries.c.id,
        bindparam("when", type_=Utc()),
        bindparam("of_outcome", type_=Text()),
        bindparam("with_note", type_=Text()),
    ).where(deliveries.c.id == bindparam("delivery_id", type_=Integer())),
)


def delete_attempts(connection: Connection, notice_ids: Sequence[str]) -> None:
    """Delete the attempts of these notices' deliveries."""
    of_these = select(deliveries.c.id).where(deliveries.c.notice_id.in_(notice_ids))
    connection.execute(delete(attempts).where(attempts.c.delivery_id.in_(of_these)))
