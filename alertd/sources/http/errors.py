"""Maps failed calls to SourceError: transport failures, error responses, and bodies that are not JSON."""

import json
import os
import re
import socket
import ssl
from collections.abc import Callable
from datetime import datetime
from typing import TYPE_CHECKING, Any, Final, NoReturn

from alertd.errors import SourceChanged, SourceDown, SourceError
from alertd.sources.http.retry import retry_after_s

if TYPE_CHECKING:
    import httpx

ErrorInterpreter = Callable[[int, object], SourceError | None]  # a provider's mapping of (status, JSON body or None)


def no_interpretation(status: int, problem: object) -> SourceError | None:
    """Map by status alone."""
    return None


class RateLimited(SourceDown):
    """The server asked for fewer requests: all calls to it wait."""


class Unreachable(SourceDown):
    """No response: the network or the host failed, not this request."""


class NotConnected(Unreachable):
    """No connection was made: no network, an unknown name, or a port that nobody serves."""


class NoDataForLocation(SourceDown):
    """The server works but has no data for this request until later: only this request waits."""


class IncompleteResponse(SourceChanged):
    """The body is incomplete, empty, or a web page instead of data. A retry may succeed."""

    def __init__(
        self, source: str, problem: str, *, retryable: bool = True, retry_after_s: float | None = None
    ) -> None:
        super().__init__(source, problem, retryable=retryable, retry_after_s=retry_after_s)


MAX_DIGITS: Final = 20  # with the sign
_LONG_NUMBER: Final = re.compile(rb"[0-9]{%d}|\0" % MAX_DIGITS)  # or two bytes a digit, as in UTF-16


def parse_json(source: str, body: bytes) -> Any:
    """Parse strict JSON. Raises SourceChanged for NaN, Infinity, truncated JSON, or text after it."""
    # Few bodies have long numbers, and a hook for each whole number takes a third of the time of reading one.
    whole = _whole if _LONG_NUMBER.search(body) else None
    try:
        return json.loads(body, parse_constant=_no_constant, parse_int=whole)
    except json.JSONDecodeError as exc:
        if exc.msg == "Extra data":
            extra = exc.doc[exc.pos : exc.pos + 80]
            raise IncompleteResponse(source, f'words follow the JSON: "{extra}"') from exc
        if not body.strip():
            raise IncompleteResponse(source, "answered with an empty body") from exc
        raise IncompleteResponse(source, f"not whole JSON ({exc.msg} at {exc.pos} of {len(body)} bytes)") from exc
    except (ValueError, RecursionError) as exc:
        raise SourceChanged(source, f"not JSON ({exc})") from exc


def _whole(digits: str) -> int:
    """No count or id has more digits than 64 bits hold, and a longer number fits no float."""
    if len(digits) > MAX_DIGITS:
        raise ValueError(f"a whole number has {len(digits)} digits")
    return int(digits)


def _no_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is no JSON number")


def from_httpx_error(source: str, exc: "httpx.HTTPError") -> SourceError:
    """Map httpx's errors. Never includes the URL: its query may hold an API key."""
    import httpx  # here, because a run on stored responses alone does not need it

    from alertd.sources.http.offline import OfflineError

    if isinstance(exc.__cause__ or exc.__context__, ssl.SSLCertVerificationError) or "CERTIFICATE" in str(exc):
        return Unreachable(source, "its TLS certificate is not valid", retryable=False)
    if isinstance(exc, httpx.TimeoutException):
        return Unreachable(source, f"timed out ({type(exc).__name__})", retryable=True)
    if isinstance(exc, httpx.DecodingError | httpx.TooManyRedirects | httpx.UnsupportedProtocol):
        return SourceChanged(source, f"cannot be read ({type(exc).__name__})")
    if isinstance(exc, OfflineError):
        return NotConnected(source, "not asked, because this run is offline", retryable=True)
    if isinstance(exc, httpx.ConnectError):
        return NotConnected(source, f"cannot be reached ({_why_not_connected(exc)})", retryable=True)
    return Unreachable(source, f"cannot be reached ({type(exc).__name__})", retryable=True)


def _why_not_connected(exc: BaseException) -> str:
    """A failed look-up of the name says most: usually this machine has no network. Otherwise the system's own words."""
    cause: BaseException | None = exc
    while cause is not None:
        if isinstance(cause, socket.gaierror):
            return "its name was not found; is there a network?"
        if isinstance(cause, OSError) and cause.errno and cause.errno > 0:
            return os.strerror(cause.errno).lower()
        cause = cause.__cause__ or cause.__context__
    return type(exc).__name__


def error_from_response(
    source: str,
    response: "httpx.Response",
    body: bytes,
    interpret_error: ErrorInterpreter,
    now_utc: datetime,
    refused_pause_s: float,
) -> SourceError:
    """Return the error for an error response: the provider's own mapping first, otherwise by status."""
    status, wait = response.status_code, retry_after_s(response.headers.get("retry-after"), now_utc)
    wait_requested = wait is not None or status in (403, 429)
    try:
        problem: object = json.loads(body)
    except (ValueError, RecursionError):
        problem = None  # rate limit and proxy errors are HTML pages
    error = interpret_error(status, problem)
    if wait is None and status == 403:
        wait = refused_pause_s
    if error is None:
        text = f"answered HTTP {status}"
        if status in (403, 408, 425, 429) or status >= 500:
            error = SourceDown(source, text, retryable=status != 403, retry_after_s=wait)
        else:
            error = SourceError(source, text)
    if isinstance(error, SourceDown) and wait is not None and wait > (error.retry_after_s or 0.0):
        error = type(error)(error.source, error.problem, retryable=error.retryable, retry_after_s=wait)
    if wait_requested and isinstance(error, SourceDown) and not isinstance(error, NoDataForLocation):
        return RateLimited(error.source, error.problem, retryable=error.retryable, retry_after_s=error.retry_after_s)
    return error
