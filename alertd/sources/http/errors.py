"""What a failed call means, in our words: transport failures, error answers, and bodies that are no JSON."""

import json
import ssl
from collections.abc import Callable
from datetime import datetime
from typing import Any, NoReturn

import httpx

from alertd.errors import SourceChanged, SourceDown, SourceError
from alertd.sources.http.retry import retry_after_s

ErrorInterpreter = Callable[[int, object], SourceError | None]  # a provider's reading of (status, JSON body or None)


def no_interpretation(status: int, problem: object) -> SourceError | None:
    """Leave the meaning of an error answer to its status."""
    return None


class RateLimited(SourceDown):
    """The server asked us to slow down: all calls to it wait."""


class Unreachable(SourceDown):
    """No answer at all: it speaks of the way or the host, not of the question."""


class NoDataForLocation(SourceDown):
    """The server is well but has nothing for this one question until later: only that question waits."""


class IncompleteResponse(SourceChanged):
    """A body that is no whole answer: half of one, none, or a page where data was asked. May be whole the next time."""

    def __init__(
        self, source: str, problem: str, *, retryable: bool = True, retry_after_s: float | None = None
    ) -> None:
        super().__init__(source, problem, retryable=retryable, retry_after_s=retry_after_s)


def parse_json(source: str, body: bytes) -> Any:
    """Strict JSON: NaN and Infinity, half a text, and words after it are refused with SourceChanged."""
    try:
        return json.loads(body, parse_constant=_no_constant)
    except json.JSONDecodeError as exc:
        if exc.msg == "Extra data":
            said = exc.doc[exc.pos : exc.pos + 80]
            raise IncompleteResponse(source, f'words follow the JSON: "{said}"') from exc
        if not body.strip():
            raise IncompleteResponse(source, "answered with an empty body") from exc
        raise IncompleteResponse(source, f"not whole JSON ({exc.msg} at {exc.pos} of {len(body)} bytes)") from exc
    except (ValueError, RecursionError) as exc:
        raise SourceChanged(source, f"not JSON ({exc})") from exc


def _no_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is no JSON number")


def from_httpx_error(source: str, exc: httpx.HTTPError) -> SourceError:
    """httpx's failures in our words. Never the URL: its query may hold an API key."""
    if isinstance(exc.__cause__ or exc.__context__, ssl.SSLCertVerificationError) or "CERTIFICATE" in str(exc):
        return Unreachable(source, "its TLS certificate is not valid", retryable=False)
    if isinstance(exc, httpx.TimeoutException):
        return Unreachable(source, f"timed out ({type(exc).__name__})", retryable=True)
    if isinstance(exc, httpx.DecodingError | httpx.TooManyRedirects | httpx.UnsupportedProtocol):
        return SourceChanged(source, f"cannot be read ({type(exc).__name__})")
    return Unreachable(source, f"cannot be reached ({type(exc).__name__})", retryable=True)


def error_from_response(
    source: str,
    response: httpx.Response,
    body: bytes,
    interpret_error: ErrorInterpreter,
    now_utc: datetime,
    refused_pause_s: float,
) -> SourceError:
    """The failure an error answer stands for: the provider's own reading of it first, else by status."""
    status, wait = response.status_code, retry_after_s(response.headers.get("retry-after"), now_utc)
    asked = wait is not None or status in (403, 429)
    try:
        problem: object = json.loads(body)
    except (ValueError, RecursionError):
        problem = None  # rate limit and edge errors are pages of HTML
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
    if asked and isinstance(error, SourceDown) and not isinstance(error, NoDataForLocation):
        return RateLimited(error.source, error.problem, retryable=error.retryable, retry_after_s=error.retry_after_s)
    return error
