"""Reads many stored plans, each pack of them once."""

from collections.abc import Collection, Iterator
from typing import Any, Final

from sqlalchemy import Row, bindparam, select

from alertd.store.connection import Database
from alertd.store.plans.packed_texts import PackedTexts, reference_of
from alertd.store.plans.plan_text import full_text
from alertd.store.rows import StoredPlan
from alertd.store.schema import plans

_IDS_AT_ONCE: Final = 500
_READ_AT_ONCE: Final = 64
_THESE: Final = plans.c.id.in_(bindparam("ids", expanding=True))
PLANS_BY_ID: Final = select(plans).where(_THESE)
_PLACES: Final = select(plans.c.id, reference_of(plans.c.body).label("place")).where(_THESE)


class StoredPlans:
    """The plans of one store. Every method raises StoreError when the store fails."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def read(self, plan_ids: Collection[str]) -> Iterator[StoredPlan]:
        """Those of these plans that are stored, in the order of their places in packs."""
        ids, places = list(plan_ids), list[tuple[str, str]]()
        for n in range(0, len(ids), _IDS_AT_ONCE):
            with self._database.read() as connection:
                found = connection.execute(_PLACES, {"ids": ids[n : n + _IDS_AT_ONCE]}).all()
            places += [(row.place, row.id) for row in found]
        texts: PackedTexts | None = None
        for n in range(0, len(ordered := [id_ for _, id_ in sorted(places)]), _READ_AT_ONCE):
            part = ordered[n : n + _READ_AT_ONCE]
            with self._database.read() as connection:
                texts = PackedTexts(connection, texts)
                rows = {row.id: row for row in connection.execute(PLANS_BY_ID, {"ids": part}).all()}
                plans_read = [plan_of(texts, rows[id_]) for id_ in part if id_ in rows]
            yield from plans_read


def plan_of(texts: PackedTexts, row: Row[Any]) -> StoredPlan:
    """The plan of a row of the table `plans`."""
    return StoredPlan(id=row.id, trip_id=row.trip_id, made_at=row.made_at, body=full_text(texts.whole(row.body)))
