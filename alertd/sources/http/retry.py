"""Retry policy of a host: which failures to retry, how long to wait, and how fast calls may follow.

tenacity would provide the loop, but the rules here would still be our own: the server's wait first, then jittered
waits, then pauses of a host or a request. The loop itself is five lines.
"""

import asyncio
import math
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from urllib.parse import urlsplit

from alertd.errors import SourceDown, SourceError
from alertd.http_dates import parse_retry_after_s
from alertd.sources.http.host_limits import HostLimits

Sleeper = Callable[[float], Awaitable[None]]


@dataclass(frozen=True, slots=True, kw_only=True)
class RetryPolicy:
    """Attempts per call, waits between them [s], and the longest wait within a call [s].

    A host that failed `give_up_after` consecutive calls is paused for `pause_s`, doubled at each further failure up to
    `max_pause_s`. So a dead provider costs one route a minute, not a timeout for every cell of every route. One request
    that failed `failing_after` consecutive calls while its host worked is paused in the same way, for `failing_pause_s`
    and longer: one cell was observed to fail for twelve days. Long `waits_s` are for a busy server; where no connection
    was made, `connect_waits_s` apply.
    """

    tries: int = 3
    waits_s: tuple[float, ...] = (1.0, 5.0, 15.0)
    connect_waits_s: tuple[float, ...] = (1.0, 5.0)
    max_wait_s: float = 20.0
    give_up_after: int = 4
    pause_s: float = 60.0
    max_pause_s: float = 900.0
    failing_after: int = 2
    failing_pause_s: float = 1800.0
    max_failing_pause_s: float = 3600.0

    def wait_s(self, tries_made: int, error: SourceError, jitter: float, *, connected: bool = True) -> float | None:
        """Return the seconds until the next attempt, or None to give up. `jitter` is uniform in [0, 1).

        The server's own Retry-After has priority. Otherwise the policy's wait, times 0.5 to 1.5. Without a connection
        there are no more attempts than `connect_waits_s` has waits.
        """
        waits_s = self.waits_s if connected else self.connect_waits_s
        if not connected and tries_made > len(waits_s):
            return None
        if not error.retryable or tries_made >= self.tries:
            return None
        if error.retry_after_s is not None:
            return error.retry_after_s if error.retry_after_s <= self.max_wait_s else None
        return (0.5 + jitter) * waits_s[min(tries_made, len(waits_s)) - 1]


def retry_after_s(text: str | None, now_utc: datetime) -> float | None:
    """Return the wait of a Retry-After header [s]: 0 for a past date, at most a day; None if absent or unreadable."""
    wait_s = parse_retry_after_s(text, now_utc)
    return None if wait_s is None else min(max(wait_s, 0.0), timedelta(days=1).total_seconds())


class NotAsked(SourceDown):
    """No call was made: the host or the request is paused, or a quota is spent."""


@dataclass(slots=True, kw_only=True)
class Pause:
    """A pause of a host or request after failures: until when and why."""

    until: datetime | None = None
    because: str = ""
    failures: int = 0

    def check(self, source: str, now_utc: datetime) -> None:
        """Raise NotAsked during the pause."""
        if self.until is not None and now_utc < self.until:
            wait = (self.until - now_utc).total_seconds()
            raise NotAsked(
                source, f"not asked again before {self.until:%H:%M} UTC: {self.because}",
                retryable=True, retry_after_s=wait,
            )  # fmt: skip

    def succeeded(self) -> None:
        """Reset the count of consecutive failures."""
        self.failures = 0  # a pause stays: the successful call may have begun before it

    def failed(self, error: SourceError, now_utc: datetime, *, asked_s: float | None, after: int, pause_s: float,
               longest_s: float) -> None:  # fmt: skip
        """Count a failure; pause for `asked_s`, or for `pause_s` from the `after`th consecutive one on, doubling."""
        self.failures += 1
        pause = asked_s
        if pause is None and self.failures >= after:
            pause = min(pause_s * 2.0 ** min(self.failures - after, 20), longest_s)
        if pause is not None:
            until = now_utc + timedelta(seconds=pause)
            if self.until is None or until > self.until:  # a call that began earlier must not shorten a pause
                self.until, self.because = until, error.problem


@dataclass(slots=True, kw_only=True)
class HostState:
    """State of one host: concurrent calls, calls per second, and a pause while it is down or asked for one.

    ticks: monotonic seconds for the pace.
    """

    limits: HostLimits
    sleep: Sleeper
    ticks: Callable[[], float]
    slots: asyncio.Semaphore = field(init=False)
    pause: Pause = field(default_factory=Pause)
    _next_s: float = -math.inf

    def __post_init__(self) -> None:
        self.slots = asyncio.Semaphore(self.limits.at_once)

    async def wait_turn(self) -> None:
        """Wait for this host's turn: calls start at least 1 / per_s apart."""
        now_s = self.ticks()
        due_s = max(self._next_s, now_s)
        self._next_s = due_s + 1.0 / self.limits.per_s
        if due_s > now_s:
            await self.sleep(due_s - now_s)

    def pause_for(self, wait_s: float) -> None:
        """Delay all calls to the host, because it asked one call to wait."""
        self._next_s = max(self._next_s, self.ticks() + wait_s)


def same_server(one: str, other: str) -> bool:
    """Whether two URLs have the same scheme, host and port."""
    a, b = urlsplit(one), urlsplit(other)
    return (a.scheme, a.hostname, a.port) == (b.scheme, b.hostname, b.port)
