"""What drivers report of their trips: kept once, and read back for the next message."""

import hashlib
import json
import logging
from collections import defaultdict
from collections.abc import Mapping
from datetime import datetime, timedelta

from alertd.errors import InputError
from alertd.notices.moments import Chained
from alertd.sources.reportfile import CHAINS_OFF, CHAINS_ON, READ, ReportRequest, parse_report
from alertd.store.records import StoredEvent
from alertd.store.store import Store

log = logging.getLogger(__name__)

LATELY = timedelta(hours=36)  # an older report says nothing of a trip that still runs


def keep_report(store: Store, trip_id: str, report: ReportRequest) -> bool:
    """Keep a report of a known trip; returns whether it is new. The same report again is the same event."""
    body = report.model_dump_json()
    said = (trip_id, READ, report.notice_id) if report.what == READ else (trip_id, report.what, body)
    digest = hashlib.sha256("\x1f".join(said).encode()).hexdigest()
    event = StoredEvent(id=f"evt_{digest[:32]}", trip_id=trip_id, kind=report.what, at=report.happened_at, body=body)
    return store.put_event(event)


def confirmed(store: Store, now_utc: datetime) -> frozenset[str]:
    """Ids of the notices that were read lately."""
    return frozenset(_report(event).notice_id for event in store.events_since(READ, now_utc - LATELY))


def chained(store: Store, now_utc: datetime) -> Mapping[str, Chained]:
    """By trip, whether its chains are on as far as reported; a trip of which nothing was reported is missing."""
    found: dict[str, list[tuple[datetime, str]]] = defaultdict(list)
    for kind in (CHAINS_OFF, CHAINS_ON):
        for event in store.events_since(kind, now_utc - LATELY):
            if event.at <= now_utc:
                found[event.trip_id].append((event.at, kind))
    newest = {trip_id: max(reports) for trip_id, reports in found.items()}
    return {trip_id: Chained(on_at=at if kind == CHAINS_ON else None) for trip_id, (at, kind) in newest.items()}


def reports_of(store: Store, trip_id: str) -> tuple[ReportRequest, ...]:
    """Every report of chains and reading of one trip, oldest first."""
    events = [e for kind in (READ, CHAINS_ON, CHAINS_OFF) for e in store.events(trip_id, kind)]
    out = []
    for event in sorted(events, key=lambda e: (e.at, e.id)):
        try:
            out.append(_report(event))
        except InputError as exc:  # kept by another version, whose rules were wider
            log.error("a report is left out: %s", exc)
    return tuple(out)


def _report(event: StoredEvent) -> ReportRequest:
    return parse_report(json.loads(event.body), f"event {event.id}")
