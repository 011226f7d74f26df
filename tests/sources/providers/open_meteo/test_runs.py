"""The run time of a model: read from its metadata file, and what an overdue run does to a forecast.

Fields: open-meteo.com/en/docs/model-updates. The bodies here are of that form, with times of our own.
"""

import json
from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest

from alertd.errors import OutsideArea, SourceChanged
from alertd.forecast.provider import ForecastRequest
from alertd.forecast.quality import Usability, freshness
from alertd.sources.http.client import HttpClient
from alertd.sources.http.host_limits import call_weight
from alertd.sources.http.options import HttpOptions
from alertd.sources.providers.open_meteo.forecast import OpenMeteo
from alertd.sources.providers.open_meteo.models import NAMED_MODELS
from alertd.sources.providers.open_meteo.runs import best_match_models, meta_name, read_run
from alertd.testing.clock import ManualClock, no_wait

TWO = json.loads((Path(__file__).parents[4] / "fixtures" / "forecast" / "open_meteo_two_places.json").read_text())
NOW = datetime(2026, 1, 12, 6, 20, 30, tzinfo=UTC)
HOUR = timedelta(hours=1)


def meta(age: timedelta, **changes: Any) -> dict[str, Any]:
    """A six-hourly model, available four hours after its run."""
    begun = NOW - age
    return {
        "last_run_initialisation_time": int(begun.timestamp()),
        "last_run_availability_time": int((begun + 4 * HOUR).timestamp()),
        "update_interval_seconds": 21_600,
        "temporal_resolution_seconds": 3600,
    } | changes


class Server:
    """Answers forecasts of two places, and one metadata body for every model."""

    def __init__(self) -> None:
        self.meta: dict[str, Any] | None = None
        self.paths: list[str] = []

    def answer(self, request: httpx.Request) -> httpx.Response:
        self.paths.append(request.url.path)
        if request.url.path.startswith("/data/"):
            return httpx.Response(404, json={}) if self.meta is None else httpx.Response(200, json=self.meta)
        n = len(request.url.params["latitude"].split(","))
        return httpx.Response(200, json=TWO[:n])


@pytest.fixture
async def world() -> AsyncIterator[tuple[Server, HttpClient]]:
    server = Server()
    options = HttpOptions(
        contact="a@b.example", cache_dir=None, now_utc=ManualClock(NOW), rng=np.random.default_rng(1), sleep=no_wait,
        transport=httpx.MockTransport(server.answer),
    )  # fmt: skip
    async with HttpClient(options) as client:
        yield server, client


def request(lat: list[float] | None = None) -> ForecastRequest:
    lats = np.array([place["latitude"] for place in TWO] if lat is None else lat)
    lons = np.array([place["longitude"] for place in TWO])[: lats.size]
    heights_m = np.full(lats.size, 500.0)
    return ForecastRequest(
        lat_deg=lats, lon_deg=lons, road_elevation_m=heights_m, start=NOW, end=NOW + 6 * HOUR, now_utc=NOW
    )


def open_meteo(client: HttpClient, **more: Any) -> OpenMeteo:
    return OpenMeteo(client, "https://customer-api.open-meteo.com", api_key="k3y", **more)


def judged(forecast: Any) -> Any:
    return freshness(forecast, now_utc=NOW, window_start=NOW, window_end=NOW + HOUR)


async def test_a_named_model_has_the_time_of_its_run(world: tuple[Server, HttpClient]) -> None:
    server, client = world
    server.meta = meta(9 * HOUR)
    forecast = await open_meteo(client, model="icon_d2").fetch(request())
    assert forecast.issued_at == (NOW - 9 * HOUR).replace(microsecond=0)
    assert forecast.issue_every_h == 10.0  # 4 h until it is available, 6 h until the next
    assert "/data/dwd_icon_d2/static/meta.json" in server.paths
    assert not forecast.served_stale
    assert not any("not been updated" in gap.reason for gap in forecast.gaps)


@pytest.mark.parametrize("model", [None, "icon_d2"])
async def test_a_frozen_model_is_said_as_frozen(world: tuple[Server, HttpClient], model: str | None) -> None:
    """Available 17 h ago, updates due each 6 h: two have not come."""
    server, client = world
    server.meta = meta(21 * HOUR)
    forecast = await open_meteo(client, model=model).fetch(request())
    assert forecast.served_stale
    assert judged(forecast).state == Usability.STALE
    assert any("has not been updated since its run of 11 Jan 09:20 UTC" in gap.reason for gap in forecast.gaps)


async def test_a_run_on_time_says_nothing_of_a_best_match(world: tuple[Server, HttpClient]) -> None:
    server, client = world
    server.meta = meta(9 * HOUR)
    assert (await open_meteo(client).fetch(request())).issued_at is None


@pytest.mark.parametrize("body", [None, {"error": True}])
async def test_without_metadata_a_forecast_stays_as_it_was(world: tuple[Server, HttpClient], body: Any) -> None:
    server, client = world
    server.meta = body
    forecast = await open_meteo(client, model="icon_d2").fetch(request())
    assert (forecast.issued_at, forecast.served_stale) == (None, False)


@pytest.mark.parametrize(
    "changes",
    [{"last_run_initialisation_time": None}, {"update_interval_seconds": 0}, {"last_run_initialisation_time": 1e300}],
)
def test_what_is_no_run_is_refused(changes: dict[str, Any]) -> None:
    with pytest.raises(SourceChanged):
        read_run(meta(HOUR) | changes, "x")


def test_a_run_available_before_it_began_gets_the_usual_delay() -> None:
    run = read_run(meta(HOUR, last_run_availability_time=0), "x")
    assert run.available_at - run.begun_at == 8 * HOUR


def test_names_of_metadata() -> None:
    """The page of model updates, November 2024."""
    assert meta_name("ncep_hrrr_conus") == "ncep_hrrr_conus"
    assert (meta_name("icon_d2"), meta_name("icon_d2", ensemble=True)) == ("dwd_icon_d2", "dwd_icon_d2_eps")
    assert best_match_models(np.array([47.0, 47.0]), np.array([-121.0, 11.0])) == (
        "ncep_hrrr_conus", "ncep_gfs013", "dwd_icon_eu", "dwd_icon"
    )  # fmt: skip


def test_metadata_costs_no_call() -> None:
    assert call_weight("https://api.open-meteo.com/data/ncep_gfs013/static/meta.json") == 0.0


async def test_a_model_is_asked_for_its_own_area_only(world: tuple[Server, HttpClient]) -> None:
    _, client = world
    d2 = next(m for m in NAMED_MODELS if m.name == "icon-d2")
    source = open_meteo(client, model=d2.model, area=d2.area, name=d2.name, licence=d2.licence)
    with pytest.raises(OutsideArea):
        await source.fetch(request([-33.0, -33.0]))
    with pytest.raises(OutsideArea):  # the fixture's places lie in North America
        await source.fetch(request())


async def test_a_named_source_shows_owner_and_server(world: tuple[Server, HttpClient]) -> None:
    _, client = world
    nbm = next(m for m in NAMED_MODELS if m.name == "nbm")
    source = open_meteo(client, model=nbm.model, area=nbm.area, name=nbm.name, licence=nbm.licence)
    forecast = await source.fetch(request())
    assert forecast.provider == "nbm"
    assert "NOAA" in forecast.licence
    assert "Open-Meteo.com" in forecast.licence
