"""A planner whose sources are on loopback and whose waits cost no time."""

import shutil
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, AsyncExitStack, asynccontextmanager
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import httpx
import numpy as np
import pytest

from alertd.service.api import make_api
from alertd.service.ground import Ground
from alertd.service.inputs import hear
from alertd.service.planner import Planner
from alertd.service.settings import Settings
from alertd.service.weather import Sky
from alertd.sources.http import PoliteClient
from alertd.sources.open_meteo import OpenMeteo
from alertd.store.store import Store
from alertd.testing.clock import HeldClock

OpenPlanner = Callable[..., AbstractAsyncContextManager[Planner]]


async def _no_wait(_seconds: float) -> None:
    return None


@pytest.fixture
def open_planner(ground: Ground) -> OpenPlanner:
    @asynccontextmanager
    async def opened(settings: Settings, clock: HeldClock, *, deadline_s: float = 20.0) -> AsyncIterator[Planner]:
        async with PoliteClient(
            contact="",
            cache_dir=settings.cache,
            now_utc=clock,
            rng=np.random.default_rng(1),
            sleep=_no_wait,
            deadline_s=deadline_s,
            on_answer=hear,
        ) as client:
            source = OpenMeteo(client, settings.forecast.open_meteo_url)
            sky = Sky(providers=[source], members=settings.forecast.members, seed=1, stale_h=settings.forecast.stale_h)
            yield Planner(settings, ground, sky, [source])

    return opened


@pytest.fixture
async def open_client(
    make_settings: Callable[..., Settings], ground: Ground, tmp_path: Path, morning: datetime
) -> AsyncIterator[Callable[..., httpx.AsyncClient]]:
    """`open_client(**settings)`: a client of an application of its own, on a store and a routes folder of its own.

    Its store, clock, settings and application hang on it as `store`, `clock`, `settings` and `app`.
    """
    async with AsyncExitStack() as stack:

        async def opened(*, client_host: str = "127.0.0.1", **over: object) -> httpx.AsyncClient:
            routes = tmp_path / "routes"
            if not routes.exists():
                shutil.copytree(make_settings().places.routes, routes, ignore=_all_but_routes)
            settings = make_settings(trips=None)
            settings = replace(settings, **{"places": replace(settings.places, routes=routes), **over})
            store = stack.enter_context(Store(tmp_path / "alertd.db"))
            clock = HeldClock(morning)
            sky = Sky(providers=[], members=5, seed=1, stale_h=6.0)
            planning = Planner(settings, replace(ground, routes=routes), sky, [])
            app = make_api(planning, store, clock, lambda: None)
            client = httpx.AsyncClient(
                transport=httpx.ASGITransport(app, client=(client_host, 1)), base_url="http://localhost"
            )
            for name, value in {"store": store, "clock": clock, "settings": settings, "app": app}.items():
                setattr(client, name, value)
            return await stack.enter_async_context(client)

        yield opened


def _all_but_routes(folder: str, names: list[str]) -> list[str]:
    return [name for name in names if not name.endswith(".gpx")]
