"""Numbers every event in the order of its commit, so that a reader that was down continues where it stopped.

Writers run one at a time, so a later commit always has the greater number: a reader that has seen N never misses an
event below N. Numbers may have gaps and are never reused.
"""

import json
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import Connection, Row, delete, func, insert, select

from alertd.notices.model import Audience, Notice, NoticeKind
from alertd.store.connection import Database, insert_or
from alertd.store.plans.packed_texts import PackedTexts
from alertd.store.schema import event_log, meta, notices

_DELETED_TO: Final = "event_log_deleted_to"  # key in `meta`: the greatest number that retention deleted


@dataclass(frozen=True, slots=True, kw_only=True)
class LoggedEvent:
    """One event: its number, the `type` of its body, and the notice that it carries."""

    seq: int
    type: str
    notice: Notice


@dataclass(frozen=True, slots=True, kw_only=True)
class EventPage:
    """Events after a number, oldest first. next_after: the number to continue from.

    newest: the greatest number ever seen; 0 without any. missed: retention has deleted events after the given number.
    """

    events: tuple[LoggedEvent, ...]
    next_after: int
    more: bool
    newest: int
    missed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class EventFilter:
    """Which events are wanted; empty means all."""

    audience: Audience | None = None
    types: Collection[str] = ()
    trip_id: str = ""


class EventLog:
    """The events of one store. Every method raises StoreError when the store fails."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def page(self, after: int, limit: int, wanted: EventFilter | None = None) -> EventPage:
        """Return up to `limit` events with a number above `after`."""
        wanted = wanted or EventFilter()
        query = (
            select(event_log.c.seq, event_log.c.type, notices)
            .join(notices, notices.c.id == event_log.c.notice_id)
            .where(event_log.c.seq > after)
            .order_by(event_log.c.seq)
            .limit(limit + 1)
        )
        if wanted.audience is not None:
            query = query.where(notices.c.audience == wanted.audience.value)
        if wanted.types:
            query = query.where(event_log.c.type.in_(wanted.types))
        if wanted.trip_id:
            query = query.where(notices.c.trip_id == wanted.trip_id)
        with self._database.read() as connection:
            # The newest number first: an event committed meanwhile must not be skipped by `next_after`.
            deleted_to = _deleted_to(connection)
            newest = max(connection.execute(select(func.max(event_log.c.seq))).scalar() or 0, deleted_to)
            texts = PackedTexts(connection)
            found = texts.of_rows(connection.execute(query).all(), _logged)
        events = tuple(found[:limit])
        more = len(found) > limit
        last = events[-1].seq if events else after
        return EventPage(
            events=events,
            next_after=last if more else max(last, newest),
            more=more,
            newest=newest,
            missed=after < deleted_to,
        )

    def newest(self) -> int:
        """Return the greatest number in the log; 0 when it is empty."""
        with self._database.read() as connection:
            return connection.execute(select(func.max(event_log.c.seq))).scalar() or 0

    def event(self, notice_id: str) -> LoggedEvent | None:
        """Return the event of a notice, or None."""
        query = (
            select(event_log.c.seq, event_log.c.type, notices)
            .join(notices, notices.c.id == event_log.c.notice_id)
            .where(notices.c.id == notice_id)
        )
        with self._database.read() as connection:
            row = connection.execute(query).one_or_none()
            return None if row is None else _logged(row, PackedTexts(connection))


def append_events(connection: Connection, new_notices: Sequence[Notice]) -> None:
    """Number new notices in their order, in the transaction that saves them."""
    if new_notices:
        rows = [{"notice_id": notice.id, "type": _type_of(notice.body)} for notice in new_notices]
        connection.execute(insert(event_log), rows)


def delete_events(connection: Connection, notice_ids: Sequence[str]) -> None:
    """Delete the events of these notices and store how far the log was deleted."""
    chosen = event_log.c.notice_id.in_(notice_ids)
    newest = connection.execute(select(func.max(event_log.c.seq)).where(chosen)).scalar()
    if newest is None:
        return
    mark = {"value": str(max(newest, _deleted_to(connection)))}
    connection.execute(
        insert_or(connection, meta)
        .values(key=_DELETED_TO, **mark)
        .on_conflict_do_update(index_elements=["key"], set_=mark)
    )
    connection.execute(delete(event_log).where(chosen))


def _deleted_to(connection: Connection) -> int:
    found = connection.execute(select(meta.c.value).where(meta.c.key == _DELETED_TO)).scalar()
    return int(found) if found else 0


def _type_of(body: str) -> str:
    found = json.loads(body)
    return str(found.get("type", "")) if isinstance(found, dict) else ""


def _logged(row: Row[Any], texts: PackedTexts) -> LoggedEvent:
    return LoggedEvent(seq=row.seq, type=row.type, notice=notice_of(row, texts))


def notice_of(row: Row[Any], texts: PackedTexts) -> Notice:
    """Return the notice of a row with the columns of the table `notices`."""
    return Notice(
        id=row.id,
        kind=NoticeKind(row.kind),
        audience=Audience(row.audience),
        trip_id=row.trip_id or "",
        plan_id=row.plan_id or "",
        created_at=row.created_at,
        expires_at=row.expires_at,
        text=texts.words(row.text),
        body=texts.whole(row.body),
    )
