"""Closures that the operator posts: kept once, taken back by id, and read back for planning while they stand."""

import json
import logging
from collections.abc import Iterator
from datetime import datetime

from alertd.errors import InputError
from alertd.plan.controls.closures import STILL_BELIEVED, PostedClosure
from alertd.sources.requests.closures import ClosureRequest, parse_closure
from alertd.store.rows import StoredEvent
from alertd.store.store import Store

log = logging.getLogger(__name__)

POSTED = "closure"
TAKEN_BACK = "closure_taken_back"


def keep_closure(store: Store, closure: ClosureRequest, now_utc: datetime) -> bool:
    """Keep a closure; returns whether it is new. Raises TakenError when its id is another's or was taken back."""
    body = closure.model_dump_json(by_alias=True)
    id_ = f"{POSTED}_{closure.id}"
    if store.event(f"{TAKEN_BACK}_{closure.id}") is not None:
        raise TakenError(f"closure {closure.id} was taken back; give a new id")
    if store.put_event(StoredEvent(id=id_, trip_id="", kind=POSTED, at=now_utc, body=body)):
        return True
    known = store.event(id_)
    if known is None or known.body != body:
        raise TakenError(f"closure {closure.id} is there with another content; take it back and give a new id")
    return False


class TakenError(Exception):
    """The id of a closure stands for something else."""


def take_back(store: Store, id_: str, now_utc: datetime) -> bool:
    """Take a closure back for good; returns whether there was one."""
    if store.event(f"{POSTED}_{id_}") is None:
        return False
    store.put_event(StoredEvent(id=f"{TAKEN_BACK}_{id_}", trip_id="", kind=TAKEN_BACK, at=now_utc, body=id_))
    return True


def standing(store: Store, now_utc: datetime) -> tuple[ClosureRequest, ...]:
    """Closures that are neither taken back nor over, oldest first."""
    gone = {event.body for event in store.events("", TAKEN_BACK)}
    return tuple(c for c in _posted(store) if c.id not in gone and not _over(c.to_core(), now_utc))


def finished(store: Store, before: datetime) -> list[str]:
    """The events of closures that were taken back or over before a moment, by id."""
    back = [event for event in store.events("", TAKEN_BACK) if event.at < before]
    gone = {event.body for event in back} | {c.id for c in _posted(store) if _over(c.to_core(), before)}
    return [event.id for event in back] + [f"{POSTED}_{id_}" for id_ in sorted(gone)]


def _posted(store: Store) -> Iterator[ClosureRequest]:
    for event in store.events("", POSTED):
        try:
            yield parse_closure(json.loads(event.body), f"event {event.id}")
        except InputError as exc:  # kept by another version, whose rules were wider
            log.error("a closure is left out: %s", exc)


def _over(closure: PostedClosure, now_utc: datetime) -> bool:
    return closure.ends_at is not None and closure.ends_at + STILL_BELIEVED <= now_utc
