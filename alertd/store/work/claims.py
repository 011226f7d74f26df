"""Which deliveries a process may claim and mark: conditions of the outbox's statements.

A channel has one sender: the worker that the leader gave it to, else the leader. `sender` is that worker's name, None
for the leader. Every write transaction locks the row of `leader` first, so no channel changes hands within one.
"""

from collections import Counter
from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any, Final

from sqlalchemy import ColumnElement, Row, Select, bindparam, func, or_, select

from alertd.store.schema import Utc, channel_senders, deliveries, senders

WAITING = "waiting"
NOW: Final = bindparam("now_utc", type_=Utc)
FRONT_ROWS: Final = 32  # of a channel, searched for those that may be claimed before all others are [A]


def due(now: datetime | ColumnElement[datetime]) -> tuple[ColumnElement[bool], ...]:
    """Waiting deliveries that are due or expired, and that have no claim."""
    return (
        deliveries.c.state == WAITING,
        or_(deliveries.c.next_try <= now, deliveries.c.expires_at <= now),
        or_(deliveries.c.lease_until.is_(None), deliveries.c.lease_until <= now),
    )


def has_older_waiting(now: datetime | ColumnElement[datetime]) -> ColumnElement[bool]:
    """Deliveries behind an older one of their trip and channel.

    A subquery for each, and no EXISTS: PostgreSQL turns that into a join of all that waits with all that waits, because
    before a burst its statistics show that nothing does.
    """
    older = deliveries.alias("older")
    first = select(older.c.id).where(
        older.c.target == deliveries.c.target,
        older.c.thread == deliveries.c.thread,
        older.c.state == WAITING,
        older.c.id < deliveries.c.id,
        # An expired delivery in a long pause must not block newer notices.
        older.c.expires_at > now,
    )
    return first.correlate(deliveries).limit(1).scalar_subquery().is_not(None)


def sends_on(sender: str | None, target: ColumnElement[Any]) -> ColumnElement[bool]:
    """Channels that the process sends on."""
    if sender is None:
        return target.not_in(select(channel_senders.c.target))
    return target.in_(select(channel_senders.c.target).where(channel_senders.c.owner == sender))


def may_mark(sender: str | None) -> ColumnElement[bool]:
    """Deliveries that no other process has in hand.

    A process that lost its channel may still mark what it had claimed, until the new sender claims that again.
    """
    others = deliveries.c.owner.in_(select(senders.c.owner)) if sender is None else deliveries.c.owner != sender
    return or_(deliveries.c.owner.is_(None), ~others)


def claimable(mine: ColumnElement[bool]) -> tuple[Select[Any], Select[Any]]:
    """The first FRONT_ROWS deliveries of each of `targets` that are due at `now_utc`, and whether each must wait.

    The second: which of all of them may be claimed, up to `at_most` of each target, with their place. To look whether
    an older one waits takes long for thousands.
    """
    place = func.row_number().over(partition_by=deliveries.c.target, order_by=(deliveries.c.next_try, deliveries.c.id))
    wanted = deliveries.c.target.in_(bindparam("targets", expanding=True))
    due_now = select(deliveries.c.id, deliveries.c.target, place.label("place")).where(*due(NOW), mine, wanted)
    first = due_now.subquery()
    front = (
        select(deliveries.c.id, deliveries.c.target, has_older_waiting(NOW).label("waits"))
        .join(first, first.c.id == deliveries.c.id)
        .where(first.c.place <= FRONT_ROWS)
        .order_by(deliveries.c.next_try, deliveries.c.id)
    )
    free = due_now.where(~has_older_waiting(NOW)).subquery()
    return front, select(free).where(free.c.place <= bindparam("at_most"))


def in_front(rows: Iterable[Row[Any]], wanted: Mapping[str, int]) -> tuple[list[int], list[str]]:
    """Ids of up to `wanted` deliveries of each channel, and the channels of which the rest must be searched."""
    ids: list[int] = []
    seen_n = Counter[str]()
    chosen: dict[str, list[int]] = {}
    for row in rows:
        seen_n[row.target] += 1
        of_target = chosen.setdefault(row.target, [])
        if not row.waits and len(of_target) < wanted[row.target]:
            of_target.append(row.id)
    short = [t for t, found in chosen.items() if len(found) < wanted[t] and seen_n[t] == FRONT_ROWS]
    for target, found in chosen.items():
        ids += [] if target in short else found
    return ids, short
