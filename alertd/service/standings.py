"""Standings of targets kept as events of the store: they outlive the daemon, and another process may change one."""

import hashlib
import json
from collections.abc import Mapping
from datetime import datetime

from alertd.delivery.standing import Standing
from alertd.plan.record import canonical, to_plain
from alertd.store.records import StoredEvent
from alertd.store.store import Store

KIND = "target"
NEWEST_N = 5000  # notes read, over all targets; one in trouble since before them is met anew


class StoredBook:
    """The book of one store. Either method may raise StoreError."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def standings(self) -> Mapping[str, Standing]:
        rows = (json.loads(event.body) for event in self._store.events("", KIND, NEWEST_N))
        return {row["target"]: Standing(**{**row, "since": datetime.fromisoformat(row["since"])}) for row in rows}

    def note(self, standing: Standing) -> None:
        # Each state begins after the one before it, so `since` puts the notes of a target in order.
        body = canonical(to_plain(standing))
        id_ = f"{KIND}_{hashlib.sha256(body.encode()).hexdigest()[:32]}"
        self._store.put_event(StoredEvent(id=id_, trip_id="", kind=KIND, at=standing.since, body=body))
