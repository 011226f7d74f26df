"""Open-Meteo's stamps become hours [start, end), and nothing of another unit, place or clock gets through.

Values over recorded answers were worked out from the files by hand. Data of the recordings: CC BY 4.0, Open-Meteo.
"""

import copy
import json
from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

import httpx
import numpy as np
import pytest
import respx

from alertd.errors import ConfigError, SourceChanged, SourceDown, SourceError
from alertd.forecast.model import Obscured, PrecipForm
from alertd.forecast.provider import ForecastRequest
from alertd.sources.http.client import HttpClient
from alertd.sources.http.options import HttpOptions
from alertd.sources.http.validation import apart_km
from alertd.sources.providers.open_meteo.forecast import OpenMeteo, days_for, read_elevations
from alertd.sources.providers.open_meteo.parse import limit_or_refusal, member_keys, read_places, why_doubted

ROOT = Path(__file__).parents[4]
RECORDED = ROOT.parent / "shared" / "recorded"
TWO = json.loads((ROOT / "fixtures" / "forecast" / "open_meteo_two_places.json").read_text())
BASE = "https://customer-api.open-meteo.com"
NOW = datetime(2026, 1, 12, 6, 20, 30, tzinfo=UTC)
NAN = float("nan")

needs_shared = [
    pytest.mark.needs_shared,
    pytest.mark.skipif(not RECORDED.is_dir(), reason="the reference folder is not beside the checkout"),
]


def no_metadata() -> None:
    """The server has no metadata files, as one of an operator's own may have none."""
    respx.get(url__regex=r".*/static/meta\.json.*").respond(404)


def recorded(name: str) -> Any:
    return json.loads((RECORDED / name).read_text())


def one(**hourly: object) -> dict[str, Any]:
    body = copy.deepcopy(TWO[0])
    body["hourly"] |= hourly
    return body


class TestRecorded:
    pytestmark = needs_shared

    def test_trap_07_stuttgart_rain_is_of_the_hour_before_its_stamp(self) -> None:
        """17 Jan 2024, CET. First stamp 15:00 CET = 14:00Z. The sum 0.10 at 16:00 CET fell 14:00Z to 15:00Z; the sum
        0.50 at 15:00 CET fell before the series starts and is dropped. Front: 0.60 at 07:00 CET fell 05:00Z to 06:00Z.
        """
        (place,) = read_places(recorded("open_meteo_stuttgart_2024-01-17_rain_to_snow.json"), want_local_time=True)
        assert place.start == datetime(2024, 1, 17, 14, tzinfo=UTC)
        rain = place.fields["precip_mmwe_h"][0]
        np.testing.assert_allclose(rain[:4], [0.10, 0.50, 0.40, 0.20])
        np.testing.assert_allclose(rain[-4:], [0.70, 0.80, 0.80, NAN])
        assert rain[15] == 0.60  # 05:00Z to 06:00Z

    def test_stuttgart_temperature_is_the_mean_of_both_hour_ends(self) -> None:
        """7.2 and 8.0 make 7.6; at the front 7.8 and 3.4 make 5.6; the last hour has one end only."""
        (place,) = read_places(recorded("open_meteo_stuttgart_2024-01-17_rain_to_snow.json"), want_local_time=True)
        warm = place.fields["air_temp_c"][0]
        np.testing.assert_allclose(warm[[0, 16, 22, 23]], [7.6, 5.6, -0.15, NAN])
        np.testing.assert_allclose(place.fields["rh_frac"][0, 0], 0.845)

    @pytest.mark.parametrize(
        "file",
        [
            "open_meteo_stuttgart_2024-01-17_rain_to_snow.json",
            "open_meteo_adelaide_2026-07-16_wetbulb.json",
            "open_meteo_brasilia_2023-10-25_httptest.json",
            "open_meteo_archive_brasilia_2022-12-29_httptest.json",
            "open_meteo_ensemble_amsterdam_2026-07-11_1h.json",
        ],
    )
    def test_trap_08_local_times_are_refused(self, file: str) -> None:
        """One offset for the whole answer: at a clock change an hour is invented."""
        with pytest.raises(SourceChanged, match="local times where UTC was asked"):
            read_places(recorded(file))

    @pytest.mark.parametrize(
        ("file", "start", "first_c", "hours"),
        [
            # 00:00 at +9:30 is 14:30Z the day before; (6.5 + 6.6) / 2
            ("open_meteo_adelaide_2026-07-16_wetbulb.json", "2026-07-15T14:30:00+00:00", 6.55, 72),
            # 00:00 at -3; (18.7 + 18.7) / 2
            ("open_meteo_archive_brasilia_2022-12-29_httptest.json", "2022-12-29T03:00:00+00:00", 18.7, 24),
        ],
    )
    def test_recorded_local_answers_are_read_with_their_offset(
        self, file: str, start: str, first_c: float, hours: int
    ) -> None:
        (place,) = read_places(recorded(file), want_local_time=True)
        assert (place.start, place.precip_form.shape) == (datetime.fromisoformat(start), (1, hours))
        assert place.fields["air_temp_c"][0, 0] == pytest.approx(first_c)

    def test_each_place_of_an_answer_is_read_by_its_own_times(self) -> None:
        first, other = (
            recorded(f"open_meteo_{name}.json")
            for name in ("adelaide_2026-07-16_wetbulb", "archive_brasilia_2022-12-29_httptest")
        )
        later = first | {"hourly": first["hourly"] | {"time": first["hourly"]["time"][24:] + other["hourly"]["time"]}}
        with pytest.raises(SourceChanged, match="not one hour apart"):
            read_places([first, first, later], want_local_time=True)
        places = read_places([first, first, other, first], want_local_time=True)
        starts = {"a": "2026-07-15T14:30:00+00:00", "b": "2022-12-29T03:00:00+00:00"}
        assert [p.start for p in places] == [datetime.fromisoformat(starts[which]) for which in "aaba"]
        assert [p.precip_form.shape for p in places] == [(1, 72), (1, 72), (1, 24), (1, 72)]

    def test_adelaides_wind_is_the_mean_of_its_ends(self) -> None:
        (place,) = read_places(recorded("open_meteo_adelaide_2026-07-16_wetbulb.json"), want_local_time=True)
        np.testing.assert_allclose(place.fields["wind_mps"][0, :2], [(2.6 + 2.72) / 2, (2.72 + 2.21) / 2])
        assert np.isnan(place.fields["pressure_hpa"]).all()  # never asked for in that recording

    def test_amsterdam_has_31_members_and_one_stamp_is_no_hour(self) -> None:
        body = recorded("open_meteo_ensemble_amsterdam_2026-07-11_1h.json")
        (place,) = read_places(body, want_local_time=True)
        assert place.fields["air_temp_c"].shape == (31, 1)
        assert np.isnan(place.fields["air_temp_c"]).all()

    def test_amsterdams_members_keep_their_order(self) -> None:
        """Repeated to two stamps: control 18.9, member 01 19, member 08 18.5, member 30 19.1."""
        body = recorded("open_meteo_ensemble_amsterdam_2026-07-11_1h.json")
        body["hourly"] = {k: v * 2 for k, v in body["hourly"].items()}
        body["hourly"]["time"] = ["2026-07-11T00:00", "2026-07-11T01:00"]
        (place,) = read_places(body, want_local_time=True)
        np.testing.assert_allclose(place.fields["air_temp_c"][[0, 1, 8, 30], 0], [18.9, 19.0, 18.5, 19.1])

    def test_trap_06_new_jersey_wind_in_km_h_is_converted(self) -> None:
        """2.8 and 2.2 km/h at the first two stamps, so 2.5 km/h over the hour."""
        body = recorded("z_EDITED_open_meteo_new_jersey_2025-12-29_injected_nulls_snow.json")
        (place,) = read_places(body)
        assert place.fields["wind_mps"][0, 0] == pytest.approx(2.5 / 3.6)

    def test_new_jersey_nulls_are_unknown_and_gmt_times_are_valid(self) -> None:
        """Its owner set cloud_cover to null at 13:00: the hours that end and start there are unknown."""
        body = recorded("z_EDITED_open_meteo_new_jersey_2025-12-29_injected_nulls_snow.json")
        (place,) = read_places(body)
        np.testing.assert_allclose(place.fields["cloud_frac"][0, 11:15], [0.24, NAN, NAN, 0.78])
        np.testing.assert_allclose(place.fields["precip_mmwe_h"][0, 14], 0.05)  # stamp 15:00
        np.testing.assert_allclose(place.fields["precip_prob_frac"][0, 14], 0.70)

    def test_recorded_errors_are_understood(self) -> None:
        with pytest.raises(SourceDown, match="Minutely") as caught:
            read_places(recorded("open_meteo_error_429_minutely_2026-08-06.json"))
        assert caught.value.retry_after_s == 60.0
        with pytest.raises(SourceChanged, match="No data is available"):
            read_places(recorded("open_meteo_error_400_nodata.json"))


# --- our own answer: two places, 13 stamps from 2026-01-12T00Z


def test_sums_move_to_their_hour_and_the_last_hour_is_unknown() -> None:
    place = read_places(TWO)[0]
    np.testing.assert_allclose(place.fields["precip_mmwe_h"][0], [0, 0, 1.2, 0.6, 0, 0, 0.3, 0, 0, 0, 0, 0, NAN])
    np.testing.assert_allclose(place.fields["precip_prob_frac"][0, :4], [0.05, 0.10, 0.90, 0.70])
    np.testing.assert_allclose(place.fields["air_temp_c"][0, :3], [1.75, 1.25, 0.75])


def test_trap_13_only_freezing_and_grain_codes_count() -> None:
    """66 at 03:00, 73 at 04:00, 77 at 05:00, 71 at 07:00: a code speaks for the hours on both sides of its stamp."""
    form = read_places(TWO)[0].precip_form[0].tolist()
    freezing, pellets = PrecipForm.FREEZING, PrecipForm.PELLETS
    assert form == [0, 0, freezing, freezing, pellets, pellets, 0, 0, 0, 0, 0, 0, 0]


@pytest.mark.parametrize("code", [61, 63, 65, 71, 73, 75, 80, 85, 86, 95])
def test_trap_05_the_sources_own_rain_or_snow_is_not_taken(code: int) -> None:
    """Below zero as above: the form stays open, for the phase is decided from temperature and humidity."""
    assert not read_places(one(weather_code=[code] * 13, temperature_2m=[-4.0] * 13))[0].precip_form.any()


@pytest.mark.parametrize("code", [45, 48])
def test_codes_of_fog_are_kept_as_what_takes_the_sight(code: int) -> None:
    """WMO 4677: fog, and fog that deposits rime, at either end of the hour."""
    (place,) = read_places(one(weather_code=[0] * 5 + [code] + [0] * 7))
    assert place.obscured.tolist() == [0] * 4 + [Obscured.FOG] * 2 + [0] * 7


@pytest.mark.parametrize("code", [51, 53, 55, 71, 73])
def test_trap_14_code_at_trace_amounts_has_no_form_or_water(code: int) -> None:
    """Drizzle at -8 degrees C below 0.1 mm (open-meteo issue 1538)."""
    body = one(weather_code=[code] * 13, temperature_2m=[-8.0] * 13, precipitation=[0.01] * 13)
    (place,) = read_places(body)
    assert not place.precip_form.any()
    np.testing.assert_allclose(place.fields["precip_mmwe_h"][0, :12], 0.01)


def test_trap_15_a_freezing_level_below_everything_is_unknown() -> None:
    """-100000 at 07:00 spoils the hours on both sides (open-meteo issue 1600)."""
    level = read_places(TWO)[0].fields["freezing_level_m"][0]
    np.testing.assert_allclose(level[4:9], [1350.0, 1250.0, NAN, NAN, 1100.0])


@pytest.mark.parametrize(
    ("hourly", "words"),
    [
        ({"precipitation": [0.0] * 12}, "precipitation has 12 values for 13 times"),
        ({"precipitation": [0.0] * 12 + ["1"]}, "holds text"),
        ({"temperature_2m": [272.0] * 13}, "temperature_2m has values beyond what is possible"),
        ({"temperature_2m": [-80.0] * 13}, "temperature_2m has values beyond"),
        ({"relative_humidity_2m": [0.0] * 12 + [130.0]}, "relative_humidity_2m has values beyond"),
        ({"precipitation": [-0.1] * 13}, "precipitation has values beyond"),
        ({"time": [1768176000 + 1800 * i for i in range(13)]}, "not one hour apart"),
        ({"time": [1768176000 + 3600 * i for i in range(13, 0, -1)]}, "not one hour apart"),
        ({"time": [1768176900 + 3600 * i for i in range(13)]}, "not on the hour"),
        ({"time": []}, "for 0 times|no times"),
        ({"time": [None] * 13}, "times cannot be read"),
    ],
)
def test_trap_09_series_that_cannot_be_trusted_are_refused(hourly: dict[str, Any], words: str) -> None:
    with pytest.raises(SourceChanged, match=words):
        read_places(one(**hourly))


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("temperature_2m", "K"),
        ("temperature_2m", "m/s"),
        ("precipitation", "cm"),
        ("precipitation", ""),
        ("wind_speed_10m", "Bft"),
        ("freezing_level_height", "km"),
        ("weather_code", ""),
        ("time", "seconds"),
        ("cloud_cover", "fraction"),
    ],
)
def test_trap_06_an_unknown_unit_is_refused(name: str, unit: str) -> None:
    body = one()
    body["hourly_units"][name] = unit
    with pytest.raises(SourceChanged, match=rf"in \"{unit}\"|in unit \"{unit}\""):
        read_places(body)


@pytest.mark.parametrize(
    ("name", "unit", "value", "field", "expected"),
    [
        ("temperature_2m", "°F", 14.0, "air_temp_c", -10.0),
        ("precipitation", "inch", 0.1, "precip_mmwe_h", 2.54),
        ("wind_speed_10m", "km/h", 36.0, "wind_mps", 10.0),
        ("wind_speed_10m", "mp/h", 10.0, "wind_mps", 4.4704),
        ("wind_speed_10m", "kn", 10.0, "wind_mps", 5.144444),
        ("freezing_level_height", "ft", 1000.0, "freezing_level_m", 304.8),
    ],
)
def test_trap_06_the_units_that_callers_can_choose_are_converted(
    name: str, unit: str, value: float, field: str, expected: float
) -> None:
    """open-meteo.com/en/docs: temperature_unit, wind_speed_unit, precipitation_unit; labels as the server has them."""
    body = one(**{name: [value] * 13})
    body["hourly_units"][name] = unit
    assert read_places(body)[0].fields[field][0, 0] == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("body", [None, [], {}, [1], {"latitude": 1}, {**TWO[0], "hourly": None}, [TWO[1], TWO[0]]])
def test_trap_09_another_shape_is_refused(body: object) -> None:
    with pytest.raises(SourceChanged, match=r"^open-meteo: "):
        read_places(body)


def test_null_is_unknown_and_minus_zero_is_zero() -> None:
    place = read_places(one(temperature_2m=[-0.0, 0.0, None, *[1.0] * 10]))[0]
    np.testing.assert_allclose(place.fields["air_temp_c"][0, :4], [0.0, NAN, NAN, 1.0])


def test_members_are_ordered_by_number_with_the_control_first() -> None:
    names = ["temperature_2m_member10", "temperature_2m", "temperature_2m_member02", "precipitation_member02"]
    assert member_keys(names) == ["", "_member02", "_member10"]


@pytest.mark.parametrize(
    ("reason", "retry_after_s"),
    [
        ("Minutely API request limit exceeded. Please try again in one minute.", 30.5),
        ("Hourly API request limit exceeded. Please try again in the next hour.", 39 * 60 + 30.5),
        ("Daily API request limit exceeded. Please try again tomorrow.", 17 * 3600 + 39 * 60 + 30.5),
        ("Too many concurrent requests", None),
        ("The service is overloaded", None),
    ],
)
def test_a_limit_waits_for_the_end_of_its_window(reason: str, retry_after_s: float | None) -> None:
    """Counters clear each minute, full hour and UTC day; 06:20:30.5 leaves 29.5 s of the minute, plus one second."""
    error = limit_or_refusal(reason, NOW + timedelta(seconds=0.5))
    assert isinstance(error, SourceDown)
    assert error.retry_after_s == retry_after_s


# --- who may be asked


@pytest.mark.parametrize(
    "url",
    [
        "https://api.open-meteo.com",
        "https://ensemble-api.open-meteo.com",
        "https://historical-forecast-api.open-meteo.com",
        "https://open-meteo.com",
        "https://API.Open-Meteo.com/",
        "https://api.open-meteo.com./",  # a name with its root dot is the same server
        "https://user@api.open-meteo.com:443",
    ],
)
def test_free_host_is_refused_unless_use_is_non_commercial(url: str) -> None:
    """open-meteo.com/en/terms: the keyless servers are for non-commercial use."""
    client: Any = None
    with pytest.raises(ConfigError, match=r"free for non-commercial use only; set operator\.noncommercial_use = true"):
        OpenMeteo(client, url)
    with pytest.raises(ConfigError, match="free for non-commercial use only"):
        OpenMeteo(client, url, api_key="k", ensemble=True)
    with pytest.raises(ConfigError, match="free for non-commercial use only"):
        OpenMeteo(client, BASE, api_key="k", elevation_url=url)
    assert OpenMeteo(client, url, noncommercial=True).name == "open-meteo"


@respx.mock
@pytest.mark.parametrize(
    ("elevation_url", "shown"),
    [
        (None, True),
        ("https://customer-elevation.open-meteo.com", True),
        ("http://10.0.0.5:8080", False),
        ("https://customer-api.open-meteo.com.example.net", False),
    ],
)
async def test_the_key_goes_to_no_other_server(client: HttpClient, elevation_url: str | None, shown: bool) -> None:
    route = respx.get(url__regex=".*/v1/elevation.*").respond(json={"elevation": [38.0]})
    source = OpenMeteo(client, BASE, api_key="k3y", elevation_url=elevation_url)
    await source.elevations_m(np.array([52.5]), np.array([13.4]))
    assert ("k3y" in str(route.calls[0].request.url)) is shown


def test_a_customer_host_needs_its_key_and_an_own_server_nothing() -> None:
    client: Any = None
    with pytest.raises(ConfigError, match="needs an API key"):
        OpenMeteo(client, BASE)
    assert OpenMeteo(client, BASE, api_key="k", model="gfs_seamless").name == "open-meteo gfs_seamless"
    assert OpenMeteo(client, "http://10.0.0.5:8080", ensemble=True).name == "open-meteo ensemble"
    with pytest.raises(ConfigError, match="names no server"):
        OpenMeteo(client, "api.example")


# --- fetching


def ask(lat: list[float], lon: list[float], heights: list[float] | None = None, **when: datetime) -> ForecastRequest:
    times = {"start": datetime(2026, 1, 12, 2, tzinfo=UTC), "end": datetime(2026, 1, 12, 8, tzinfo=UTC), "now_utc": NOW}
    return ForecastRequest(
        lat_deg=np.array(lat),
        lon_deg=np.array(lon),
        road_elevation_m=np.array(heights or [1440.0] * len(lat)),
        **(times | when),
    )


@pytest.fixture
async def client(tmp_path: Path) -> AsyncIterator[HttpClient]:
    async def no_wait(seconds: float) -> None:
        pass

    async with HttpClient(
        HttpOptions(
            contact="ops@fleet.example",
            cache_dir=tmp_path,
            now_utc=lambda: NOW,
            rng=np.random.default_rng(1),
            sleep=no_wait,
        )
    ) as one_client:
        yield one_client


@pytest.fixture
def source(client: HttpClient) -> OpenMeteo:
    return OpenMeteo(client, BASE, api_key="k3y")


@respx.mock
async def test_request_is_utc_metric_with_road_heights_and_variables(source: OpenMeteo) -> None:
    no_metadata()
    route = respx.get(f"{BASE}/v1/forecast").respond(json=TWO)
    forecast = await source.fetch(ask([47.45, 47.5], [-115.69, -115.0], [1440.4, 1000.0]))
    sent = {name: value[0] for name, value in parse_qs(urlsplit(str(route.calls[0].request.url)).query).items()}
    variables = sent.pop("hourly").split(",")
    assert sent == {
        "latitude": "47.4500,47.5000",
        "longitude": "-115.6900,-115.0000",
        "elevation": "1440,1000",
        "timeformat": "unixtime",
        "timezone": "GMT",
        "wind_speed_unit": "ms",
        "past_days": "1",
        "forecast_days": "3",
        "apikey": "k3y",
    }
    assert len(variables) == 12  # 1.2 calls a place, see the source's weights
    assert "wet_bulb_temperature_2m" not in variables
    np.testing.assert_allclose(forecast.elevation_m, [1440.4, 1000.0])
    assert forecast.licence == "Weather data by Open-Meteo.com, CC BY 4.0"


@respx.mock
async def test_the_window_is_cut_out_and_both_places_keep_their_order(source: OpenMeteo) -> None:
    no_metadata()
    respx.get(f"{BASE}/v1/forecast").respond(json=TWO)
    forecast = await source.fetch(ask([47.45, 47.5], [-115.69, -115.0]))
    assert (forecast.start, forecast.hours) == (datetime(2026, 1, 12, 2, tzinfo=UTC), 6)
    np.testing.assert_allclose(forecast.precip_mmwe_h[0, 0], [1.2, 0.6, 0, 0, 0.3, 0])
    np.testing.assert_allclose(forecast.air_temp_c[0, :, 0], [0.75, 3.75])
    assert np.isnan(forecast.snow_level_m).all()
    assert forecast.gaps == ()


@respx.mock
async def test_hours_beyond_the_answer_are_unknown_and_told(source: OpenMeteo) -> None:
    no_metadata()
    respx.get(f"{BASE}/v1/forecast").respond(json=TWO)
    forecast = await source.fetch(ask([47.45, 47.5], [-115.69, -115.0], end=datetime(2026, 1, 12, 15, tzinfo=UTC)))
    assert np.isnan(forecast.precip_mmwe_h[0, 0, 10:]).all()
    assert not np.isnan(forecast.precip_mmwe_h[0, 0, :10]).any()
    assert [gap.cell_idx for gap in forecast.gaps] == [(0, 1)]


@respx.mock
@pytest.mark.parametrize(
    ("lat", "lon"), [([-115.69, 47.5], [47.45, -115.0]), ([47.5, 47.45], [-115.0, -115.69]), ([47.45], [-115.69])]
)
async def test_an_answer_for_other_places_is_refused(source: OpenMeteo, lat: list[float], lon: list[float]) -> None:
    """Latitude and longitude swapped, places in another order, or too many places."""
    no_metadata()
    respx.get(f"{BASE}/v1/forecast").respond(json=TWO)
    with pytest.raises(SourceChanged, match=r"km from the place asked|answered 2 places for 1"):
        await source.fetch(ask(lat, lon))


def answers(request: httpx.Request) -> httpx.Response:
    """As many places as asked, each where it was asked."""
    query = parse_qs(urlsplit(str(request.url)).query)
    lats, lons = ([float(v) for v in query[name][0].split(",")] for name in ("latitude", "longitude"))
    if any(lat > 60 for lat in lats):
        return httpx.Response(400, json={"reason": "No data is available for this location", "error": True})
    places = [{**copy.deepcopy(TWO[0]), "latitude": a, "longitude": b} for a, b in zip(lats, lons, strict=True)]
    return httpx.Response(200, json=places if len(places) > 1 else places[0])


@respx.mock
async def test_over_100_places_use_several_calls_and_failure_is_a_gap(source: OpenMeteo) -> None:
    no_metadata()
    route = respx.get(f"{BASE}/v1/forecast").mock(side_effect=answers)
    lat = [*np.linspace(45, 47, 200), 65.0]
    forecast = await source.fetch(ask(lat, [-115.0] * 201))
    assert route.call_count == 3
    assert not np.isnan(forecast.precip_mmwe_h[0, :200]).any()
    assert np.isnan(forecast.precip_mmwe_h[0, 200]).all()
    (gap,) = forecast.gaps
    assert (gap.cell_idx, gap.reason) == ((200,), "open-meteo: No data is available for this location")


@respx.mock
async def test_when_every_call_fails_it_raises(source: OpenMeteo) -> None:
    no_metadata()
    respx.get(f"{BASE}/v1/forecast").mock(side_effect=answers)
    with pytest.raises(SourceError, match="No data is available"):
        await source.fetch(ask([65.0], [-115.0]))


@respx.mock
async def test_trap_10_a_daily_limit_stops_all_calls_until_midnight(source: OpenMeteo) -> None:
    """A failed call counts against the quota, so none may follow."""
    no_metadata()
    route = respx.get(f"{BASE}/v1/forecast").respond(
        429, json={"error": True, "reason": "Daily API request limit exceeded. Please try again tomorrow."}
    )
    for _ in range(3):
        with pytest.raises(SourceDown) as caught:
            await source.fetch(ask([47.45], [-115.69]))
    assert route.call_count == 1
    assert caught.value.retry_after_s == pytest.approx(17 * 3600 + 39 * 60 + 31)


@respx.mock
async def test_same_road_is_cached_an_hour_later_with_server_down(source: OpenMeteo) -> None:
    """The window moves by an hour; the URL must not, or the last good answer could not be found."""
    no_metadata()
    respx.get(f"{BASE}/v1/forecast").mock(
        side_effect=[httpx.Response(200, json=TWO, headers={"cache-control": "max-age=0"}), *[httpx.Response(503)] * 3]
    )
    places = ([47.45, 47.5], [-115.69, -115.0])
    await source.fetch(ask(*places))
    later = {"start": datetime(2026, 1, 12, 3, tzinfo=UTC), "end": datetime(2026, 1, 12, 9, tzinfo=UTC)}
    forecast = await source.fetch(ask(*places, **later))
    assert forecast.served_stale
    assert [gap.cell_idx for gap in forecast.gaps] == [(0, 1)]
    np.testing.assert_allclose(forecast.precip_mmwe_h[0, 0], [0.6, 0, 0, 0.3, 0, 0])


@respx.mock
async def test_an_ensemble_fills_the_member_axis(client: HttpClient) -> None:
    body = copy.deepcopy(TWO[0])
    for name, shift in (("_member01", 1.0), ("_member02", 2.0)):
        body["hourly"]["temperature_2m" + name] = [v + shift for v in body["hourly"]["temperature_2m"]]
        body["hourly_units"]["temperature_2m" + name] = "°C"
    no_metadata()
    route = respx.get("http://127.0.0.1:9/v1/ensemble").respond(json=body)
    source = OpenMeteo(client, "http://127.0.0.1:9", ensemble=True, model="gfs_seamless")
    forecast = await source.fetch(ask([47.45], [-115.69]))
    assert forecast.air_temp_c.shape == (3, 1, 6)
    np.testing.assert_allclose(forecast.air_temp_c[:, 0, 0], [0.75, 1.75, 2.75])
    assert np.isnan(forecast.precip_mmwe_h[1:]).all()  # a member's missing series is unknown, not the control's
    assert "models=gfs_seamless" in str(route.calls[0].request.url)
    assert "precipitation_probability" not in str(route.calls[0].request.url)


@respx.mock
async def test_an_unknown_road_height_is_asked_for_without_correction(source: OpenMeteo) -> None:
    no_metadata()
    route = respx.get(f"{BASE}/v1/forecast").respond(json=TWO)
    forecast = await source.fetch(ask([47.45, 47.5], [-115.69, -115.0], [NAN, 1000.0]))
    assert "elevation=nan,1000" in str(route.calls[0].request.url)
    np.testing.assert_array_equal(forecast.elevation_m, [NAN, 1000.0])


@pytest.mark.parametrize(
    ("start", "end", "expected"),
    [
        ("2026-01-12T02:00", "2026-01-12T08:00", (1, 3)),
        ("2026-01-11T00:00", "2026-01-14T22:59", (1, 3)),
        ("2026-01-10T23:00", "2026-01-14T23:30", (2, 7)),  # the stamp that closes 23:00 is the next day's 00:00
        ("2026-01-12T02:00", "2026-03-01T00:00", (1, 16)),
    ],
)
def test_days_asked_for_hold_the_window_and_its_closing_stamp(start: str, end: str, expected: tuple[int, int]) -> None:
    first, last = (datetime.fromisoformat(text).replace(tzinfo=UTC) for text in (start, end))
    assert days_for(ask([47.0], [-115.0], start=first, end=last)) == expected


def test_distance_between_places_matches_a_known_degree() -> None:
    """One degree of latitude on a sphere of 6371 km is 111.195 km."""
    assert apart_km(47.0, -115.0, 48.0, -115.0) == pytest.approx(111.195, abs=0.001)


# --- heights


@respx.mock
async def test_heights_come_in_hundreds_and_are_kept_for_ever(source: OpenMeteo) -> None:
    def heights(request: httpx.Request) -> httpx.Response:
        count = len(parse_qs(urlsplit(str(request.url)).query)["latitude"][0].split(","))
        return httpx.Response(200, json={"elevation": [float(count)] * count})

    route = respx.get(f"{BASE}/v1/elevation").mock(side_effect=heights)
    lat, lon = np.linspace(45, 47, 150), np.full(150, -115.0)
    for _ in range(2):
        np.testing.assert_allclose(await source.elevations_m(lat, lon), [100.0] * 100 + [50.0] * 50)
    assert route.call_count == 2


@pytest.mark.parametrize(
    "body",
    [
        None,
        {},
        {"elevation": 3.0},
        {"elevation": [1.0]},
        {"elevation": [1.0, "2"]},
        {"elevation": [1.0, True]},
        {"elevation": [1.0, 30000.0]},
    ],
)
def test_heights_that_cannot_be_trusted_are_refused(body: object) -> None:
    with pytest.raises(SourceChanged):
        read_elevations(body, 2)


EXTRA = {
    "snow_depth": ("m", [0.1, 0.3]), "soil_temperature_0cm": ("°C", [-1.0, -2.0]),
    "snowfall_height": ("m", [900.0, 1000.0]), "wet_bulb_temperature_2m": ("°C", [-2.0, -3.0]),
}  # fmt: skip


def with_extra(**changed: tuple[str, list[float]]) -> dict[str, Any]:
    """The first two stamps of each extra variable; null after."""
    body = copy.deepcopy(TWO[0])
    n = len(body["hourly"]["time"])
    for name, (unit, values) in (EXTRA | changed).items():
        body["hourly"][name], body["hourly_units"][name] = [*values, *[None] * (n - 2)], unit
    return body


def test_ground_variables_become_hints_of_their_hour() -> None:
    (place,) = read_places(with_extra())
    assert (place.snow_depth_m[0], place.ground_temp_c[0]) == pytest.approx((0.2, -1.5))
    assert (place.snow_level_m[0, 0], place.dew_point_c[0, 0]) == pytest.approx((950.0, -2.5))
    assert np.isnan(place.snow_depth_m[1:]).all()


@pytest.mark.parametrize("changed", [{"snow_depth": ("furlong", [0.1, 0.1])}, {"snow_depth": ("m", [-1.0, 300.0])}])
def test_a_hint_that_cannot_be_read_costs_itself_alone(changed: Any) -> None:
    (place,) = read_places(with_extra(**changed))
    assert np.isnan(place.snow_depth_m).all()
    assert place.ground_temp_c[0] == pytest.approx(-1.5)


def test_a_wet_bulb_above_the_air_is_doubted() -> None:
    air_c = TWO[0]["hourly"]["temperature_2m"][:2]
    places = read_places(with_extra(wet_bulb_temperature_2m=("°C", [air_c[0] + 4.0, air_c[1] + 4.0])))
    assert "above its air temperature" in why_doubted(places, None, places[0].start)


@respx.mock
async def test_ground_variables_are_asked_for_only_on_request(client: HttpClient) -> None:
    no_metadata()
    route = respx.get(f"{BASE}/v1/forecast").respond(json=TWO[0])
    for ground in (False, True):
        await OpenMeteo(client, BASE, api_key="k3y", ground=ground).fetch(ask([47.45], [-115.69]))
        assert ("snow_depth" in str(route.calls.last.request.url)) == ground


class TestRecordedWetBulb:
    pytestmark = needs_shared

    def test_adelaides_wet_bulb_stays_below_its_air(self) -> None:
        """16 July 2026, with wet_bulb_temperature_2m: nothing in it is doubted."""
        places = read_places(recorded("open_meteo_adelaide_2026-07-16_wetbulb.json"), want_local_time=True)
        assert np.isfinite(places[0].dew_point_c).any()
        assert why_doubted(places, None, places[0].start) == ""
