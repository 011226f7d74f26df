"""`alertd plan` on the shipped settings with only operator.contact filled in, against a stand-in of the default source.

The stand-in has the addresses of the services: the transport relays them to this machine and refuses all others.
"""

import json
import shutil
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest
from click.testing import Result

from alertd.clock import system_clock
from alertd.planning import planner
from alertd.sources.http.options import Connection
from alertd.testing.fake_open_meteo import FakeOpenMeteo
from alertd.testing.nws.api import nws_of
from alertd.testing.nws.stations import stations_along
from alertd.testing.weather.sky import Sky, SkyChange, SkyFile

CONFIG = Path(__file__).parents[2] / "config"
CONTACT = "dispatch@quillback.example"
SERVICES = frozenset(("api.weather.gov", "aviationweather.gov"))
# A mountain road of 60 km in Montana, 900 m up and down by at most 6 %.
LON = np.linspace(-115.60, -114.80, 800)
LAT = np.full(800, 47.40)
HEIGHT_M = 900.0 + 900.0 * np.exp(-(((LON + 115.20) / 0.18) ** 2))
Alertd = Callable[..., Result]


class Relay(httpx.AsyncBaseTransport):
    """Hands requests to the services over to the stand-in, and keeps what they said of the sender."""

    def __init__(self, base_url: str) -> None:
        self._base, self._real = httpx.URL(base_url), httpx.AsyncHTTPTransport()
        self.agents: set[str] = set()

    async def handle_async_request(self, request: httpx.Request) -> httpx.Response:
        assert request.url.host in SERVICES, request.url
        self.agents.add(request.headers["user-agent"])
        url = request.url.copy_with(scheme="http", host=self._base.host, port=self._base.port)
        headers = [(name, value) for name, value in request.headers.items() if name != "host"]
        return await self._real.handle_async_request(httpx.Request(request.method, url, headers=headers))


def ground(lat_deg: Any, lon_deg: Any) -> Any:
    lon = np.broadcast_arrays(np.asarray(lon_deg, dtype=float), np.asarray(lat_deg, dtype=float))[0]
    return np.interp(lon, LON, HEIGHT_M)


@pytest.fixture
def now() -> datetime:
    return system_clock().replace(microsecond=0)


@pytest.fixture
def shipped(tmp_path: Path, now: datetime) -> Path:
    """The settings file as shipped, with the one line that an operator has to write."""
    shutil.copytree(CONFIG, tmp_path / "config")
    path = tmp_path / "config" / "alertd.toml"
    text = path.read_text(encoding="utf-8")
    assert text.count('contact = ""') == 1
    path.write_text(text.replace('contact = ""', f'contact = "{CONTACT}"'), encoding="utf-8")
    return path


@pytest.fixture
def line(tmp_path: Path) -> Path:
    points = "".join(
        f'<trkpt lat="{a:.5f}" lon="{b:.5f}"><ele>{h:.1f}</ele></trkpt>'
        for a, b, h in zip(LAT, LON, HEIGHT_M, strict=True)
    )
    path = tmp_path / "pass.gpx"
    path.write_text(
        '<gpx version="1.1" creator="made" xmlns="http://www.topografix.com/GPX/1/1"><trk><name>A made pass</name>'
        f"<trkseg>{points}</trkseg></trk></gpx>"
    )
    return path


def sky(now: datetime, **told: Any) -> Sky:
    return Sky(described=SkyFile(title="made", at_m=1800.0, **told), start_epoch_s=now.timestamp())


@pytest.fixture
def served(now: datetime, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[Sky], tuple[FakeOpenMeteo, Relay]]]:
    opened: list[FakeOpenMeteo] = []

    def serve(weather: Sky) -> tuple[FakeOpenMeteo, Relay]:
        stations = stations_along(LAT, LON, HEIGHT_M, every_km=8.0)
        api = FakeOpenMeteo(now_utc=now, nws=nws_of(weather, ground, stations)).__enter__()
        opened.append(api)
        relay = Relay(api.base_url)
        monkeypatch.setattr(planner, "Connection", partial(Connection, transport=relay))
        return api, relay

    yield serve
    for api in opened:
        api.__exit__(None, None, None)


def plan(alertd: Alertd, config: Path, line: Path, now: datetime, *more: str) -> Result:
    rig = config.parent / "rigs" / "tractor-6x4-van-53.toml"
    depart = (now + timedelta(hours=1)).isoformat()
    return alertd("plan", line, "--rig", rig, "--depart", depart, "--config", config, "--no-compare", *more)


def test_a_dry_cold_day_is_clear_and_free_of_false_alarms(
    alertd: Alertd, shipped: Path, line: Path, now: datetime, served: Callable[..., Any]
) -> None:
    api, relay = served(sky(now, temperature_c=-2.0, humidity_percent=60.0, cloud_percent=30.0))
    done = plan(alertd, shipped, line, now, "--json")
    assert done.exit_code == 0, done.stderr
    told = json.loads(done.stdout)
    assert (told["advice"], told["partial"]) == ("clear", False)
    assert [s["provider"] for s in told["sources"]] == ["nws"]
    words = " ".join(told["cautions"])
    assert not any(w in words for w in ("empty", "cloud missing", "past hours", "not known"))
    assert any("past hours from stations KZA" in note for note in told["input_notes"])
    assert any("list of weather warnings of the whole country is empty" in note for note in told["input_notes"])
    assert all(CONTACT in agent for agent in relay.agents)
    kinds = {r.path.split("/")[1] for r in api.requests}
    assert kinds == {"points", "gridpoints", "stations", "alerts"}


def test_a_storm_is_planned_for_and_its_past_explained(
    alertd: Alertd, shipped: Path, line: Path, now: datetime, served: Callable[..., Any]
) -> None:
    snow = SkyChange(from_h=-8.0, to_h=12.0, precipitation_mmh=2.0, humidity_percent=96.0, cloud_percent=100.0)
    served(sky(now, temperature_c=-5.0, cloud_percent=80.0, change=(snow,)))
    told = json.loads(plan(alertd, shipped, line, now, "--json").stdout)
    assert told["advice"] in ("ready", "chain", "hold")
    assert not told["partial"]
    assert told["stretches"]
    assert max(told["along"]["winter_frac"]) > 0.5
    text = " ".join(plan(alertd, shipped, line, now, "--at", "4").stdout.split())
    assert "h from " in text
    assert "station KZA" in text
    assert "lower, and others by their weight" in text or "higher, and others by their weight" in text
