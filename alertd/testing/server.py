"""Serves the daemon's pages on loopback in a thread, with a manual clock."""

import asyncio
import socket
import threading
from collections.abc import Coroutine
from concurrent.futures import Future
from types import TracebackType
from typing import Any, Self

import uvicorn

from alertd.planning.planner import Planner, create_planner
from alertd.service.cycle import CycleOutcome, run_cycle
from alertd.settings.model import Settings
from alertd.store.store import Store
from alertd.testing.clock import ManualClock
from alertd.web.app import make_api


class PageServer:
    """Use as a context manager: inside it one cycle has run and `base_url` responds."""

    def __init__(self, settings: Settings, clock: ManualClock) -> None:
        self.settings, self.clock = settings, clock
        self.store = Store(settings.store)
        self.wakes = 0
        self._loop = asyncio.new_event_loop()
        self._ready: Future[str] = Future()
        self._thread = threading.Thread(target=self._run)

    def __enter__(self) -> Self:
        self._thread.start()
        self.base_url = self._ready.result(timeout=300)
        return self

    def __exit__(self, kind: type[BaseException] | None, exc: BaseException | None, tb: TracebackType | None) -> None:
        self._server.should_exit = True
        self._thread.join(timeout=30)
        self.store.close()

    def cycle(self) -> CycleOutcome:
        """Plan again at the clock's current time."""
        return self._wait(run_cycle(self.planner, self.store, self.clock()))

    def link(self, trip_id: str) -> str:
        """Return the URL of a trip's driver page."""
        return self.base_url + self.planner.links.link_for(self.planner.latest.plans[trip_id], self.clock())

    def _wait(self, job: Coroutine[Any, Any, CycleOutcome]) -> CycleOutcome:
        return asyncio.run_coroutine_threadsafe(job, self._loop).result(timeout=120)

    def _run(self) -> None:
        # uvicorn handles the process's signals in the main thread only.
        with asyncio.Runner(loop_factory=lambda: self._loop) as runner:
            runner.run(self._serve())

    async def _serve(self) -> None:
        try:
            async with create_planner(self.settings, self.clock) as planning:
                self.planner: Planner = planning
                await run_cycle(planning, self.store, self.clock())
                app = make_api(planning, self.store, self.clock, self._wake)
                config = uvicorn.Config(
                    app, log_config=None, access_log=False, lifespan="off", timeout_graceful_shutdown=1
                )
                self._server = uvicorn.Server(config)
                with socket.create_server(("127.0.0.1", 0)) as listener:
                    serving = asyncio.create_task(self._server.serve(sockets=[listener]))
                    while not self._server.started and not serving.done():
                        await asyncio.sleep(0.02)
                    self._ready.set_result(f"http://127.0.0.1:{listener.getsockname()[1]}")
                    await serving
        except BaseException as exc:
            if not self._ready.done():
                self._ready.set_exception(exc)
            raise

    def _wake(self) -> None:
        self.wakes += 1
