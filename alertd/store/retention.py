"""Deletes old records. A waiting or parked delivery keeps everything that it needs."""

from collections.abc import Callable, Collection, Sequence
from datetime import UTC, datetime, timedelta
from typing import Final

from sqlalchemy import (
    ColumnElement,
    Connection,
    Table,
    and_,
    bindparam,
    delete,
    exists,
    insert,
    or_,
    select,
    tuple_,
)

from alertd.store.connection import Database
from alertd.store.log.attempts import delete_attempts
from alertd.store.log.event_log import delete_events
from alertd.store.outbox import PARKED
from alertd.store.schedule import SETTLED
from alertd.store.schema import Utc, deliveries, due, events, idempotency, notices, notices_seen, plans, slots, trips
from alertd.store.work.claims import WAITING

EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
BATCH_ROWS: Final = 500  # rows per transaction, so that a notice never waits long behind the cleaning


_SEE_NOTICES: Final = insert(notices_seen).from_select(
    ["notice_id", "seen_at"],
    select(notices.c.id, bindparam("now_utc", type_=Utc)).where(
        ~exists().where(notices_seen.c.notice_id == notices.c.id)
    ),
)


class Retention:
    """Each method returns the number of deleted rows, and raises StoreError when the store fails."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def events(self, before: datetime, *, kinds: Collection[str] = (), but: Collection[str] = ()) -> int:
        """Delete events older than a given time: of `kinds`, or of all kinds except `but` when none are named."""
        kind = events.c.kind.in_(kinds) if kinds else events.c.kind.not_in(but)
        return self._remove(events, and_(events.c.at < before, kind))

    def events_by_id(self, ids: Collection[str]) -> int:
        """Delete these events, of which there are few."""
        return self._remove(events, events.c.id.in_(ids))

    def see_notices(self, now: datetime) -> None:
        """Record `now`, of a clock that servers confirm, for the notices that no such clock has found before."""
        with self._database.write() as connection:
            connection.execute(_SEE_NOTICES, {"now_utc": now})

    def notices(self, before: datetime) -> int:
        """Delete notices that `see_notices` first found before a given time and that have no open delivery.

        A parked delivery counts as open until its notice expired before that time. The notice's own time decides
        nothing: under a wrong clock it may lie years back.
        """
        of_use = and_(deliveries.c.state == PARKED, deliveries.c.expires_at >= before)
        to_get = exists().where(deliveries.c.notice_id == notices.c.id, or_(deliveries.c.state == WAITING, of_use))
        return self._remove(
            notices,
            and_(notices.c.id.in_(select(notices_seen.c.notice_id).where(notices_seen.c.seen_at < before)), ~to_get),
            first=_delete_deliveries,
        )

    def plans(self, before: datetime) -> int:
        """Delete plans older than a given time that no notice references, except a trip's newest, against which changes
        are detected."""
        newer = plans.alias("newer")
        superseded = exists().where(newer.c.trip_id == plans.c.trip_id, newer.c.made_at > plans.c.made_at)
        referenced = exists().where(notices.c.plan_id == plans.c.id)
        return self._remove(plans, and_(plans.c.made_at < before, superseded, ~referenced))

    def known_plans(self, ids: Sequence[str]) -> set[str]:
        """Those of these plan ids that the store has. At most 500 at once."""
        with self._database.read() as connection:
            return set(connection.scalars(select(plans.c.id).where(plans.c.id.in_(ids))))

    def thin_plans(self, after: datetime, before: datetime, every: timedelta) -> int:
        """Of the plans made between two times keep the newest of each trip in each span of `every`.

        A plan that a notice references stays. Spans count from the epoch, and the one that holds `after` is whole.
        """
        removed = 0
        newer = plans.alias("newer")
        referenced = exists().where(notices.c.plan_id == plans.c.id)
        start = after - (after - EPOCH) % every
        while start + every <= before:
            end = start + every
            superseded = exists().where(
                newer.c.trip_id == plans.c.trip_id, newer.c.made_at > plans.c.made_at, newer.c.made_at < end
            )
            removed += self._remove(
                plans, and_(plans.c.made_at >= start, plans.c.made_at < end, superseded, ~referenced)
            )
            start = end
        return removed

    def trips(self, over: Sequence[str]) -> int:
        """Delete those of the finished trips without a notice or event left, with their last plans."""
        left = or_(
            exists().where(notices.c.trip_id == trips.c.id),
            exists().where(events.c.trip_id == trips.c.id),
        )
        return sum(
            self._remove(
                trips,
                and_(trips.c.id.in_(over[n : n + BATCH_ROWS]), ~left),
                first=_delete_plans,
            )
            for n in range(0, len(over), BATCH_ROWS)
        )

    def slots(self, before: datetime) -> int:
        """Delete slots and settled due entries that cannot come due again."""
        removed = self._remove(slots, slots.c.filled_at < before)
        return removed + self._remove(due, and_(due.c.state == SETTLED, due.c.due_at < before))

    def answers(self, before: datetime) -> int:
        return self._remove(idempotency, idempotency.c.created_at < before)

    def _remove(
        self,
        table: Table,
        condition: ColumnElement[bool],
        first: Callable[[Connection, list[str]], None] | None = None,
    ) -> int:
        """Delete in small transactions; `first` deletes the rows that reference the chosen ids."""
        key, removed = tuple(table.primary_key), 0
        while True:
            with self._database.write() as connection:
                chosen = connection.execute(select(*key).where(condition).limit(BATCH_ROWS)).all()
                if not chosen:
                    return removed
                if first is not None:
                    first(connection, [row[0] for row in chosen])
                these = tuple_(*key).in_([tuple(row) for row in chosen])
                removed += connection.execute(delete(table).where(these)).rowcount


def _delete_deliveries(connection: Connection, notice_ids: list[str]) -> None:
    delete_attempts(connection, notice_ids)
    connection.execute(delete(deliveries).where(deliveries.c.notice_id.in_(notice_ids)))
    delete_events(connection, notice_ids)
    connection.execute(delete(notices_seen).where(notices_seen.c.notice_id.in_(notice_ids)))


def _delete_plans(connection: Connection, trip_ids: list[str]) -> None:
    connection.execute(delete(plans).where(plans.c.trip_id.in_(trip_ids)))
