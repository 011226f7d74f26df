"""Clocks for tests and the demo: one that advances on request, one that runs fast, and a wait that takes no time."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from time import monotonic


class ManualClock:
    """Returns a fixed time when called; `advance` moves it forward. Raises ValueError unless `now_utc` is UTC."""

    def __init__(self, now_utc: datetime) -> None:
        if now_utc.utcoffset() != timedelta(0):
            raise ValueError("a manual clock needs a UTC time")
        self._now = now_utc

    def __call__(self) -> datetime:
        return self._now

    def advance(self, by: timedelta) -> None:
        """Move the clock forward."""
        self._now += by


class FastClock:
    """Runs `speed` times as fast as the machine's clock, from a given UTC time; it can be stopped for a while.

    Raises ValueError unless `start_utc` is UTC and `speed` is positive.
    """

    def __init__(self, start_utc: datetime, speed: float, monotonic_s: Callable[[], float] = monotonic) -> None:
        if start_utc.utcoffset() != timedelta(0) or not speed > 0.0:
            raise ValueError("a fast clock needs a UTC start time and a positive speed")
        self._start, self._speed, self._monotonic_s = start_utc, speed, monotonic_s
        self._began_s = monotonic_s()
        self._stopped_s: float | None = None

    def __call__(self) -> datetime:
        now_s = self._monotonic_s() if self._stopped_s is None else self._stopped_s
        return self._start + timedelta(seconds=(now_s - self._began_s) * self._speed)

    @contextmanager
    def stopped(self) -> Iterator[None]:
        """Stop the clock in the block, so that work which takes seconds does not take hours of the fast time."""
        self._stopped_s = self._monotonic_s()
        try:
            yield
        finally:
            self._began_s += self._monotonic_s() - self._stopped_s
            self._stopped_s = None


async def no_wait(_seconds: float) -> None:
    """Return at once: the `sleep` of an HTTP client whose pace and back-off a test does not measure."""
