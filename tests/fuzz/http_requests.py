"""Sends raw bytes to the real application behind the real server, on this machine's loopback only."""

import asyncio
import logging
import shutil
import socket
import tempfile
import threading
from dataclasses import replace
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import uvicorn

ROOT: Final = Path(__file__).resolve().parents[2]
NOW: Final = datetime(2027, 1, 14, 5, tzinfo=UTC)
ANSWER_WITHIN_S: Final = 3.0  # a stream stays open


class Failures(logging.Handler):
    """Keeps what the server logs as an exception."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.found: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        if record.exc_info and record.exc_info[1] is not None:
            self.found.append(repr(record.exc_info[1])[:300])


def answers_of(data: bytes) -> bytes:
    """All that the server answers to these bytes. Raises AssertionError where the server itself fails."""
    loop, port, failures = _server()
    text = asyncio.run_coroutine_threadsafe(_talk(port, data), loop).result(2 * ANSWER_WITHIN_S)
    failed, failures.found[:] = list(failures.found), []
    if failed or b"HTTP/1.1 500" in text:
        raise AssertionError(f"the server failed: {failed or text[:300]}")
    if text and not text.startswith(b"HTTP/1.1 "):
        raise AssertionError(f"no HTTP answer: {text[:80]!r}")
    return text


async def _talk(port: int, data: bytes) -> bytes:
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    try:
        async with asyncio.timeout(ANSWER_WITHIN_S):
            writer.write(data)
            if writer.can_write_eof():
                writer.write_eof()
            return await reader.read()
    except (ConnectionError, TimeoutError):
        return b""  # a stream is open, or the server has closed the connection
    finally:
        writer.close()


@lru_cache(maxsize=1)
def _server() -> tuple[asyncio.AbstractEventLoop, int, Failures]:
    """The server in a thread of its own, for the life of this process."""
    from alertd.daemon.http_server import server_config
    from alertd.planning.planner import Planner
    from alertd.planning.weather import WeatherSources
    from alertd.settings.read import read_settings
    from alertd.settings.reference_data import load_reference_data
    from alertd.store.store import Store
    from alertd.testing.clock import ManualClock
    from alertd.web.app import make_api

    folder = Path(tempfile.mkdtemp(prefix="fuzz-http-"))
    for path in (ROOT / "fixtures" / "demo").glob("*.gpx"):
        shutil.copy(path, folder)
    settings = read_settings(ROOT / "fixtures" / "demo" / "alertd.toml")
    settings = replace(settings, trips=None, places=replace(settings.places, routes=folder))
    ground = replace(load_reference_data(settings.places), routes=folder)
    planner = Planner(settings, ground, WeatherSources(providers=[], members=5, seed=1, stale_h=6.0), [])
    app = make_api(planner, Store(folder / "alertd.db"), ManualClock(NOW), lambda: None)
    failures, listener = Failures(), socket.create_server(("127.0.0.1", 0))
    for name in ("", "uvicorn", "uvicorn.error", "uvicorn.error.connection"):
        logging.getLogger(name).addHandler(failures)
    loop, server = asyncio.new_event_loop(), uvicorn.Server(server_config(app, 1))
    server.install_signal_handlers = lambda: None  # type: ignore[attr-defined]
    threading.Thread(target=_run, args=(loop, server, listener), daemon=True).start()
    while not server.started:
        threading.Event().wait(0.01)
    return loop, listener.getsockname()[1], failures


def _run(loop: asyncio.AbstractEventLoop, server: Any, listener: socket.socket) -> None:
    asyncio.set_event_loop(loop)
    loop.run_until_complete(server.serve(sockets=[listener]))
