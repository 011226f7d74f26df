"""Applies retention: removes each kind of record after the days given in the settings."""

import json
import logging
from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Final

from alertd.errors import InputError
from alertd.records.driver_reports import CHAIN_REPORTS
from alertd.records.event_stream import Retain
from alertd.records.streams import STREAMS
from alertd.service.cycle import FINISHED_AT_LATEST
from alertd.settings.model import KeepDays
from alertd.sources.files.trips import parse_trip
from alertd.store.retention import Thinning
from alertd.store.store import Store

log = logging.getLogger(__name__)

# One plan in so many hours stays for `alertd score`, whose classes of lead time are 3 to 24 hours wide. [A]
PLAN_EVERY: Final = timedelta(hours=6)
ANSWERS_KEPT = timedelta(days=2)  # nobody repeats a request after this time


def apply_retention(store: Store, keep: KeepDays, now_utc: datetime) -> int:
    """Remove the records past their retention; returns how many rows. Raises StoreError.

    `now_utc` comes from a clock that servers confirm. The days of a notice count from the first run that found it.
    """
    store.packing.remove_unused()  # before more become so: a reader may be between a row and the pack that it names
    before = {retain: now_utc - timedelta(days=getattr(keep, retain.value)) for retain in Retain}
    removed = sum(stream.remove_expired(store, before[stream.retain]) for stream in STREAMS if stream.ended is not None)
    for retain in Retain:  # the others are removed by age alone: one statement for all kinds of equal days
        by_age = [stream.kind for stream in STREAMS if stream.ended is None and stream.retain is retain]
        removed += store.pruning.events(before[retain], kinds=by_age) if by_age else 0
    removed += store.pruning.events(before[Retain.REPORTS], but=[s.kind for s in STREAMS])  # kinds of other versions
    decided = before[Retain.TRIPS]
    store.pruning.see_notices(now_utc)
    removed += store.pruning.notices(decided)
    oldest = now_utc - timedelta(days=keep.plans)  # a wrong clock may have dated a plan decades back
    removed += store.pruning.plans(oldest)
    removed += _thin_plans(store, oldest, now_utc - timedelta(days=keep.every_plan), now_utc)
    removed += store.pruning.thinned_plans(oldest)
    removed += store.pruning.trips(finished_trips(store, decided))
    removed += store.pruning.slots(decided)
    return removed + store.pruning.answers(now_utc - ANSWERS_KEPT)


def pack_texts_of(store: Store, now_utc: datetime) -> int:
    """Pack plans and notices that are seldom read; returns how many. Raises StoreError."""
    return store.packing.pack_plans(now_utc) + store.packing.pack_notices(now_utc)


def _thin_plans(store: Store, oldest: datetime, before: datetime, now_utc: datetime) -> int:
    moments = [(id_, at) for id_, at in _departures(store) if oldest <= at < now_utc]
    moments += [(event.trip_id, event.at) for kind in CHAIN_REPORTS for event in store.events_since(kind.value, oldest)]
    done = store.pruning.thin_plans(oldest, before, now_utc, Thinning(every=PLAN_EVERY, moments=moments))
    store.packing.pack_again(done.pack_ids, now_utc)
    return done.removed_n


def finished_trips(store: Store, before: datetime) -> list[str]:
    """Trips that ended before a given time, judged by their planned departure."""
    return [id_ for id_, depart_at in _departures(store) if depart_at + FINISHED_AT_LATEST < before]


def _departures(store: Store) -> Iterator[tuple[str, datetime]]:
    for stored in store.trips(cancelled_too=True):
        try:
            trip = parse_trip(json.loads(stored.body), f"trip {stored.id}")
        except InputError as exc:  # kept by another version, whose rules were wider
            log.warning("kept: %s", exc)
            continue
        yield stored.id, trip.depart_at
