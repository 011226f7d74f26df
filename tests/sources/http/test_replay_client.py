"""What a source was handed once it is handed again: the same answers, the same failures, and nothing else."""

import json
from datetime import UTC, datetime
from pathlib import Path

import httpx
import numpy as np
import pytest
import respx

from alertd.errors import SourceError
from alertd.forecast.model import WEATHER_FIELDS
from alertd.forecast.provider import ForecastRequest
from alertd.sources.http.answer import RequestOptions, SourceResponse, without_secrets
from alertd.sources.http.client import HttpClient
from alertd.sources.http.options import HttpOptions
from alertd.sources.http.replay_client import ReplayClient
from alertd.sources.providers.nws.forecast import Nws
from alertd.testing.clock import ManualClock, no_wait

OWN = Path(__file__).parents[3] / "fixtures" / "forecast"
BASE = "https://api.weather.gov"


@pytest.fixture
def morning() -> datetime:
    return datetime(2026, 1, 12, 6, tzinfo=UTC)


def listening_client(morning: datetime, received: list[SourceResponse]) -> HttpClient:
    return HttpClient(
        HttpOptions(
            contact="ops@fleet.example",
            cache_dir=None,
            now_utc=ManualClock(morning),
            rng=np.random.default_rng(1),
            sleep=no_wait,
            per_s_per_host=1e9,
            on_response=received.append,
        )
    )


@respx.mock
async def test_grid_with_an_uncovered_place_replays_the_same(morning: datetime) -> None:
    """Each word is kept for its own question, that there is no forecast for a place too."""
    point, grid = (json.loads((OWN / f"nws_{name}.json").read_text()) for name in ("point", "grid"))
    gone = {"type": "https://api.weather.gov/problems/InvalidPoint", "status": 404}
    respx.get(f"{BASE}/points/47.45,-115.69").respond(json=point)
    respx.get(f"{BASE}/gridpoints/XYZ/12,34").respond(json=grid)
    respx.get(f"{BASE}/points/49.5,-115.7").respond(404, json=gone)
    ask = ForecastRequest(
        lat_deg=np.array([47.45, 49.5]),
        lon_deg=np.array([-115.69, -115.7]),
        road_elevation_m=np.full(2, 1440.0),
        start=morning,
        end=datetime(2026, 1, 12, 10, tzinfo=UTC),
        now_utc=morning,
    )
    received: list[SourceResponse] = []
    async with listening_client(morning, received) as client:
        first = await Nws(client).fetch(ask)
    respx.get(url__startswith=BASE).respond(500)
    retold = ReplayClient(reversed(received))  # in whatever order they came
    again = await Nws(retold).fetch(ask)
    assert retold.missing == []
    assert (again.gaps, again.issued_at, again.fetched_at) == (first.gaps, first.issued_at, first.fetched_at)
    assert again.outside == first.outside == (1,)
    for name in WEATHER_FIELDS:
        np.testing.assert_array_equal(getattr(again, name), getattr(first, name))


@respx.mock
async def test_what_a_client_hands_out_is_told_again_without_the_key(morning: datetime) -> None:
    """A failure keeps its kind, its words and its wait; a key is a secret and stays out."""
    url = "https://customer-sky.example/v1"
    respx.get(url, params={"apikey": "s3cret", "a": "1,2"}).mock(return_value=httpx.Response(200, json={"snow": 3}))
    respx.get(url, params={"apikey": "s3cret", "a": "3"}).mock(return_value=httpx.Response(404))
    received: list[SourceResponse] = []
    async with listening_client(morning, received) as client:
        params = {"apikey": "s3cret", "a": "1,2"}
        first = await client.get_json("sky", url, read=dict, params=params)
        with pytest.raises(SourceError, match="answered HTTP 404") as failed:
            await client.get_json("sky", url, read=dict, params=params | {"a": "3"})
    assert [h.url for h in received] == [f"{url}?a=1,2", f"{url}?a=3"]
    retold = ReplayClient(received)
    again = await retold.get_json("sky", url, read=dict, params={"apikey": "another", "a": "1,2"})
    assert (again.value, again.fetched_at, again.stale) == (first.value, first.fetched_at, False)
    with pytest.raises(type(failed.value), match="answered HTTP 404"):
        await retold.get_json("sky", url, read=dict, params={"a": "3"})
    with pytest.raises(SourceError, match="was not kept"):
        await retold.get_json("sky", url, read=dict, params={"a": "1,2"}, options=RequestOptions(refresh=True))
    assert retold.missing == [f"{url}?a=1,2"]


@pytest.mark.parametrize(
    ("url", "left"),
    [
        ("https://x.example/a?b=1,2&c=nan", "https://x.example/a?b=1,2&c=nan"),
        ("https://x.example/a?apikey=s&b=1,2", "https://x.example/a?b=1,2"),
        ("https://x.example/a?apikey=s", "https://x.example/a"),
    ],
)
def test_a_url_loses_its_secrets_and_nothing_else(url: str, left: str) -> None:
    assert without_secrets(url) == left
