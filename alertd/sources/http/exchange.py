"""One request to a server and its response: headers, redirects, size limit, validation of the body."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Generic, TypeVar, cast
from urllib.parse import urljoin, urlsplit

from alertd.errors import SourceChanged, SourceDoubted, SourceError
from alertd.http_dates import http_date
from alertd.sources.http.answer import (
    DOUBTED,
    Answer,
    Doubt,
    RequestOptions,
)
from alertd.sources.http.cache import CacheEntry, fresh_for_s, stored_headers
from alertd.sources.http.decompress import BadContentEncoding, BodyTooLarge, Decompressor
from alertd.sources.http.errors import (
    IncompleteResponse,
    error_from_response,
    from_httpx_error,
)
from alertd.sources.http.parsed_bodies import ParsedBodies
from alertd.sources.http.rate_limit import RateLimiter
from alertd.sources.http.retry import HostState, same_server

if TYPE_CHECKING:
    import httpx

T = TypeVar("T")

MAX_BODY_BYTES = 10_000_000  # bytes, unpacked; the largest real response recorded is 1.7 MB
MAX_REDIRECTS = 3
MAX_STALE_USE = timedelta(hours=48)  # the freshness check in alertd.forecast warns much earlier


@dataclass(frozen=True, slots=True, kw_only=True)
class Call:
    """One request. sent: its headers."""

    source: str
    url: str
    sent: Mapping[str, str]
    content_types: tuple[str, ...]
    options: RequestOptions


@dataclass(frozen=True, slots=True, kw_only=True)
class Reader(Generic[T]):
    """How one caller parses and checks a body. kept: what `read` made of bodies before; see `RequestOptions.keep`."""

    source: str
    read: Callable[[bytes], T]
    doubt: Doubt[T]
    kept: ParsedBodies[T] | None = None

    def sound(self, body: bytes) -> T:
        """Return the value of a body that is not doubted by itself. Raises SourceError."""
        value = None if self.kept is None else self.kept.get(body)
        if value is None:
            value = self.read(body)
            if self.kept is not None:
                self.kept.put(body, value)
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


class Exchange:
    """Sends one request at a time over a shared connection pool. `report` is called once with each distinct remark."""

    def __init__(
        self,
        http: "httpx.AsyncClient",
        rate_limiter: RateLimiter,
        now_utc: Callable[[], datetime],
        report: Callable[[str], None],
    ) -> None:
        self._http, self._rate_limiter, self._now, self._report = http, rate_limiter, now_utc, report
        self._reported: set[str] = set()

    async def send(self, call: Call, entry: CacheEntry | None, read: Reader[T]) -> tuple[CacheEntry, Answer[T]]:
        """Make one request, conditional on `entry`, and return the response as an entry and parsed.

        Raises SourceError for an unusable response.
        """
        import httpx  # here, because a run on stored responses alone does not need it

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
                return confirmed, parsed(confirmed, read, from_cache=True)
            except SourceError:  # stored by an older version that parsed it differently: a 304 would keep it
                await self._rate_limiter.acquire(call.source, call.url, wait=False)
                return await self.send(call, None, read)
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
        answer = parsed(new, read, from_cache=False)
        read.compare(answer.value, entry if entry is not None and self.is_usable(entry) else None)
        return new, answer

    async def _fetch(
        self, call: Call, host_state: HostState, headers: Mapping[str, str]
    ) -> "tuple[httpx.Response, bytes]":
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
    async def _body(source: str, response: "httpx.Response") -> bytes:
        try:
            inflater = Decompressor(response.headers.get("content-encoding", ""), MAX_BODY_BYTES)
            async for chunk in cast("httpx.AsyncByteStream", response.stream):  # raw bytes, not decoded by httpx
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
        import httpx

        try:
            target = urljoin(url, location)
            same = same_server(url, target)
            httpx.URL(target)
        except (ValueError, httpx.InvalidURL) as exc:
            raise SourceChanged(source, "redirects to something that is no URL") from exc
        if not same:
            raise SourceChanged(source, f"redirects to another server ({urlsplit(target).hostname})")
        return target

    def is_usable(self, entry: CacheEntry) -> bool:
        """Whether a stored response is recent enough to stand in for a failed one."""
        return self._now() - entry.fetched_at <= MAX_STALE_USE

    def _report_once(self, text: str) -> None:
        if text not in self._reported:
            self._reported.add(text)
            self._report(text)


def parsed(entry: CacheEntry, read: Reader[T], *, from_cache: bool, stale_because: str = "") -> Answer[T]:
    """The answer of a stored or new response. Raises SourceError for a body that is not valid or is doubted."""
    date = http_date(entry.headers.get("date", ""))
    offset = (date - entry.fetched_at).total_seconds() if date and not entry.headers.get("age") else None
    return Answer(
        value=read.sound(entry.body), body=entry.body, fetched_at=entry.fetched_at, from_cache=from_cache,
        stale=bool(stale_because), stale_because=stale_because, clock_offset_s=offset,
    )  # fmt: skip
