"""One row per attempt to deliver a notice to a channel, with its time and outcome."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from sqlalchemy import Connection, Integer, bindparam, delete, insert, literal, select

from alertd.store.connection import Database
from alertd.store.schema import Utc, attempts, deliveries

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


def note_attempts(connection: Connection, at: Mapping[int, datetime], outcome: str, note: str = "") -> None:
    """Record one attempt of each delivery, at its time. A delivery that was deleted meanwhile is skipped."""
    chosen = select(
        deliveries.c.id, bindparam("at", type_=Utc()), literal(outcome), literal(note[:_NOTE_LETTERS])
    ).where(deliveries.c.id == bindparam("delivery_id", type_=Integer()))
    adding = insert(attempts).from_select(["delivery_id", "at", "outcome", "note"], chosen)
    if at:
        connection.execute(adding, [{"delivery_id": one, "at": when} for one, when in at.items()])


def delete_attempts(connection: Connection, notice_ids: Sequence[str]) -> None:
    """Delete the attempts of these notices' deliveries."""
    of_these = select(deliveries.c.id).where(deliveries.c.notice_id.in_(notice_ids))
    connection.execute(delete(attempts).where(attempts.c.delivery_id.in_(of_these)))
