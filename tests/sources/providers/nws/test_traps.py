"""Traps of public weather services that no other test of the sources bears the name of, and that none is left untested.

The numbers are those of the ranked list of traps in the reference on weather services. Tests of the others stand beside
what they test: `pytest -k test_trap_09` finds them.
"""

import json
import re
from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest
import respx

from alertd.errors import SourceChanged, SourceDown
from alertd.forecast.provider import ForecastRequest
from alertd.sources.http.client import HttpClient
from alertd.sources.http.options import HttpOptions
from alertd.sources.providers.nws.forecast import Nws
from alertd.sources.providers.nws.grid import read_grid
from alertd.sources.providers.open_meteo.forecast import OpenMeteo
from alertd.sources.providers.open_meteo.parse import read_places

TESTS = Path(__file__).parents[3]
OWN = TESTS.parent / "fixtures" / "forecast"
POINT, GRID = (json.loads((OWN / f"nws_{name}.json").read_text()) for name in ("point", "grid"))
TWO = json.loads((OWN / "open_meteo_two_places.json").read_text())
BASE = "https://api.weather.gov"
NOW = datetime(2026, 1, 12, 6, tzinfo=UTC)
NAN = float("nan")
OF_ALERTS = {3, 4, 24, 25, 26}  # of warnings, whose tests are kept with their reader


def test_every_forecast_and_request_trap_has_a_named_test() -> None:
    text = "".join(path.read_text(encoding="utf-8") for path in TESTS.rglob("test_*.py"))
    named = {int(number) for number in re.findall(r"def test_trap_(\d+)_", text)}
    assert set(range(1, 27)) - OF_ALERTS <= named


class Clock:
    def __init__(self) -> None:
        self.now = NOW

    def __call__(self) -> datetime:
        return self.now

    async def sleep(self, seconds: float) -> None:
        self.now += timedelta(seconds=seconds)


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
async def client(clock: Clock, tmp_path: Path) -> AsyncIterator[HttpClient]:
    async with HttpClient(HttpOptions(
        contact="ops@fleet.example", cache_dir=tmp_path, now_utc=clock, rng=np.random.default_rng(1),
        sleep=clock.sleep, ticks=lambda: clock.now.timestamp(),
    )) as one:  # fmt: skip
        yield one


def ask(clock: Clock, count: int = 1) -> ForecastRequest:
    return ForecastRequest(
        lat_deg=np.array([47.45, 47.5][:count]), lon_deg=np.array([-115.69, -115.0][:count]),
        road_elevation_m=np.full(count, 1650.0), start=clock.now, end=clock.now + timedelta(hours=4), now_utc=clock.now,
    )  # fmt: skip


def grid_with(**layers: Any) -> dict[str, Any]:
    return {**GRID, "properties": {**GRID["properties"], **layers}}


def layer(uom: str, *samples: tuple[str, float | None]) -> dict[str, Any]:
    return {"uom": uom, "values": [{"validTime": when, "value": value} for when, value in samples]}


def test_trap_07_weather_service_intervals_begin_at_their_stamp() -> None:
    """6 mm at "06:00/PT4H" fall from 06 to 10: none in the hour before. Open-Meteo's stamps end theirs."""
    cell = read_grid(GRID, start=NOW - timedelta(hours=1), hours=6, now_utc=NOW)
    np.testing.assert_allclose(cell.precip_mmwe_h, [0.0, 1.5, 1.5, 1.5, 1.5, NAN])


def test_trap_08_local_day_with_a_missing_hour_is_refused() -> None:
    """2026-03-08 in Toronto: 02:00 does not exist, and 24 stamps were sent with one offset for all of them."""
    local = [f"2026-03-08T{h:02d}:00" for h in range(24)]
    body = {**TWO[0], "utc_offset_seconds": -18_000}
    body["hourly"] = {"time": local, "temperature_2m": [1.0] * 24}
    body["hourly_units"] = {**TWO[0]["hourly_units"], "time": "iso8601"}
    with pytest.raises(SourceChanged, match="local times where UTC was asked"):
        read_places(body)
    assert read_places({**body, "utc_offset_seconds": 0})[0].start == datetime(2026, 3, 8, tzinfo=UTC)


@respx.mock
@pytest.mark.parametrize(
    ("problem", "status", "tries", "again_after_s", "words"),
    [
        # Table 2.6 of the reference: an expired grid is an office's outage of hours, and no retry helps.
        ("ForecastGridExpired", 503, 1, 3600.0, "NWS missing for office XYZ: gone"),
        ("ForecastMissingData", 503, 1, 3600.0, "NWS missing for office XYZ: gone"),
        ("ServiceUnavailable", 503, 1, 120.0, "gone"),
        ("UnavailableWebService", 503, 1, 120.0, "gone"),
        ("UnexpectedProblem", 500, 3, None, "answered HTTP 500"),
    ],
)
async def test_trap_10_each_kind_of_failure_is_retried_in_its_own_way(
    client: HttpClient, clock: Clock, problem: str, status: int, tries: int, again_after_s: float | None, words: str
) -> None:
    respx.get(url__startswith=f"{BASE}/points/").respond(json=POINT)
    route = respx.get(f"{BASE}/gridpoints/XYZ/12,34").respond(
        status, json={"type": f"urn:noaa:nws:api:{problem}", "detail": "gone"}
    )
    with pytest.raises(SourceDown, match=words) as caught:
        await Nws(client).fetch(ask(clock))
    assert (route.call_count, caught.value.retry_after_s) == (tries, again_after_s)


@respx.mock
async def test_trap_10_expired_office_rests_an_hour_and_stays_named(client: HttpClient, clock: Clock) -> None:
    respx.get(url__startswith=f"{BASE}/points/").respond(json=POINT)
    problem = {"type": "https://api.weather.gov/problems/ForecastGridExpired", "detail": "it has expired"}
    route = respx.get(f"{BASE}/gridpoints/XYZ/12,34").respond(503, json=problem)
    for minutes, calls in ((0, 1), (30, 1), (31, 2)):
        clock.now += timedelta(minutes=minutes)
        with pytest.raises(SourceDown, match="NWS missing for office XYZ: it has expired"):
            await Nws(client).fetch(ask(clock))
        assert route.call_count == calls


@respx.mock
async def test_trap_11_cell_of_a_place_is_asked_weekly_despite_headers(client: HttpClient, clock: Clock) -> None:
    points = respx.get(f"{BASE}/points/47.45,-115.69").respond(
        json=POINT, headers={"cache-control": "max-age=315360000"}
    )
    weeks = "2026-01-12T00:00:00+00:00/P14D"
    days = [(f"2026-01-{12 + n // 2:02d}T{n % 2 * 12:02d}:00:00+00:00/PT12H", -2.0 - n % 2) for n in range(28)]
    respx.get(f"{BASE}/gridpoints/XYZ/12,34").respond(
        json=grid_with(
            temperature=layer("wmoUnit:degC", *days),
            quantitativePrecipitation=layer("wmoUnit:mm", (weeks, 1.0)),
        )
    )
    for days, calls in ((0.0, 1), (6.9, 1), (0.2, 2)):
        clock.now += timedelta(days=days)
        await Nws(client).fetch(ask(clock))
        assert points.call_count == calls


@respx.mock
async def test_trap_12_a_forecast_carries_the_height_it_is_for(client: HttpClient, clock: Clock) -> None:
    """The weather service's is its cell's (1420 m), not the road's (1650 m): still to be corrected. Open-Meteo was
    asked for the road's and has corrected already: to carry its cell's would correct twice."""
    respx.get(url__startswith=f"{BASE}/points/").respond(json=POINT)
    respx.get(f"{BASE}/gridpoints/XYZ/12,34").respond(json=GRID)
    respx.get(url__startswith="https://customer-api.open-meteo.com").respond(json=TWO)
    own = await Nws(client).fetch(ask(clock))
    other = await OpenMeteo(client, "https://customer-api.open-meteo.com", api_key="k").fetch(ask(clock, 2))
    np.testing.assert_array_equal(own.elevation_m, [1420.0])
    np.testing.assert_array_equal(other.elevation_m, [1650.0, 1650.0])


def test_trap_16_chance_and_amount_keep_their_own_intervals() -> None:
    """80 % with 0.0 mm, and 3 mm with no chance given, are both seen; three hours of chance stand in six of amount."""
    cell = read_grid(
        grid_with(
            probabilityOfPrecipitation=layer(
                "wmoUnit:percent", ("2026-01-12T00:00:00+00:00/PT3H", 80), ("2026-01-12T06:00:00+00:00/PT3H", None)
            ),
            quantitativePrecipitation=layer(
                "wmoUnit:mm", ("2026-01-12T00:00:00+00:00/PT6H", 0), ("2026-01-12T06:00:00+00:00/PT6H", 3)
            ),
        ),
        start=datetime(2026, 1, 12, tzinfo=UTC), hours=8, now_utc=NOW,
    )  # fmt: skip
    np.testing.assert_array_equal(cell.precip_prob_frac, [0.8, 0.8, 0.8, NAN, NAN, NAN, NAN, NAN])
    np.testing.assert_array_equal(cell.precip_mmwe_h, [0, 0, 0, 0, 0, 0, 0.5, 0.5])


def test_trap_18_first_intervals_in_the_past_keep_their_hours() -> None:
    """The cell was issued at 04:30 and begins at 00:00: its first value is that of 00:00, not of the issue."""
    warm = layer("wmoUnit:degC", *((f"2026-01-12T{h:02d}:00:00+00:00/PT1H", float(h)) for h in range(9)))
    cell = read_grid(grid_with(temperature=warm), start=NOW - timedelta(hours=8), hours=12, now_utc=NOW)
    np.testing.assert_array_equal(cell.air_temp_c, [NAN, NAN, 0, 1, 2, 3, 4, 5, 6, 7, 8, NAN])
    assert cell.updated_at == datetime(2026, 1, 12, 4, 30, tzinfo=UTC)


@respx.mock
async def test_trap_22_a_limit_told_in_html_is_still_a_limit(client: HttpClient, clock: Clock) -> None:
    """Rate limits come from the edge, as a page without a problem document (weather-gov/api issue 85)."""
    route = respx.get(url__startswith=f"{BASE}/points/").mock(
        return_value=httpx.Response(429, html="<h1>Too many requests</h1>", headers={"retry-after": "300"})
    )
    for _ in range(2):
        with pytest.raises(SourceDown, match="429"):
            await Nws(client).fetch(ask(clock))
    assert route.call_count == 1
