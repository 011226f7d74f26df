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
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from ipaddress import ip_address
from pathlib import Path
from types import TracebackType
from typing import Any, Generic, TypeVar, cast
from urllib.parse import urljoin, urlsplit
from weakref import WeakValueDictionary

import httpx
import numpy as np

from alertd import __version__
from alertd.errors import ConfigError, SourceChanged, SourceDoubted, SourceDown, SourceError
from alertd.http_dates import http_date
from alertd.sources.http.answer import (
    DEFAULT_OPTIONS,
    DOUBTED,
    Answer,
    Doubt,
    RequestOptions,
    SourceResponse,
    full_url,
    no_doubt,
    without_secrets,
)
from alertd.sources.http.cache import CacheEntry, DiskCache, cache_key, fresh_for_s, may_store, stored_headers
from alertd.sources.http.decompress import ACCEPTED, BadContentEncoding, BodyTooLarge, Decompressor
from alertd.sources.http.errors import (
    IncompleteResponse,
    RateLimited,
    Unreachable,
    error_from_response,
    from_httpx_error,
    parse_json,
)
from alertd.sources.http.host_limits import HostLimits
from alertd.sources.http.rate_limit import RateLimiter
from alertd.sources.http.retry import HostState, RetryPolicy, Sleeper, same_server

T = TypeVar("T")

MAX_BODY_BYTES = 10_000_000  # bytes, unpacked; the largest real response recorded is 1.7 MB
MAX_REDIRECTS = 3
MAX_STALE_USE = timedelta(hours=48)  # the freshness check in alertd.forecast warns much earlier
JSON = ("json",)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Call:
    source: str
    url: str
    sent: Mapping[str, str]
    content_types: tuple[str, ...]
    options: RequestOptions


@dataclass(frozen=True, slots=True, kw_only=True)
class _Reader(Generic[T]):
    """How one caller parses and checks a body."""

    source: str
    read: Callable[[bytes], T]
    doubt: Doubt[T]

    def sound(self, body: bytes) -> T:
        """Return the value of a body that is not doubted by itself. Raises SourceError."""
        value = self.read(body)
        self._raise_doubt(value, None)
        return value

    def compare(self, value: T, last_good: CacheEntry | None) -> None:
        """Raise SourceDoubted for a value that is doubted when compared with the last good response."""
        if last_good is None:
            return
        try:
            before = self.sound(last_good.body)
        except SourceError:  # stored by an older version that read it differently
            return
        self._raise_doubt(value, before)

    def _raise_doubt(self, value: T, before: T | None) -> None:
        why = self.doubt(value, before)
        if why:
            raise SourceDoubted(self.source, f"{DOUBTED}: {why}")


@dataclass(frozen=True, slots=True, kw_only=True)
class HttpOptions:
    """Settings of a client.

    contact: how a server's operator reaches us, sent in User-Agent; without it only loopback hosts are allowed.
    cache_dir: None for no cache; call counts are then in memory only. rng: jitter of the back-off. sleep and ticks pace
    the calls; None uses the event loop's time. transport: for tests. deadline_s limits one call with all its attempts,
    from when it may start; a read timeout alone never ends a server that sends slowly. at_once_per_host,
    per_s_per_host: for hosts without stated limits. host_limits: stated limits by domain, besides ours. on_response is
    called with each result, from the network or the cache, including errors.
    """

    contact: str
    cache_dir: Path | None
    now_utc: Callable[[], datetime]
    rng: np.random.Generator
    sleep: Sleeper = asyncio.sleep
    ticks: Callable[[], float] | None = None
    deadline_s: float = 45.0
    retry: RetryPolicy = field(default_factory=RetryPolicy)
    at_once_per_host: int = 4
    per_s_per_host: float = 5.0
    on_error: Callable[[str], None] = lambda text: None
    on_response: Callable[[SourceResponse], None] = lambda response: None
    host_limits: Mapping[str, HostLimits] = field(default_factory=dict)
    transport: httpx.AsyncBaseTransport | None = None


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
        self._told: set[str] = set()
        self._in_flight: WeakValueDictionary[str, asyncio.Lock] = WeakValueDictionary()
        self._http = httpx.AsyncClient(
            timeout=httpx.Timeout(30.0, connect=10.0),
            follow_redirects=False,
            headers={
                "User-Agent": f"alertd/{__version__} ({self._contact})" if contact else f"alertd/{__version__}",
                "Accept-Encoding": ACCEPTED,
            },
            transport=options.transport,
        )

    async def __aenter__(self) -> "HttpClient":
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.aclose()

    async def aclose(self) -> None:
        """Close the connections."""
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
        reader = _Reader(source=source, read=read, doubt=doubt)
        call = _Call(source=source, url=full, sent=sent, content_types=content_types, options=options)
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

    async def _cached(self, call: _Call, read: "_Reader[T]") -> Answer[T]:
        key = cache_key(call.url)
        entry = await asyncio.to_thread(self.cache.get, key)
        if entry is not None and not entry.matches({**call.sent, "user-agent": self._http.headers["user-agent"]}):
            entry = None
        if entry is not None and entry.is_fresh(self._now()) and not call.options.refresh:
            try:
                return self._answer(entry, read, from_cache=True)
            except SourceError:  # stored by an older version that read it differently
                entry = None
        try:
            fresh, answer = await self._exchange(call, entry, read)
        except SourceError as exc:
            return self._last_good(entry, read, exc)
        if may_store(fresh.headers):
            await asyncio.to_thread(self.cache.put, key, fresh)
        return answer

    async def _exchange(
        self, call: _Call, entry: CacheEntry | None, read: "_Reader[T]"
    ) -> tuple[CacheEntry, Answer[T]]:
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
        call: _Call,
        entry: CacheEntry | None,
        read: "_Reader[T]",
        deadline: asyncio.Timeout,
    ) -> tuple[CacheEntry, Answer[T]]:
        tries_made = 0
        while True:
            tries_made += 1
            try:
                return await self._once(call, entry, read)
            except SourceError as exc:
                await self._rate_limiter.count_extra_call(call.url)
                wait = self._retry.wait_s(tries_made, exc, float(self._rng.random()))
                if wait is None or _now_s() + wait >= (deadline.when() or 0.0):
                    raise  # this error is more specific than a missed deadline
                if isinstance(exc, RateLimited):
                    self._rate_limiter.host_state(call.url).pause_for(wait)  # delays this call too
                else:
                    await self._sleep(wait)
                await self._rate_limiter.acquire(call.source, call.url, wait=False)

    async def _once(self, call: _Call, entry: CacheEntry | None, read: "_Reader[T]") -> tuple[CacheEntry, Answer[T]]:
        host_state = self._rate_limiter.host_state(call.url)
        headers = dict(call.sent)
        if entry is not None:
            known = (("etag", "if-none-match"), ("last-modified", "if-modified-since"))
            headers |= {ask: entry.headers[name] for name, ask in known if name in entry.headers}
        try:
            response, body = await self._fetch(call, host_state, headers)
        except httpx.HTTPError as exc:
            raise from_httpx_error(call.source, exc) from exc
        now = self._now()
        raw = {name.lower(): value for name, value in response.headers.items()}
        if response.status_code == 304 and entry is not None:
            confirmed = entry.confirmed(raw, now, call.options.default_life_s)
            try:
                return confirmed, self._answer(confirmed, read, from_cache=True)
            except SourceError:  # stored by an older version that parsed it differently: a 304 would keep it
                await self._rate_limiter.acquire(call.source, call.url, wait=False)
                return await self._once(call, None, read)
        if response.status_code not in (200, 203):
            raise error_from_response(
                call.source, response, body, call.options.interpret_error, now, host_state.limits.refused_pause_s
            )
        if response.status_code == 203:
            self._report_once(
                f"{call.source}: {host_state.limits.name} answered 203: the requested product is deprecated or a trial"
            )
        if not any(part in raw.get("content-type", "").lower() for part in call.content_types):
            kind = raw.get("content-type", "no content type")
            raise IncompleteResponse(call.source, f"answered {kind} where {' or '.join(call.content_types)} was asked")
        varied = [name.strip().lower() for name in raw.get("vary", "").split(",") if name.strip() not in ("", "*")]
        sent = {name.lower(): value for name, value in response.request.headers.items()}
        life = timedelta(seconds=fresh_for_s(raw, now, call.options.default_life_s))
        new = CacheEntry(
            headers=stored_headers(raw), body=body, fetched_at=now, fresh_until=now + life,
            varied={name: sent.get(name, "") for name in varied if name in ("accept", "user-agent")},
        )  # fmt: skip
        answer = self._answer(new, read, from_cache=False)
        read.compare(answer.value, entry if entry is not None and self._is_usable(entry) else None)
        return new, answer

    async def _fetch(
        self, call: _Call, host_state: HostState, headers: Mapping[str, str]
    ) -> tuple[httpx.Response, bytes]:
        """Return status, headers and at most MAX_BODY_BYTES, following redirects on the same server only."""
        url = call.url
        for hop in range(MAX_REDIRECTS + 1):
            if hop:
                await host_state.wait_turn()
            async with self._http.stream("GET", url, headers=headers) as response:
                if response.status_code in (301, 302, 307, 308) and "location" in response.headers:
                    url = self._redirected(call.source, url, response.headers["location"])
                    continue
                return response, await self._body(call.source, response)
        raise SourceChanged(call.source, f"redirected more than {MAX_REDIRECTS} times")

    @staticmethod
    async def _body(source: str, response: httpx.Response) -> bytes:
        try:
            inflater = Decompressor(response.headers.get("content-encoding", ""), MAX_BODY_BYTES)
            async for chunk in cast(httpx.AsyncByteStream, response.stream):  # raw bytes, not decoded by httpx
                inflater.feed(chunk)
            return inflater.end()
        except BodyTooLarge as exc:
            raise SourceChanged(source, f"sent more than {MAX_BODY_BYTES // 1_000_000} MB") from exc
        except BadContentEncoding as exc:
            if response.status_code != 200:
                return b""  # the status is enough
            raise IncompleteResponse(source, f"its answer {exc}") from exc

    @staticmethod
    def _redirected(source: str, url: str, location: str) -> str:
        try:
            target = urljoin(url, location)
            same = same_server(url, target)
            httpx.URL(target)
        except (ValueError, httpx.InvalidURL) as exc:
            raise SourceChanged(source, "redirects to something that is no URL") from exc
        if not same:
            raise SourceChanged(source, f"redirects to another server ({urlsplit(target).hostname})")
        return target

    def _answer(self, entry: CacheEntry, read: "_Reader[T]", *, from_cache: bool, stale_because: str = "") -> Answer[T]:
        date = http_date(entry.headers.get("date", ""))
        offset = (date - entry.fetched_at).total_seconds() if date and not entry.headers.get("age") else None
        return Answer(
            value=read.sound(entry.body), body=entry.body, fetched_at=entry.fetched_at, from_cache=from_cache,
            stale=bool(stale_because), stale_because=stale_because, clock_offset_s=offset,
        )  # fmt: skip

    def _last_good(self, entry: CacheEntry | None, read: "_Reader[T]", exc: SourceError) -> Answer[T]:
        """Return the last good response when the server is down or its response invalid.

        Raises `exc` when there is none, or for a plain refusal (404, 400).
        """
        outage = isinstance(exc, SourceDown | SourceChanged)
        if entry is None or not outage or not self._is_usable(entry):
            raise exc
        try:
            return self._answer(entry, read, from_cache=True, stale_because=exc.problem)
        except SourceError:
            raise exc from None

    def _is_usable(self, entry: CacheEntry) -> bool:
        return self._now() - entry.fetched_at <= MAX_STALE_USE

    def _report_once(self, text: str) -> None:
        if text not in self._told:
            self._told.add(text)
            self._on_error(text)

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
