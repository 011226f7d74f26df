"""Outermost middleware of every request: body size, time limit, request id and security headers.

It is outermost, so that internal errors are answered in the same way.
"""

import asyncio
import logging
import re
import secrets
import time
from collections.abc import Mapping
from contextlib import suppress
from contextvars import ContextVar
from typing import Any, Final

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import ClientDisconnect
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from alertd.web.counted_log import Tally
from alertd.web.problems import ProblemError, internal_error, problem
from alertd.web.rate_limit import RATE, SlidingWindowLimiter

log = logging.getLogger(__name__)

MAX_BODY_BYTES: Final = 64 * 1024
MAX_DRAINED_BYTES: Final = 64 * 1024 * 1024  # of a body that is refused for its size, so that its sender reads why
DRAIN_WITHIN_S: Final = 10.0
MAX_HEADER_BYTES: Final = 16 * 1024
REQUEST_TIMEOUT_S: Final = 30.0
LINES_PER_MIN: Final = 60  # lines about requests without a valid token; further ones are counted
REQUEST_ID: Final = "X-Request-ID"

# Id of the current request, for log lines; "" outside a request.
request_id: ContextVar[str] = ContextVar("request_id", default="")

# Default headers: a page sets the policy it needs itself.
HEADERS: Final[dict[str, str]] = {
    "X-Content-Type-Options": "nosniff",
    "Content-Security-Policy": "default-src 'none'; frame-ancestors 'none'",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}
_ID: Final = re.compile(r"[A-Za-z0-9._-]{1,64}")


class RequestGuardMiddleware:
    """ASGI middleware. larger: paths that accept larger bodies, with their limits in bytes."""

    def __init__(
        self, app: ASGIApp, *, larger: Mapping[str, int] | None = None, within_s: float = REQUEST_TIMEOUT_S
    ) -> None:
        self._app, self._larger, self._within_s = app, larger or {}, within_s
        self._lines, self._not_shown = (
            SlidingWindowLimiter(LINES_PER_MIN),
            Tally("requests refused without a line of their own"),
        )

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        sent = headers.get(REQUEST_ID, "")
        id_ = sent if _ID.fullmatch(sent) else secrets.token_hex(16)
        most = self._larger.get(scope["path"], MAX_BODY_BYTES)
        inlet = _LimitedReceive(receive, most, whole=not _has_body(headers))
        answer, token = _HeaderSend(send, id_, inlet, scope), request_id.set(id_)
        try:
            await self._pass(scope, _refused(headers, most), inlet, answer)
            self._note(scope, answer, id_)
        finally:
            request_id.reset(token)

    async def _pass(
        self, scope: Scope, refused: ProblemError | None, inlet: "_LimitedReceive", answer: "_HeaderSend"
    ) -> None:
        try:
            if refused is not None:
                if refused.status == 413:
                    await _drain(scope, inlet)
                await problem(refused)(scope, inlet, answer)
                return
            async with asyncio.timeout(self._within_s) as answer.within:
                await self._app(scope, inlet, answer)
        except TimeoutError:
            if not answer.begun:
                await problem(_timed_out(inlet.whole, self._within_s))(scope, inlet, answer)
        except ClientDisconnect:
            return  # the client is gone
        except Exception:
            # Full details in the log, none in the answer.
            log.exception("request %s failed", request_id.get())
            if not answer.begun:
                await internal_error()(scope, inlet, answer)

    def _note(self, scope: Scope, answer: "_HeaderSend", id_: str) -> None:
        """Log one line per change or error. It names the route, not the path, because a path may contain a secret.

        Requests over the rate limit are not logged, so that a flood of requests does not flood the log.
        """
        if not answer.begun or answer.status == 429 or (answer.status < 400 and scope["method"] in ("GET", "HEAD")):
            return
        caller = scope.get("alertd.caller", "")
        if not caller:
            now_s = time.monotonic()
            if self._lines.wait_s("", now_s):
                self._not_shown.count(f"answered {answer.status}")
                return
            self._lines.record("", now_s)
        route: Any = scope.get("route")
        method = scope["method"] if scope["method"] in _METHODS else "another method"
        path = getattr(route, "path", "no route")
        log.info("request %s: %s %s by %s: %d", id_, method, path, caller or "nobody", answer.status)


class _LimitedReceive:
    """Receives a body and refuses it as soon as it exceeds the limit, regardless of its Content-Length."""

    def __init__(self, receive: Receive, most: int, *, whole: bool) -> None:
        self._receive, self._most, self._got = receive, most, 0
        self.whole = whole

    async def discard(self) -> None:
        """Receive to the end and keep nothing."""
        while not self.whole:
            message = await self._receive()
            self.whole = message["type"] != "http.request" or not message.get("more_body", False)

    async def __call__(self) -> Message:
        message = await self._receive()
        if message["type"] == "http.request":
            self._got += len(message.get("body", b""))
            if self._got > self._most:
                raise _too_large(self._most)
            self.whole = not message.get("more_body", False)
        return message


class _HeaderSend:
    """Sends an answer with the headers that every answer carries.

    An answer sent before the whole body arrived closes the connection: the rest of the body would hold it open.
    """

    def __init__(self, send: Send, id_: str, inlet: _LimitedReceive, scope: Scope) -> None:
        self._send, self._id, self._inlet, self._scope = send, id_, inlet, scope
        self.begun, self.status = False, 0
        self.within: asyncio.Timeout | None = None

    async def __call__(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self.begun, self.status = True, message["status"]
            headers = MutableHeaders(scope=message)
            headers[REQUEST_ID] = self._id
            for name, value in (HEADERS | self._scope.get(RATE, {})).items():
                headers.setdefault(name, value)
            if not self._inlet.whole:
                headers["Connection"] = "close"
            if self.within and headers.get("content-type", "").startswith("text/event-stream"):
                self.within.reschedule(None)  # an event stream lasts as long as its client listens
        await self._send(message)


def _refused(headers: Headers, most: int) -> ProblemError | None:
    """The error of a request that can be refused before its body is read."""
    if sum(len(name) + len(value) for name, value in headers.raw) > MAX_HEADER_BYTES:
        return ProblemError(431, "too large", f"headers take at most {MAX_HEADER_BYTES} bytes together")
    if "transfer-encoding" in headers and "content-length" in headers:
        # Two lengths of one body: a proxy may count by the other one (RFC 9112 section 6.3).
        return ProblemError(400, "two lengths", "send Content-Length or Transfer-Encoding, not both")
    if headers.get("content-encoding", "identity").strip().lower() != "identity":
        return ProblemError(415, "compressed", "send the body as it is, without Content-Encoding")
    length = headers.get("content-length", "0")
    return _too_large(most) if length.isdecimal() and int(length[:20]) > most else None


async def _drain(scope: Scope, inlet: "_LimitedReceive") -> None:
    """Read the rest of a body of a stated, moderate length: most clients read no answer before they have sent it."""
    headers = Headers(scope=scope)
    length = headers.get("content-length", "")
    if not length.isdecimal() or int(length[:20]) > MAX_DRAINED_BYTES or "expect" in headers:
        return
    with suppress(TimeoutError):
        async with asyncio.timeout(DRAIN_WITHIN_S):
            await inlet.discard()


def _has_body(headers: Headers) -> bool:
    return headers.get("content-length", "0") != "0" or "transfer-encoding" in headers


def _too_large(most: int) -> ProblemError:
    return ProblemError(413, "too large", f"a body takes at most {most} bytes here")


def _timed_out(whole: bool, within_s: float) -> ProblemError:
    if whole:
        return ProblemError(503, "not available now", f"no answer within {within_s:g} s; the request may be sent again")
    return ProblemError(408, "too slow", f"send the whole request within {within_s:g} s")


_METHODS: Final = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS")
