"""What a restart must not forget of each target: whether it is called, why not, and how its tries went."""

from datetime import datetime
from typing import Any, Literal

from sqlalchemy import Row, select

from alertd.store.connection import Database, insert_or
from alertd.store.records import EndpointState
from alertd.store.schema import endpoints

State = Literal["enabled", "disabled", "parked"]


class Endpoints:
    """The targets of one store. Every method raises StoreError when the store fails."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def succeeded(self, target: str, at: datetime) -> None:
        self._keep(target, at, last_success_at=at, failures=0)

    def failed(self, target: str, at: datetime) -> None:
        self._keep(target, at, last_failure_at=at, failures=endpoints.c.failures + 1)

    def turn(self, target: str, state: State, reason: str, at: datetime) -> None:
        """Call it or do not, from `at` on. The same state again keeps its time and reason."""
        known = self.get(target)
        if known is None or known.state != state:
            self._keep(target, at, state=state, reason=reason, since=at)

    def get(self, target: str) -> EndpointState | None:
        with self._database.read() as connection:
            row = connection.execute(select(endpoints).where(endpoints.c.target == target)).one_or_none()
        return None if row is None else _state(row)

    def all(self) -> list[EndpointState]:
        """By name."""
        with self._database.read() as connection:
            return [_state(row) for row in connection.execute(select(endpoints).order_by(endpoints.c.target))]

    def _keep(self, target: str, at: datetime, **changed: Any) -> None:
        new = {"state": "enabled", "reason": "", "since": at, "failures": 0} | changed
        if "last_failure_at" in changed:
            new["failures"] = 1
        with self._database.write() as connection:
            connection.execute(
                insert_or(connection, endpoints)
                .values(target=target, **new)
                .on_conflict_do_update(index_elements=["target"], set_=changed)
            )


def _state(row: Row[Any]) -> EndpointState:
    return EndpointState(
        target=row.target,
        state=row.state,
        reason=row.reason,
        since=row.since,
        last_success_at=row.last_success_at,
        last_failure_at=row.last_failure_at,
        failures=row.failures,
    )
