"""A planner whose sources are on loopback and whose waits cost no time."""

from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager

import numpy as np
import pytest

from alertd.service.ground import Ground
from alertd.service.inputs import hear
from alertd.service.planner import Planner
from alertd.service.settings import Settings
from alertd.service.weather import Sky
from alertd.sources.http import PoliteClient
from alertd.sources.open_meteo import OpenMeteo
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
