"""Rate limiter: pace, quota and pause of every host, and pauses of single requests that fail alone.

It decides whether a failure concerns the host or the request. 5xx, a truncated body and no response concern the host;
429 and 403 pause it at once; a wrong shape or grid concerns the request.
"""

import asyncio
from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path

from alertd.errors import SourceChanged, SourceDown, SourceError
from alertd.sources.http.cache import cache_key
from alertd.sources.http.errors import IncompleteResponse, NoDataForLocation, RateLimited, Unreachable
from alertd.sources.http.host_limits import HostLimits, call_weight, limits_of
from alertd.sources.http.quota import Quota, QuotaExhausted
from alertd.sources.http.retry import HostState, NotAsked, Pause, RetryPolicy, Sleeper


class RateLimiter:
    """Rate limits of one client for all hosts.

    other: limits of hosts that state none. stated: by domain, besides ours. cache_dir: folder of the counts, None for
    memory only. ticks: monotonic seconds.
    """

    def __init__(
        self,
        *,
        now_utc: Callable[[], datetime],
        sleep: Sleeper,
        ticks: Callable[[], float],
        policy: RetryPolicy,
        other: HostLimits,
        stated: Mapping[str, HostLimits],
        cache_dir: Path | None,
        on_error: Callable[[str], None],
    ) -> None:
        self._now, self._sleep, self._ticks, self._policy, self._other = now_utc, sleep, ticks, policy, other
        self._cache_dir, self._on_trouble, self._stated = cache_dir, on_error, stated
        self._host_states: dict[str, HostState] = {}
        self._quotas: dict[str, Quota] = {}
        self._failing_requests: dict[str, Pause] = {}  # requests that fail while their host works, by cache_key

    def host_state(self, url: str) -> HostState:
        """Return the state of a URL's host; create it on first use."""
        limits = limits_of(url, self._other, self._stated)
        host_state = self._host_states.get(limits.name)
        if host_state is None:
            host_state = self._host_states[limits.name] = HostState(limits=limits, sleep=self._sleep, ticks=self._ticks)
            if limits.quotas:
                path = self._cache_dir / f"calls-{limits.name}.json" if self._cache_dir else None
                self._quotas[limits.name] = Quota(limits.quotas, path, self._on_trouble)
        return host_state

    async def acquire(self, source: str, url: str, *, wait: bool) -> None:
        """Wait for the host's turn; with `wait`, also for the next minute where this minute's quota is spent.

        Raises NotAsked when the host or the request is paused, or a quota is spent for longer than a minute. Raises
        SourceError when no quota could ever cover the request.
        """
        host_state, request_pause = self.host_state(url), self._failing_requests.get(cache_key(url))
        if request_pause is not None:
            request_pause.check(source, self._now())
        while True:
            host_state.pause.check(source, self._now())
            await host_state.wait_turn()
            host_state.pause.check(source, self._now())  # it may have failed meanwhile
            quota = self._quotas.get(host_state.limits.name)
            if quota is None:
                return
            now = self._now()
            spent = await asyncio.to_thread(quota.take, call_weight(url), now)
            if spent is None:
                return
            if spent.until is None:
                raise SourceError(source, f"not asked: {spent.because}")
            wait_s = (spent.until - now).total_seconds()
            if spent.window != "minute" or not wait:
                raise NotAsked(source, _why(spent, spent.until, wait_s), retryable=True, retry_after_s=wait_s)
            await self._sleep(wait_s)

    async def count_extra_call(self, url: str) -> None:
        """Count a failed call once more, as servers with quotas do."""
        quota = self._quotas.get(self.host_state(url).limits.name)
        if quota is not None:
            await asyncio.to_thread(quota.add, 1.0, self._now())

    def succeeded(self, url: str) -> None:
        """Record a successful call."""
        self.host_state(url).pause.succeeded()
        self._failing_requests.pop(cache_key(url), None)

    def failed(self, url: str, error: SourceError) -> None:
        """Pause the host or this one request, depending on the error of a call that gave up."""
        if isinstance(error, NotAsked):
            return
        host_state, policy, now = self.host_state(url), self._policy, self._now()
        of_host = isinstance(error, SourceDown | IncompleteResponse) and not isinstance(error, NoDataForLocation)
        if of_host:
            asked_s = (error.retry_after_s or policy.pause_s) if isinstance(error, RateLimited) else None
            host_state.pause.failed(
                error, now, asked_s=asked_s,
                after=policy.give_up_after, pause_s=policy.pause_s, longest_s=policy.max_pause_s,
            )  # fmt: skip
            quota = self._quotas.get(host_state.limits.name)
            if quota is not None and asked_s is not None and host_state.pause.until is not None:
                quota.close(host_state.pause.until, error.problem)  # so that it survives a restart
        elif isinstance(error, NoDataForLocation) or not isinstance(error, SourceChanged):
            host_state.pause.succeeded()  # a plain refusal comes from a working host
        alone = not of_host or host_state.pause.failures <= 1  # otherwise the host is down, not this request bad
        if isinstance(error, SourceDown | SourceChanged) and alone and not isinstance(error, RateLimited | Unreachable):
            self._failing_requests.setdefault(cache_key(url), Pause()).failed(
                error, now, asked_s=error.retry_after_s if isinstance(error, NoDataForLocation) else None,
                after=policy.failing_after, pause_s=policy.failing_pause_s, longest_s=policy.max_failing_pause_s,
            )  # fmt: skip


def _why(spent: QuotaExhausted, until: datetime, wait_s: float) -> str:
    when = f"{until:%H:%M} UTC" if wait_s <= 86_400 else f"{until:%d %b %H:%M} UTC"
    if spent.window:
        return f"quota spent until {when} ({spent.because})"
    return f"not asked again before {when}: {spent.because}"
