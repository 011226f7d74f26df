"""Reports whether the daemon's work makes progress, by a monotonic clock."""

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

STALLED_AFTER_S = 60.0  # without a heartbeat for this long, the event loop or its timer hangs
STUCK_S = 1800.0  # no job takes this long: a cycle of ten thousand trips takes minutes


class Liveness:
    """The timer calls `heartbeat` at each tick; jobs run inside `job`."""

    def __init__(self, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._monotonic = monotonic
        self._beat_s = monotonic()
        self._under_way: dict[object, tuple[str, float]] = {}

    def heartbeat(self) -> None:
        self._beat_s = self._monotonic()

    @property
    def age_s(self) -> float:
        """Seconds since the last heartbeat."""
        return self._monotonic() - self._beat_s

    @contextmanager
    def job(self, name: str) -> Iterator[None]:
        """Marks a job as running inside the block."""
        mark = object()
        self._under_way[mark] = (name, self._monotonic())
        try:
            yield
        finally:
            del self._under_way[mark]

    def problem(self, stalled_after_s: float = STALLED_AFTER_S) -> str:
        """What hangs, in words; "" when nothing does."""
        if self.age_s > stalled_after_s:
            return f"no timer tick for {self.age_s:.0f} s"
        now_s = self._monotonic()
        stuck = [(name, now_s - began_s) for name, began_s in self._under_way.values() if now_s - began_s > STUCK_S]
        return "; ".join(f"job {name} has been running for {age_s / 60.0:.0f} min" for name, age_s in stuck)
