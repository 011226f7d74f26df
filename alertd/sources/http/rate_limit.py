"""Who may be asked now: the pace, allowance and rest of every host, and of single questions that fail alone.

What a failure says of its host is decided here: 5xx, half a body and no answer at all speak of the host, 429 and 403
close it at once, a shape or a grid gone wrong speaks of the one question.
"""

import asyncio
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from alertd.errors import SourceChanged, SourceDown, SourceError
from alertd.sources.http.cache import cache_key
from alertd.sources.http.errors import CutShort, PlaceDown, Throttled, Unreached
from alertd.sources.http.host_limits import HostLimits, calls_asked, limits_of
from alertd.sources.http.quota import Quota, Spent
from alertd.sources.http.retry import HostGate, NotAsked, Pause, RetryPolicy, Sleeper


class Manners:
    """One client's manners towards all hosts. other: limits of hosts that state none; cache_dir: where counts are kept,
    None for memory alone; ticks: seconds that only ever grow."""

    def __init__(
        self,
        *,
        now_utc: Callable[[], datetime],
        sleep: Sleeper,
        ticks: Callable[[], float],
        policy: RetryPolicy,
        other: HostLimits,
        cache_dir: Path | None,
        on_trouble: Callable[[str], None],
    ) -> None:
        self._now, self._sleep, self._ticks, self._policy, self._other = now_utc, sleep, ticks, policy, other
        self._cache_dir, self._on_trouble = cache_dir, on_trouble
        self._gates: dict[str, HostGate] = {}
        self._quotas: dict[str, Quota] = {}
        self._sore: dict[str, Pause] = {}  # questions that fail while their host answers, by cache_key

    def gate(self, url: str) -> HostGate:
        limits = limits_of(url, self._other)
        gate = self._gates.get(limits.name)
        if gate is None:
            gate = self._gates[limits.name] = HostGate(limits=limits, sleep=self._sleep, ticks=self._ticks)
            if limits.quotas:
                path = self._cache_dir / f"calls-{limits.name}.json" if self._cache_dir else None
                self._quotas[limits.name] = Quota(limits.quotas, path, self._on_trouble)
        return gate

    async def admit(self, source: str, url: str, *, patient: bool) -> None:
        """Wait for the host's turn; when `patient`, for the next minute too where this one's allowance is spent.

        Raises NotAsked when the host or the question is left alone, or an allowance is spent for longer than that, and
        SourceError when no allowance could ever cover the question.
        """
        gate, sore = self.gate(url), self._sore.get(cache_key(url))
        if sore is not None:
            sore.check(source, self._now())
        while True:
            gate.pause.check(source, self._now())
            await gate.pace()
            gate.pause.check(source, self._now())  # it may have failed meanwhile
            quota = self._quotas.get(gate.limits.name)
            if quota is None:
                return
            now = self._now()
            spent = await asyncio.to_thread(quota.take, calls_asked(url), now)
            if spent is None:
                return
            if spent.until is None:
                raise SourceError(source, f"not asked: {spent.because}")
            wait_s = (spent.until - now).total_seconds()
            if spent.window != "minute" or not patient:
                raise NotAsked(source, _why(spent, spent.until, wait_s), retryable=True, retry_after_s=wait_s)
            await self._sleep(wait_s)

    async def also_counted(self, url: str) -> None:
        """A call failed: servers that count calls count it once more."""
        quota = self._quotas.get(self.gate(url).limits.name)
        if quota is not None:
            await asyncio.to_thread(quota.add, 1.0, self._now())

    def succeeded(self, url: str) -> None:
        self.gate(url).pause.succeeded()
        self._sore.pop(cache_key(url), None)

    def failed(self, url: str, error: SourceError) -> None:
        """Let the host rest, or this one question, by what kind of failure a call that gave up met."""
        if isinstance(error, NotAsked):
            return
        gate, policy, now = self.gate(url), self._policy, self._now()
        of_host = isinstance(error, SourceDown | CutShort) and not isinstance(error, PlaceDown)
        if of_host:
            asked_s = (error.retry_after_s or policy.pause_s) if isinstance(error, Throttled) else None
            gate.pause.failed(
                error, now, asked_s=asked_s,
                after=policy.give_up_after, pause_s=policy.pause_s, longest_s=policy.longest_pause_s,
            )  # fmt: skip
            quota = self._quotas.get(gate.limits.name)
            if quota is not None and asked_s is not None and gate.pause.until is not None:
                quota.close(gate.pause.until, error.problem)  # so that it stands over a restart
        elif isinstance(error, PlaceDown) or not isinstance(error, SourceChanged):
            gate.pause.succeeded()  # a plain refusal comes from a host that is well
        alone = not of_host or gate.pause.failures <= 1  # else the host is down, and not this question bad
        if isinstance(error, SourceDown | SourceChanged) and alone and not isinstance(error, Throttled | Unreached):
            self._sore.setdefault(cache_key(url), Pause()).failed(
                error, now, asked_s=error.retry_after_s if isinstance(error, PlaceDown) else None,
                after=policy.sore_after, pause_s=policy.sore_pause_s, longest_s=policy.longest_sore_s,
            )  # fmt: skip


def _why(spent: Spent, until: datetime, wait_s: float) -> str:
    when = f"{until:%H:%M} UTC" if wait_s <= 86_400 else f"{until:%d %b %H:%M} UTC"
    if spent.window:
        return f"quota spent until {when} ({spent.because})"
    return f"not asked again before {when}: {spent.because}"
