"""Adds and replaces trips, one request at a time."""

import asyncio
import json
from collections.abc import Callable

from alertd.clock import Clock
from alertd.errors import InputError
from alertd.planning.planner import Planner
from alertd.records.closures import IdConflict
from alertd.service.trip_import.save_trip import is_same, save_trip
from alertd.sources.files.trips import TripRequest
from alertd.store.rows import StoredTrip
from alertd.store.store import Store
from alertd.web.problems import ProblemError
from alertd.web.reads import etag_of, matches


def trip_etag(trip: StoredTrip) -> str:
    """The tag of a trip: it changes with its content and with its cancellation."""
    return etag_of(f"{trip.body} {trip.cancelled}".encode())


class TripRegister:
    """The trips of one application. wake: starts a cycle soon."""

    def __init__(self, planner: Planner, store: Store, clock: Clock, wake: Callable[[], None]) -> None:
        self._planner, self._store, self._clock, self.wake = planner, store, clock, wake
        self._one_at_a_time = asyncio.Lock()  # between looking up an id and saving it

    def check(self, trip: TripRequest, known: StoredTrip | None = None) -> None:
        """Raise InputError for a trip that cannot be planned. A known trip may keep a departure that has passed."""
        now = self._clock()
        kept = known is not None and json.loads(known.body).get("depart") == trip.depart
        if trip.depart_at <= now and not kept:
            raise InputError(
                "request",
                "depart",
                f"{trip.depart} is in the past, it is {now.isoformat(timespec='seconds')}",
                "give a departure that is still to come",
            )
        for name in (trip.route, *trip.other_routes):
            self._planner.reference.gpx(name, "request")
        self._planner.reference.rig(trip.rig, "request")

    async def add(self, trip: TripRequest) -> bool:
        """Save a new trip; returns whether it is new. Raises IdConflict, InputError and StoreError."""
        self.check(trip)

        def save() -> bool:
            known = self._store.trip(trip.id)
            if known is not None and known.cancelled:
                raise IdConflict(f"trip {trip.id} was cancelled; give a new id")
            if known is not None and not is_same(known.body, trip):
                raise IdConflict(f"trip {trip.id} is there with another content; give a new id, or change it by PUT")
            return save_trip(self._store, trip, self._clock())

        async with self._one_at_a_time:
            return await asyncio.to_thread(save)

    async def put(self, trip: TripRequest, if_match: str, if_none_match: str) -> tuple[StoredTrip, bool]:
        """Create or replace a trip; returns it and whether it is new.

        Raises ProblemError: 428 without If-Match for a known trip, 412 where its tag differs, 409 for a cancelled one.
        """
        async with self._one_at_a_time:
            known = await asyncio.to_thread(self._store.trip, trip.id)
            if known is not None and known.cancelled:
                raise ProblemError(409, "the id is taken", f"trip {trip.id} was cancelled; give a new id")
            if known is None and if_match:
                raise ProblemError(412, "changed meanwhile", f"trip {trip.id} is unknown; send it without If-Match")
            if known is not None:
                _require_match(known, if_match, if_none_match)
            self.check(trip, known)
            now = self._clock() if known is None else known.created_at
            changed = await asyncio.to_thread(save_trip, self._store, trip, now, replace=True)
            stored = await asyncio.to_thread(self._store.trip, trip.id)
        if changed:
            self.wake()
        assert stored is not None  # noqa: S101 - saved above
        return stored, known is None


def _require_match(known: StoredTrip, if_match: str, if_none_match: str) -> None:
    etag = trip_etag(known)
    if if_none_match.strip() == "*":
        raise ProblemError(412, "changed meanwhile", f"trip {known.id} is there already", {"ETag": etag})
    if not if_match:
        detail = f"trip {known.id} is there: read it, and send its ETag as If-Match"
        raise ProblemError(428, "If-Match is missing", detail)
    if not matches(if_match, etag):
        detail = f"trip {known.id} is not as you read it: read it again, then change it"
        raise ProblemError(412, "changed meanwhile", detail, {"ETag": etag})
