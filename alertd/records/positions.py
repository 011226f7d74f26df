"""Position reports of a trip: stored once and loaded for planning."""

from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Final

from alertd.plan.position.map_match import PositionReport
from alertd.records.event_stream import EventStream, Retain, digest_id, from_json
from alertd.sources.requests.positions import PositionRequest, parse_position

if TYPE_CHECKING:
    from alertd.store.store import Store

MAX_REPORTS = 200  # newest reports used per trip: follows a truck round a loop at one report a minute
REPORTING_WITHIN = timedelta(hours=6)  # a truck without reports for longer does not keep its trip active
_KIND: Final = "position"
POSITIONS: Final = EventStream[PositionRequest](
    kind=_KIND,
    id_of=lambda position, trip_id, at: digest_id(trip_id, _KIND, position.model_dump_json()),
    dump=PositionRequest.model_dump_json,
    parse=from_json(parse_position),
    retain=Retain.POSITIONS,
)


def save_position(store: "Store", trip_id: str, position: PositionRequest) -> bool:
    """Save a report of a known trip; returns whether it is new. An identical report is the same event."""
    return POSITIONS.save(store, position, position.seen_at, trip_id)


def load_positions(store: "Store", trip_id: str) -> tuple[PositionReport, ...]:
    """The newest reports of a trip, oldest first."""
    return tuple(event.value.to_core() for event in POSITIONS.load(store, trip_id, MAX_REPORTS))


def is_reporting(store: "Store", trip_id: str, now_utc: datetime) -> bool:
    """Whether the trip's newest position is at most `REPORTING_WITHIN` old."""
    newest = store.events(trip_id, POSITIONS.kind, 1)
    return bool(newest) and now_utc - newest[0].at <= REPORTING_WITHIN
