"""Which trips have events of a kind, asked in one statement for a whole fleet."""

from typing import Final

from sqlalchemy import bindparam, exists, select

from alertd.store.connection import Database
from alertd.store.schema import events, trips

# By the index of each trip: a fleet has millions of positions, and few trips to look up.
_TRIPS_WITH: Final = select(trips.c.id).where(
    exists().where(events.c.trip_id == trips.c.id, events.c.kind == bindparam("of_kind"))
)


class TripEvents:
    """The events of all trips of a store. Every method raises StoreError when the store fails."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def trips_with(self, kind: str) -> frozenset[str]:
        """Return the ids of the trips that have any event of a kind."""
        with self._database.read() as connection:
            return frozenset(connection.execute(_TRIPS_WITH, {"of_kind": kind}).scalars())
