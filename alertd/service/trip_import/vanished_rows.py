"""Cancels or keeps trips whose row is gone from the trips file, and reports them to the office."""

import json
import logging
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Final

from alertd.errors import InputError
from alertd.notices.model import Audience
from alertd.notices.text import phrases
from alertd.notices.triggers.compose import office_notice
from alertd.records.trips_rows import FILE_TRIPS, FileTrips, last_file_trips
from alertd.sources.files.trips import TripsFile, parse_trip
from alertd.store.store import Store

log = logging.getLogger(__name__)

OF_USE: Final = timedelta(hours=24)
MOST_ROWS: Final = 20  # named in a notice text

Targets = Mapping[Audience, Sequence[str]]


def may_return(store: Store, trip_id: str, now_utc: datetime) -> bool:
    """Whether a cancelled trip was cancelled only because its row was gone. Raises StoreError."""
    return trip_id in last_file_trips(store, now_utc).cancelled


def handle_vanished(
    name: str, file: TripsFile, store: Store, targets: Targets, now_utc: datetime, *, cancel: bool
) -> None:
    """Compare the rows with those of the last file. Raises StoreError.

    A trip that has left stays: its truck is on the road. A file without any trip cancels nothing, because an export
    that failed looks the same; nor does a file with unreadable rows without an id.
    """
    last = last_file_trips(store, now_utc)
    here = {trip.id for trip in file.trips} | {bad.trip_id for bad in file.bad}
    gone = [trip_id for trip_id in sorted(last.present - here) if _is_to_come(store, trip_id, now_utc)]
    doubted = not file.trips or "" in here
    stay = frozenset(gone if doubted or not cancel else ())
    state = FileTrips(
        present=frozenset(here - {""}) | (stay if doubted else frozenset()),
        cancelled=(last.cancelled - here) | (frozenset(gone) - stay),
    )
    if gone:
        _report(name, gone, store, targets, now_utc, cancelled=not stay)
    for trip_id in state.cancelled - last.cancelled:
        store.cancel_trip(trip_id)
        log.warning("%s: the row of %s is gone; the trip is cancelled", name, trip_id)
    if state != last:
        FILE_TRIPS.save(store, state, now_utc)


def _is_to_come(store: Store, trip_id: str, now_utc: datetime) -> bool:
    stored = store.trip(trip_id)
    if stored is None or stored.cancelled:
        return False
    try:
        return parse_trip(json.loads(stored.body), f"trip {trip_id}").depart_at > now_utc
    except InputError:
        return False


def _report(
    name: str, gone: Sequence[str], store: Store, targets: Targets, now_utc: datetime, *, cancelled: bool
) -> None:
    what = "CANCELLED, so no message goes to their drivers" if cancelled else "still planned as they were"
    listed = ", ".join(gone[:MOST_ROWS]) + (f" and {len(gone) - MOST_ROWS} more" if gone[MOST_ROWS:] else "")
    mend = "put the row back to plan it again" if cancelled else "`alertd trips cancel` ends a trip"
    text = f"TRIPS GONE from {name}: {listed} are {what}; {mend}. {phrases.SIGNS}"
    rows = [{"row": "gone", "trip_id": id_, "problem": f"row is gone; {what}"} for id_ in gone[:MOST_ROWS]]
    key = ("trips_gone", name, *gone, what, now_utc.date().isoformat())
    notice = office_notice("fleet.trips_file", key, text, OF_USE, now_utc, file=name, rows=rows)
    store.record_notices([notice], targets, now_utc)
