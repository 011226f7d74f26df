"""Records what the trips file said: which unreadable rows were reported, and which trips it names.

So an unreadable row is reported once, and a row that is gone is noticed.
"""

import hashlib
import json
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Final

from alertd.plan.serialize import canonical
from alertd.records.event_stream import EventStream, Retain, digest_id
from alertd.sources.files.trips import BadRow
from alertd.store.rows import StoredEvent

if TYPE_CHECKING:
    from alertd.store.store import Store

_KIND: Final = "trips_row"
_PRESENT: Final = "file_trips"
_LOOK_BACK_N: Final = 8  # a clock that was ahead may have left newer ones
# The value is a hash of the row's content; it is stored in the id alone.
REPORTED_ROWS: Final = EventStream[str](
    kind=_KIND,
    id_of=lambda content_hash, trip_id, at: f"{_KIND}_{content_hash}",
    dump=lambda content_hash: "{}",
    parse=lambda event: event.id.removeprefix(f"{_KIND}_"),
    retain=Retain.REPORTS,
)


def row_hash(row: BadRow) -> str:
    return hashlib.sha256(row.content.encode()).hexdigest()[:32]


def is_reported(store: "Store", row: BadRow) -> bool:
    """Whether a row with this content was reported. Raises StoreError."""
    return store.event(f"{_KIND}_{row_hash(row)}") is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class FileTrips:
    """present: ids of the rows of the last file. cancelled: ids cancelled because their row was gone."""

    present: frozenset[str] = frozenset()
    cancelled: frozenset[str] = frozenset()


def _parse(event: StoredEvent) -> FileTrips:
    body = json.loads(event.body)
    return FileTrips(present=frozenset(body["present"]), cancelled=frozenset(body["cancelled"]))


FILE_TRIPS: Final = EventStream[FileTrips](
    kind=_PRESENT,
    id_of=lambda state, trip_id, at: digest_id(
        _PRESENT, at.isoformat(), *sorted(state.present), "", *sorted(state.cancelled)
    ),
    dump=lambda state: canonical({"present": sorted(state.present), "cancelled": sorted(state.cancelled)}),
    parse=_parse,
    retain=Retain.TRIPS,
)


def last_file_trips(store: "Store", at: datetime) -> FileTrips:
    """Return the newest state recorded at or before a time; an empty one where there is none. Raises StoreError."""
    states = [r for r in FILE_TRIPS.load(store, newest_n=_LOOK_BACK_N) if r.at <= at]
    return max(states, key=lambda r: r.at).value if states else FileTrips()
