"""The outbox: deliveries that are decided but not yet sent. Claims are leases that expire.

waiting ── claim, send ──→ done
   ↑  └── failed: later ── waiting
   │  └── past its expiry → expired
requeue ── given up ─────→ parked (a dead letter)
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from functools import cached_property
from typing import Any, Final

from sqlalchemy import (
    ColumnElement,
    Connection,
    Row,
    Select,
    Update,
    and_,
    bindparam,
    case,
    exists,
    func,
    or_,
    select,
    update,
)

from alertd.notices.channel_state import ChannelState
from alertd.store.channel_states import Channels, keep_state
from alertd.store.connection import Database
from alertd.store.log import attempts as tries
from alertd.store.plans.packed_texts import PackedTexts
from alertd.store.rows import ClaimedDelivery, Delivery, OutboxHealth, StoredChannelCounts
from alertd.store.schema import Utc, channel_senders, deliveries, notices
from alertd.store.work.claims import (
    NOW,
    WAITING,
    claimable,
    due,
    has_older_waiting,
    in_front,
    may_mark,
    sends_on,
)

DONE, PARKED, EXPIRED = "done", "parked", "expired"
_FREE: dict[str, Any] = {"owner": None, "lease_until": None}
_BATCH_ROWS = 500  # ids per statement
OVERTAKEN: Final = "newer news of its trip went before, sent by a clock in doubt"


class Outbox:
    """The deliveries of one store. Every method raises StoreError when the store fails."""

    def __init__(self, database: Database, sender: str | None = None) -> None:
        """`sender`: the worker that claims and marks, None for the leader."""
        self._database, self._sender = database, sender
        self._mine = sends_on(sender, deliveries.c.target)

    def own_channels(self, targets: Iterable[str]) -> frozenset[str]:
        """Return those of the channels that this process sends on."""
        with self._database.read() as connection:
            owners = {row.target: row.owner for row in connection.execute(select(channel_senders))}
        return frozenset(target for target in targets if owners.get(target) == self._sender)

    def due_channels(self, now: datetime) -> tuple[str, ...]:
        """Return the channels that have a delivery due at `now`, sorted."""
        with self._database.read() as connection:
            return tuple(sorted(connection.execute(self._due_channels, {"now_utc": now}).scalars()))

    def claim_due(
        self, now: datetime, limit: int, lease_s: float, owner: str, target: str | None = None
    ) -> list[ClaimedDelivery]:
        """Claim up to `limit` due deliveries (of `target`, when given) for `owner`, for `lease_s` seconds.

        Order is kept within a trip and channel: a notice is not claimed while an older one waits and has not expired.
        Expired deliveries are claimed too, so that the caller marks them.
        """
        chosen = select(deliveries.c.id).where(*due(now), self._mine, ~has_older_waiting(now))
        if target is not None:
            chosen = chosen.where(deliveries.c.target == target)
        chosen = chosen.order_by(deliveries.c.next_try, deliveries.c.id).limit(limit)
        with self._database.write() as connection:
            ids = connection.execute(chosen).scalars().all()
            return _claim(connection, ids, owner, now + timedelta(seconds=lease_s))

    def claim_many(
        self, now: datetime, wanted: Mapping[str, int], lease_s: float, owner: str, expired_too: bool = True
    ) -> dict[str, list[ClaimedDelivery]]:
        """`claim_due` for many channels in one transaction: up to `wanted[channel]` deliveries each, by channel.

        Channels without a due delivery are absent from the result. `expired_too`: also claim expired deliveries, so
        that the caller marks them.
        """
        front, whole = self._claimable(expired_too)
        with self._database.write() as connection:
            ids, short = in_front(connection.execute(front, {"now_utc": now, "targets": list(wanted)}), wanted)
            if short:
                at_most = max(wanted[target] for target in short)
                found = connection.execute(whole, {"now_utc": now, "targets": short, "at_most": at_most})
                ids += [row.id for row in found if row.place <= wanted[row.target]]
            claimed: dict[str, list[ClaimedDelivery]] = {}
            for outgoing in _claim(connection, ids, owner, now + timedelta(seconds=lease_s)):
                claimed.setdefault(outgoing.target, []).append(outgoing)
            return claimed

    def peek_due(self, now: datetime, target: str) -> list[ClaimedDelivery]:
        """Return what `target` could claim, without a claim: for the leader while the store rejects writes.

        Raises LeadershipLost when another daemon leads.
        """
        query = _whole().where(*due(now), self._mine, ~has_older_waiting(now), deliveries.c.target == target)
        with self._database.read(leading=True) as connection:
            found = _outgoing(connection, query.order_by(deliveries.c.next_try, deliveries.c.id))
            return [replace(outgoing, attempt=outgoing.attempt + 1) for outgoing in found]

    def release_claims(self) -> int:
        """Free the claims of former leaders; return how many. Only for a daemon that has just become leader."""
        with self._database.write() as connection:
            return connection.execute(
                update(deliveries)
                .where(deliveries.c.state == WAITING, deliveries.c.lease_until.is_not(None), may_mark(None))
                .values(**_FREE)
            ).rowcount

    def mark_done(self, delivery_id: int, at: datetime, note: str = "") -> None:
        """Mark a delivery as accepted by its channel, whatever its present state: it was delivered."""
        with self._database.write() as connection:
            connection.execute(
                update(deliveries)
                .where(deliveries.c.id == delivery_id, deliveries.c.state != DONE, may_mark(self._sender))
                .values(state=DONE, settled_at=at, note=note, **_FREE)
            )
            tries.note_attempts(connection, {delivery_id: at}, tries.DONE, note)

    def channel_states(self) -> Mapping[str, ChannelState]:
        """Return the state of each channel, by name."""
        return Channels(self._database).by_name()

    def mark_all_done(
        self, done: Mapping[int, datetime], states: Iterable[ChannelState] = (), overtaking: bool = False
    ) -> list[ClaimedDelivery]:
        """`mark_done` for many (delivery id -> UTC time), and save their channels' states, in one transaction.

        overtaking: they were sent by a clock in doubt. It may have passed over an older delivery of the same trip and
        channel as expired. That one is parked, because it must not arrive after newer news. Returns the parked ones.
        """
        parked: list[ClaimedDelivery] = []
        with self._database.write() as connection:
            if done:
                connection.execute(self._mark_done, [{"delivery_id": one, "at": at} for one, at in done.items()])
                tries.note_attempts(connection, done, tries.DONE)
            if done and overtaking:
                at = max(done.values())
                overtaken = connection.execute(_OVERTAKEN, {"ids": list(done)}).scalars().all()
                if overtaken:
                    connection.execute(_PARK, {"ids": overtaken, "at": at, "why": OVERTAKEN})
                    tries.note_attempts(connection, dict.fromkeys(overtaken, at), tries.PARKED, OVERTAKEN)
                    parked = _outgoing(connection, _CLAIMED, {"ids": overtaken})
            for state in {one.target: one for one in states}.values():  # the last of each channel
                keep_state(connection, state, self._sender)
        return parked

    # The statements of every delivery run are built once: to build one costs more than to run it.

    @cached_property
    def _due_channels(self) -> Select[Any]:
        return select(deliveries.c.target).where(*due(NOW), self._mine).distinct()

    def _claimable(self, expired_too: bool) -> tuple[Select[Any], Select[Any]]:
        return self._all_claimable if expired_too else self._unexpired_claimable

    @cached_property
    def _all_claimable(self) -> tuple[Select[Any], Select[Any]]:
        return claimable(self._mine)

    @cached_property
    def _unexpired_claimable(self) -> tuple[Select[Any], Select[Any]]:
        return claimable(and_(self._mine, deliveries.c.expires_at > NOW))

    @cached_property
    def _mark_done(self) -> Update:
        return (
            update(deliveries)
            .where(deliveries.c.id == bindparam("delivery_id"), deliveries.c.state != DONE, may_mark(self._sender))
            .values(state=DONE, settled_at=bindparam("at"), note="", **_FREE)
        )

    # `channel`: the channel's state after the attempt, saved in the same transaction; None where no attempt was made.

    def mark_retry(
        self, delivery_id: int, at: datetime, next_try: datetime, note: str, channel: ChannelState | None = None
    ) -> None:
        """Schedule the next attempt at `next_try`."""
        attempt = (at, tries.FAILED, note)
        self._change_waiting(delivery_id, channel, attempt, next_try=next_try, note=note)

    def mark_parked(self, delivery_id: int, at: datetime, note: str, channel: ChannelState | None = None) -> None:
        """Give up on a delivery (dead letter) until an operator corrects the cause and calls `retry_now`."""
        attempt = (at, tries.PARKED, note)
        self._change_waiting(delivery_id, channel, attempt, state=PARKED, settled_at=at, note=note)

    def mark_expired(self, delivery_id: int, at: datetime, note: str, channel: ChannelState | None = None) -> None:
        """Mark a delivery as expired before it was sent."""
        attempt = (at, tries.EXPIRED, note)
        self._change_waiting(delivery_id, channel, attempt, state=EXPIRED, settled_at=at, note=note)

    def make_due_now(self, target: str, now: datetime, limit: int | None = None) -> int:
        """Make paused deliveries of `target` due at `now`, at most `limit`, soonest retry first; return how many."""
        pausing = (
            select(deliveries.c.id)
            .where(
                deliveries.c.state == WAITING, deliveries.c.target == target, deliveries.c.next_try > now, self._mine
            )
            .order_by(deliveries.c.next_try, deliveries.c.id)
            .limit(limit)
        )
        with self._database.write() as connection:
            return connection.execute(
                update(deliveries).where(deliveries.c.id.in_(pausing)).values(next_try=now)
            ).rowcount

    def wake_future(self, now: datetime, longest_pause: timedelta) -> int:
        """Make deliveries due at `now` whose pause or lease ends later than `longest_pause` allows; return how many.

        Such times come from a clock that was ahead.
        """
        much_later = or_(deliveries.c.next_try > now + longest_pause, deliveries.c.lease_until > now + longest_pause)
        condition = and_(deliveries.c.state == WAITING, much_later)
        with self._database.read() as connection:
            if connection.execute(select(deliveries.c.id).where(condition).limit(1)).first() is None:
                return 0
        with self._database.write() as connection:
            return connection.execute(update(deliveries).where(condition).values(next_try=now, **_FREE)).rowcount

    def retry_now(self, ids: Sequence[int], now: datetime) -> int:
        """Queue dead letters again with a fresh attempt count; return how many were parked."""
        with self._database.write() as connection:
            return sum(
                connection.execute(
                    update(deliveries)
                    .where(deliveries.c.id.in_(ids[n : n + _BATCH_ROWS]), deliveries.c.state == PARKED)
                    .values(state=WAITING, attempts=0, next_try=now, settled_at=None)
                ).rowcount
                for n in range(0, len(ids), _BATCH_ROWS)
            )

    def redeliver(self, ids: Sequence[int], now: datetime) -> int:
        """Queue settled deliveries again, also those that their channel took; return how many."""
        again = and_(deliveries.c.id.in_(ids), deliveries.c.state.in_((DONE, PARKED)))
        with self._database.write() as connection:
            chosen = connection.execute(select(deliveries.c.id).where(again)).scalars().all()
            connection.execute(
                update(deliveries)
                .where(again)
                .values(state=WAITING, attempts=0, next_try=now, settled_at=None, note="", **_FREE)
            )
            tries.note_attempts(connection, dict.fromkeys(chosen, now), tries.REQUEUED)
            return len(chosen)

    def list_dead_letters(
        self, *, target: str | None = None, since: datetime | None = None, until: datetime | None = None
    ) -> list[Delivery]:
        """Return dead letters of one channel or all, created in [`since`, `until`), oldest first."""
        query = _whole().where(deliveries.c.state == PARKED).order_by(deliveries.c.id)
        if target is not None:
            query = query.where(deliveries.c.target == target)
        if since is not None:
            query = query.where(notices.c.created_at >= since)
        if until is not None:
            query = query.where(notices.c.created_at < until)
        with self._database.read() as connection:
            return [_delivery(row) for row in connection.execute(query)]

    def list_expired(self, newest_n: int) -> list[Delivery]:
        """Return the newest `newest_n` deliveries that expired before they were sent, oldest first."""
        query = _whole().where(deliveries.c.state == EXPIRED).order_by(deliveries.c.id.desc()).limit(newest_n)
        with self._database.read() as connection:
            return [_delivery(row) for row in connection.execute(query)][::-1]

    def superseded(self, ids: Sequence[int]) -> set[int]:
        """Return those of `ids` after which a newer notice of the same trip reached the same channel."""
        newer = deliveries.alias("newer")
        passed_by = exists().where(
            newer.c.target == deliveries.c.target,
            newer.c.thread == deliveries.c.thread,
            newer.c.state == DONE,
            newer.c.id > deliveries.c.id,
        )
        with self._database.read() as connection:
            return set(connection.execute(select(deliveries.c.id).where(deliveries.c.id.in_(ids), passed_by)).scalars())

    def of_notice(self, notice_id: str) -> list[Delivery]:
        """Return the deliveries of one notice, one for each channel."""
        with self._database.read() as connection:
            rows = connection.execute(_whole().where(deliveries.c.notice_id == notice_id).order_by(deliveries.c.id))
            return [_delivery(row) for row in rows]

    def counts_by_channel(self) -> tuple[StoredChannelCounts, ...]:
        """Return the number of deliveries per channel and state, sorted by channel."""
        counted = (
            select(
                deliveries.c.target,
                _counted(WAITING).label("waiting"),
                _counted(PARKED).label("parked"),
                _counted(EXPIRED).label("expired"),
                _counted(DONE).label("done"),
                func.max(case((deliveries.c.state == DONE, deliveries.c.settled_at))).label("last_done_at"),
                func.min(case((deliveries.c.state == WAITING, notices.c.created_at))).label("oldest_waiting_at"),
            )
            .join(notices, notices.c.id == deliveries.c.notice_id)
            .group_by(deliveries.c.target)
            .order_by(deliveries.c.target)
        )
        with self._database.read() as connection:
            return tuple(
                StoredChannelCounts(
                    target=row.target,
                    waiting_n=row.waiting,
                    parked_n=row.parked,
                    expired_n=row.expired,
                    done_n=row.done,
                    last_done_at=row.last_done_at,
                    oldest_waiting_at=row.oldest_waiting_at,
                )
                for row in connection.execute(counted)
            )

    def waiting_channels(self) -> frozenset[str]:
        """Return the channels that have a waiting delivery, due or paused."""
        with self._database.read() as connection:
            found = connection.execute(select(deliveries.c.target).where(deliveries.c.state == WAITING).distinct())
            return frozenset(found.scalars())

    def health(self, now: datetime) -> OutboxHealth:
        """Return totals per state and the age of the oldest waiting notice (s)."""
        with self._database.read() as connection:
            counted = connection.execute(select(deliveries.c.state, func.count()).group_by(deliveries.c.state))
            n = {row[0]: row[1] for row in counted}
            oldest = connection.execute(
                select(notices.c.created_at)
                .join(deliveries, deliveries.c.notice_id == notices.c.id)
                .where(deliveries.c.state == WAITING)
                .order_by(notices.c.created_at)
                .limit(1)
            ).scalar()
        return OutboxHealth(
            waiting_n=n.get(WAITING, 0),
            parked_n=n.get(PARKED, 0),
            expired_n=n.get(EXPIRED, 0),
            done_n=n.get(DONE, 0),
            oldest_waiting_age_s=max(0.0, (now - oldest).total_seconds()) if oldest else 0.0,
        )

    def _change_waiting(
        self, delivery_id: int, channel: ChannelState | None, attempt: tuple[datetime, str, str], **values: object
    ) -> None:
        # Only while it waits: a late result must not undo a delivery that another attempt completed.
        at, outcome, note = attempt
        with self._database.write() as connection:
            changed = connection.execute(
                update(deliveries)
                .where(deliveries.c.id == delivery_id, deliveries.c.state == WAITING, may_mark(self._sender))
                .values(**values, **_FREE)
            )
            if changed.rowcount:
                tries.note_attempts(connection, {delivery_id: at}, outcome, note)
            if channel is not None:
                keep_state(connection, channel, self._sender)


def _counted(state: str) -> ColumnElement[int]:
    return func.sum(case((deliveries.c.state == state, 1), else_=0))


def _whole() -> Select[Any]:
    return select(
        deliveries,
        notices.c.kind,
        notices.c.audience,
        notices.c.trip_id,
        notices.c.created_at,
        notices.c.text,
        notices.c.body,
    ).join(notices, notices.c.id == deliveries.c.notice_id)


def _claim(connection: Connection, ids: Sequence[int], owner: str, until: datetime) -> list[ClaimedDelivery]:
    """Give the deliveries to `owner` until then; returns them, the soonest due first."""
    if not ids:
        return []
    connection.execute(_CLAIM, {"ids": ids, "by": owner, "until": until})
    return _outgoing(connection, _CLAIMED, {"ids": ids})


_IDS: Final = deliveries.c.id.in_(bindparam("ids", expanding=True))
_CLAIM: Final = (
    update(deliveries)
    .where(_IDS)
    .values(owner=bindparam("by"), lease_until=bindparam("until", type_=Utc), attempts=deliveries.c.attempts + 1)
)
_OLDER: Final = deliveries.alias("older")
_OVERTAKEN: Final = (
    select(_OLDER.c.id)
    .join(deliveries, and_(deliveries.c.target == _OLDER.c.target, deliveries.c.thread == _OLDER.c.thread))
    .where(_IDS, _OLDER.c.id < deliveries.c.id, _OLDER.c.state == WAITING, _OLDER.c.owner.is_(None))
    .distinct()
)
_PARK: Final = (
    update(deliveries)
    .where(_IDS)
    .values(state=PARKED, settled_at=bindparam("at", type_=Utc), note=bindparam("why"), **_FREE)
)
_CLAIMED: Final = _whole().where(_IDS).order_by(deliveries.c.next_try, deliveries.c.id)


def _outgoing(
    connection: Connection, query: Select[Any], asked: Mapping[str, Any] | None = None
) -> list[ClaimedDelivery]:
    texts = PackedTexts(connection)
    return [
        ClaimedDelivery(
            id=row.id,
            notice_id=row.notice_id,
            kind=row.kind,
            audience=row.audience,
            trip_id=row.trip_id or "",
            target=row.target,
            text=texts.words(row.text),
            body=texts.whole(row.body).encode(),
            created_at=row.created_at,
            expires_at=row.expires_at,
            attempt=row.attempts,
        )
        for row in connection.execute(query, asked or {}).all()
    ]


def _delivery(row: Row[Any]) -> Delivery:
    return Delivery(
        id=row.id,
        notice_id=row.notice_id,
        kind=row.kind,
        trip_id=row.trip_id or "",
        target=row.target,
        state=row.state,
        attempts=row.attempts,
        next_try=row.next_try,
        expires_at=row.expires_at,
        settled_at=row.settled_at,
        note=row.note,
    )
