"""What was sent about each trip, as its newest plan was stored with it.

A plan takes 20 kB, so what is read of one is kept.
"""

from collections.abc import Iterable, Sequence
from typing import Any, Final

from sqlalchemy import func, select

from alertd.store.connection import Database
from alertd.store.plans.packed_texts import PackedTexts
from alertd.store.plans.plan_text import state_of, state_text
from alertd.store.rows import PlanRecord
from alertd.store.schema import plans

_READ_TOGETHER: Final = 500  # plans in one statement


class SentStates:
    """The states by trip. A plan never changes, so its text is read once; the ids of the newest plans are read anew."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self._texts: dict[str, tuple[str, str]] = {}  # by trip: the id of a plan, and its `state_text`

    def recorded(self, records: Sequence[PlanRecord]) -> None:
        """Keep what these plans were stored with."""
        self._texts |= {r.trip_id: (r.id, state_text(r.kept)) for r in records}

    def read(self, trip_ids: Iterable[str] | None, *, only: bool) -> dict[str, dict[str, Any]]:
        """See `Store.sent_states`. Raises StoreError."""
        newest = select(plans.c.trip_id, func.max(plans.c.made_at).label("made_at")).group_by(plans.c.trip_id)
        if trip_ids is not None:
            newest = newest.where(plans.c.trip_id.in_(list(trip_ids)))
        last = newest.subquery()
        query = (
            select(plans.c.trip_id, plans.c.id)
            .join(last, (plans.c.trip_id == last.c.trip_id) & (plans.c.made_at == last.c.made_at))
            .order_by(plans.c.id.desc())  # of two plans of one moment, the one that `latest_plan` returns comes last
        )
        texts = self._texts
        with self._database.read() as connection:
            packed = PackedTexts(connection)
            ids: dict[str, str] = {row.trip_id: row.id for row in connection.execute(query)}
            found = {trip_id: texts[trip_id] for trip_id, id_ in ids.items() if texts.get(trip_id, ("",))[0] == id_}
            unread = [id_ for trip_id, id_ in ids.items() if trip_id not in found]
            for first in range(0, len(unread), _READ_TOGETHER):
                some = plans.c.id.in_(unread[first : first + _READ_TOGETHER])
                for row in connection.execute(select(plans).where(some)).all():
                    found[row.trip_id] = row.id, state_text(packed.whole(row.body))
        self._texts = dict(found) if only else {**texts, **found}
        return {trip_id: state_of(found[trip_id][1]) for trip_id in ids if trip_id in found}
