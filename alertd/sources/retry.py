"""When to call a server again: which failure deserves another try, how long to wait, and how fast calls may follow.

tenacity would bring the loop, but the rules here (the server's word first, then full jitter, a host that is left alone
for a while) would still all be ours; the loop itself is five lines.
"""

import asyncio
import math
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from urllib.parse import urlsplit

from alertd.errors import SourceDown, SourceError
from alertd.httptime import asked_wait_s

Sleeper = Callable[[float], Awaitable[None]]


@dataclass(frozen=True, slots=True, kw_only=True)
class RetryPolicy:
    """Tries per call; back-off base and cap; the longest wait a call will sit through [s].

    A host that failed `give_up_after` calls in a row is left alone for `pause_s`, so that a dead provider costs one
    route a minute and not every cell of every route a deadline each.
    """

    tries: int = 3
    base_s: float = 1.0
    cap_s: float = 15.0
    longest_wait_s: float = 20.0
    give_up_after: int = 4
    pause_s: float = 60.0

    def wait_s(self, tries_made: int, error: SourceError, jitter: float) -> float | None:
        """Seconds until the next try, or None to give up. `jitter` is uniform in [0, 1).

        The server's own Retry-After wins. Else exponential back-off with full jitter.
        """
        if not error.retryable or tries_made >= self.tries:
            return None
        if error.retry_after_s is not None:
            return error.retry_after_s if error.retry_after_s <= self.longest_wait_s else None
        return jitter * float(min(self.cap_s, self.base_s * 2.0**tries_made))


def retry_after_s(text: str | None, now_utc: datetime) -> float | None:
    """What a Retry-After header asks, 0 for a date gone by and a day at most; None when absent or unreadable."""
    wait_s = asked_wait_s(text, now_utc)
    return None if wait_s is None else min(max(wait_s, 0.0), timedelta(days=1).total_seconds())


@dataclass(slots=True, kw_only=True)
class HostGate:
    """One host's manners: calls at once, calls a second, and a pause while it is down or told us to wait."""

    at_once: int
    per_s: float
    burst: int
    sleep: Sleeper
    slots: asyncio.Semaphore = field(init=False)
    closed_until: datetime | None = None
    closed_because: str = ""
    failures: int = 0
    _next_s: float = -math.inf

    def __post_init__(self) -> None:
        self.slots = asyncio.Semaphore(self.at_once)

    async def pace(self) -> None:
        """Wait for this host's token (a leaky bucket kept as one number: the time the next token falls due)."""
        now_s = asyncio.get_running_loop().time()
        due_s = max(self._next_s, now_s - (self.burst - 1) / self.per_s)
        self._next_s = due_s + 1.0 / self.per_s
        if due_s > now_s:
            await self.sleep(due_s - now_s)

    def check(self, source: str, now_utc: datetime) -> None:
        """Raise SourceDown while the host is left alone."""
        if self.closed_until is not None and now_utc < self.closed_until:
            wait = (self.closed_until - now_utc).total_seconds()
            raise SourceDown(source, f"not asked again yet: {self.closed_because}", retryable=True, retry_after_s=wait)

    def succeeded(self) -> None:
        self.failures, self.closed_until = 0, None

    def failed(self, error: SourceError, policy: RetryPolicy, now_utc: datetime, *, host_wide: bool) -> None:
        """Count a call that gave up; close the gate when the host asked for it or keeps failing."""
        if not isinstance(error, SourceDown):
            return
        self.failures += 1
        pause = error.retry_after_s if host_wide else None
        if pause is None and self.failures >= policy.give_up_after:
            pause = policy.pause_s
        if pause is not None:
            self.closed_until, self.closed_because = now_utc + timedelta(seconds=pause), error.problem


def same_server(one: str, other: str) -> bool:
    a, b = urlsplit(one), urlsplit(other)
    return (a.scheme, a.hostname, a.port) == (b.scheme, b.hostname, b.port)
