"""Serves the invented storm as a daemon on loopback with a fast clock, for viewing its pages."""

import asyncio
import os
import random
import shutil
import signal
import socket
import tempfile
from collections.abc import Callable, Iterable
from contextlib import ExitStack
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Final

import uvicorn
from fastapi import FastAPI
from starlette.routing import Match

from alertd.cli.offline.demo import DEMO_START, FEATURED_TRIP
from alertd.cli.paths import demo_path
from alertd.daemon.channels import open_channels
from alertd.daemon.jobs import Daemon
from alertd.delivery.channels.file import SPEC as FOLDER
from alertd.delivery.worker import DeliveryWorker
from alertd.errors import InputError
from alertd.notices.model import Audience
from alertd.planning.planner import Planner, create_planner
from alertd.service.liveness import Liveness
from alertd.service.metrics import Metrics
from alertd.settings.model import Settings
from alertd.settings.read import read_settings
from alertd.sources.files.trips import read_trips
from alertd.store.store import Store
from alertd.testing.clock import FastClock
from alertd.testing.fake_open_meteo import FakeOpenMeteo
from alertd.testing.trucks import Trucks, observe
from alertd.web.app import make_api

TICK_S: Final = 0.5
START: Final = DEMO_START - timedelta(minutes=10)  # so that the brief arrives while the user watches
JOB_SHUTDOWN_TIMEOUT_S: Final = 4.0
OBSERVE_EVERY: Final = timedelta(minutes=20)
_ABOUT: Final = {
    "/board": "the dispatcher's board",
    "/board/score": "scores",
    "/metrics": "metrics",
    "/v1/trips": "trips",
    "/v1/trips/{trip_id}/plan": "a plan",
    "/v1/chainlog": "chain time by driver; fills as trucks hang chains",
    "/healthz": "health",
}


async def serve_demo(echo: Callable[[str], None], keep: Path | None, port: int, speed: float) -> None:
    """Serve until SIGINT or SIGTERM. Raises InputError when the port is in use."""
    stop = asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        asyncio.get_running_loop().add_signal_handler(number, stop.set)
    with ExitStack() as stack:
        folder = keep or Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="alertd-demo-")))
        listener = stack.enter_context(_open_socket(port))
        clock = FastClock(START, speed)
        forecasts = stack.enter_context(FakeOpenMeteo(now_utc=START))
        settings = _settings(folder, forecasts.base_url)
        store = stack.enter_context(Store(settings.store))
        async with create_planner(settings, clock) as planning, open_channels(settings) as channels:
            dispatcher = DeliveryWorker(store.outbox, channels, owner="demo", rng=random.Random(1))
            watched = Liveness(), Metrics()
            watched[1].set_leading(True)
            daemon = Daemon(planning, store, dispatcher, clock, watched=watched)
            wake = asyncio.Event()
            app = make_api(planning, store, clock, wake=wake.set, watched=watched)
            server = uvicorn.Server(
                uvicorn.Config(app, log_config=None, access_log=False, lifespan="off", timeout_graceful_shutdown=2)
            )
            serving = asyncio.create_task(server.serve(sockets=[listener]))
            for text in _page_list(app, f"http://127.0.0.1:{listener.getsockname()[1]}", speed, folder):
                echo(text)
            moving = asyncio.create_task(_tick(daemon, planning, store, forecasts, clock, wake))
            stopping = asyncio.create_task(stop.wait())
            await asyncio.wait([serving, stopping, moving], return_when=asyncio.FIRST_COMPLETED)
            server.should_exit = True
            await serving
            for task in (moving, stopping):
                task.cancel()
            ended = await asyncio.gather(moving, stopping, return_exceptions=True)
            await daemon.finish(JOB_SHUTDOWN_TIMEOUT_S)
            for fault in ended:
                if isinstance(fault, Exception):
                    raise fault
    echo("ended")


async def _tick(
    daemon: Daemon,
    planning: Planner,
    store: Store,
    forecasts: FakeOpenMeteo,
    clock: FastClock,
    wake: asyncio.Event,
) -> None:
    """Run the daemon's jobs by the fast clock, and move the demo's trucks and stations.

    The clock is stopped during the jobs. At 300 times as fast, the seconds of a cycle are otherwise most of an hour, in
    which the trucks drive by an old plan.
    """
    every = timedelta(minutes=planning.settings.plan_every_min)
    trucks, next_cycle, next_observation = Trucks(store), clock(), clock()
    trips = read_trips(demo_path() / "trips.csv")
    routes = {trip.id: await planning.route(trip.route, trip.id) for trip in trips}
    while True:
        with clock.stopped():
            now = forecasts.now_utc = clock()
            for trip_id, route in routes.items():
                await asyncio.to_thread(trucks.move, trip_id, route, now)
            if now >= next_observation:
                next_observation = now + OBSERVE_EVERY
                await asyncio.to_thread(observe, store, routes[FEATURED_TRIP], forecasts.storm, now)
            if now >= next_cycle or wake.is_set():
                wake.clear()
                next_cycle = now + every
                await daemon.trigger(daemon.cycle)()
            for job in (daemon.brief, daemon.send_scheduled, daemon.deliver):
                await daemon.trigger(job)()
        await asyncio.sleep(TICK_S)


def _settings(folder: Path, forecasts: str) -> Settings:
    """Return the demo's settings on loopback, with notices written as files.

    Clears the demo's own files in `folder`; a daemon's own store never has their names.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "demo.db").unlink(missing_ok=True)
    except OSError as exc:
        raise InputError("--keep", "", f"{folder} cannot be used ({exc.strerror})", "name another folder") from exc
    for name in ("demo-http", "demo-notices"):
        shutil.rmtree(folder / name, ignore_errors=True)
    settings = read_settings(demo_path() / "alertd.toml")
    return replace(
        settings,
        forecast=settings.forecast.with_keys(open_meteo_url=forecasts),
        channels=(FOLDER.configure(name="notices", path=str(folder / "demo-notices"), audiences=["driver"]),),
        targets={audience: ("notices",) for audience in Audience},
        store=folder / "demo.db",
        cache=folder / "demo-http",
        archive=None,
    )


def _open_socket(port: int) -> socket.socket:
    try:
        return socket.create_server(("127.0.0.1", port))
    except OSError as exc:
        why = os.strerror(exc.errno or 0)  # its own strerror repeats the address
        raise InputError("--port", "", f"cannot listen on {port} ({why})", "name another, or 0") from exc


def _page_list(app: FastAPI, url: str, speed: float, folder: Path) -> Iterable[str]:
    """Return lines that list the pages this version serves."""
    yield f"An invented storm, carrier and trucks from {START:%d %b %Y %H:%M} UTC on, {speed:g} times as fast as here."
    yield "The clock waits while plans are made, so a slow machine shows the same day."
    yield f"Notices are written to {folder / 'demo-notices'}. Ctrl-C ends it."
    others = [p for p in app.openapi()["paths"] if not p.startswith(("/v1", "/readyz")) and p not in _ABOUT]
    for path, about in (*_ABOUT.items(), *((p, "") for p in others)):
        at = path.replace("{trip_id}", FEATURED_TRIP)
        if about == "" or _is_served(app, at):
            yield f"  {url}{at}   {about}".rstrip()


def _is_served(app: FastAPI, path: str) -> bool:
    scope = {"type": "http", "method": "GET", "path": path, "root_path": "", "headers": []}
    return any(route.matches(scope)[0] is Match.FULL for route in app.routes)
