"""Reads: `HEAD` on every path that has `GET`, and `ETag` with `If-None-Match`.

RFC 9110 sections 9.3.2 (HEAD), 8.8.3 (ETag) and 13.1.2 (If-None-Match).
"""

import hashlib
from typing import Final

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

_TAGGED: Final = "/v1/"
_STREAM: Final = "text/event-stream"


class ReadsMiddleware:
    """ASGI middleware. Answers of `GET` under /v1 get a strong `ETag` of their bytes, unless the route sets one."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or scope["method"] not in ("GET", "HEAD"):
            await self._app(scope, receive, send)
            return
        method, headers = scope["method"], Headers(scope=scope)
        if method == "HEAD":
            scope["method"] = "GET"
            # A stream has no end, so its length is not known: HEAD describes the page instead.
            scope["headers"] = [(key, value) for key, value in scope["headers"] if key != b"accept"]
        answer = _Answer(send, head=method == "HEAD", known=headers.get("if-none-match", ""))
        answer.tagged = scope["path"].startswith(_TAGGED)
        try:
            await self._app(scope, receive, answer)
        finally:
            scope["method"] = method


class _Answer:
    """Holds an answer until its last byte, and sends it with its tag; a stream passes as it comes."""

    def __init__(self, send: Send, *, head: bool, known: str) -> None:
        self._send, self._head, self._known = send, head, known
        self.tagged = False
        self._start: Message | None = None
        self._body = bytearray()
        self._passes = False

    async def __call__(self, message: Message) -> None:
        if self._passes:
            await self._send(message)
        elif message["type"] == "http.response.start":
            content_type = Headers(raw=message["headers"]).get("content-type", "")
            self._passes = content_type.startswith(_STREAM)
            if self._passes:
                await self._send(message)
            else:
                self._start = message
        elif message["type"] == "http.response.body":
            self._body += message.get("body", b"")
            if not message.get("more_body", False):
                await self._finish()
        else:
            await self._send(message)

    async def _finish(self) -> None:
        start = self._start
        assert start is not None  # noqa: S101 - ASGI sends the start first
        headers = MutableHeaders(scope=start)
        if self.tagged and start["status"] == 200:
            headers.setdefault("ETag", etag_of(bytes(self._body)))
            if matches(self._known, headers["ETag"]):
                start["status"] = 304
                del headers["content-length"]
                self._body.clear()
        await self._send(start)
        await self._send({"type": "http.response.body", "body": b"" if self._head else bytes(self._body)})


def etag_of(content: bytes) -> str:
    """A strong entity tag."""
    return f'"{hashlib.sha256(content).hexdigest()[:32]}"'


def matches(field: str, etag: str) -> bool:
    """Whether an If-Match or If-None-Match field names this tag."""
    named = [one.strip().removeprefix("W/") for one in field.split(",")]
    return field.strip() == "*" or etag in named
