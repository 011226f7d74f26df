"""Which deliveries a process may claim and mark: conditions of the outbox's statements.

A channel has one sender: the worker that the leader gave it to, else the leader. `sender` is that worker's name, None
for the leader. Every write transaction locks the row of `leader` first, so no channel changes hands within one.
"""

from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, and_, exists, or_, select

from alertd.store.schema import channel_senders, deliveries, senders

WAITING = "waiting"


def due(now: datetime | ColumnElement[datetime]) -> tuple[ColumnElement[bool], ...]:
    """Waiting deliveries that are due or expired, and that have no claim."""
    return (
        deliveries.c.state == WAITING,
        or_(deliveries.c.next_try <= now, deliveries.c.expires_at <= now),
        or_(deliveries.c.lease_until.is_(None), deliveries.c.lease_until <= now),
    )


def has_older_waiting(now: datetime | ColumnElement[datetime]) -> ColumnElement[bool]:
    """Deliveries behind an older one of their trip and channel."""
    older = deliveries.alias("older")
    return exists().where(
        and_(
            older.c.target == deliveries.c.target,
            older.c.thread == deliveries.c.thread,
            older.c.state == WAITING,
            older.c.id < deliveries.c.id,
            # An expired delivery in a long pause must not block newer notices.
            older.c.expires_at > now,
        )
    )


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
