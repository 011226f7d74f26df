"""Position reports of a trip: stored once and loaded for planning."""

import hashlib
import json
import logging
from datetime import datetime, timedelta

from alertd.errors import InputError
from alertd.plan.position.map_match import PositionReport
from alertd.sources.requests.positions import PositionRequest, parse_position
from alertd.store.rows import StoredEvent
from alertd.store.store import Store

log = logging.getLogger(__name__)

KIND = "position"
MAX_REPORTS = 200  # newest reports used per trip: follows a truck round a loop at one report a minute
REPORTING_WITHIN = timedelta(hours=6)  # a truck without reports for longer does not keep its trip active


def save_position(store: Store, trip_id: str, position: PositionRequest) -> bool:
    """Save a report of a known trip; returns whether it is new. An identical report is the same event."""
    body = position.model_dump_json()
    digest = hashlib.sha256("\x1f".join((trip_id, KIND, body)).encode()).hexdigest()
    event = StoredEvent(id=f"evt_{digest[:32]}", trip_id=trip_id, kind=KIND, at=position.seen_at, body=body)
    return store.put_event(event)


def load_positions(store: Store, trip_id: str) -> tuple[PositionReport, ...]:
    """The newest reports of a trip, oldest first."""
    out = []
    for event in store.events(trip_id, KIND, MAX_REPORTS):
        try:
            out.append(parse_position(json.loads(event.body), f"event {event.id}").to_core())
        except InputError as exc:  # stored by another version with wider rules
            log.error("position skipped: %s", exc)
    return tuple(out)


def is_reporting(store: Store, trip_id: str, now_utc: datetime) -> bool:
    """Whether the trip's newest position is at most `REPORTING_WITHIN` old."""
    newest = store.events(trip_id, KIND, 1)
    return bool(newest) and now_utc - newest[0].at <= REPORTING_WITHIN
