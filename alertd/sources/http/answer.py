"""Types of a source's HTTP response: the value with its age, or the error; and the client interface."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Final, Generic, Protocol, TypeAlias, TypeVar
from urllib.parse import parse_qsl, urlencode, urlsplit, urlunsplit

from alertd.errors import OutsideArea, SourceError
from alertd.sources.http.errors import ErrorInterpreter, no_interpretation

T = TypeVar("T")

SECRET_PARAMETERS: Final = frozenset(("apikey",))  # never written to disk
_SAFE: Final = ",:"


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer(Generic[T]):
    """A server's response as parsed by the caller.

    fetched_at: when the server sent or last confirmed it (UTC). from_cache: no body was transferred. stale: the server
    failed (`stale_because`) and this is its last good response. clock_offset_s: the server's Date minus our clock, None
    if unknown.
    """

    value: T
    body: bytes
    fetched_at: datetime
    from_cache: bool
    stale: bool = False
    stale_because: str = ""
    clock_offset_s: float | None = None

    @property
    def not_refreshed(self) -> str:
        """Text for the reader of a stale response: why it is stale, and since when."""
        return f"not refreshed ({self.stale_because}); last good answer of {self.fetched_at:%d %H:%M} UTC"


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceResponse:
    """One request and its result: everything that sources use of a response, or the error raised.

    url: complete, without secrets. refresh: the caller required a server request, however fresh the stored response.
    clock_offset_s: the server's Date minus our clock if the response is new, otherwise None.
    """

    url: str
    refresh: bool
    body: bytes = b""
    fetched_at: datetime | None = None
    stale_because: str = ""
    failed: SourceError | None = None
    clock_offset_s: float | None = None


DOUBTED: Final = "its answer is doubted"
Doubt: TypeAlias = Callable[[T, T | None], str]  # (new, last good value) -> why it is doubted, or ""


def no_doubt(_new: object, _before: object) -> str:
    """Accept every value."""
    return ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RequestOptions:
    """default_life_s: seconds that an answer is fresh where the server says nothing. interpret_error: turns an error
    answer (status, JSON or None) into the failure to raise, None for the usual one. refresh: ask the server even if the
    stored answer is fresh. headers: to send besides, such as a key; they are never stored or logged. keep: the same
    body is not parsed again; only for a `read` whose value depends on URL and body alone, and that nobody changes.
    """

    default_life_s: float = 0.0
    interpret_error: ErrorInterpreter = no_interpretation
    refresh: bool = False
    headers: Mapping[str, str] = field(default_factory=dict, repr=False)
    keep: bool = False


DEFAULT_OPTIONS: Final = RequestOptions()


class JsonClient(Protocol):
    """Interface of `client.HttpClient` (network) and `replay_client.ReplayClient` (archive)."""

    async def get_json(
        self,
        source: str,
        url: str,
        *,
        read: Callable[[Any], T],
        params: Mapping[str, str] | None = None,
        doubt: Doubt[T] = no_doubt,
        options: RequestOptions = DEFAULT_OPTIONS,
    ) -> Answer[T]: ...


def most_specific_error(failures: Sequence[SourceError]) -> SourceError:
    """Return the error to raise for several locations: OutsideArea only when every location is outside the area."""
    return next((exc for exc in failures if not isinstance(exc, OutsideArea)), failures[0])


def full_url(url: str, params: Mapping[str, str] | None) -> str:
    """Return the URL with its query parameters."""
    return f"{url}?{urlencode(params, safe=_SAFE)}" if params else url


def without_secrets(url: str) -> str:
    """Return the URL without secret parameters; a URL without secrets is returned unchanged."""
    parts = urlsplit(url)
    parameters = parse_qsl(parts.query, keep_blank_values=True)
    public = [(name, value) for name, value in parameters if name not in SECRET_PARAMETERS]
    if len(public) == len(parameters):
        return url
    return urlunsplit(parts._replace(query=urlencode(public, safe=_SAFE)))
