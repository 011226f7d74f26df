"""Deletes old records. A waiting or parked delivery keeps everything that it needs."""

import json
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final

from sqlalchemy import (
    ColumnElement,
    Connection,
    Table,
    and_,
    bindparam,
    case,
    delete,
    exists,
    insert,
    or_,
    select,
    tuple_,
)

from alertd.store.connection import Database, insert_or
from alertd.store.log.attempts import delete_attempts
from alertd.store.log.event_log import delete_events
from alertd.store.outbox import PARKED
from alertd.store.plans.packed_texts import facts_in, is_packed, pack_of
from alertd.store.plans.packing import NAMED
from alertd.store.rows import ThinnedPlan
from alertd.store.schedule import SETTLED
from alertd.store.schema import (
    Utc,
    deliveries,
    due,
    events,
    idempotency,
    notices,
    notices_seen,
    plans,
    slots,
    thinned_plans,
    trips,
)
from alertd.store.work.claims import WAITING

EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_PACK: Final = case((is_packed(plans.c.body), pack_of(plans.c.body)), else_="")
BATCH_ROWS: Final = 500  # rows per transaction, so that a notice never waits long behind the cleaning


PLAN_BEFORE: Final = (
    select(plans.c.id)
    .where(plans.c.trip_id == bindparam("of_trip"), plans.c.made_at <= bindparam("at", type_=Utc))
    .order_by(plans.c.made_at.desc(), plans.c.id.desc())
    .limit(1)
)
_SEE_NOTICES: Final = insert(notices_seen).from_select(
    ["notice_id", "seen_at"],
    select(notices.c.id, bindparam("now_utc", type_=Utc)).where(
        ~exists().where(notices_seen.c.notice_id == notices.c.id)
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Thinning:
    """How plans are thinned: one of a trip stays in each span of `every`, and the one in force at each moment.

    moments: trip id and time, such as of a departure or of chains that were put on.
    """

    every: timedelta
    moments: Sequence[tuple[str, datetime]] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Thinned:
    """How many plans were removed, and the ids of the packs that they lay in, as digits."""

    removed_n: int
    pack_ids: frozenset[str]


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

    def thin_plans(self, after: datetime, before: datetime, now: datetime, rule: Thinning) -> Thinned:
        """Of the plans made between two times remove those on which nothing rests; of each, a few facts remain.

        A plan that a notice names stays, and so do a trip's newest and those in force at the moments of the rule. In a
        span in which a trip has no plan with a notice, its newest stays. Spans count from the epoch; that of `after`
        is whole.
        """
        removed, packs_left = 0, set[str]()
        kept = self._in_force(rule.moments)
        start = after - (after - EPOCH) % rule.every
        while start + rule.every <= before:
            end = start + rule.every
            other = plans.alias("other")
            later = and_(other.c.trip_id == plans.c.trip_id, other.c.made_at > plans.c.made_at)
            beside = and_(other.c.trip_id == plans.c.trip_id, other.c.made_at >= start, other.c.made_at < end)
            replaced = or_(
                exists().where(later, other.c.made_at < end),
                and_(exists().where(later), exists().where(beside, notices.c.plan_id == other.c.id)),
            )
            chosen = and_(plans.c.made_at >= start, plans.c.made_at < end, replaced, ~NAMED)
            done = self._thin(chosen, kept, now)
            removed, packs_left = removed + done.removed_n, packs_left | done.pack_ids
            start = end
        return Thinned(removed_n=removed, pack_ids=frozenset(packs_left))

    def _thin(self, chosen: ColumnElement[bool], kept: Collection[str], now: datetime) -> Thinned:
        """Remove these plans but for the ids in `kept`, in small transactions."""
        facts = case((is_packed(plans.c.body), facts_in(plans.c.body)), else_="[]")
        query = select(plans.c.id, plans.c.trip_id, plans.c.made_at, facts.label("facts"), _PACK.label("pack"))
        with self._database.read() as connection:
            rows = [row for row in connection.execute(query.where(chosen)) if row.id not in kept]
        for n in range(0, len(rows), BATCH_ROWS):
            part = rows[n : n + BATCH_ROWS]
            left = [
                {
                    "id": row.id,
                    "trip_id": row.trip_id,
                    "made_epoch_s": int(row.made_at.timestamp()),
                    "thinned_epoch_s": int(now.timestamp()),
                    "facts": row.facts,
                }
                for row in part
            ]
            with self._database.write() as connection:
                connection.execute(insert_or(connection, thinned_plans).on_conflict_do_nothing(), left)
                connection.execute(delete(plans).where(plans.c.id.in_([row.id for row in part]), ~NAMED))
        return Thinned(removed_n=len(rows), pack_ids=frozenset(row.pack for row in rows if row.pack))

    def _in_force(self, moments: Sequence[tuple[str, datetime]]) -> set[str]:
        """The ids of the plans that were the newest of their trips at these moments."""
        with self._database.read() as connection:
            asked = [{"of_trip": trip_id, "at": when} for trip_id, when in moments]
            return {id_ for one in asked if (id_ := connection.execute(PLAN_BEFORE, one).scalar_one_or_none())}

    def thinned_plan(self, plan_id: str) -> ThinnedPlan | None:
        """Return what remains of a plan that `thin_plans` has removed, or None."""
        with self._database.read() as connection:
            row = connection.execute(select(thinned_plans).where(thinned_plans.c.id == plan_id)).one_or_none()
        if row is None:
            return None
        made_at, thinned_at = (datetime.fromtimestamp(s, UTC) for s in (row.made_epoch_s, row.thinned_epoch_s))
        return ThinnedPlan(
            id=row.id, trip_id=row.trip_id, made_at=made_at, thinned_at=thinned_at, facts=tuple(json.loads(row.facts))
        )

    def thinned_plans(self, before: datetime) -> int:
        """Delete what remains of thinned plans that were made before a given time."""
        with self._database.write() as connection:
            old = thinned_plans.c.made_epoch_s < int(before.timestamp())
            return connection.execute(delete(thinned_plans).where(old)).rowcount

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
