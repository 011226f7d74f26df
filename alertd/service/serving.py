"""How the HTTP server is held against slow and broken clients; what a request may cost is the shell's."""

import asyncio
import json
import socket
from typing import Final

import h11
import uvicorn
from starlette.types import ASGIApp
from uvicorn.protocols.http.h11_impl import H11Protocol

from alertd.service.problems import MEDIA_TYPE
from alertd.service.shell import HEADERS, MOST_HEADER_BYTES

HEADERS_WITHIN_S: Final = 10.0
KEEP_ALIVE_S: Final = 15
MOST_CONNECTIONS: Final = 500  # from here on new ones are answered 503


class Listener(H11Protocol):
    """uvicorn's protocol, with a time for the headers: it has none itself, so that half a line holds a connection."""

    _headers_due: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        # asyncio does so for sockets that it made itself; without it each answer waits 40 ms for an acknowledgement.
        transport.get_extra_info("socket").setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._time_headers()

    def connection_lost(self, exc: Exception | None) -> None:
        self._stop_timing()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        if self.conn.their_state is not h11.IDLE:
            self._stop_timing()
        elif self._headers_due is None:
            self._time_headers()

    def send_400_response(self, msg: str) -> None:
        """The answer to what is no HTTP, or has more header than is read, in the shape of all others."""
        problem = {"type": "about:blank", "title": "no HTTP request", "status": 400, "detail": msg}
        body = json.dumps(problem).encode()
        headers = {"Content-Type": MEDIA_TYPE, "Content-Length": str(len(body)), "Connection": "close", **HEADERS}
        sent = [(name.encode(), value.encode()) for name, value in headers.items()]
        for event in (
            h11.Response(status_code=400, headers=sent, reason=b"Bad Request"),
            h11.Data(data=body),
            h11.EndOfMessage(),
        ):
            self.transport.write(self.conn.send(event) or b"")
        self.transport.close()

    def _time_headers(self) -> None:
        self._headers_due = self.loop.call_later(HEADERS_WITHIN_S, self.transport.close)

    def _stop_timing(self) -> None:
        if self._headers_due is not None:
            self._headers_due.cancel()
            self._headers_due = None


def serving(app: ASGIApp, end_within_s: int) -> uvicorn.Config:
    """The server's settings. end_within_s: how long requests under way have when it is told to stop."""
    return uvicorn.Config(
        app,
        http=Listener,
        ws="none",
        log_config=None,
        access_log=False,
        server_header=False,
        lifespan="off",
        timeout_keep_alive=KEEP_ALIVE_S,
        timeout_graceful_shutdown=end_within_s,
        h11_max_incomplete_event_size=MOST_HEADER_BYTES,  # of what comes in pieces; the shell looks at the whole
        limit_concurrency=MOST_CONNECTIONS,
    )
