"""Records which unreadable rows of the trips file were reported, so that each is reported once."""

import hashlib
from typing import TYPE_CHECKING, Final

from alertd.records.event_stream import EventStream, Retain
from alertd.sources.files.trips import BadRow

if TYPE_CHECKING:
    from alertd.store.store import Store

_KIND: Final = "trips_row"
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
