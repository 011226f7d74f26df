"""The HTTP server: socket, settings, and protection against slow clients; see `web.middleware` too."""

import asyncio
import json
import logging
import socket
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from typing import Any, Final, cast

import h11
import uvicorn
from starlette.types import ASGIApp
from uvicorn.protocols.http.h11_impl import H11Protocol

from alertd.daemon.connection_limit import BACKLOG, Gate
from alertd.delivery.address_policy import Network
from alertd.errors import ConfigError
from alertd.settings.model import Settings
from alertd.web.counted_log import Tally
from alertd.web.middleware import HEADERS, MAX_HEADER_BYTES
from alertd.web.problems import MEDIA_TYPE

HEADER_TIMEOUT_S: Final = 10.0
KEEP_ALIVE_S: Final = 15
# uvicorn logs each connection that is not HTTP; unauthenticated clients must not fill the log.
_quiet = logging.getLogger("uvicorn.error.connection")
_quiet.setLevel(logging.ERROR)


class HeaderTimeoutProtocol(H11Protocol):
    """uvicorn's protocol with a timeout for headers; without it, an incomplete line holds a connection open."""

    _headers_due: asyncio.TimerHandle | None = None

    def __init__(self, *args: Any, gate: Gate, garbage: Tally, **more: Any) -> None:
        super().__init__(*args, **more)
        self.logger, self._gate, self._garbage = _quiet, gate, garbage

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        # asyncio sets this only on sockets it creates; without it each answer waits 40 ms for an acknowledgement.
        transport.get_extra_info("socket").setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._time_headers()
        self._tell_gate()

    def connection_lost(self, exc: Exception | None) -> None:
        self._stop_timing()
        self._gate.works(self)
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        if self.conn.their_state is not h11.IDLE:
            self._stop_timing()
        elif self._headers_due is None:
            self._time_headers()
        self._tell_gate()

    def on_response_complete(self) -> None:
        super().on_response_complete()
        self._gate.works(self)  # the connection waits for its next request from now on
        self._tell_gate()

    def _tell_gate(self) -> None:
        if self.transport.is_closing():
            self._gate.works(self)
        elif self.conn.their_state in (h11.IDLE, h11.SEND_BODY):
            self._gate.waits(self, self.client[0] if self.client else "", self.transport.abort)
        else:
            self._gate.works(self)

    def send_400_response(self, msg: str) -> None:
        """Answers invalid HTTP, or too large headers, as problem details like all other errors."""
        self._garbage.count("that are no HTTP")
        if self.cycle is not None and not self.cycle.response_complete:
            # A broken body: the application still works on its request, and must not answer it a second time.
            self.cycle.disconnected = True
            self.cycle.message_event.set()
        if self.conn.our_state not in (h11.IDLE, h11.SEND_RESPONSE):  # an answer is under way
            self.transport.close()
            return
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
        self._headers_due = self.loop.call_later(HEADER_TIMEOUT_S, self.transport.close)

    def _stop_timing(self) -> None:
        if self._headers_due is not None:
            self._headers_due.cancel()
            self._headers_due = None


def server_config(
    app: ASGIApp, shutdown_timeout_s: int, gate: Gate | None = None, proxies: Sequence[Network] = ()
) -> uvicorn.Config:
    """The server's settings. shutdown_timeout_s: time for running requests to end at shutdown.

    gate: the gate of the server's listener, which limits connections. proxies: whose X-Forwarded-For and
    X-Forwarded-Proto count; those of any other client could name any address.
    """
    listener = partial(HeaderTimeoutProtocol, gate=gate or Gate(), garbage=Tally("requests answered 400"))
    return uvicorn.Config(
        app,
        http=cast(type[asyncio.Protocol], listener),
        ws="none",
        log_config=None,
        access_log=False,
        server_header=False,
        lifespan="off",
        proxy_headers=bool(proxies),
        forwarded_allow_ips=[str(network) for network in proxies],
        timeout_keep_alive=KEEP_ALIVE_S,
        timeout_graceful_shutdown=shutdown_timeout_s,
        h11_max_incomplete_event_size=MAX_HEADER_BYTES,  # of incomplete headers; the middleware checks the rest
        backlog=BACKLOG,
    )


@contextmanager
def open_socket(settings: Settings) -> Iterator[socket.socket]:
    """The listening socket. Opened here, because uvicorn ends the process when it cannot open its own."""
    host, port = settings.http_host, settings.http_port
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        listener = socket.create_server((host, port), family=family, backlog=128)
    except OSError as exc:
        raise ConfigError(
            str(settings.where),
            "daemon.http_port",
            f"cannot listen on {host} port {port} ({exc.strerror})",
            "stop the program that has it, or name another address or port",
        ) from exc
    with listener:
        yield listener


async def serve(
    server: uvicorn.Server, listener: socket.socket, on_ready: Callable[[str], None], *ends: asyncio.Task[Any]
) -> None:
    """Serve until one of `ends` is done.

    uvicorn raises a received signal again when it has stopped, which would end the process before its jobs. The event
    loop therefore handles signals before the first request and after the last, and they only set `stop`.
    """
    serving = asyncio.create_task(server.serve(sockets=[listener]))
    while not server.started and not serving.done():
        await asyncio.sleep(0.05)
    if server.started:
        host, port = listener.getsockname()[:2]
        on_ready(f"http://[{host}]:{port}" if ":" in host else f"http://{host}:{port}")
    await asyncio.wait([serving, *ends], return_when=asyncio.FIRST_COMPLETED)
    for task in ends:
        task.cancel()
    server.should_exit = True
    await serving
