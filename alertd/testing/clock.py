"""Clocks for tests and the demo: one that stands still until it is moved, and one that runs fast."""

from collections.abc import Callable
from datetime import datetime, timedelta
from time import monotonic


class ManualClock:
    """Call it for the time; `advance` moves it on."""

    def __init__(self, now_utc: datetime) -> None:
        if now_utc.utcoffset() != timedelta(0):
            raise ValueError("a held clock stands in UTC")
        self._now = now_utc

    def __call__(self) -> datetime:
        return self._now

    def advance(self, by: timedelta) -> None:
        self._now += by


class FastClock:
    """A clock that runs `speed` times as fast as the machine's, from a moment of one's choice."""

    def __init__(self, start_utc: datetime, speed: float, monotonic_s: Callable[[], float] = monotonic) -> None:
        if start_utc.utcoffset() != timedelta(0) or not speed > 0.0:
            raise ValueError("a fast clock starts in UTC and runs forward")
        self._start, self._speed, self._monotonic_s = start_utc, speed, monotonic_s
        self._began_s = monotonic_s()

    def __call__(self) -> datetime:
        return self._start + timedelta(seconds=(self._monotonic_s() - self._began_s) * self._speed)
