"""Fake Open-Meteo server on loopback that serves the invented storm in the API's own format.

For the demo and for tests, on 127.0.0.1 only. It serves /v1/forecast, /v1/ensemble (control and 30 members),
/v1/elevation and /data/<model>/static/meta.json, and can simulate faults. The format is in `open_meteo_format`.
"""

import json
import sys
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from email.utils import format_datetime
from enum import StrEnum
from functools import lru_cache
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from socket import SHUT_RDWR
from threading import Event, Thread
from types import TracebackType
from typing import Any, Final, Self, cast
from urllib.parse import parse_qsl, urlsplit

from alertd.testing.nws.api import FakeNws, Redirect
from alertd.testing.open_meteo_format import NO_FLAWS, BadRequest, Flaws, Ground, elevation, forecast, run_metadata
from alertd.testing.weather.storm import Storm, ground_m
from alertd.testing.weather.weather_model import WeatherModel

MEMBERS: Final = 30
KEPT_BODIES: Final = 16  # an ensemble of the demo's road takes about 4 MB; tests ask the same one again and again


class FaultKind(StrEnum):
    """Simulated failures of a provider."""

    DOWN = "the connection closes without an answer"
    SLOW = "the answer comes late"
    GARBLED = "status 200, and not JSON"
    HTML = "status 200, and a web page"
    TRUNCATED = "the connection closes in the middle of the body"
    BROKEN_STREAM = "status 200, half an answer, then an error text inside the body"
    LIMIT_MINUTE = "status 429, minutely limit"
    LIMIT_DAY = "status 429, daily limit"
    OVERLOADED = "status 503"
    NULLS = "null in every series of some locations"
    STALE = "an answer from hours ago, as from a forgotten cache"
    TOO_WARM = "air temperatures 60 K too high"
    MISLABELLED = "Fahrenheit under a Celsius label"
    ONE_VALUE = "one air temperature for all hours"
    WRONG_UNITS = "°F, mp/h and inch whatever was asked, and labelled so"


REFUSALS: Final[dict[FaultKind, tuple[int, str]]] = {
    FaultKind.LIMIT_MINUTE: (429, "Minutely API request limit exceeded. Please try again in one minute."),
    FaultKind.LIMIT_DAY: (429, "Daily API request limit exceeded. Please try again tomorrow."),
    FaultKind.OVERLOADED: (503, "The service is overloaded. Please try again later."),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ApiFault:
    """One fault. `slow_s` applies to SLOW, `cells` (indices in the request's list) to NULLS, `stale_h` to STALE."""

    kind: FaultKind
    slow_s: float = 30.0
    cells: frozenset[int] = frozenset({0})
    stale_h: int = 36

    @property
    def flaws(self) -> Flaws:
        """The defects inside a response of this kind."""
        match self.kind:
            case FaultKind.NULLS:
                return Flaws(null_cells=self.cells)
            case FaultKind.STALE:
                return Flaws(stale_h=self.stale_h)
            case FaultKind.TOO_WARM:
                return Flaws(warmer_k=60.0)
            case FaultKind.MISLABELLED:
                return Flaws(mislabelled=True)
            case FaultKind.ONE_VALUE:
                return Flaws(one_value=True)
            case FaultKind.WRONG_UNITS:
                return Flaws(foreign_units=True)
        return NO_FLAWS


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedRequest:
    """One received request."""

    method: str
    path: str
    params: Mapping[str, str]
    headers: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class _Reply:
    body: bytes
    status: int = 200
    content_type: str = "application/json; charset=utf-8"
    sent_bytes: int | None = None  # less than the body's length to simulate a broken connection
    location: str = ""  # where a redirect leads


@dataclass(kw_only=True)
class FakeOpenMeteo:
    """The server, as a context manager: `with FakeOpenMeteo(now_utc=…) as api: httpx.get(api.base_url + …)`.

    `now_utc` is the simulated time that places past_days and forecast_days; the owner may change it between requests.
    `nws`: also serves this fake. `queue_faults` sets the faults of the next requests, None for a good response;
    `set_fault` sets that of all others.
    """

    now_utc: datetime
    storm: WeatherModel = field(default_factory=Storm)
    ground: Ground = ground_m
    nws: FakeNws | None = None
    requests: list[RecordedRequest] = field(default_factory=list)
    _queued: deque[ApiFault | None] = field(default_factory=deque)
    _lasting: ApiFault | None = None
    _closing: Event = field(default_factory=Event)
    _server: "_Server | None" = None
    _thread: Thread | None = None

    def __post_init__(self) -> None:
        if self.now_utc.utcoffset() != timedelta(0):
            raise ValueError("now_utc must be aware and UTC")

    @property
    def base_url(self) -> str:
        """URL of the running server. Raises RuntimeError outside the `with` block."""
        if self._server is None:
            raise RuntimeError("the fake server runs only inside its `with` block")
        return f"http://127.0.0.1:{self._server.server_address[1]}"

    def queue_faults(self, *faults: ApiFault | None) -> None:
        """Set the faults of the next requests in order, one each; None is a good response."""
        self._queued.extend(faults)

    def set_fault(self, fault: ApiFault | None) -> None:
        """Set the fault of every request without a queued one; None to recover."""
        self._lasting = fault

    def __enter__(self) -> Self:
        self._closing.clear()
        self._server = _Server(self)
        self._thread = Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True)
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._closing.set()
        if self._server is not None and self._thread is not None:
            self._server.shutdown()
            self._server.server_close()
            self._thread.join()
        self._server = self._thread = None

    def _answer(self, request: RecordedRequest) -> _Reply | None:
        """Return the response to one request; None to close the connection without one."""
        self.requests.append(request)
        fault = self._queued.popleft() if self._queued else self._lasting
        if fault is None:
            return self._good(request)
        match fault.kind:
            case FaultKind.DOWN:
                return None
            case FaultKind.LIMIT_MINUTE | FaultKind.LIMIT_DAY | FaultKind.OVERLOADED:
                status, reason = REFUSALS[fault.kind]
                return _Reply(_json({"reason": reason, "error": True}), status)
            case FaultKind.HTML:
                return _Reply(
                    b"<!doctype html><title>Sign in</title><p>Welcome to the yard's wireless", 200, "text/html"
                )
            case FaultKind.SLOW:
                self._closing.wait(fault.slow_s)
        good = self._good(request, fault.flaws)
        half = good.body[: len(good.body) // 2]
        match fault.kind:
            case FaultKind.GARBLED:
                return _Reply(half[::-1] + b"\xff\xfe\x00" + half)
            case FaultKind.TRUNCATED:
                return _Reply(good.body, sent_bytes=len(half))
            case FaultKind.BROKEN_STREAM:
                return _Reply(half + b"Unexpected error while streaming data: timeoutReached")
        return good

    def _good(self, request: RecordedRequest, flaws: Flaws = NO_FLAWS) -> _Reply:
        try:
            if request.path == "/v1/forecast":
                return _Reply(self._forecast(request, (self.storm,), flaws))
            if request.path == "/v1/ensemble":
                members = tuple(self.storm.member(i) for i in range(1, MEMBERS + 1))
                return _Reply(self._forecast(request, (self.storm, *members), flaws))
            if request.path == "/v1/elevation":
                return _Reply(_json(elevation(request.params, self.ground)))
            if request.path.startswith("/data/") and request.path.endswith("/static/meta.json"):
                return _Reply(_json(run_metadata(self.now_utc)))
            if self.nws is not None and (reply := self._nws_reply(self.nws, request)) is not None:
                return reply
        except BadRequest as exc:
            return _Reply(_json({"error": True, "reason": str(exc)}), 400)
        return _Reply(_json({"error": True, "reason": "Not Found"}), 404)

    def _forecast(self, request: RecordedRequest, storms: tuple[WeatherModel, ...], flaws: Flaws) -> bytes:
        this_hour = self.now_utc.replace(minute=0, second=0, microsecond=0)
        return _forecast_body(tuple(request.params.items()), storms, self.ground, this_hour, flaws)

    def _nws_reply(self, nws: FakeNws, request: RecordedRequest) -> _Reply | None:
        """The reply of the weather service, or of the airport reports of its stations."""
        if request.path == "/api/data/metar" and nws.weather is not None:
            reports = nws.weather.stations.metars(request.params, self.now_utc)
            return _Reply(_json(reports)) if reports else _Reply(b"", 204)
        body = nws.answer(request.path, request.params, self.now_utc)
        if body is None:
            return None
        if isinstance(body, Redirect):
            return _Reply(b"{}", 301, "application/geo+json", location=body.path)
        return _Reply(_json(body), content_type="application/geo+json")


@lru_cache(maxsize=KEPT_BODIES)
def _forecast_body(
    params: tuple[tuple[str, str], ...],
    storms: tuple[WeatherModel, ...],
    ground: Ground,
    this_hour: datetime,
    flaws: Flaws,
) -> bytes:
    """The body of a forecast, which depends on these hashable arguments only; of the clock it takes `this_hour`."""
    return _json(forecast(dict(params), storms, ground, this_hour, flaws))


def _json(value: Any) -> bytes:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode()


def _params(query: str) -> dict[str, str]:
    """Parse query or form fields; a repeated field becomes one comma-separated list, as the API reads it."""
    params: dict[str, str] = {}
    for name, value in parse_qsl(query, keep_blank_values=True):
        params[name] = f"{params[name]},{value}" if name in params else value
    return params


class _Server(ThreadingHTTPServer):
    daemon_threads = True

    def __init__(self, standin: FakeOpenMeteo) -> None:
        self.standin = standin
        super().__init__(("127.0.0.1", 0), _Handler)

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A client that disconnects is expected; any other error is a bug and is shown."""
        if not isinstance(sys.exception(), ConnectionError):
            super().handle_error(request, client_address)


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"

    def do_GET(self) -> None:
        self._reply(urlsplit(self.path).query)

    def do_POST(self) -> None:
        self._reply(self.rfile.read(int(self.headers.get("Content-Length", 0))).decode())

    def _reply(self, query: str) -> None:
        standin = cast(_Server, self.server).standin
        request = RecordedRequest(
            method=self.command,
            path=urlsplit(self.path).path,
            params=_params(query),
            headers={k.lower(): v for k, v in self.headers.items()},
        )
        answer = standin._answer(request)
        self.close_connection = True
        if answer is None:
            self.connection.shutdown(SHUT_RDWR)
            return
        self.send_response_only(answer.status)
        # The simulated date: the machine's own would make responses differ from run to run.
        self.send_header("Date", format_datetime(standin.now_utc, usegmt=True))
        self.send_header("Content-Type", answer.content_type)
        self.send_header("Content-Length", str(len(answer.body)))
        if answer.location:
            self.send_header("Location", answer.location)
        self.send_header("Connection", "close")
        self.end_headers()
        self.wfile.write(answer.body[: answer.sent_bytes])

    def log_message(self, format: str, *args: Any) -> None:
        """Disabled: `FakeOpenMeteo.requests` records the requests."""
