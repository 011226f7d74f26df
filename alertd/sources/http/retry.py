"""When to call a server again: which failure deserves another try, how long to wait, and how fast calls may follow.

tenacity would bring the loop, but the rules here (the server's word first, then jittered waits, a host or one question
that is left alone for a while) would still all be ours; the loop itself is five lines.
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
    """Tries per call, and the waits between them [s]; the longest wait a call will sit through [s].

    A host that failed `give_up_after` calls in a row is left alone for `pause_s`, twice as long at each further failure
    up to `max_pause_s`, so that a dead provider costs one route a minute and not every cell of every route a
    deadline each. One question that failed `failing_after` calls in a row while its host answered is left alone
    likewise,
    for `failing_pause_s` and longer: one cell was seen to fail for twelve days.
    """

    tries: int = 3
    waits_s: tuple[float, ...] = (1.0, 5.0, 15.0)
    max_wait_s: float = 20.0
    give_up_after: int = 4
    pause_s: float = 60.0
    max_pause_s: float = 900.0
    failing_after: int = 2
    failing_pause_s: float = 1800.0
    max_failing_pause_s: float = 3600.0

    def wait_s(self, tries_made: int, error: SourceError, jitter: float) -> float | None:
        """Seconds until the next try, or None to give up. `jitter` is uniform in [0, 1).

        The server's own Retry-After wins. Else the policy's wait, between half and one and a half times of it.
        """
        if not error.retryable or tries_made >= self.tries:
            return None
        if error.retry_after_s is not None:
            return error.retry_after_s if error.retry_after_s <= self.max_wait_s else None
        return (0.5 + jitter) * self.waits_s[min(tries_made, len(self.waits_s)) - 1]


def retry_after_s(text: str | None, now_utc: datetime) -> float | None:
    """What a Retry-After header asks, 0 for a date gone by and a day at most; None when absent or unreadable."""
    wait_s = parse_retry_after_s(text, now_utc)
    return None if wait_s is None else min(max(wait_s, 0.0), timedelta(days=1).total_seconds())


class NotAsked(SourceDown):
    """No call was made: the host or the question is being left alone, or an allowance is spent."""


@dataclass(slots=True, kw_only=True)
class Pause:
    """What is left alone for a while after failures, a host or one question: until when and why."""

    until: datetime | None = None
    because: str = ""
    failures: int = 0

    def check(self, source: str, now_utc: datetime) -> None:
        """Raise NotAsked while it is left alone."""
        if self.until is not None and now_utc < self.until:
            wait = (self.until - now_utc).total_seconds()
            raise NotAsked(
                source, f"not asked again before {self.until:%H:%M} UTC: {self.because}",
                retryable=True, retry_after_s=wait,
            )  # fmt: skip

    def succeeded(self) -> None:
        self.failures = 0  # a pause stands: the call that succeeded may have begun before it

    def failed(self, error: SourceError, now_utc: datetime, *, asked_s: float | None, after: int, pause_s: float,
               longest_s: float) -> None:  # fmt: skip
        """Count a failure; pause for `asked_s`, else from the `after`th in a row for `pause_s`, doubling."""
        self.failures += 1
        pause = asked_s
        if pause is None and self.failures >= after:
            pause = min(pause_s * 2.0 ** min(self.failures - after, 20), longest_s)
        if pause is not None:
            until = now_utc + timedelta(seconds=pause)
            if self.until is None or until > self.until:  # a call begun earlier must not cut short what was asked
                self.until, self.because = until, error.problem


@dataclass(slots=True, kw_only=True)
class HostState:
    """One host's manners: calls at once, calls a second, and a pause while it is down or told us to wait.

    ticks: seconds that only ever grow, by which the pace is kept.
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
        """Wait for this host's turn: calls start at least 1 / per_s apart, so that no second sees more than per_s."""
        now_s = self.ticks()
        due_s = max(self._next_s, now_s)
        self._next_s = due_s + 1.0 / self.limits.per_s
        if due_s > now_s:
            await self.sleep(due_s - now_s)

    def pause_for(self, wait_s: float) -> None:
        """The host asked one call to wait: the others wait too."""
        self._next_s = max(self._next_s, self.ticks() + wait_s)


def same_server(one: str, other: str) -> bool:
    a, b = urlsplit(one), urlsplit(other)
    return (a.scheme, a.hostname, a.port) == (b.scheme, b.hostname, b.port)
