"""The store: trips, plans and notices; the outbox is filled in the transaction that records a notice."""

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime, timedelta
from types import TracebackType
from typing import Any, Self

from sqlalchemy import Connection, Row, insert, select, update

from alertd.errors import StoreError
from alertd.notices.model import Audience, Notice, NoticeKind
from alertd.store.channel_states import Channels
from alertd.store.connection import Database, insert_or
from alertd.store.leadership import Candidate
from alertd.store.outbox import WAITING, Outbox
from alertd.store.retention import Retention
from alertd.store.rows import Slot, StoredEvent, StoredPlan, StoredTrip
from alertd.store.schedule import DueTable
from alertd.store.schema import deliveries, events, notices, plans, slots, trips
from alertd.store.tokens import Answers, Tokens
from alertd.store.url import StoreLocation

_TICK = timedelta(microseconds=1)  # the resolution of a stored time


class Store:
    """One open store. Use as a context manager. Every method raises StoreError when the store fails."""

    def __init__(self, place: StoreLocation | str, *, wal: bool = False, busy_timeout_s: float = 5.0) -> None:
        """Open or create the store at `place`: a path, or a URL `sqlite:///path` or `postgresql://...`."""
        self._database = Database(place, wal=wal, busy_timeout_s=busy_timeout_s)
        self.place = self._database.place
        self.outbox = Outbox(self._database)
        self.due = DueTable(self._database)
        self.channels = Channels(self._database)
        self.tokens = Tokens(self._database)
        self.answers = Answers(self._database)
        self.pruning = Retention(self._database)
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

    def put_trip(self, trip: StoredTrip, *, replace: bool = False) -> bool:
        """Save a trip. Returns whether anything changed: the same trip again changes nothing.

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
            if (known.body, known.cancelled) == (trip.body, trip.cancelled):
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
            row = connection.execute(select(trips).where(trips.c.id == trip_id)).one_or_none()
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
        about = events.c.trip_id == trip_id if trip_id else events.c.trip_id.is_(None)
        query = (
            select(events)
            .where(about, events.c.kind == kind)
            .order_by(events.c.at.desc(), events.c.id.desc())
            .limit(newest_n)
        )
        with self._database.read() as connection:
            rows = connection.execute(query).all()
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
        with self._database.write() as connection:
            known = connection.execute(select(plans).where(plans.c.id == plan_id)).one_or_none()
            if known is None:
                at = _in_order(connection, trip_id, made_at, settled)
                connection.execute(insert(plans).values(id=plan_id, trip_id=trip_id, made_at=at, body=body_json))
            elif (known.trip_id, known.body) != (trip_id, body_json):
                raise StoreError(
                    f"store {self.place}: plan {plan_id} exists with different content; "
                    "a plan never changes: give the new one its own id"
                )
            new = _insert_notices(connection, new_notices, targets, made_at)
        return self._report_recorded(new_notices, new)

    def latest_plan(self, trip_id: str) -> StoredPlan | None:
        """Return the newest plan of a trip, or None."""
        newest = select(plans).where(plans.c.trip_id == trip_id).order_by(plans.c.made_at.desc(), plans.c.id).limit(1)
        with self._database.read() as connection:
            row = connection.execute(newest).one_or_none()
        return None if row is None else _plan(row)

    def plan(self, plan_id: str) -> StoredPlan | None:
        """Return a plan, or None."""
        with self._database.read() as connection:
            row = connection.execute(select(plans).where(plans.c.id == plan_id)).one_or_none()
        return None if row is None else _plan(row)

    def plan_before(self, trip_id: str, at: datetime) -> str | None:
        """Return the id of a trip's newest plan made at or before `at`, or None."""
        query = (
            select(plans.c.id)
            .where(plans.c.trip_id == trip_id, plans.c.made_at <= at)
            .order_by(plans.c.made_at.desc(), plans.c.id.desc())
            .limit(1)
        )
        with self._database.read() as connection:
            return connection.execute(query).scalar_one_or_none()

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
            new = _insert_notices(connection, new_notices, targets, recorded_at)
        return self._report_recorded(new_notices, new)

    def _report_recorded(self, new_notices: Sequence[Notice], new: tuple[str, ...]) -> tuple[str, ...]:
        for notice in {notice.id: notice for notice in new_notices if notice.id in new}.values():
            self.on_new(notice)
        return new

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
        return None if row is None else _notice(row)

    def notices(self, trip_id: str) -> list[Notice]:
        """Return the notices about a trip, oldest first."""
        query = select(notices).where(notices.c.trip_id == trip_id).order_by(notices.c.created_at, notices.c.id)
        with self._database.read() as connection:
            return [_notice(row) for row in connection.execute(query)]

    def notices_since(self, audience: Audience, since: datetime) -> list[Notice]:
        """Return the notices to one audience after `since`, about any trip, oldest first."""
        query = (
            select(notices)
            .where(notices.c.created_at > since, notices.c.audience == audience.value)
            .order_by(notices.c.created_at, notices.c.id)
        )
        with self._database.read() as connection:
            return [_notice(row) for row in connection.execute(query)]

    def events_since(self, kind: str, since: datetime) -> list[StoredEvent]:
        """Return the reports of one kind after `since`, about any trip, oldest first."""
        query = select(events).where(events.c.kind == kind, events.c.at > since).order_by(events.c.at, events.c.id)
        with self._database.read() as connection:
            return [_event(row) for row in connection.execute(query)]


def _in_order(connection: Connection, trip_id: str, made_at: datetime, settled: bool) -> datetime:
    """Return the time under which a new plan is the newest of its trip, as it is by the order of recording.

    A clock that was ahead has left plans of the future: without this, what they knew would count again and again. By a
    good clock their times are corrected; by a doubted one the new plan follows the newest.
    """
    of_trip = plans.c.trip_id == trip_id
    newest: datetime | None = connection.execute(
        select(plans.c.made_at).where(of_trip).order_by(plans.c.made_at.desc()).limit(1)
    ).scalar_one_or_none()
    if newest is None or newest < made_at:
        return made_at
    if not settled:
        return newest + _TICK
    connection.execute(update(plans).where(of_trip, plans.c.made_at >= made_at).values(made_at=made_at - _TICK))
    return made_at


def _insert_notices(
    connection: Connection, new_notices: Sequence[Notice], targets: Mapping[Audience, Sequence[str]], at: datetime
) -> tuple[str, ...]:
    new: list[str] = []
    for notice in new_notices:
        added = connection.execute(
            insert_or(connection, notices)
            .values(
                id=notice.id,
                kind=notice.kind.value,
                audience=notice.audience.value,
                trip_id=notice.trip_id or None,
                plan_id=notice.plan_id or None,
                created_at=notice.created_at,
                expires_at=notice.expires_at,
                text=notice.text,
                body=notice.body,
            )
            .on_conflict_do_nothing(index_elements=["id"])
            .returning(notices.c.id)
        )
        if added.first() is None:
            continue
        new.append(notice.id)
        for target in dict.fromkeys(targets.get(notice.audience, ()) if notice.sent_alone else ()):
            _queue(connection, notice, target, at)
    return tuple(new)


def _queue(connection: Connection, notice: Notice, target: str, at: datetime) -> None:
    thread = notice.trip_id or notice.id
    # A newer notice must not wait for the retry pause of an older one in the same thread.
    connection.execute(
        update(deliveries)
        .where(
            deliveries.c.target == target,
            deliveries.c.thread == thread,
            deliveries.c.state == WAITING,
            deliveries.c.next_try > at,
        )
        .values(next_try=at)
    )
    connection.execute(
        insert(deliveries).values(
            notice_id=notice.id,
            target=target,
            thread=thread,
            state=WAITING,
            attempts=0,
            next_try=at,
            expires_at=notice.expires_at,
            note="",
        )
    )


def _trip(row: Row[Any]) -> StoredTrip:
    return StoredTrip(id=row.id, body=row.body, created_at=row.created_at, cancelled=row.cancelled)


def _plan(row: Row[Any]) -> StoredPlan:
    return StoredPlan(id=row.id, trip_id=row.trip_id, made_at=row.made_at, body=row.body)


def _event(row: Row[Any]) -> StoredEvent:
    return StoredEvent(id=row.id, trip_id=row.trip_id or "", kind=row.kind, at=row.at, body=row.body)


def _notice(row: Row[Any]) -> Notice:
    return Notice(
        id=row.id,
        kind=NoticeKind(row.kind),
        audience=Audience(row.audience),
        trip_id=row.trip_id or "",
        plan_id=row.plan_id or "",
        created_at=row.created_at,
        expires_at=row.expires_at,
        text=row.text,
        body=row.body,
    )
