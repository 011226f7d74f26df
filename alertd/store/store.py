"""What must survive a crash: trips, plans and notices, with the outbox filled in the transaction of the decision."""

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
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


class Store:
    """One store, open. Use as a context manager. Every method raises StoreError when the store fails."""

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
        self.on_new: Callable[[Notice], None] = lambda notice: None  # hears of each notice once it is kept for good

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, exc: BaseException | None, tb: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        self._database.close()

    def candidate(self, owner: str, *, lease_s: float) -> Candidate:
        """This process as one that may lead the store: from then on it may write only while it does."""
        return Candidate(self._database, owner, lease_s=lease_s)

    def put_trip(self, trip: StoredTrip, *, replace: bool = False) -> bool:
        """Keep a trip. Returns whether anything changed: the same trip again changes nothing.

        Raises StoreError when the id is taken by another content, unless `replace`.
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
                    f"store {self.place}: trip {trip.id} is already there with another content; "
                    "give the new trip its own id, or ask for it to be replaced"
                )
            # An update, never a delete: the plans and notices of the trip stay.
            connection.execute(update(trips).where(trips.c.id == trip.id).values(**values))
            return True

    def trip(self, trip_id: str) -> StoredTrip | None:
        with self._database.read() as connection:
            row = connection.execute(select(trips).where(trips.c.id == trip_id)).one_or_none()
        return None if row is None else _trip(row)

    def trips(self, *, cancelled_too: bool = False) -> list[StoredTrip]:
        """Every trip, oldest first."""
        wanted = select(trips).order_by(trips.c.created_at, trips.c.id)
        if not cancelled_too:
            wanted = wanted.where(trips.c.cancelled.is_(False))
        with self._database.read() as connection:
            return [_trip(row) for row in connection.execute(wanted)]

    def trip_ids(self) -> list[str]:
        """The ids of all trips that are not cancelled."""
        with self._database.read() as connection:
            return list(connection.execute(select(trips.c.id).where(trips.c.cancelled.is_(False))).scalars())

    def cancel_trip(self, trip_id: str) -> bool:
        """Returns whether there was such a trip. What is already decided about it still goes out."""
        with self._database.write() as connection:
            return connection.execute(update(trips).where(trips.c.id == trip_id).values(cancelled=True)).rowcount > 0

    def put_event(self, event: StoredEvent) -> bool:
        """Keep a report. Returns whether it is new: one whose id is there changes nothing.

        Raises StoreError when there is no such trip.
        """
        with self._database.write() as connection:
            kept = connection.execute(
                insert_or(connection, events)
                .values(id=event.id, trip_id=event.trip_id or None, kind=event.kind, at=event.at, body=event.body)
                .on_conflict_do_nothing(index_elements=["id"])
                .returning(events.c.id)
            )
            return kept.first() is not None

    def event(self, id_: str) -> StoredEvent | None:
        with self._database.read() as connection:
            row = connection.execute(select(events).where(events.c.id == id_)).one_or_none()
        return None if row is None else _event(row)

    def events(self, trip_id: str, kind: str, newest_n: int | None = None) -> list[StoredEvent]:
        """The newest reports of one kind about a trip ("" for those about none), oldest of them first."""
        about = events.c.trip_id == trip_id if trip_id else events.c.trip_id.is_(None)
        wanted = (
            select(events)
            .where(about, events.c.kind == kind)
            .order_by(events.c.at.desc(), events.c.id.desc())
            .limit(newest_n)
        )
        with self._database.read() as connection:
            rows = connection.execute(wanted).all()
        return [_event(row) for row in reversed(rows)]

    def record_plan(
        self,
        plan_id: str,
        trip_id: str,
        made_at: datetime,
        body_json: str,
        new_notices: Sequence[Notice],
        targets: Mapping[Audience, Sequence[str]],
    ) -> tuple[str, ...]:
        """Keep a plan, its notices and a delivery for each target of each notice's audience: all or nothing.

        Returns the ids of the notices that are new. One already there is not said again, whatever its targets.
        """
        with self._database.write() as connection:
            known = connection.execute(select(plans).where(plans.c.id == plan_id)).one_or_none()
            if known is None:
                connection.execute(insert(plans).values(id=plan_id, trip_id=trip_id, made_at=made_at, body=body_json))
            elif (known.trip_id, known.body) != (trip_id, body_json):
                raise StoreError(
                    f"store {self.place}: plan {plan_id} is already there with another content; "
                    "a plan never changes, give the new one its own id"
                )
            new = _insert_notices(connection, new_notices, targets, made_at)
        return self._report_recorded(new_notices, new)

    def latest_plan(self, trip_id: str) -> StoredPlan | None:
        newest = select(plans).where(plans.c.trip_id == trip_id).order_by(plans.c.made_at.desc(), plans.c.id).limit(1)
        with self._database.read() as connection:
            row = connection.execute(newest).one_or_none()
        return None if row is None else _plan(row)

    def plan(self, plan_id: str) -> StoredPlan | None:
        with self._database.read() as connection:
            row = connection.execute(select(plans).where(plans.c.id == plan_id)).one_or_none()
        return None if row is None else _plan(row)

    def plan_before(self, trip_id: str, at: datetime) -> str | None:
        """The id of a trip's newest plan made at or before a moment."""
        wanted = (
            select(plans.c.id)
            .where(plans.c.trip_id == trip_id, plans.c.made_at <= at)
            .order_by(plans.c.made_at.desc(), plans.c.id.desc())
            .limit(1)
        )
        with self._database.read() as connection:
            return connection.execute(wanted).scalar_one_or_none()

    def plans_made(self, since: datetime, until: datetime) -> list[tuple[str, str, datetime]]:
        """(plan, trip, when made) of the plans made in [since, until), oldest first; their bodies are large."""
        wanted = (
            select(plans.c.id, plans.c.trip_id, plans.c.made_at)
            .where(plans.c.made_at >= since, plans.c.made_at < until)
            .order_by(plans.c.made_at, plans.c.id)
        )
        with self._database.read() as connection:
            return [(row.id, row.trip_id, row.made_at) for row in connection.execute(wanted)]

    def record_notices(
        self,
        new_notices: Sequence[Notice],
        targets: Mapping[Audience, Sequence[str]],
        recorded_at: datetime,
        *,
        slot: Slot | None = None,
    ) -> tuple[str, ...]:
        """Keep notices that belong to no plan, such as a brief. Returns the ids of those that are new.

        With a `slot`, none of them is kept when that slot was filled before.
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
        filled = select(slots.c.filled_at).where(
            slots.c.kind == slot.kind, slots.c.fleet == slot.fleet, slots.c.local_date == slot.local_date
        )
        with self._database.read() as connection:
            return connection.execute(filled).first() is not None

    def notice(self, notice_id: str) -> Notice | None:
        with self._database.read() as connection:
            row = connection.execute(select(notices).where(notices.c.id == notice_id)).one_or_none()
        return None if row is None else _notice(row)

    def notices(self, trip_id: str) -> list[Notice]:
        """What was said about a trip, oldest first."""
        wanted = select(notices).where(notices.c.trip_id == trip_id).order_by(notices.c.created_at, notices.c.id)
        with self._database.read() as connection:
            return [_notice(row) for row in connection.execute(wanted)]

    def notices_since(self, audience: Audience, since: datetime) -> list[Notice]:
        """What was said to one audience after a moment, about any trip, oldest first."""
        wanted = (
            select(notices)
            .where(notices.c.created_at > since, notices.c.audience == audience.value)
            .order_by(notices.c.created_at, notices.c.id)
        )
        with self._database.read() as connection:
            return [_notice(row) for row in connection.execute(wanted)]

    def events_since(self, kind: str, since: datetime) -> list[StoredEvent]:
        """Reports of one kind after a moment, about any trip, oldest first."""
        wanted = select(events).where(events.c.kind == kind, events.c.at > since).order_by(events.c.at, events.c.id)
        with self._database.read() as connection:
            return [_event(row) for row in connection.execute(wanted)]


def _insert_notices(
    connection: Connection, new_notices: Sequence[Notice], targets: Mapping[Audience, Sequence[str]], at: datetime
) -> tuple[str, ...]:
    new: list[str] = []
    for notice in new_notices:
        kept = connection.execute(
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
        if kept.first() is None:
            continue
        new.append(notice.id)
        for target in dict.fromkeys(targets.get(notice.audience, ())):
            _queue(connection, notice, target, at)
    return tuple(new)


def _queue(connection: Connection, notice: Notice, target: str, at: datetime) -> None:
    thread = notice.trip_id or notice.id
    # Newer news must not wait out the pause of an older try that it stands behind.
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
