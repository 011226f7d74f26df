"""A webhook receiver on loopback: verifies signatures, records requests, and can simulate faults.

It verifies with the standardwebhooks library, independent of this project's own signing code.
"""

import hashlib
import hmac
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from types import TracebackType
from typing import Any, Self

from alertd.errors import InputError

TOLERANCE_S = 300  # of the Standard Webhooks libraries


@dataclass(frozen=True, slots=True, kw_only=True)
class Received:
    """One accepted request. `sha256` of the body, in hex."""

    id: str
    timestamp_s: int
    sha256: str
    body: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceiverFault:
    """How to respond instead of 204.

    `keeps`: the notice is recorded before the fault. `drops`: the connection ends without a response. `drip_s`: the
    response comes byte by byte, this many seconds apart, and never ends.
    """

    status: int = 500
    headers: tuple[tuple[str, str], ...] = ()
    body: bytes = b""
    keeps: bool = False
    drops: bool = False
    drip_s: float | None = None


class WebhookReceiver:
    """Use as a context manager. `received`: accepted requests; `refused`: why others were not; in order of arrival."""

    def __init__(self, secret: str, *, clock: Callable[[], datetime] | None = None) -> None:
        """`clock`: the time that timestamps are compared with; default the system's.

        Raises InputError when the verifying library is not installed.
        """
        self._check = _checker(secret, clock)
        self._lock = threading.Lock()
        self._next: deque[ReceiverFault | None] = deque()
        self._always: ReceiverFault | None = None
        self._stopped = threading.Event()
        self.received: list[Received] = []
        self.refused: list[str] = []
        self.requests_n = 0
        self._server = _Server(("127.0.0.1", 0), _handler(self))
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True)

    @property
    def url(self) -> str:
        """URL to send notices to."""
        return f"http://127.0.0.1:{self._server.server_port}/notices"

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, exc: BaseException | None, tb: TracebackType | None) -> None:
        self._stopped.set()
        self._server.shutdown()
        self._thread.join()
        self._server.server_close()

    def queue_faults(self, *faults: ReceiverFault | None) -> None:
        """Set the faults of the next requests, one each; None is a good response."""
        with self._lock:
            self._next.extend(faults)

    def set_fault(self, fault: ReceiverFault | None) -> None:
        """Set the fault of every request without a queued one; None ends it."""
        with self._lock:
            self._always = fault

    def _take(self, headers: dict[str, str], body: bytes) -> ReceiverFault:
        with self._lock:
            self.requests_n += 1
            fault = self._next.popleft() if self._next else self._always
            if fault is not None and not fault.keeps:
                return fault
            problem = self._check(headers, body)
            if problem:
                self.refused.append(problem)
                return ReceiverFault(status=400, body=problem.encode())
            self.received.append(
                Received(
                    id=headers["webhook-id"],
                    timestamp_s=int(headers["webhook-timestamp"]),
                    sha256=hashlib.sha256(body).hexdigest(),
                    body=body,
                )
            )
            return fault or ReceiverFault(status=204)


class _Server(ThreadingHTTPServer):
    daemon_threads = True

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Disabled: a sender that disconnects is expected."""


def _checker(secret: str, clock: Callable[[], datetime] | None) -> Callable[[dict[str, str], bytes], str]:
    try:
        from standardwebhooks import Webhook
    except ImportError as exc:
        raise InputError(
            "receiver",
            "standardwebhooks",
            "the library that checks signatures is missing",
            "install standardwebhooks",
        ) from exc
    library = Webhook(secret)

    def against_system_clock(headers: dict[str, str], body: bytes) -> str:
        library.verify(body, headers)
        return ""

    def against_given_clock(headers: dict[str, str], body: bytes) -> str:
        # The library reads the system's clock, so the time check here uses the given clock; the signature is the
        # library's.
        assert clock is not None  # noqa: S101 - chosen below
        at = datetime.fromtimestamp(int(headers["webhook-timestamp"]), UTC)
        if abs((clock() - at).total_seconds()) > TOLERANCE_S:
            return "the timestamp is too far from now"
        right = library.sign(headers["webhook-id"], at, body.decode())
        given = headers["webhook-signature"].split(" ")
        return "" if any(hmac.compare_digest(right, one) for one in given) else "no signature matches"

    chosen = against_system_clock if clock is None else against_given_clock

    def check(headers: dict[str, str], body: bytes) -> str:
        try:
            return chosen(headers, body)
        except Exception as exc:  # the library raises ValueError and others on hostile input: all mean "refused"
            return str(exc) or type(exc).__name__

    return check


def _handler(receiver: WebhookReceiver) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"
        timeout = 30

        def do_POST(self) -> None:
            length = int(self.headers.get("content-length", 0))
            body = self.rfile.read(length)
            if len(body) < length:  # the sender disconnected in the middle: no complete request
                self.close_connection = True
                return
            answer = receiver._take({name.lower(): value for name, value in self.headers.items()}, body)
            if answer.drops:
                self.close_connection = True
                return
            try:
                self._answer(answer)
            except (BrokenPipeError, ConnectionResetError):
                self.close_connection = True

        def _answer(self, answer: ReceiverFault) -> None:
            self.send_response(answer.status)
            for name, value in answer.headers:
                self.send_header(name, value)
            if answer.drip_s is not None:
                # The header itself drips: it never ends.
                self.flush_headers()
                while not receiver._stopped.wait(answer.drip_s):
                    self.wfile.write(b"x")
                self.close_connection = True
                return
            if answer.status not in (204, 304):
                self.send_header("content-length", str(len(answer.body)))
            self.end_headers()
            self.wfile.write(answer.body)

        def log_message(self, format: str, *args: Any) -> None:
            """Disabled: `received` and `refused` record the requests."""

    return Handler
