"""What a failed call means, in our words: transport failures, error answers, and bodies that are no JSON."""

import json
import ssl
from collections.abc import Callable
from datetime import datetime
from typing import Any, NoReturn

import httpx

from alertd.errors import SourceChanged, SourceDown, SourceError
from alertd.sources.retry import retry_after_s

Verdict = Callable[[int, object], SourceError | None]  # a provider's reading of (status, JSON body or None)

REFUSED_PAUSE_S = 300.0  # after 403: weather services use it for "too fast" as well as for "who are you"


def no_verdict(status: int, problem: object) -> SourceError | None:
    """Leave the meaning of an error answer to its status."""
    return None


class Throttled(SourceDown):
    """The server asked us to slow down: all calls to it wait."""


def parse_json(source: str, body: bytes) -> Any:
    """Strict JSON: NaN and Infinity, half a text, and words after it are refused with SourceChanged."""
    try:
        return json.loads(body, parse_constant=_no_constant)
    except json.JSONDecodeError as exc:
        if exc.msg == "Extra data":
            said = exc.doc[exc.pos : exc.pos + 80]
            raise SourceChanged(source, f'words follow the JSON: "{said}"', retryable=True) from exc
        raise SourceChanged(source, f"not whole JSON ({exc.msg} at {exc.pos} of {len(body)} bytes)") from exc
    except (ValueError, RecursionError) as exc:
        raise SourceChanged(source, f"not JSON ({exc})") from exc


def _no_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is no JSON number")


def translated(source: str, exc: httpx.HTTPError) -> SourceError:
    """httpx's failures in our words. Never the URL: its query may hold an API key."""
    if isinstance(exc.__cause__ or exc.__context__, ssl.SSLCertVerificationError) or "CERTIFICATE" in str(exc):
        return SourceDown(source, "its TLS certificate is not valid", retryable=False)
    if isinstance(exc, httpx.TimeoutException):
        return SourceDown(source, f"timed out ({type(exc).__name__})", retryable=True)
    if isinstance(exc, httpx.DecodingError | httpx.TooManyRedirects | httpx.UnsupportedProtocol):
        return SourceChanged(source, f"cannot be read ({type(exc).__name__})")
    return SourceDown(source, f"cannot be reached ({type(exc).__name__})", retryable=True)


def refusal(source: str, response: httpx.Response, body: bytes, verdict: Verdict, now_utc: datetime) -> SourceError:
    """The failure an error answer stands for: the provider's own reading of it first, else by status."""
    status, wait = response.status_code, retry_after_s(response.headers.get("retry-after"), now_utc)
    try:
        problem: object = json.loads(body)
    except (ValueError, RecursionError):
        problem = None  # rate limit and edge errors are pages of HTML
    error = verdict(status, problem)
    if error is None:
        text = f"answered HTTP {status}"
        if status in (403, 429):
            wait = wait if wait is not None else (REFUSED_PAUSE_S if status == 403 else None)
        if status in (403, 408, 425, 429) or status >= 500:
            error = SourceDown(source, text, retryable=status != 403, retry_after_s=wait)
        else:
            error = SourceError(source, text)
    if isinstance(error, SourceDown) and wait is not None and wait > (error.retry_after_s or 0.0):
        error = SourceDown(error.source, error.problem, retryable=error.retryable, retry_after_s=wait)
    if isinstance(error, SourceDown) and (status in (403, 429) or "retry-after" in response.headers):
        return Throttled(error.source, error.problem, retryable=error.retryable, retry_after_s=error.retry_after_s)
    return error
