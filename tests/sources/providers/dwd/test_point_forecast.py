"""Point forecasts of Germany's weather service: stamps become hours, other units and places do not get through.

Field names and units: brightsky.dev/docs. Bodies are our own; a recorded hour lies in the reference folder.
"""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest

from alertd.errors import OutsideArea, SourceChanged
from alertd.forecast.model import Obscured
from alertd.forecast.provider import ForecastRequest
from alertd.sources.http.client import HttpClient
from alertd.sources.http.options import HttpOptions
from alertd.sources.providers.dwd.point_forecast import DwdPointForecasts, read_for, read_points
from alertd.testing.clock import ManualClock, no_wait

RECORDED = Path(__file__).parents[5] / "shared" / "recorded" / "brightsky_weather_2020-10-21_bamberg_1h.json"
NOW = datetime(2027, 1, 14, 6, 20, tzinfo=UTC)


def body(**changed: Any) -> dict[str, Any]:
    """Three stamps, 06 to 08 UTC: -2, -3 and -4 degrees, 36 km/h, 1 mm in the hour before each."""
    first = NOW.replace(minute=0)
    weather = [
        {"timestamp": (first + timedelta(hours=h)).isoformat(), "source_id": 7, "temperature": -2.0 - h,
         "dew_point": -3.0 - h, "relative_humidity": None, "wind_speed": 36.0, "wind_gust_speed": 72.0,
         "cloud_cover": 100, "precipitation": 1.0, "precipitation_probability": None, "visibility": 800,
         "condition": "fog" if h == 1 else "snow"} | changed
        for h in range(3)
    ]  # fmt: skip
    station = {"id": 7, "lat": 47.5, "lon": 11.1, "height": 720.0, "observation_type": "forecast"}
    return {"weather": weather, "sources": [station]}


def test_stamps_become_hours_in_si() -> None:
    place = read_points(body())
    assert place.fields["air_temp_c"][:2] == pytest.approx([-2.5, -3.5])
    assert (place.fields["wind_mps"][0], place.fields["gust_mps"][0]) == pytest.approx((10.0, 20.0))
    assert place.fields["precip_mmwe_h"][:2] == pytest.approx([1.0, 1.0])
    # e(-3.5)/e(-2.5) over water by the Magnus form of WMO No. 8: 4.758 / 5.126 hPa
    assert place.fields["rh_frac"][0] == pytest.approx(0.928, abs=0.002)
    assert np.isnan(place.fields["air_temp_c"][2])
    assert place.fog.tolist() == [False, True, False]


@pytest.mark.parametrize(
    "changed",
    [{"temperature": 280.0}, {"precipitation": -1.0}, {"timestamp": "2027-01-14T06:30:00Z"}, {"cloud_cover": "all"},
     {"timestamp": "2027-01-14T06:00:00Z"}],
)  # fmt: skip
def test_what_cannot_be_meant_is_refused(changed: dict[str, Any]) -> None:
    with pytest.raises(SourceChanged):
        read_points(body(**changed))


def test_another_place_is_refused() -> None:
    with pytest.raises(SourceChanged, match="km from the place asked"):
        read_for(body(), lat_deg=11.1, lon_deg=47.5)


@pytest.mark.needs_shared
@pytest.mark.skipif(not RECORDED.is_file(), reason="the reference folder is not beside the checkout")
def test_the_recorded_hour_of_bamberg_is_read() -> None:
    """8.0 degrees at 00 UTC on 21 October 2020, dew point 6.8, 5.5 km/h; one stamp makes no whole hour."""
    place = read_points(json.loads(RECORDED.read_text()))
    assert (place.station.lat, place.station.height) == (49.88, 243.0)
    assert place.reported_c.tolist() == [8.0]
    assert np.isnan(place.fields["air_temp_c"]).all()


async def test_near_places_share_one_request_and_others_may_have_none() -> None:
    asked: list[httpx.URL] = []

    def serve(request: httpx.Request) -> httpx.Response:
        asked.append(request.url)
        if request.url.params["lat"] != "47.5":
            return httpx.Response(404, json={"detail": "no sources match your criteria"})
        return httpx.Response(200, json=body())

    options = HttpOptions(
        contact="a@b.example", cache_dir=None, now_utc=ManualClock(NOW), rng=np.random.default_rng(1), sleep=no_wait,
        transport=httpx.MockTransport(serve),
    )  # fmt: skip

    def wanted(*lat: float) -> ForecastRequest:
        return ForecastRequest(
            lat_deg=np.array(lat), lon_deg=np.full(len(lat), 11.1), road_elevation_m=np.full(len(lat), 900.0),
            start=NOW, end=NOW + timedelta(hours=2), now_utc=NOW,
        )  # fmt: skip

    async with HttpClient(options) as client:
        source = DwdPointForecasts(client, "https://made.example")
        forecast = await source.fetch(wanted(47.49, 47.51, 60.0))
        assert len(asked) == 2
        assert forecast.outside == (2,)
        assert forecast.air_temp_c[0, :2, 0] == pytest.approx([-2.5, -2.5])
        assert forecast.elevation_m[0] == 720.0
        assert forecast.obscured is not None
        assert forecast.obscured[0].tolist()[:2] == [Obscured.NOTHING, Obscured.FOG]
        assert "Deutscher Wetterdienst" in forecast.licence
        with pytest.raises(OutsideArea):
            await source.fetch(wanted(60.0))
