"""What a source is handed for a question: an answer with its age, or why there is none; and who may hand it."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
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
    """What a server said, as its caller reads it.

    fetched_at: when the server gave or last confirmed it. from_cache: no body travelled. stale: the server failed
    (`stale_because`) and this is its last good answer. clock_offset_s: server's Date less our clock, None if unknown.
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
        """For the reader of a stale answer: why, and since when."""
        return f"not refreshed ({self.stale_because}); last good answer of {self.fetched_at:%d %H:%M} UTC"


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceResponse:
    """One question and what came of it: all of an answer that sources look at, or the failure they were told.

    url: whole, without secrets. refresh: the caller wanted the server's word, however fresh the stored answer was.
    clock_offset_s: server's Date less our clock, of an answer that came just now, None else.
    """

    url: str
    refresh: bool
    body: bytes = b""
    fetched_at: datetime | None = None
    stale_because: str = ""
    failed: SourceError | None = None
    clock_offset_s: float | None = None


DOUBTED: Final = "its answer is doubted"
Doubt: TypeAlias = Callable[[T, T | None], str]  # (new value, last good value) -> why it is doubted, "" if it is not


def no_doubt(_new: object, _before: object) -> str:
    return ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RequestOptions:
    """default_life_s: seconds that an answer is fresh where the server says nothing. interpret_error: turns an error
    answer (status, JSON or None) into the failure to raise, None for the usual one. refresh: ask the server even if the
    stored answer is fresh.
    """

    default_life_s: float = 0.0
    interpret_error: ErrorInterpreter = no_interpretation
    refresh: bool = False


DEFAULT_OPTIONS: Final = RequestOptions()


class JsonClient(Protocol):
    """Who hands out answers: `http.HttpClient` from the network, `retold.ReplayClient` from an archive."""

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
    """Of several places' failures the one to raise: that all lies outside the source's area only when all say so."""
    return next((exc for exc in failures if not isinstance(exc, OutsideArea)), failures[0])


def full_url(url: str, params: Mapping[str, str] | None) -> str:
    return f"{url}?{urlencode(params, safe=_SAFE)}" if params else url


def without_secrets(url: str) -> str:
    """The URL without the parameters that are secrets; other URLs stay as they are, letter by letter."""
    parts = urlsplit(url)
    asked = parse_qsl(parts.query, keep_blank_values=True)
    open_ones = [(name, value) for name, value in asked if name not in SECRET_PARAMETERS]
    if len(open_ones) == len(asked):
        return url
    return urlunsplit(parts._replace(query=urlencode(open_ones, safe=_SAFE)))
