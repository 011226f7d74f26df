"""The stand-in of the National Weather Service speaks its format, and says what the invented weather is.

Format: the service's OpenAPI text 3.8.1 (2026) and recorded answers, which the real readers are tested against.
"""

import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import httpx
import numpy as np
import pytest

from alertd.forecast.model import PrecipForm
from alertd.sources.metar_text import read_text
from alertd.sources.providers.metar.reports import read_metars
from alertd.sources.providers.nws.alerts import read_alerts
from alertd.sources.providers.nws.forecast import read_point
from alertd.sources.providers.nws.grid import GridCell, read_grid
from alertd.sources.providers.nws.stations import read_observations, read_stations
from alertd.testing.fake_open_meteo import FakeOpenMeteo
from alertd.testing.nws.api import nws_of
from alertd.testing.nws.stations import FakeStation
from alertd.testing.weather.sky import Sky, SkyChange, SkyFile
from alertd.testing.weather.storm import Storm, ground_m

NOW = datetime(2027, 1, 14, 11, 40, tzinfo=UTC)
PLACE = (47.45, -115.7)
STATION = FakeStation(id="KMLP", lat_deg=47.46, lon_deg=-115.65, elevation_m=1838.0)
FREEZING = Sky(
    described=SkyFile(
        title="freezing rain", temperature_c=-1.0, lapse_k_km=0.0, daily_range_k=0.0, humidity_percent=95,
        cloud_percent=100, change=(SkyChange(from_h=-3.0, to_h=9.0, precipitation_mmh=1.2, weather_code=66),),
    ),
    start_epoch_s=NOW.timestamp(),
)  # fmt: skip


@pytest.fixture(params=[Storm(), FREEZING], ids=["storm", "freezing rain"])
def weather(request: pytest.FixtureRequest) -> Storm | Sky:
    return request.param  # type: ignore[no-any-return]


@pytest.fixture
def api(weather: Storm | Sky) -> Iterator[FakeOpenMeteo]:
    with FakeOpenMeteo(now_utc=NOW, nws=nws_of(weather, ground_m, [STATION])) as server:
        yield server


def get(api: FakeOpenMeteo, path: str, **params: str) -> httpx.Response:
    return httpx.get(f"{api.base_url}{path}", params=params, follow_redirects=True)


def cell_at(api: FakeOpenMeteo, start: datetime, hours: int) -> GridCell:
    cell = read_point(get(api, f"/points/{PLACE[0]},{PLACE[1]}").json())
    return read_grid(get(api, f"/gridpoints/{cell}").json(), start=start, hours=hours, now_utc=NOW)


def test_grid_holds_the_weather_in_the_services_steps(api: FakeOpenMeteo, weather: Storm | Sky) -> None:
    """Whole degrees Fahrenheit are within 0.3 K; water is in hundredths of an inch over six hours."""
    start = NOW.replace(minute=0)
    cell = cell_at(api, start, 24)
    assert cell.contains(*PLACE)
    epoch = start.timestamp() + 3600.0 * np.arange(24)[:, None] + np.arange(300.0, 3600.0, 600.0)
    lon, lat = (float(np.mean([corner[i] for corner in cell.ring[:-1]])) for i in (0, 1))
    true = weather.weather(lat, lon, cell.elevation_m, epoch)
    assert cell.air_temp_c == pytest.approx(true["temperature_2m"].mean(axis=1), abs=0.3)
    assert cell.cloud_frac == pytest.approx(true["cloud_cover"].mean(axis=1) / 100.0, abs=0.006)
    rest = slice(1, 19)  # 12:00 to 06:00, three whole synoptic blocks
    true_mm = true["precipitation"].mean(axis=1)[rest].reshape(3, 6).sum(axis=1)
    assert cell.precip_mmwe_h[rest].reshape(3, 6).sum(axis=1) == pytest.approx(true_mm, abs=0.13)


def test_grid_says_freezing_rain_in_its_weather_layer(api: FakeOpenMeteo, weather: Storm | Sky) -> None:
    cell = cell_at(api, NOW.replace(minute=0), 8)
    assert ((cell.precip_form == PrecipForm.FREEZING).all()) == (weather is FREEZING)


def test_intervals_have_the_true_form_and_reach_six_hours_back(api: FakeOpenMeteo) -> None:
    cell = read_point(get(api, f"/points/{PLACE[0]},{PLACE[1]}").json())
    p = get(api, f"/gridpoints/{cell}").json()["properties"]
    updated = datetime.fromisoformat(p["updateTime"])
    assert timedelta(0) <= NOW - updated < timedelta(hours=2)
    lengths = set()
    for layer in ("temperature", "skyCover", "quantitativePrecipitation", "probabilityOfPrecipitation", "weather"):
        times = [v["validTime"] for v in p[layer]["values"]]
        assert all(re.fullmatch(r"2027-\d\d-\d\dT\d\d:00:00\+00:00/P(\d+D)?(T\d+H)?", t) for t in times), times
        lengths |= {t.partition("/")[2] for t in times}
        assert datetime.fromisoformat(times[0].partition("/")[0]) == updated.replace(minute=0) - timedelta(hours=6)
    assert {"PT1H", "PT6H"} <= lengths
    assert np.isnan(cell_at(api, NOW.replace(minute=0) - timedelta(hours=48), 40).air_temp_c).all()


def test_stations_are_listed_by_the_redirect_of_a_point(api: FakeOpenMeteo) -> None:
    answer = get(api, f"/points/{PLACE[0]},{PLACE[1]}/stations")
    assert [r.status_code for r in answer.history] == [301]
    (station,) = read_stations(answer.json())
    assert (station.id, station.elevation_m) == ("KMLP", 1838.0)


def test_observations_are_those_of_the_weather_at_the_station(api: FakeOpenMeteo, weather: Storm | Sky) -> None:
    start = NOW - timedelta(hours=48)
    asked = {"start": f"{start:%Y-%m-%dT%H:%M:%SZ}", "end": f"{NOW:%Y-%m-%dT%H:%M:%SZ}", "limit": "500"}
    reports = read_observations(get(api, "/stations/KMLP/observations", **asked).json())
    assert [r.observed_at for r in reports] == [
        NOW.replace(hour=10, minute=53) - timedelta(hours=h) for h in range(len(reports))
    ]
    assert len(reports) == 48
    for r in reports[::7]:
        epoch = r.observed_at.timestamp()
        true = weather.weather(STATION.lat_deg, STATION.lon_deg, STATION.elevation_m, epoch)
        assert r.air_temp_c == pytest.approx(float(true["temperature_2m"]), abs=0.06)
        hour = weather.weather(
            STATION.lat_deg, STATION.lon_deg, STATION.elevation_m, epoch - 3600.0 + np.arange(300.0, 3600.0, 600.0)
        )
        assert np.nan_to_num(r.precip_last_hour_mmwe) == pytest.approx(float(hour["precipitation"].mean()), abs=0.13)
        assert bool(r.weather) == (float(true["precipitation"]) > 0.0)


def test_airport_reports_are_the_same_observations(api: FakeOpenMeteo) -> None:
    """The two services of one station agree with each other and with the coded text."""
    listed = read_metars(get(api, "/api/data/metar", ids="KMLP", hours="30", format="json").json())
    theirs = {r.observed_at: r for r in read_observations(get(api, "/stations/KMLP/observations", limit="30").json())}
    assert len(listed) == 30
    for r in listed:
        other, text = theirs[r.observed_at], read_text(r.raw, r.observed_at)
        for name in ("air_temp_c", "dew_point_c", "wind_mps", "cloud_frac", "coded_rate_mmwe_h"):
            assert getattr(r, name) == pytest.approx(getattr(other, name), abs=1e-3), name
            assert getattr(r, name) == pytest.approx(getattr(text, name), abs=0.06), name
        assert r.precip_last_hour_mmwe == pytest.approx(other.precip_last_hour_mmwe, abs=1e-3, nan_ok=True)
    newest = read_metars(get(api, "/api/data/metar", bbox="47,-116,48,-115", format="json").json())
    assert [r.observed_at for r in newest] == [listed[0].observed_at]
    assert get(api, "/api/data/metar", bbox="10,10,11,11", format="json").status_code == 204


def test_list_of_alerts_is_read_as_an_empty_one_of_now(api: FakeOpenMeteo) -> None:
    alerts = read_alerts(get(api, "/alerts/active", status="actual").json())
    assert (alerts.alerts, alerts.listed_n, alerts.updated_at) == ((), 0, NOW)
