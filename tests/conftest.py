"""The invented carrier, its road and its settings, shared by the tests that need the whole of alertd."""

import asyncio
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from alertd.route.line import Route
from alertd.service.ground import Ground, load_route, read_ground
from alertd.service.settings import Settings, read_settings
from alertd.testing.cluster import Cluster, server_programs

DEMO = Path(__file__).resolve().parents[1] / "fixtures" / "demo"


@pytest.fixture(scope="session")
def demo() -> Path:
    """The folder of the invented carrier."""
    return DEMO


@pytest.fixture
def morning() -> datetime:
    """An hour and a quarter before the first truck leaves: 03:30 in Missoula, when the brief is due."""
    return datetime(2027, 1, 14, 10, 30, tzinfo=UTC)


@pytest.fixture(scope="session")
def ground() -> Ground:
    return read_ground(read_settings(DEMO / "alertd.toml").places)


@pytest.fixture(scope="session")
def i90_west(ground: Ground) -> Route:
    return asyncio.run(load_route(DEMO / "i90-west.gpx", ground, []))


@pytest.fixture(scope="session")
def postgres() -> Iterator[Cluster]:
    """A PostgreSQL server of this run."""
    programs = server_programs()
    if programs is None:
        pytest.skip("no PostgreSQL server programs on this machine (apt-get install postgresql)")
    with Cluster(programs) as cluster:
        yield cluster


@pytest.fixture(params=["sqlite", "postgres"])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> Path | str:
    """Where a new store may be, of each kind."""
    if request.param == "sqlite":
        return tmp_path / "alertd.sqlite"
    url: str = request.getfixturevalue("postgres").new_place()
    return url


@pytest.fixture
def make_settings(tmp_path: Path) -> Callable[..., Settings]:
    """The demo's settings on loopback: `make_settings(forecasts=url, receiver=url, **other settings)`."""

    def make(
        *, forecasts: str = "http://127.0.0.1:9", receiver: str = "http://127.0.0.1:9/", **over: object
    ) -> Settings:
        settings = read_settings(DEMO / "alertd.toml")
        return replace(
            settings,
            forecast=replace(settings.forecast, open_meteo_url=forecasts),
            endpoints=tuple(replace(e, url=receiver) for e in settings.endpoints),
            store=tmp_path / "alertd.db",
            cache=tmp_path / "http",
            archive=tmp_path / "archive",
            **over,  # type: ignore[arg-type]
        )

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
        }
        text = (DEMO / "alertd.toml").read_text(encoding="utf-8")
        for old, new in (moved | (changes or {})).items():
            assert old in text, old
            text = text.replace(old, new)
        path = tmp_path / "alertd.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write
