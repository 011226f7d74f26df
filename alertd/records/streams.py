"""Lists every kind of event that is written. Retention iterates over this list."""

from typing import Any, Final

from alertd.records.brief_content import BRIEF_CONTENTS
from alertd.records.brief_states import BRIEF_STATES
from alertd.records.closures import CLOSURES, WITHDRAWALS
from alertd.records.corrections import CORRECTIONS
from alertd.records.driver_reports import ARRIVALS_SEEN, REPORTS
from alertd.records.event_stream import EventStream
from alertd.records.observations import OBSERVATIONS
from alertd.records.positions import POSITIONS
from alertd.records.posted_events import CONFIRMATIONS, CONTROLS, ENDS, READS
from alertd.records.published_alerts import PUBLISHED_ALERTS
from alertd.records.sign_outs import SIGN_OUTS
from alertd.records.trips_rows import FILE_TRIPS, REPORTED_ROWS

STREAMS: Final[tuple[EventStream[Any], ...]] = (
    POSITIONS,
    *REPORTS.values(),
    ARRIVALS_SEEN,
    CORRECTIONS,
    CLOSURES,
    WITHDRAWALS,
    CONTROLS,
    READS,
    CONFIRMATIONS,
    ENDS,
    OBSERVATIONS,
    PUBLISHED_ALERTS,
    BRIEF_CONTENTS,
    BRIEF_STATES,
    REPORTED_ROWS,
    FILE_TRIPS,
    SIGN_OUTS,
)
