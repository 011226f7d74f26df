"""Road closures that the operator posts: stored once, withdrawn by id, loaded while they apply."""

from datetime import datetime
from typing import TYPE_CHECKING, Final

from alertd.plan.controls.closures import BELIEVED_FOR, PostedClosure
from alertd.records.event_stream import EventStream, Retain, from_json
from alertd.sources.requests.closures import ClosureRequest, parse_closure

if TYPE_CHECKING:
    from alertd.store.store import Store


class IdConflict(Exception):
    """The id is in use for other content, or was withdrawn."""


def save_closure(store: "Store", closure: ClosureRequest, now_utc: datetime) -> bool:
    """Save a closure; returns whether it is new. Raises IdConflict when its id is in use or was withdrawn."""
    if store.event(_withdrawal_id(closure.id)) is not None:
        raise IdConflict(f"closure {closure.id} was taken back; give a new id")
    if CLOSURES.save(store, closure, now_utc):
        return True
    known = store.event(_closure_id(closure.id))
    # As values, not as text: an older version did not store every field.
    if known is None or closure not in [x.value for x in CLOSURES.decode([known])]:
        raise IdConflict(f"closure {closure.id} is there with another content; take it back and give a new id")
    return False


def withdraw(store: "Store", id_: str, now_utc: datetime) -> bool:
    """Withdraw a closure permanently; returns whether it existed."""
    if store.event(_closure_id(id_)) is None:
        return False
    WITHDRAWALS.save(store, id_, now_utc)
    return True


def active_closures(store: "Store", now_utc: datetime) -> tuple[ClosureRequest, ...]:
    """Closures that are neither withdrawn nor ended, oldest first."""
    withdrawn = {event.value for event in WITHDRAWALS.load(store)}
    posted = [event.value for event in CLOSURES.load(store)]
    return tuple(c for c in posted if c.id not in withdrawn and not _has_ended(c.to_core(), now_utc))


def _has_ended(closure: PostedClosure, now_utc: datetime) -> bool:
    return closure.ends_at is not None and closure.ends_at + BELIEVED_FOR <= now_utc


def _ended_closures(store: "Store", before: datetime) -> list[str]:
    """A closed road stays closed until somebody reports otherwise, however long ago it was posted."""
    withdrawn = {event.value for event in WITHDRAWALS.load(store) if event.at < before}
    ended = {event.value.id for event in CLOSURES.load(store) if _has_ended(event.value.to_core(), before)}
    return [_closure_id(id_) for id_ in sorted(withdrawn | ended)]


def _ended_withdrawals(store: "Store", before: datetime) -> list[str]:
    """A withdrawal stays as long as its closure is stored, which would apply again without it."""
    old = [event for event in WITHDRAWALS.load(store) if event.at < before]
    return [event.id for event in old if store.event(_closure_id(event.value)) is None]


def _closure_id(id_: str) -> str:
    return f"closure_{id_}"


def _withdrawal_id(id_: str) -> str:
    return f"closure_taken_back_{id_}"


CLOSURES: Final = EventStream[ClosureRequest](
    kind="closure",
    id_of=lambda closure, trip_id, at: _closure_id(closure.id),
    dump=lambda closure: closure.model_dump_json(by_alias=True),
    parse=from_json(parse_closure),
    retain=Retain.REPORTS,
    ended=_ended_closures,
)
WITHDRAWALS: Final = EventStream[str](  # of closures, by the closure's id
    kind="closure_taken_back",
    id_of=lambda id_, trip_id, at: _withdrawal_id(id_),
    dump=lambda id_: id_,
    parse=lambda event: event.body,
    retain=Retain.REPORTS,
    ended=_ended_withdrawals,
)
