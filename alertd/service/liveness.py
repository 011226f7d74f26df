"""Whether the daemon's work still moves on, by a clock that never jumps."""

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

STALLED_AFTER_S = 60.0  # without a beat for so long, the loop or its timer hangs
STUCK_S = 1800.0  # no job takes so long: a cycle of ten thousand trips is minutes


class Liveness:
    """The timer beats it each time it comes round, and jobs are timed inside `job`."""

    def __init__(self, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._monotonic = monotonic
        self._beat_s = monotonic()
        self._under_way: dict[object, tuple[str, float]] = {}

    def heartbeat(self) -> None:
        self._beat_s = self._monotonic()

    @property
    def age_s(self) -> float:
        """Seconds since the last beat."""
        return self._monotonic() - self._beat_s

    @contextmanager
    def job(self, name: str) -> Iterator[None]:
        """A job is under way inside the block."""
        mark = object()
        self._under_way[mark] = (name, self._monotonic())
        try:
            yield
        finally:
            del self._under_way[mark]

    def problem(self, stalled_after_s: float = STALLED_AFTER_S) -> str:
        """What hangs, in words; "" while all moves on."""
        if self.age_s > stalled_after_s:
            return f"the timer has not come round for {self.age_s:.0f} s"
        now_s = self._monotonic()
        stuck = [(name, now_s - began_s) for name, began_s in self._under_way.values() if now_s - began_s > STUCK_S]
        return "; ".join(f"job {name} has been under way for {age_s / 60.0:.0f} min" for name, age_s in stuck)
