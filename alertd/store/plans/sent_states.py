"""What was sent about each trip, as its newest plan was stored with it.

A plan takes 20 kB, so what is read of one is kept.
"""

from collections.abc import Iterable, Sequence
from typing import Any, Final

from sqlalchemy import bindparam, func, select

from alertd.store.connection import Database
from alertd.store.plans.packed_texts import PackedTexts
from alertd.store.plans.plan_text import state_of, state_text
from alertd.store.plans.stored_plans import PLANS_BY_ID
from alertd.store.rows import PlanRecord
from alertd.store.schema import plans, trips

_TRIPS_A_STATEMENT: Final = 500  # a server takes 65,535 values, and a whole fleet's plans would be in memory together
_LAST_MADE: Final = (
    select(plans.c.trip_id, func.max(plans.c.made_at).label("made_at"))
    .where(plans.c.trip_id.in_(bindparam("of_trips", expanding=True)))
    .group_by(plans.c.trip_id)
    .subquery()
)
_NEWEST_PLANS: Final = (
    select(plans.c.trip_id, plans.c.id)
    .join(_LAST_MADE, (plans.c.trip_id == _LAST_MADE.c.trip_id) & (plans.c.made_at == _LAST_MADE.c.made_at))
    .order_by(plans.c.id.desc())  # of two plans of one moment, the one that `latest_plan` returns comes last
)


class SentStates:
    """The states by trip. A plan never changes, so its text is read once. The ids of the newest are read each time."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self._texts: dict[str, tuple[str, str]] = {}  # by trip: the id of a plan, and its `state_text`

    def recorded(self, records: Sequence[PlanRecord]) -> None:
        """Keep what these plans were stored with."""
        self._texts |= {r.trip_id: (r.id, state_text(r.kept)) for r in records}

    def read(self, trip_ids: Iterable[str] | None, *, only: bool) -> dict[str, dict[str, Any]]:
        """See `Store.sent_states`. Raises StoreError."""
        found: dict[str, tuple[str, str]] = {}
        if trip_ids is None:
            with self._database.read() as connection:
                trip_ids = connection.execute(select(trips.c.id)).scalars().all()
        wanted = list(trip_ids)
        for first in range(0, len(wanted), _TRIPS_A_STATEMENT):
            found |= self._newest(wanted[first : first + _TRIPS_A_STATEMENT])
        self._texts = dict(found) if only else {**self._texts, **found}
        return {trip_id: state_of(text) for trip_id, (_, text) in found.items()}

    def _newest(self, trip_ids: Sequence[str]) -> dict[str, tuple[str, str]]:
        """By trip: the id of its newest plan, and the plan's `state_text`."""
        with self._database.read() as connection:
            ids = {row.trip_id: row.id for row in connection.execute(_NEWEST_PLANS, {"of_trips": trip_ids})}
            known = {trip_id: self._texts[trip_id] for trip_id in ids if trip_id in self._texts}
            found = {trip_id: kept for trip_id, kept in known.items() if kept[0] == ids[trip_id]}
            unread = [id_ for trip_id, id_ in ids.items() if trip_id not in found]
            if unread:
                packed = PackedTexts(connection)
                rows = connection.execute(PLANS_BY_ID, {"ids": unread}).all()
                found |= {row.trip_id: (row.id, state_text(packed.whole(row.body))) for row in rows}
        return found
