"""Amount, zero and unknown stay three things in every layer, each over its own hours, in all forecast sources.

Each test serves a recorded answer and asks for hours beyond its end. The values were worked out from the files by
hand, as each test says. Data: US public domain; MET Norway, CC BY 4.0; Open-Meteo, CC BY 4.0.
"""

import json
from collections.abc import AsyncIterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import respx

from alertd.forecast.model import WEATHER_FIELDS, Forecast
from alertd.forecast.provider import ForecastRequest
from alertd.sources.http.client import HttpClient
from alertd.sources.http.options import HttpOptions
from alertd.sources.providers.met_norway.forecast import MetNorway
from alertd.sources.providers.nws.forecast import Nws
from alertd.sources.providers.open_meteo.forecast import OpenMeteo
from alertd.testing.clock import no_wait

RECORDED = Path(__file__).parents[4] / "shared" / "recorded"
NAN = float("nan")

pytestmark = [
    pytest.mark.needs_shared,
    pytest.mark.skipif(not RECORDED.is_dir(), reason="the reference folder is not beside the checkout"),
]


def recorded(name: str) -> Any:
    return json.loads((RECORDED / name).read_text())


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


@pytest.fixture
async def client() -> AsyncIterator[HttpClient]:
    async with HttpClient(HttpOptions(
        contact="ops@fleet.example", cache_dir=None, now_utc=lambda: utc("2024-02-20T18:00"),
        rng=np.random.default_rng(1), sleep=no_wait,
    )) as one:  # fmt: skip
        yield one


def ask(lat: float, lon: float, height_m: float, start: str, end: str, now: str) -> ForecastRequest:
    return ForecastRequest(
        lat_deg=np.array([lat]), lon_deg=np.array([lon]), road_elevation_m=np.array([height_m]),
        start=utc(start), end=utc(end), now_utc=utc(now),
    )  # fmt: skip


def never_reported(raw: Forecast) -> set[str]:
    return {name for name in WEATHER_FIELDS if np.isnan(getattr(raw, name)).all()}


@respx.mock
async def test_trap_2_weather_service_layers_end_each_at_its_own_hour(client: HttpClient) -> None:
    """Flagstaff, 27 Feb 18Z on. Water: 0.762 mm over 18Z + PT6H, 0 over 00Z + PT6H, nothing after 06Z. Temperature,
    cloud and snow level end an hour after 00Z, at 01Z; probability with the water. Ice is an empty list. Wind: 35.188
    km/h over 20Z + PT3H, 33.336 over 23Z + PT2H."""
    respx.get(url__startswith="https://api.weather.gov/points/").respond(
        json={"properties": {"gridId": "FGZ", "gridX": 74, "gridY": 89}}
    )
    respx.get("https://api.weather.gov/gridpoints/FGZ/74,89").respond(
        json=recorded("nws_gridpoint_FGZ_74-89_2024-02-20_snowlevel.json")
    )
    wanted = ask(35.1984, -111.6493, 2100.0, "2024-02-27T18:00", "2024-02-28T10:00", "2024-02-20T18:00")
    raw = await Nws(client).fetch(wanted)
    np.testing.assert_allclose(raw.precip_mmwe_h[0, 0], [*[0.127] * 6, *[0.0] * 6, *[NAN] * 4])
    np.testing.assert_allclose(raw.precip_prob_frac[0, 0], [*[0.42] * 6, *[0.16] * 6, *[NAN] * 4])
    np.testing.assert_allclose(raw.air_temp_c[0, 0, 3:], [5.0, 5.0, 40 / 9, 10 / 3, *[NAN] * 9])
    np.testing.assert_allclose(raw.snow_level_m[0, 0, 4:], [1698.0408, 1697.736, 1695.9072, *[NAN] * 9])
    np.testing.assert_allclose(raw.wind_mps[0, 0, 2:] * 3.6, [*[35.188] * 3, *[33.336] * 2, *[NAN] * 9])
    assert never_reported(raw) == {"pressure_hpa", "shortwave_wm2", "freezing_level_m", "visibility_m"}


@respx.mock
async def test_trap_2_met_norways_layers_end_each_at_its_own_hour(client: HttpClient) -> None:
    """Oslo, 22 Nov 10Z on. Water: 0.0 over 06Z + 6 h, 2.3 mm over 12Z + 6 h. The answer ends on 27 Nov: 0.0 over
    12Z + 6 h, and instants of 0.8 °C at 12Z and 0.6 at 18Z, which is the last."""
    respx.get(url__startswith="https://api.met.no/").respond(json=recorded("metno_compact_oslo_2023-11-17.json"))
    wanted = ask(59.9212, 10.7338, 27.0, "2023-11-22T10:00", "2023-11-27T22:00", "2023-11-17T19:10")
    raw = await MetNorway(client).fetch(wanted)
    assert raw.hours == 132
    rain, warm = raw.precip_mmwe_h[0, 0], raw.air_temp_c[0, 0]
    np.testing.assert_allclose(rain[:8], [0.0, 0.0, *[2.3 / 6] * 6])
    np.testing.assert_allclose(rain[-10:], [*[0.0] * 6, *[NAN] * 4])
    np.testing.assert_allclose(warm[-10:], [*(0.8 - 0.2 * (np.arange(6) + 0.5) / 6), *[NAN] * 4])
    assert np.isfinite(warm[:-4]).all()
    assert never_reported(raw) == {
        "pressure_hpa", "shortwave_wm2", "freezing_level_m", "snow_level_m", "precip_prob_frac", "gust_mps",
        "visibility_m",
    }  # fmt: skip


@respx.mock
async def test_trap_2_open_meteos_layers_end_each_at_its_own_hour(client: HttpClient) -> None:
    """New Jersey, 29 Dec 12Z on, with its wind taken out, which is in km/h. Water: 0.05 at stamp 15:00 and 1.47 at
    16:00 are of the hours before; 0.0 at 17:00. Its owner set cloud at 13:00 to null, so both hours that meet there
    are unknown. The last stamp is 11 Jan 23:00: the last hour told is 22:00, with 2.8 and 2.5 °C at its ends."""
    body = recorded("z_EDITED_open_meteo_new_jersey_2025-12-29_injected_nulls_snow.json")
    del body["hourly"]["wind_speed_10m"]
    base = "https://customer-api.open-meteo.com"
    respx.get(f"{base}/v1/forecast").respond(json=body)
    respx.get(url__regex=r".*/static/meta\.json.*").respond(404)
    wanted = ask(40.63, -74.43, 93.0, "2025-12-29T12:00", "2026-01-12T02:00", "2025-12-29T12:20")
    raw = await OpenMeteo(client, base, api_key="k").fetch(wanted)
    np.testing.assert_allclose(raw.precip_mmwe_h[0, 0, :5], [0.0, 0.0, 0.05, 1.47, 0.0])
    np.testing.assert_allclose(raw.cloud_frac[0, 0, :4], [NAN, NAN, 0.78, 0.875])
    np.testing.assert_allclose(raw.air_temp_c[0, 0, :2], [1.6, 2.05])
    for field, last in (("precip_mmwe_h", 0.0), ("air_temp_c", 2.65), ("precip_prob_frac", 0.15)):
        np.testing.assert_allclose(getattr(raw, field)[0, 0, -4:], [last, NAN, NAN, NAN])
    assert never_reported(raw) == {
        "pressure_hpa", "wind_mps", "shortwave_wm2", "freezing_level_m", "snow_level_m", "visibility_m"
    }  # fmt: skip
