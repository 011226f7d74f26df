"""What the daemon forgets, and when: each kind of record after the days the settings give it."""

import json
import logging
from datetime import datetime, timedelta

from alertd.errors import InputError
from alertd.planning.stations import KIND as OBSERVATION
from alertd.records.closures import POSTED, WITHDRAWN, ended_closures
from alertd.records.positions import KIND as POSITION
from alertd.service.brief_email import KIND as DRESS
from alertd.service.cap_alerts import KIND as ALERT
from alertd.service.cycle import FINISHED_AT_LATEST
from alertd.settings.model import KeepDays
from alertd.sources.files.trips import parse_trip
from alertd.store.store import Store

log = logging.getLogger(__name__)

_BULK_KINDS = (POSITION, OBSERVATION, ALERT)  # come by the minute or the cycle
ANSWERS_KEPT = timedelta(days=2)  # nobody repeats a request later than that


def apply_retention(store: Store, keep: KeepDays, now_utc: datetime) -> int:
    """Remove what has had its days; returns how many rows. Raises StoreError."""
    kept = (keep.positions, keep.plans, keep.trips, keep.reports)
    positions, planned, decided, reports = (now_utc - timedelta(days=days) for days in kept)
    pruning = store.pruning
    removed = pruning.events(positions, kinds=_BULK_KINDS)
    removed += pruning.events(decided, kinds=(DRESS,))
    # A closed road is closed until somebody says otherwise, however long ago it was posted.
    removed += pruning.events(reports, but=[*_BULK_KINDS, POSTED, WITHDRAWN])
    removed += pruning.events_by_id(ended_closures(store, reports))
    removed += pruning.notices(decided)
    removed += pruning.plans(planned)
    removed += pruning.trips(finished_trips(store, decided))
    removed += pruning.slots(decided)
    return removed + pruning.answers(now_utc - ANSWERS_KEPT)


def finished_trips(store: Store, before: datetime) -> list[str]:
    """Trips that were over before a moment, by the departure they were given."""
    out = []
    for stored in store.trips(cancelled_too=True):
        try:
            trip = parse_trip(json.loads(stored.body), f"trip {stored.id}")
        except InputError as exc:  # kept by another version, whose rules were wider
            log.warning("kept: %s", exc)
            continue
        if trip.depart_at + FINISHED_AT_LATEST < before:
            out.append(stored.id)
    return out
