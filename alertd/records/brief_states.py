"""What each sent brief said of every trip, so that the next one can name what changed."""

import json
from datetime import datetime
from typing import TYPE_CHECKING, Final

from alertd.notices.reports.brief_changes import BriefRow, BriefState
from alertd.plan.model.stretches import Advice
from alertd.plan.serialize import canonical
from alertd.records.event_stream import EventStream, Retain, digest_id
from alertd.store.rows import StoredEvent

if TYPE_CHECKING:
    from alertd.store.store import Store

_KIND: Final = "brief_state"
_LOOK_BACK_N: Final = 8  # a clock that was ahead may have left newer ones


def _dump(state: BriefState) -> str:
    rows = {trip: [r.advice.value, r.group, r.at.isoformat(), r.short_n] for trip, r in state.rows.items()}
    return canonical({"made_at": state.made_at.isoformat(), "rows": rows})


def _parse(event: StoredEvent) -> BriefState:
    body = json.loads(event.body)
    rows = {
        trip: BriefRow(advice=Advice(advice), group=group, at=datetime.fromisoformat(at), short_n=short_n)
        for trip, (advice, group, at, short_n) in body["rows"].items()
    }
    return BriefState(made_at=datetime.fromisoformat(body["made_at"]), rows=rows)


BRIEF_STATES: Final = EventStream[BriefState](
    kind=_KIND,
    id_of=lambda state, trip_id, at: digest_id(_KIND, at.isoformat()),
    dump=_dump,
    parse=_parse,
    retain=Retain.TRIPS,
)


def last_state(store: "Store", before: datetime) -> BriefState | None:
    """Return the newest state made before a time; None without one. Raises StoreError."""
    states = (r.value for r in BRIEF_STATES.load(store, newest_n=_LOOK_BACK_N))
    return max((s for s in states if s.made_at < before), key=lambda s: s.made_at, default=None)
