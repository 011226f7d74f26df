"""Clocks for tests and the demo: one that advances on request, one that runs fast, and a wait that takes no time."""

from collections.abc import Callable
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
    """Runs `speed` times as fast as the machine's clock, from a given UTC time.

    Raises ValueError unless `start_utc` is UTC and `speed` is positive.
    """

    def __init__(self, start_utc: datetime, speed: float, monotonic_s: Callable[[], float] = monotonic) -> None:
        if start_utc.utcoffset() != timedelta(0) or not speed > 0.0:
            raise ValueError("a fast clock needs a UTC start time and a positive speed")
        self._start, self._speed, self._monotonic_s = start_utc, speed, monotonic_s
        self._began_s = monotonic_s()

    def __call__(self) -> datetime:
        return self._start + timedelta(seconds=(self._monotonic_s() - self._began_s) * self._speed)


async def no_wait(_seconds: float) -> None:
    """Return at once: the `sleep` of an HTTP client whose pace and back-off a test does not measure."""
