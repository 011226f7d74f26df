"""The invented carrier, its road and its settings, shared by the tests that need the whole of alertd."""

import asyncio
import os
import shutil
import ssl
import sys
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import AbstractAsyncContextManager, AsyncExitStack, asynccontextmanager
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import httpx
import numpy as np
import pytest
from hypothesis import HealthCheck
from hypothesis import settings as hypothesis_settings

from alertd.planning import gather, planner, weather
from alertd.planning.planner import Planner
from alertd.planning.replays.response_recorder import record_response
from alertd.planning.weather import WeatherSources
from alertd.route.model import Route
from alertd.settings import reference_data
from alertd.settings.model import Settings
from alertd.settings.read import read_settings
from alertd.settings.reference_data import ReferenceData, load_reference_data, load_route
from alertd.sources.http.client import HttpClient
from alertd.sources.http.options import HttpOptions
from alertd.sources.providers.open_meteo.forecast import OpenMeteo, OpenMeteoKeys
from alertd.store.store import Store
from alertd.testing.clock import ManualClock, no_wait
from alertd.testing.once import corridor_key, file_key, files_key, folder_key, once
from alertd.testing.postgres import PostgresCluster, server_programs
from alertd.web.app import make_api

# Workers and the processes that tests start import the same modules: compiling them anew takes longer than most tests.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

DEMO = Path(__file__).resolve().parents[1] / "fixtures" / "demo"
LONGEST_TEST_NAME = 60
# The demo compares departures of the next 36 hours, which is three quarters of the work of a plan. These hours hold the
# planned departure of the first trucks and some on both sides of it.
COMPARED_H = 3.0

# Examples of a property. A run repeats the same ones, so that a landing does not depend on luck. To search at random:
# pytest -m "hypothesis and not live" --hypothesis-profile=random
for profile, examples_n, repeat in (("quick", 25, True), ("full", 100, True), ("random", 100, False)):
    hypothesis_settings.register_profile(
        profile,
        max_examples=examples_n,
        derandomize=repeat,
        deadline=None,
        suppress_health_check=[HealthCheck.too_slow],  # a busy machine is no fault of the test
    )
hypothesis_settings.load_profile("quick")


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    """Fail a test function whose name is longer than a reader takes in at a glance."""
    name = getattr(item, "originalname", item.name)
    if len(name) > LONGEST_TEST_NAME:
        pytest.fail(f"{name}: more than {LONGEST_TEST_NAME} characters", pytrace=False)


@pytest.fixture(scope="session", autouse=True)
def _computed_once() -> Iterator[None]:
    """Keep what many tests would compute again from the same content: a road, the files of a fleet, a TLS context.

    `tests/testing/test_once.py` checks that the keys hold everything that the results depend on.
    """
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(weather, "run_corridor", once(weather.run_corridor, corridor_key))
        rulesets = once(reference_data.read_rulesets, folder_key)
        patch.setattr(reference_data, "read_rulesets", lambda folder: dict(rulesets(folder)))
        patch.setattr(reference_data, "read_boundaries", once(reference_data.read_boundaries, files_key))
        patch.setattr(reference_data, "read_gpx", once(reference_data.read_gpx, file_key))
        # httpx reads a file of certificates for every client, though the tests' servers speak plain HTTP.
        patch.setattr(ssl, "create_default_context", once(ssl.create_default_context, _context_key))
        yield


@pytest.fixture(scope="session", autouse=True)
def _no_waits_between_requests() -> Iterator[None]:
    """Planners and gathering ask their sources without pauses; tests of the pace make an HttpClient of their own."""
    with pytest.MonkeyPatch.context() as patch:
        for module in (planner, gather):
            patch.setattr(module, "HttpOptions", partial(HttpOptions, sleep=no_wait))
        yield


def _context_key(*args: object, **options: object) -> str | None:
    return str(options["cafile"]) if not args and options.keys() == {"cafile"} else None


@pytest.fixture(scope="session")
def demo() -> Path:
    """The folder of the invented carrier."""
    return DEMO


@pytest.fixture
def morning() -> datetime:
    """An hour and a quarter before the first truck leaves: 03:30 in Missoula, when the brief is due."""
    return datetime(2027, 1, 14, 10, 30, tzinfo=UTC)


@pytest.fixture(scope="session")
def ground() -> ReferenceData:
    return load_reference_data(read_settings(DEMO / "alertd.toml").places)


@pytest.fixture(scope="session")
def i90_west(ground: ReferenceData) -> Route:
    return asyncio.run(load_route(DEMO / "i90-west.gpx", ground, []))


@pytest.fixture(scope="session")
def postgres() -> Iterator[PostgresCluster]:
    """A PostgreSQL server of this run."""
    programs = server_programs()
    if programs is None:
        pytest.skip("no PostgreSQL server programs on this machine (apt-get install postgresql)")
    with PostgresCluster(programs) as cluster:
        yield cluster


@pytest.fixture(params=["sqlite", "postgres"])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> Path | str:
    """Where a new store may be, of each kind."""
    if request.param == "sqlite":
        return tmp_path / "alertd.sqlite"
    url: str = request.getfixturevalue("postgres").new_store_url()
    return url


@pytest.fixture
def make_settings(tmp_path: Path) -> Callable[..., Settings]:
    """The demo's settings on loopback: `make_settings(forecasts=url, receiver=url, **other settings)`.

    Plans compare the departures of `COMPARED_H` hours.
    """

    def make(
        *, forecasts: str = "http://127.0.0.1:9", receiver: str = "http://127.0.0.1:9/", **over: object
    ) -> Settings:
        settings = read_settings(DEMO / "alertd.toml")
        demo = replace(
            settings,
            forecast=settings.forecast.with_keys(open_meteo_url=forecasts),
            plan=replace(settings.plan, compare_h=COMPARED_H),
            channels=tuple(c.with_keys(url=receiver) for c in settings.channels),
            store=tmp_path / "alertd.db",
            cache=tmp_path / "http",
            archive=tmp_path / "archive",
        )
        return replace(demo, **over)  # type: ignore[arg-type]

    return make


@pytest.fixture
def write_config(tmp_path: Path) -> Callable[..., Path]:
    """A settings file in a folder of its own: `write_config(forecasts=url, changes={"old text": "new text"})`.

    What is written reads everything of the demo but stores, caches and listens apart from it.
    """

    def write(*, forecasts: str = "http://127.0.0.1:9", changes: dict[str, str] | None = None) -> Path:
        config = DEMO.parents[1] / "config"
        moved = {
            "../../config": str(config),
            '"stops.geojson"': f'"{DEMO}/stops.geojson"',
            'rigs = "rigs"': f'rigs = "{DEMO}/rigs"',
            'routes = "."': f'routes = "{DEMO}"',
            "receiver-secret.txt": f"{DEMO}/receiver-secret.txt",
            'open_meteo_url = "http://127.0.0.1:9"': f'open_meteo_url = "{forecasts}"',
            'trips = "trips.csv"': "http_port = 0",
            "[daemon]": f"[plan]\ncompare_departures_h = {COMPARED_H}\n\n[daemon]",
        }
        text = (DEMO / "alertd.toml").read_text(encoding="utf-8")
        for old, new in (moved | (changes or {})).items():
            assert old in text, old
            text = text.replace(old, new)
        path = tmp_path / "alertd.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


OpenPlanner = Callable[..., AbstractAsyncContextManager[Planner]]


@pytest.fixture
def open_planner(ground: ReferenceData) -> OpenPlanner:
    @asynccontextmanager
    async def opened(settings: Settings, clock: ManualClock, *, deadline_s: float = 20.0) -> AsyncIterator[Planner]:
        async with HttpClient(
            HttpOptions(
                contact="",
                cache_dir=settings.cache,
                now_utc=clock,
                rng=np.random.default_rng(1),
                sleep=no_wait,
                deadline_s=deadline_s,
                on_response=record_response,
            )
        ) as client:
            source = OpenMeteo(client, settings.forecast.of(OpenMeteoKeys).open_meteo_url)
            sky = WeatherSources(
                providers=[source], members=settings.forecast.members, seed=1, stale_h=settings.forecast.stale_h
            )
            yield Planner(settings, ground, sky, [source])

    return opened


@pytest.fixture
async def open_client(
    make_settings: Callable[..., Settings], ground: ReferenceData, tmp_path: Path, morning: datetime
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
            clock = ManualClock(morning)
            sky = WeatherSources(providers=[], members=5, seed=1, stale_h=6.0)
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
