"""A clock that stands still until it is moved."""

from datetime import datetime, timedelta


class HeldClock:
    """Call it for the time; `advance` moves it on."""

    def __init__(self, now_utc: datetime) -> None:
        if now_utc.utcoffset() != timedelta(0):
            raise ValueError("a held clock stands in UTC")
        self._now = now_utc

    def __call__(self) -> datetime:
        return self._now

    def advance(self, by: timedelta) -> None:
        self._now += by
