"""Dead letters: lists given-up deliveries, and sends them again on request or after an outage."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime

from alertd.delivery.retry import TRIED_FOR_A_DAY
from alertd.errors import InputError
from alertd.store.rows import Delivery
from alertd.store.store import Store

NEWEST_EXPIRED = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class DeadLetter:
    """A delivery that is no longer attempted.

    usable: it may be sent again. superseded: a newer notice of its trip reached the same channel, so it would arrive
    out of order and may be outdated.
    """

    delivery: Delivery
    usable: bool
    superseded: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ResendResult:
    """Delivery ids: queued again; expired; not sent, because a newer notice was delivered first."""

    requeued: tuple[int, ...]
    expired: tuple[int, ...]
    superseded: tuple[int, ...]


def list_dead_letters(store: Store, now_utc: datetime) -> tuple[DeadLetter, ...]:
    """Parked deliveries, then the newest that expired unsent, each oldest first."""
    parked, expired = store.outbox.list_dead_letters(), store.outbox.list_expired(NEWEST_EXPIRED)
    late = store.outbox.superseded([d.id for d in parked])
    return (
        *(DeadLetter(delivery=d, usable=d.expires_at > now_utc, superseded=d.id in late) for d in parked),
        *(DeadLetter(delivery=d, usable=False, superseded=False) for d in expired),
    )


def resend_ids(store: Store, ids: Sequence[int], now_utc: datetime) -> ResendResult:
    """Queue parked deliveries again by id, including superseded ones, because a person chose them.

    Raises InputError when one of them is not parked.
    """
    parked = {d.id: d for d in store.outbox.list_dead_letters()}
    if missing := [one for one in ids if one not in parked]:
        raise InputError("parked", str(missing[0]), "is not parked", "give a number from the list of `alertd parked`")
    wanted = set(ids)
    return _requeue(store, lambda d: d.id in wanted, now_utc, superseded_too=True)


def resend_where(store: Store, now_utc: datetime, *, target: str = "", since: datetime | None = None) -> ResendResult:
    """Queue all parked deliveries again, except superseded ones; optionally of one channel, or parked since a time."""
    return _requeue(
        store,
        lambda d: (
            (not target or d.target == target)
            and (since is None or (d.settled_at is not None and d.settled_at >= since))
        ),
        now_utc,
    )


def resend_after_outage(store: Store, target: str, now_utc: datetime) -> ResendResult:
    """Queue deliveries again that were parked because `target` failed for a day. Other causes need a person."""
    return _requeue(store, lambda d: d.target == target and d.note.startswith(TRIED_FOR_A_DAY), now_utc)


def reopen(store: Store, target: str, configured: Sequence[str], now_utc: datetime) -> bool:
    """Enable the channel `target` again; returns whether it was disabled. Raises InputError for an unknown channel."""
    if target not in configured and store.channels.get(target) is None:
        names = ", ".join(configured) or "none is configured"
        raise InputError("parked", target, "is no channel of the settings", f"name one of: {names}")
    return store.channels.reopen(target, now_utc)


def _requeue(
    store: Store, wanted: Callable[[Delivery], bool], now_utc: datetime, *, superseded_too: bool = False
) -> ResendResult:
    chosen = [d for d in store.outbox.list_dead_letters() if wanted(d)]
    usable = [d.id for d in chosen if d.expires_at > now_utc]
    late = set() if superseded_too else store.outbox.superseded(usable)
    again = [one for one in usable if one not in late]
    if again:
        store.outbox.retry_now(again, now_utc)
    return ResendResult(
        requeued=tuple(again),
        expired=tuple(d.id for d in chosen if d.expires_at <= now_utc),
        superseded=tuple(one for one in usable if one in late),
    )
