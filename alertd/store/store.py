"""The store: trips, plans and notices; the outbox is filled in the transaction that records a notice."""

import operator
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from types import TracebackType
from typing import Any, Final, Self

from sqlalchemy import Connection, Row, bindparam, func, insert, select, update

from alertd.errors import StoreError
from alertd.notices.model import Audience, Notice
from alertd.store.channel_states import Channels
from alertd.store.connection import Database, insert_or
from alertd.store.leadership import Candidate
from alertd.store.log.attempts import Attempts
from alertd.store.log.event_log import EventLog, append_events, notice_of
from alertd.store.log.trip_events import TripEvents
from alertd.store.outbox import Outbox
from alertd.store.plans.packed_texts import PackedTexts
from alertd.store.plans.packing import Packing
from alertd.store.plans.plan_text import full_text
from alertd.store.plans.sent_states import SentStates
from alertd.store.plans.stored_plans import PLANS_BY_ID, StoredPlans, plan_of
from alertd.store.retention import PLAN_BEFORE, Retention
from alertd.store.rows import PlanRecord, Slot, StoredEvent, StoredPlan, StoredTrip
from alertd.store.schedule import DueTable
from alertd.store.schema import Utc, deliveries, events, notices, plans, slots, trips
from alertd.store.tokens import Answers, Tokens
from alertd.store.url import StoreLocation
from alertd.store.work.claims import WAITING
from alertd.store.work.senders import Senders

_TICK: Final = timedelta(microseconds=1)  # the resolution of a stored time

# Built once: a cycle reads each kind of report.
_OF_KIND: Final = select(events).where(events.c.kind == bindparam("of_kind"))
_NEWEST_FIRST: Final = _OF_KIND.order_by(events.c.at.desc(), events.c.id.desc())
_EVENTS_OF_TRIP: Final = _NEWEST_FIRST.where(events.c.trip_id == bindparam("of_trip"))
_EVENTS_OF_NO_TRIP: Final = _NEWEST_FIRST.where(events.c.trip_id.is_(None))
_EVENTS_SINCE: Final = _OF_KIND.where(events.c.at > bindparam("since")).order_by(events.c.at, events.c.id)
_TRIP: Final = select(trips).where(trips.c.id == bindparam("of_trip"))
_NOTICES_SINCE: Final = (
    select(notices)
    .where(notices.c.created_at > bindparam("since"), notices.c.audience == bindparam("to"))
    .order_by(notices.c.created_at, notices.c.id)
)


class Store:
    """One open store. Use as a context manager. Every method raises StoreError when the store fails."""

    def __init__(self, place: StoreLocation | str, *, wal: bool = False, busy_timeout_s: float = 5.0) -> None:
        """Open or create the store at `place`: a path, or a URL `sqlite:///path` or `postgresql://...`."""
        self._database = Database(place, wal=wal, busy_timeout_s=busy_timeout_s)
        self.place = self._database.place
        self.outbox = Outbox(self._database)
        self.event_log = EventLog(self._database)
        self.attempts = Attempts(self._database)
        self.trip_events = TripEvents(self._database)
        self.due = DueTable(self._database)
        self.channels = Channels(self._database)
        self.tokens = Tokens(self._database)
        self.answers = Answers(self._database)
        self.pruning = Retention(self._database)
        self.packing = Packing(self._database)
        self.stored_plans = StoredPlans(self._database)
        self.senders = Senders(self._database)
        self._sent = SentStates(self._database)
        self.on_new: Callable[[Notice], None] = lambda notice: None  # called with each new notice after its commit

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, exc: BaseException | None, tb: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Close all connections."""
        self._database.close()

    def candidate(self, owner: str, *, lease_s: float) -> Candidate:
        """Return this process as a candidate for leader: from then on it may write only while it leads."""
        return Candidate(self._database, owner, lease_s=lease_s)

    def put_trip(
        self, trip: StoredTrip, *, replace: bool = False, same: Callable[[str, str], bool] = operator.eq
    ) -> bool:
        """Save a trip. Returns whether anything changed: the same trip again changes nothing.

        same: whether two bodies, the stored one first, are one trip.

        Raises StoreError when the id exists with other content, unless `replace`.
        """
        values: dict[str, Any] = {
            "id": trip.id,
            "created_at": trip.created_at,
            "cancelled": trip.cancelled,
            "body": trip.body,
        }
        with self._database.write() as connection:
            known = connection.execute(select(trips).where(trips.c.id == trip.id)).one_or_none()
            if known is None:
                connection.execute(insert(trips).values(**values))
                return True
            if known.cancelled == trip.cancelled and same(known.body, trip.body):
                return False
            if not replace:
                raise StoreError(
                    f"store {self.place}: trip {trip.id} exists with different content; "
                    "give the new trip its own id, or replace the old one"
                )
            # Update instead of delete: the plans and notices of the trip stay.
            connection.execute(update(trips).where(trips.c.id == trip.id).values(**values))
            return True

    def trip(self, trip_id: str) -> StoredTrip | None:
        """Return a trip, or None."""
        with self._database.read() as connection:
            row = connection.execute(_TRIP, {"of_trip": trip_id}).one_or_none()
        return None if row is None else _trip(row)

    def trips(self, *, cancelled_too: bool = False) -> list[StoredTrip]:
        """Return every trip, oldest first."""
        query = select(trips).order_by(trips.c.created_at, trips.c.id)
        if not cancelled_too:
            query = query.where(trips.c.cancelled.is_(False))
        with self._database.read() as connection:
            return [_trip(row) for row in connection.execute(query)]

    def trip_ids(self) -> list[str]:
        """Return the ids of all trips that are not cancelled."""
        with self._database.read() as connection:
            return list(connection.execute(select(trips.c.id).where(trips.c.cancelled.is_(False))).scalars())

    def cancel_trip(self, trip_id: str) -> bool:
        """Cancel a trip; return whether it exists. Notices already recorded are still sent."""
        with self._database.write() as connection:
            return connection.execute(update(trips).where(trips.c.id == trip_id).values(cancelled=True)).rowcount > 0

    def put_event(self, event: StoredEvent) -> bool:
        """Save a report. Returns whether it is new: an existing id changes nothing.

        Raises StoreError when its trip does not exist.
        """
        with self._database.write() as connection:
            added = connection.execute(
                insert_or(connection, events)
                .values(id=event.id, trip_id=event.trip_id or None, kind=event.kind, at=event.at, body=event.body)
                .on_conflict_do_nothing(index_elements=["id"])
                .returning(events.c.id)
            )
            return added.first() is not None

    def event(self, id_: str) -> StoredEvent | None:
        """Return a report, or None."""
        with self._database.read() as connection:
            row = connection.execute(select(events).where(events.c.id == id_)).one_or_none()
        return None if row is None else _event(row)

    def events(self, trip_id: str, kind: str, newest_n: int | None = None) -> list[StoredEvent]:
        """Return the newest reports of one kind about a trip ("" for those about no trip), oldest first."""
        query = _EVENTS_OF_TRIP if trip_id else _EVENTS_OF_NO_TRIP
        if newest_n is not None:
            query = query.limit(newest_n)
        with self._database.read() as connection:
            rows = connection.execute(query, {"of_kind": kind, **({"of_trip": trip_id} if trip_id else {})}).all()
        return [_event(row) for row in reversed(rows)]

    def record_plan(
        self,
        plan_id: str,
        trip_id: str,
        made_at: datetime,
        body_json: str,
        new_notices: Sequence[Notice],
        targets: Mapping[Audience, Sequence[str]],
        *,
        settled: bool = True,
    ) -> tuple[str, ...]:
        """Save a plan, its notices and a delivery for each channel of each notice's audience: all or nothing.

        Returns the ids of the new notices. An existing notice is not queued again, whatever its channels. `settled`:
        False while the clock is in doubt. Raises StoreError when the plan's id exists with other content.
        """
        record = PlanRecord(
            id=plan_id, trip_id=trip_id, made_at=made_at, kept=body_json, notices=new_notices, settled=settled
        )
        return self.record_plans([record], targets)[0]

    def record_plans(
        self, records: Sequence[PlanRecord], targets: Mapping[Audience, Sequence[str]]
    ) -> list[tuple[str, ...]]:
        """`record_plan` of many plans in one transaction: the ids of the new notices of each."""
        with self._database.write() as connection:
            ids = [record.id for record in records]
            known = {
                row.id: plan_of(PackedTexts(connection), row)
                for row in connection.execute(PLANS_BY_ID, {"ids": ids}).all()
            }
            for record in records:
                was = known.get(record.id)
                if was is not None and (was.trip_id, was.body) != (record.trip_id, full_text(record.kept)):
                    raise StoreError(
                        f"store {self.place}: plan {record.id} exists with different content; "
                        "a plan never changes: give the new one its own id"
                    )
            made_at = _in_order(connection, [r for r in records if r.id not in known])
            rows = {
                r.id: {"id": r.id, "trip_id": r.trip_id, "made_at": made_at[r.id], "body": r.kept}
                for r in records
                if r.id not in known
            }
            if rows:
                connection.execute(insert(plans), list(rows.values()))
            new = frozenset(_insert_notices(connection, [(n, r.made_at) for r in records for n in r.notices], targets))
        self._sent.recorded(records)
        self._report_recorded([n for r in records for n in r.notices], new)
        return [tuple(dict.fromkeys(n.id for n in r.notices if n.id in new)) for r in records]

    def latest_plan(self, trip_id: str) -> StoredPlan | None:
        """Return the newest plan of a trip, or None."""
        newest = select(plans).where(plans.c.trip_id == trip_id).order_by(plans.c.made_at.desc(), plans.c.id).limit(1)
        with self._database.read() as connection:
            row = connection.execute(newest).one_or_none()
            return None if row is None else plan_of(PackedTexts(connection), row)

    def sent_states(self, trip_ids: Iterable[str] | None = None, *, only: bool = False) -> dict[str, dict[str, Any]]:
        """What the newest plan of each trip, or of these, was stored with: "said" and "delivery", by trip.

        only: forget what is kept of other trips, see `SentStates`.
        """
        return self._sent.read(trip_ids, only=only)

    def plan(self, plan_id: str) -> StoredPlan | None:
        """Return a plan, or None."""
        with self._database.read() as connection:
            row = connection.execute(select(plans).where(plans.c.id == plan_id)).one_or_none()
            return None if row is None else plan_of(PackedTexts(connection), row)

    def plan_before(self, trip_id: str, at: datetime) -> str | None:
        """Return the id of a trip's newest plan made at or before `at`, or None."""
        with self._database.read() as connection:
            return connection.execute(PLAN_BEFORE, {"of_trip": trip_id, "at": at}).scalar_one_or_none()

    def plans_made(self, since: datetime, until: datetime) -> list[tuple[str, str, datetime]]:
        """Return (plan id, trip id, UTC time) of the plans made in [since, until), oldest first.

        Leaves out the bodies, which are large.
        """
        query = (
            select(plans.c.id, plans.c.trip_id, plans.c.made_at)
            .where(plans.c.made_at >= since, plans.c.made_at < until)
            .order_by(plans.c.made_at, plans.c.id)
        )
        with self._database.read() as connection:
            return [(row.id, row.trip_id, row.made_at) for row in connection.execute(query)]

    def record_notices(
        self,
        new_notices: Sequence[Notice],
        targets: Mapping[Audience, Sequence[str]],
        recorded_at: datetime,
        *,
        slot: Slot | None = None,
    ) -> tuple[str, ...]:
        """Save notices that belong to no plan, such as a brief. Returns the ids of the new ones.

        With a `slot`, none is saved when that slot was filled before.
        """
        with self._database.write() as connection:
            if slot is not None:
                filled = connection.execute(
                    insert_or(connection, slots)
                    .values(kind=slot.kind, fleet=slot.fleet, local_date=slot.local_date, filled_at=recorded_at)
                    .on_conflict_do_nothing()
                    .returning(slots.c.kind)
                )
                if filled.first() is None:
                    return ()
            new = _insert_notices(connection, [(n, recorded_at) for n in new_notices], targets)
        self._report_recorded(new_notices, frozenset(new))
        return new

    def _report_recorded(self, new_notices: Sequence[Notice], new: frozenset[str]) -> None:
        for notice in {notice.id: notice for notice in new_notices if notice.id in new}.values():
            self.on_new(notice)

    def slot_filled(self, slot: Slot) -> bool:
        """Return whether a slot was filled before."""
        filled = select(slots.c.filled_at).where(
            slots.c.kind == slot.kind, slots.c.fleet == slot.fleet, slots.c.local_date == slot.local_date
        )
        with self._database.read() as connection:
            return connection.execute(filled).first() is not None

    def notice(self, notice_id: str) -> Notice | None:
        """Return a notice, or None."""
        with self._database.read() as connection:
            row = connection.execute(select(notices).where(notices.c.id == notice_id)).one_or_none()
            return None if row is None else notice_of(row, PackedTexts(connection))

    def notices(self, trip_id: str, audiences: Collection[Audience] = tuple(Audience)) -> list[Notice]:
        """Return the notices about a trip to these audiences, oldest first."""
        query = select(notices).where(
            notices.c.trip_id == trip_id, notices.c.audience.in_([a.value for a in audiences])
        )
        with self._database.read() as connection:
            rows = connection.execute(query.order_by(notices.c.created_at, notices.c.id)).all()
            return PackedTexts(connection).of_rows(rows, notice_of)

    def notices_since(self, audience: Audience, since: datetime) -> list[Notice]:
        """Return the notices to one audience after `since`, about any trip, oldest first."""
        asked = {"to": audience.value, "since": since}
        with self._database.read() as connection:
            return PackedTexts(connection).of_rows(connection.execute(_NOTICES_SINCE, asked).all(), notice_of)

    def events_since(self, kind: str, since: datetime) -> list[StoredEvent]:
        """Return the reports of one kind after `since`, about any trip, oldest first."""
        with self._database.read() as connection:
            return [_event(row) for row in connection.execute(_EVENTS_SINCE, {"of_kind": kind, "since": since})]


def _in_order(connection: Connection, new: Sequence[PlanRecord]) -> dict[str, datetime]:
    """Return the times under which new plans are the newest of their trips, as they are by the order of recording.

    A clock that was ahead has left plans of the future: without this, what they knew would count again and again. By a
    good clock their times are corrected; by a doubted one the new plan follows the newest.
    """
    made_at = {r.id: r.made_at for r in new}
    if not new:
        return made_at
    query = (
        select(plans.c.trip_id, func.max(plans.c.made_at).label("newest"))
        .where(plans.c.trip_id.in_([r.trip_id for r in new]), plans.c.made_at >= min(made_at.values()))
        .group_by(plans.c.trip_id)
    )
    newest: dict[str, datetime] = {row.trip_id: row.newest for row in connection.execute(query)}
    for r in new:
        last = newest.get(r.trip_id)
        if last is None or last < r.made_at:
            continue
        if r.settled:
            later = (plans.c.trip_id == r.trip_id) & (plans.c.made_at >= r.made_at)
            connection.execute(update(plans).where(later).values(made_at=r.made_at - _TICK))
        else:
            made_at[r.id] = last + _TICK
    return made_at


def _insert_notices(
    connection: Connection, of: Sequence[tuple[Notice, datetime]], targets: Mapping[Audience, Sequence[str]]
) -> tuple[str, ...]:
    """Save notices recorded at these times, and queue those that are new; returns their ids in order."""
    wanted = {notice.id: (notice, at) for notice, at in reversed(of)}  # of equal ids the first counts
    known = set(connection.execute(select(notices.c.id).where(notices.c.id.in_(wanted))).scalars()) if wanted else ()
    new = [wanted[id_] for id_ in dict.fromkeys(notice.id for notice, _ in of) if id_ not in known]
    if not new:
        return ()
    connection.execute(insert(notices), [_notice_values(notice) for notice, _ in new])
    append_events(connection, [notice for notice, _ in new if notice.sent_alone])
    queued = [
        (notice, target, notice.trip_id or notice.id, at)
        for notice, at in new
        for target in dict.fromkeys(targets.get(notice.audience, ()) if notice.sent_alone else ())
    ]
    if queued:
        # A newer notice must not wait for the retry pause of an older one in the same thread.
        threads = {(target, thread): at for _, target, thread, at in queued}
        connection.execute(_RETRY_NOW, [{"to": t, "of": th, "now_utc": at} for (t, th), at in threads.items()])
        waiting = {"state": WAITING, "attempts": 0, "note": ""}
        connection.execute(
            insert(deliveries),
            [
                waiting
                | {
                    "notice_id": notice.id,
                    "target": target,
                    "thread": thread,
                    "next_try": at,
                    "expires_at": notice.expires_at,
                }
                for notice, target, thread, at in queued
            ],
        )
    return tuple(notice.id for notice, _ in new)


_RETRY_NOW: Final = (
    update(deliveries)
    .where(
        deliveries.c.target == bindparam("to"),
        deliveries.c.thread == bindparam("of"),
        deliveries.c.state == WAITING,
        deliveries.c.next_try > bindparam("now_utc", type_=Utc),
    )
    .values(next_try=bindparam("now_utc", type_=Utc))
)


def _notice_values(notice: Notice) -> dict[str, Any]:
    return {
        "id": notice.id,
        "kind": notice.kind.value,
        "audience": notice.audience.value,
        "trip_id": notice.trip_id or None,
        "plan_id": notice.plan_id or None,
        "created_at": notice.created_at,
        "expires_at": notice.expires_at,
        "text": notice.text,
        "body": notice.body,
    }


def _trip(row: Row[Any]) -> StoredTrip:
    return StoredTrip(id=row.id, body=row.body, created_at=row.created_at, cancelled=row.cancelled)


def _event(row: Row[Any]) -> StoredEvent:
    return StoredEvent(id=row.id, trip_id=row.trip_id or "", kind=row.kind, at=row.at, body=row.body)
