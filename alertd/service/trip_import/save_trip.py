"""Saves trips: a stored trip is the same one where its values agree, whichever version wrote its text."""

import json
from datetime import datetime

from alertd.errors import InputError
from alertd.sources.files.trips import TripRequest, parse_trip
from alertd.store.rows import StoredTrip
from alertd.store.store import Store


def save_trip(store: Store, trip: TripRequest, now_utc: datetime, *, replace: bool = False) -> bool:
    """Save a trip as given; returns whether anything changed. Raises StoreError when its id is in use."""
    row = StoredTrip(id=trip.id, body=trip.model_dump_json(), created_at=now_utc)
    return store.put_trip(row, replace=replace, same=lambda known, _: is_same(known, trip))


def is_same(stored: str, trip: TripRequest) -> bool:
    """Whether a stored body is this trip. A field that an older version did not know has its default."""
    try:
        return parse_trip(json.loads(stored), f"trip {trip.id}") == trip
    except (InputError, ValueError):  # stored by a version with other rules
        return stored == trip.model_dump_json()
