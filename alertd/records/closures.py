"""Road closures that the operator posts: stored once, withdrawn by id, and loaded for planning while they apply."""

import json
import logging
from collections.abc import Iterator
from datetime import datetime

from alertd.errors import InputError
from alertd.plan.controls.closures import BELIEVED_FOR, PostedClosure
from alertd.sources.requests.closures import ClosureRequest, parse_closure
from alertd.store.rows import StoredEvent
from alertd.store.store import Store

log = logging.getLogger(__name__)

POSTED = "closure"
WITHDRAWN = "closure_taken_back"


def save_closure(store: Store, closure: ClosureRequest, now_utc: datetime) -> bool:
    """Save a closure; returns whether it is new. Raises IdConflict when its id is in use or was withdrawn."""
    body = closure.model_dump_json(by_alias=True)
    id_ = f"{POSTED}_{closure.id}"
    if store.event(f"{WITHDRAWN}_{closure.id}") is not None:
        raise IdConflict(f"closure {closure.id} was taken back; give a new id")
    if store.put_event(StoredEvent(id=id_, trip_id="", kind=POSTED, at=now_utc, body=body)):
        return True
    known = store.event(id_)
    if known is None or known.body != body:
        raise IdConflict(f"closure {closure.id} is there with another content; take it back and give a new id")
    return False


class IdConflict(Exception):
    """The id is in use for other content, or was withdrawn."""


def withdraw(store: Store, id_: str, now_utc: datetime) -> bool:
    """Withdraw a closure permanently; returns whether it existed."""
    if store.event(f"{POSTED}_{id_}") is None:
        return False
    store.put_event(StoredEvent(id=f"{WITHDRAWN}_{id_}", trip_id="", kind=WITHDRAWN, at=now_utc, body=id_))
    return True


def active_closures(store: Store, now_utc: datetime) -> tuple[ClosureRequest, ...]:
    """Closures that are neither withdrawn nor ended, oldest first."""
    gone = {event.body for event in store.events("", WITHDRAWN)}
    return tuple(c for c in _posted(store) if c.id not in gone and not _has_ended(c.to_core(), now_utc))


def ended_closures(store: Store, before: datetime) -> list[str]:
    """Event ids of the closures that were withdrawn or ended before a given time."""
    back = [event for event in store.events("", WITHDRAWN) if event.at < before]
    gone = {event.body for event in back} | {c.id for c in _posted(store) if _has_ended(c.to_core(), before)}
    return [event.id for event in back] + [f"{POSTED}_{id_}" for id_ in sorted(gone)]


def _posted(store: Store) -> Iterator[ClosureRequest]:
    for event in store.events("", POSTED):
        try:
            yield parse_closure(json.loads(event.body), f"event {event.id}")
        except InputError as exc:  # stored by another version with wider rules
            log.error("closure skipped: %s", exc)


def _has_ended(closure: PostedClosure, now_utc: datetime) -> bool:
    return closure.ends_at is not None and closure.ends_at + BELIEVED_FOR <= now_utc
