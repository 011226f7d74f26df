"""The store of a simulated night: writes fail or end the process, and what is not the subject is read once."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from alertd.errors import StoreError
from alertd.store.rows import StoredEvent
from alertd.store.store import Store

if TYPE_CHECKING:
    from sim_world import World

_SHARED: Final[dict[str, Any]] = {}  # what every store of every night has in common


class Killed(BaseException):
    """The process ends here. Not an Exception: no handler of the daemon may catch it."""


class Violation(AssertionError):
    """An invariant does not hold."""


def copy_empty_store(to: Path) -> None:
    """Put a store with the current schema and no rows at `to`: its creation is the same in all nights."""
    if "empty" not in _SHARED:
        Store(to).close()
        _SHARED["empty"] = to.read_bytes()
    to.write_bytes(_SHARED["empty"])


def share_statements(store: Store) -> None:
    """Let all stores of all nights use the same compiled statements, which are the same text."""
    for engine in (store._database._backend.engine, store._database._writing):
        kept = _SHARED.setdefault("sqlite", (engine.dialect, engine._compiled_cache))  # type: ignore[attr-defined]
        engine.dialect, engine._compiled_cache = kept  # type: ignore[attr-defined]


class SimulatedStore(Store):
    """A store that reads its events again only after one was added or removed, by any daemon of the world.

    They are reports of drivers, roads and devices. A cycle reads every kind of them, and few come in a night.
    """

    def __init__(self, place: Path, world: "World") -> None:
        super().__init__(place)
        self._world = world
        for name in ("events", "events_by_id"):
            setattr(self.pruning, name, self._then_forget(getattr(self.pruning, name)))

    def put_event(self, event: StoredEvent) -> bool:
        try:
            return super().put_event(event)
        finally:  # also when it fails: it may have been committed before the process ended
            self._world.events.pop(event.kind, None)

    def _then_forget(self, removes: Any) -> Any:
        def removing(*args: Any, **more: Any) -> Any:
            try:
                removed = removes(*args, **more)
            except BaseException:
                self._world.events.clear()
                raise
            if removed:
                self._world.events.clear()
            return removed

        return removing

    def events(self, trip_id: str, kind: str, newest_n: int | None = None) -> list[StoredEvent]:
        of_kind, key = self._world.events.setdefault(kind, {}), (trip_id, newest_n)
        if key not in of_kind:
            of_kind[key] = super().events(trip_id, kind, newest_n)
        return list(of_kind[key])

    def events_since(self, kind: str, since: datetime) -> list[StoredEvent]:
        of_kind, key = self._world.events.setdefault(kind, {}), ("since", None)
        if key not in of_kind:
            of_kind[key] = super().events_since(kind, datetime.min.replace(tzinfo=UTC))
        return [event for event in of_kind[key] if event.at > since]


class FaultyDatabase:
    """A database whose writes fail, or end the process before or after their commit.

    Transactions are those of the real one, on connections that stay open: to open one costs more than most reads.
    """

    def __init__(self, real: Any, world: "World") -> None:
        self._real, self._world = real, world
        self._open: dict[bool, Any] = {}  # by whether it writes

    def __getattr__(self, name: str) -> Any:
        return getattr(self._real, name)

    def __setattr__(self, name: str, value: Any) -> None:
        if name in ("_real", "_world", "_open"):
            object.__setattr__(self, name, value)
        else:
            setattr(self._real, name, value)

    def close(self) -> None:
        for connection in self._open.values():
            connection.close()
        self._open.clear()
        self._real.close()

    @contextmanager
    def _transaction(self, engine: Any) -> Iterator[Any]:
        writes = engine is self._real._writing
        if writes not in self._open:
            self._open[writes] = engine.connect()
        connection = self._open[writes]
        if connection.in_transaction():
            raise Violation("a transaction within a transaction")
        with self._real._guarded(), connection.begin():
            yield connection

    @contextmanager
    def write(self, **more: Any) -> Iterator[Any]:
        world = self._world
        world.writes_n += 1
        with self._real.write(**more) as connection:
            yield connection
            if world.disk:
                world.fired[world.disk] += 1
                raise StoreError(f"store: {world.disk}")
            if world.kill_at == "killed before a commit":
                world.fired[world.kill_at] += 1
                world.kill_at = ""
                raise Killed
        if world.kill_at == "killed after a commit":
            world.fired[world.kill_at] += 1
            world.kill_at = ""
            raise Killed
