"""One declaration per event kind: its codec, its id and its retention."""

import hashlib
import json
import logging
from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass
from datetime import datetime
from enum import Enum
from typing import TYPE_CHECKING, Any, Generic, TypeVar

from alertd.errors import InputError
from alertd.store.rows import StoredEvent

if TYPE_CHECKING:
    from alertd.store.store import Store

log = logging.getLogger(__name__)
M = TypeVar("M")


class Retain(Enum):
    """The key of `keep_days` in the settings that gives the days from an event's time to its removal."""

    POSITIONS = "positions"  # bulk data, written every minute or cycle
    TRIPS = "trips"
    REPORTS = "reports"


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded(Generic[M]):
    """A stored event with its decoded value. trip_id: "" without a trip. `at` is aware and UTC."""

    id: str
    trip_id: str
    at: datetime
    value: M


@dataclass(frozen=True, kw_only=True)  # no slots: a frozen generic class with slots cannot be subscripted
class EventStream(Generic[M]):
    """All events of one kind.

    id_of: event id of (value, trip id, time); the same id is the same event. dump: the stored text of a value.
    parse: the value of a stored event; it raises InputError, KeyError, TypeError or ValueError for a form of another
    version. ended: ids that may be removed at a given time, for kinds that apply until they end; without it, events
    are removed by age.
    """

    kind: str
    id_of: Callable[[M, str, datetime], str]
    dump: Callable[[M], str]
    parse: Callable[[StoredEvent], M]
    retain: Retain
    ended: Callable[["Store", datetime], Collection[str]] | None = None

    def save(self, store: "Store", value: M, at: datetime, trip_id: str = "") -> bool:
        """Store a value; returns whether it is new. Raises StoreError."""
        id_ = self.id_of(value, trip_id, at)
        return store.put_event(StoredEvent(id=id_, trip_id=trip_id, kind=self.kind, at=at, body=self.dump(value)))

    def load(self, store: "Store", trip_id: str = "", newest_n: int | None = None) -> list[Recorded[M]]:
        """The newest events of a trip ("" for those without a trip), oldest first. Unreadable ones are skipped."""
        return self.decode(store.events(trip_id, self.kind, newest_n))

    def load_since(self, store: "Store", since: datetime) -> list[Recorded[M]]:
        """The events after a given time, of all trips, oldest first. Unreadable ones are skipped."""
        return self.decode(store.events_since(self.kind, since))

    def decode(self, events: Iterable[StoredEvent], *, quiet: bool = False) -> list[Recorded[M]]:
        """The values of stored events. Unreadable ones are skipped, and logged unless `quiet`."""
        out = []
        for event in events:
            try:
                value = self.parse(event)
            except InputError as exc:  # stored by another version with wider rules
                problem = str(exc)
            except (KeyError, TypeError, ValueError) as exc:  # stored by another version in another form
                problem = f"event {event.id}: {type(exc).__name__}"
            else:
                out.append(Recorded(id=event.id, trip_id=event.trip_id, at=event.at, value=value))
                continue
            if not quiet:
                log.error("%s event skipped: %s", self.kind, problem)
        return out

    def remove_expired(self, store: "Store", before: datetime) -> int:
        """Remove the events older than `before`, or that ended before it; returns how many. Raises StoreError."""
        if self.ended is not None:
            return store.pruning.events_by_id(self.ended(store, before))
        return store.pruning.events(before, kinds=(self.kind,))


def from_json(parse: Callable[[Any, str], M]) -> Callable[[StoredEvent], M]:
    """The parser of events whose text is the JSON that `parse` reads; it gets the plain value and the event's name."""
    return lambda event: parse(json.loads(event.body), f"event {event.id}")


def digest_id(*parts: str) -> str:
    """An event id from the parts that identify its content."""
    digest = hashlib.sha256("\x1f".join(parts).encode()).hexdigest()
    return f"evt_{digest[:32]}"
