"""HTTP client for public servers: identification, rate limits, timeouts and validation of responses.

The caller's `read` function parses each response; only what it accepts is stored. So an HTML page, truncated JSON, a
changed unit or a wrong location never becomes the last good response. When the server fails in any of these ways, the
last good response is returned, marked stale with the time it was fetched. The same applies to a response that the
caller's `doubt` function rejects, by itself or compared with the last good one.

Error responses are never stored, whatever their headers. Requests stay inside the host's stated limits (`host_limits`):
no call is made beyond a spent quota.
"""

import asyncio
from collections.abc import Callable, Mapping
from functools import cached_property
from ipaddress import ip_address
from types import TracebackType
from typing import TYPE_CHECKING, Any, TypeVar
from urllib.parse import urlsplit
from weakref import WeakValueDictionary

from alertd import __version__
from alertd.errors import ConfigError, SourceChanged, SourceDown, SourceError
from alertd.sources.http.answer import (
    DEFAULT_OPTIONS,
    Answer,
    Doubt,
    RequestOptions,
    SourceResponse,
    full_url,
    no_doubt,
    without_secrets,
)
from alertd.sources.http.cache import CacheEntry, DiskCache, cache_key, may_store
from alertd.sources.http.decompress import ACCEPTED
from alertd.sources.http.errors import (
    NotConnected,
    RateLimited,
    Unreachable,
    parse_json,
)
from alertd.sources.http.exchange import Call, Exchange, Reader, parsed
from alertd.sources.http.host_limits import HostLimits
from alertd.sources.http.options import HttpOptions
from alertd.sources.http.parsed_bodies import ParsedByUrl
from alertd.sources.http.rate_limit import RateLimiter

if TYPE_CHECKING:
    import httpx

T = TypeVar("T")

JSON = ("json",)


class HttpClient:
    """HTTP client with identification, cache, retries and limits shared by all callers. Use as `async with`."""

    def __init__(self, options: HttpOptions) -> None:
        contact, now_utc, on_error = options.contact, options.now_utc, options.on_error
        if not contact.isprintable() or not contact.isascii():
            raise ConfigError("settings", "contact", "has characters HTTP headers cannot carry", "use plain ASCII")
        self._contact, self._now, self._rng, self._sleep = contact.strip(), now_utc, options.rng, options.sleep
        self._deadline_s, self._retry = options.deadline_s, options.retry
        other_hosts = HostLimits(name="", at_once=options.at_once_per_host, per_s=options.per_s_per_host)
        self._rate_limiter = RateLimiter(
            now_utc=now_utc, sleep=options.sleep, ticks=options.ticks or _now_s, policy=self._retry,
            cache_dir=options.cache_dir, other=other_hosts, on_error=on_error, stated=options.host_limits,
        )  # fmt: skip
        self._on_error, self._on_response = on_error, options.on_response
        self.cache = DiskCache(options.cache_dir, on_error)
        self._parsed = ParsedByUrl()
        self._in_flight: WeakValueDictionary[str, asyncio.Lock] = WeakValueDictionary()
        self._user_agent = f"alertd/{__version__} ({self._contact})" if contact else f"alertd/{__version__}"
        self._transport, self._trust_env = options.transport, options.trust_env

    @cached_property
    def _exchange(self) -> Exchange:
        """Made at the first request: the library and the certificates take a tenth of a second to load."""
        return Exchange(self._http, self._rate_limiter, self._now, self._on_error)

    @cached_property
    def _http(self) -> "httpx.AsyncClient":
        import httpx

        return httpx.AsyncClient(
            timeout=httpx.Timeout(30.0, connect=10.0),
            follow_redirects=False,
            headers={"User-Agent": self._user_agent, "Accept-Encoding": ACCEPTED},
            transport=self._transport,
            trust_env=self._trust_env,
        )

    async def __aenter__(self) -> "HttpClient":
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.aclose()

    async def aclose(self) -> None:
        """Close the connections."""
        if "_http" in self.__dict__:
            await self._http.aclose()

    async def get_json(
        self,
        source: str,
        url: str,
        *,
        read: Callable[[Any], T],
        params: Mapping[str, str] | None = None,
        doubt: Doubt[T] = no_doubt,
        options: RequestOptions = DEFAULT_OPTIONS,
    ) -> Answer[T]:
        """GET JSON and pass it to `read`, which raises SourceChanged for an untrusted value.

        source: name used in errors. doubt: returns why a value is implausible, compared with the last good one if there
        is one; a doubted value is neither stored nor returned. Raises SourceError when there is neither a response nor
        a last good one.
        """
        return await self.get(
            source, url, read=lambda body: read(parse_json(source, body)), params=params, content_types=JSON,
            doubt=doubt, options=options,
        )  # fmt: skip

    async def get(
        self,
        source: str,
        url: str,
        *,
        read: Callable[[bytes], T],
        content_types: tuple[str, ...],
        params: Mapping[str, str] | None = None,
        doubt: Doubt[T] = no_doubt,
        options: RequestOptions = DEFAULT_OPTIONS,
    ) -> Answer[T]:
        """As `get_json`, for any body; Content-Type must contain one of `content_types`."""
        full, refresh = full_url(url, params), options.refresh
        self._identified(source, full)
        sent = {"accept": "application/geo+json, application/json" if content_types == JSON else "*/*"}
        sent |= options.headers
        kept = self._parsed.of(full) if options.keep else None
        reader = Reader(source=source, read=read, doubt=doubt, kept=kept)
        call = Call(source=source, url=full, sent=sent, content_types=content_types, options=options)
        # Trucks on one corridor need the same cells at the same time: one call is made, the others read its response.
        async with self._in_flight.setdefault(full, asyncio.Lock()):
            try:
                answer = await self._cached(call, reader)
            except SourceError as exc:
                self._on_response(SourceResponse(url=without_secrets(full), refresh=refresh, failed=exc))
                raise
        self._on_response(
            SourceResponse(
                url=without_secrets(full), refresh=refresh, body=answer.body, fetched_at=answer.fetched_at,
                stale_because=answer.stale_because,
                clock_offset_s=None if answer.from_cache else answer.clock_offset_s,
            )
        )  # fmt: skip
        return answer

    async def _cached(self, call: Call, read: Reader[T]) -> Answer[T]:
        key = cache_key(call.url)
        entry = await asyncio.to_thread(self.cache.get, key)
        if entry is not None and not entry.matches({**call.sent, "user-agent": self._user_agent}):
            entry = None
        if entry is not None and entry.is_fresh(self._now()) and not call.options.refresh:
            try:
                return parsed(entry, read, from_cache=True)
            except SourceError:  # stored by an older version that read it differently
                entry = None
        try:
            fresh, answer = await self._request(call, entry, read)
        except SourceError as exc:
            return self._last_good(entry, read, exc)
        if may_store(fresh.headers):
            await asyncio.to_thread(self.cache.put, key, fresh)
        return answer

    async def _request(self, call: Call, entry: CacheEntry | None, read: Reader[T]) -> tuple[CacheEntry, Answer[T]]:
        """Return the server's response as an entry and parsed, after as many attempts as the policy allows."""
        async with self._rate_limiter.host_state(call.url).slots:
            await self._rate_limiter.acquire(call.source, call.url, wait=True)
            try:
                async with asyncio.timeout(self._deadline_s) as deadline:
                    result = await self._tries(call, entry, read, deadline)
            except TimeoutError as exc:
                late = Unreachable(call.source, f"no whole answer within {self._deadline_s:g} s", retryable=True)
                self._rate_limiter.failed(call.url, late)
                raise late from exc
            except SourceError as exc:
                self._rate_limiter.failed(call.url, exc)
                raise
        self._rate_limiter.succeeded(call.url)
        return result

    async def _tries(
        self,
        call: Call,
        entry: CacheEntry | None,
        read: Reader[T],
        deadline: asyncio.Timeout,
    ) -> tuple[CacheEntry, Answer[T]]:
        tries_made = 0
        while True:
            tries_made += 1
            try:
                return await self._exchange.send(call, entry, read)
            except SourceError as exc:
                await self._rate_limiter.count_extra_call(call.url)
                wait = self._retry.wait_s(
                    tries_made, exc, float(self._rng.random()), connected=not isinstance(exc, NotConnected)
                )
                if wait is None or _now_s() + wait >= (deadline.when() or 0.0):
                    raise  # this error is more specific than a missed deadline
                if isinstance(exc, RateLimited):
                    self._rate_limiter.host_state(call.url).pause_for(wait)  # delays this call too
                else:
                    await self._sleep(wait)
                await self._rate_limiter.acquire(call.source, call.url, wait=False)

    def _last_good(self, entry: CacheEntry | None, read: Reader[T], exc: SourceError) -> Answer[T]:
        """Return the last good response when the server is down or its response invalid.

        Raises `exc` when there is none, or for a plain refusal (404, 400).
        """
        outage = isinstance(exc, SourceDown | SourceChanged)
        if entry is None or not outage or not self._exchange.is_usable(entry):
            raise exc
        try:
            return parsed(entry, read, from_cache=True, stale_because=exc.problem)
        except SourceError:
            raise exc from None

    def _identified(self, source: str, url: str) -> None:
        host = urlsplit(url).hostname or ""
        if self._contact or is_loopback(host):
            return
        raise ConfigError(
            "settings", "contact", f"is empty and {source} requires identification",
            "write an e-mail address or web page where its operators can reach you",
        )  # fmt: skip


def is_loopback(host: str) -> bool:
    """Whether a host is this machine, by address or by the name localhost."""
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _now_s() -> float:
    return asyncio.get_running_loop().time()
