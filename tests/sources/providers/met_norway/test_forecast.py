"""MET Norway's two axes of time become hours [start, end), and its manners are kept.

Values over recorded answers were worked out from the files by hand, as each test says. Data of the recordings: MET
Norway, CC BY 4.0. The answer in fixtures/forecast is ours.
"""

import copy
import json
from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest
import respx

from alertd.errors import OutsideArea, SourceChanged, SourceDown, SourceError
from alertd.forecast.model import PrecipForm
from alertd.forecast.provider import ForecastRequest
from alertd.forecast.quality import Usability, freshness
from alertd.sources.http.cache import fresh_for_s
from alertd.sources.http.client import HttpClient
from alertd.sources.http.options import HttpOptions
from alertd.sources.providers.met_norway.forecast import MetNorway, interpret_error, place_params, read_for
from alertd.sources.providers.met_norway.parse import read_place

ROOT = Path(__file__).parents[4]
RECORDED = ROOT.parent / "shared" / "recorded"
OURS = json.loads((ROOT / "fixtures" / "forecast" / "met_norway_complete.json").read_text())
URL = "https://api.met.no/weatherapi/locationforecast/2.0/complete"
NOW = datetime(2026, 1, 12, 6, 20, 30, tzinfo=UTC)
NAN = float("nan")
OSLO, NEW_YORK, SWAPPED = (
    f"metno_compact_{name}.json"
    for name in ("oslo_2023-11-17", "newyork_2020-07-20_with_headers", "SWAPPED_latlon_2021-10-12")
)
MODIFIED = "Mon, 12 Jan 2026 06:18:02 GMT"


def recorded(name: str) -> Any:
    body = json.loads((RECORDED / name).read_text())
    return body.get("data", body)


def hour(place: Any, field: str, when: str) -> float:
    """One field's value in the hour that begins at an ISO moment in UTC."""
    at = datetime.fromisoformat(when).replace(tzinfo=UTC)
    return float(place.fields[field][int((at - place.start) / timedelta(hours=1))])


@pytest.mark.needs_shared
@pytest.mark.skipif(not RECORDED.is_dir(), reason="the reference folder is not beside the checkout")
class TestRecorded:
    def test_oslo_who_where_and_when(self) -> None:
        """[10.7338, 59.9212, 27], updated_at 18:40:09Z, first step 19:00Z, last 27 Nov 18:00Z: 239 hours."""
        place = read_place(recorded(OSLO))
        assert (place.lon_deg, place.lat_deg, place.elevation_m) == (10.7338, 59.9212, 27.0)
        assert place.updated_at == datetime(2023, 11, 17, 18, 40, 9, tzinfo=UTC)
        assert place.start == datetime(2023, 11, 17, 19, tzinfo=UTC)
        assert place.fields["air_temp_c"].shape == (239,)

    @pytest.mark.parametrize(
        ("field", "when", "expected"),
        [
            ("air_temp_c", "2023-11-17T19:00", (-2.7 + -3.0) / 2),  # two instants one hour apart
            ("rh_frac", "2023-11-17T19:00", (0.838 + 0.821) / 2),
            ("wind_mps", "2023-11-17T19:00", (1.5 + 1.6) / 2),
            ("cloud_frac", "2023-11-17T19:00", (0.071 + 0.013) / 2),
            ("air_temp_c", "2023-11-19T23:00", (0.6 + 0.9) / 2),  # the last hourly step and the first six-hourly
            ("air_temp_c", "2023-11-20T00:00", 0.9 + (1.9 - 0.9) * 0.5 / 6),  # middle of the first of six hours
            ("air_temp_c", "2023-11-22T11:00", -0.9 + (1.2 - -0.9) * 5.5 / 6),
            ("precip_mmwe_h", "2023-11-22T11:00", 0.0),  # 06:00Z says 0.0 for the next six hours
            ("precip_mmwe_h", "2023-11-22T12:00", 2.3 / 6),  # "sleet", 2.3 mm in the six hours from 12:00Z
            ("precip_mmwe_h", "2023-11-22T17:00", 2.3 / 6),
            ("precip_mmwe_h", "2023-11-27T17:00", 0.0),  # the last six hours told
            ("precip_prob_frac", "2023-11-22T12:00", NAN),  # `compact` has no probability
        ],
    )
    def test_an_hour_of_oslo(self, field: str, when: str, expected: float) -> None:
        np.testing.assert_allclose(hour(read_place(recorded(OSLO)), field, when), expected, atol=1e-12)

    def test_last_step_of_oslo_has_only_an_instant_and_no_successor(self) -> None:
        place = read_place(recorded(OSLO))
        assert np.isfinite(place.fields["air_temp_c"]).all()
        assert np.isfinite(place.fields["precip_mmwe_h"][:239]).all()
        assert np.isnan(place.fields["precip_mmwe_h"][239:]).all()

    def test_trap_7_new_york_amount_is_for_six_hours_after_its_stamp(self) -> None:
        """23 July 00:00Z: 3.0 mm in the next six hours. 22 July 12:00Z: hourly zeros to 18:00Z, beside a six-hour
        amount of 0.1 for the same hours, which must not come on top."""
        place = read_place(recorded(NEW_YORK))
        at = int((datetime(2020, 7, 23, tzinfo=UTC) - place.start) / timedelta(hours=1))
        rain = place.fields["precip_mmwe_h"]
        np.testing.assert_allclose(rain[at - 6 : at + 7], [*[0.0] * 6, *[0.5] * 6, 0.0])
        np.testing.assert_array_equal(rain[at - 12 : at - 6], np.zeros(6))

    def test_trap_9_swapped_latitude_and_longitude_are_refused(self) -> None:
        """Asked for Gothenburg (57.7 N, 12.0 E); the answer is for 57.7 E, 12.0 N in the Arabian Sea, at 26.7 °C."""
        body = recorded(SWAPPED)
        assert read_place(body).fields["air_temp_c"][0] == pytest.approx((26.7 + 26.6) / 2)
        with pytest.raises(SourceChanged, match=r"answered for 11\.97, 57\.70, 6\d\d\d km from the place asked"):
            read_for(body, lat_deg=57.6984, lon_deg=11.9659)

    def test_new_yorks_headers_make_it_fresh_until_expires(self) -> None:
        """Date 11:44:31, Expires 12:14:53: 1822 s. Its forecast was then 10 h old by updated_at, though Last-Modified
        says 11:44:31."""
        whole = json.loads((RECORDED / NEW_YORK).read_text())
        headers = {name.lower(): value for name, value in whole["headers"].items()}
        assert fresh_for_s(headers, NOW, 0.0) == 1822.0
        assert read_place(whole["data"]).updated_at == datetime(2020, 7, 20, 1, 30, 57, tzinfo=UTC)

    def test_every_symbol_of_the_schema_is_read_past(self) -> None:
        """The schema misspells six of them; none changes a value, and none can name freezing rain."""
        schema = json.loads((RECORDED / "metno_METJSONForecast_schema.json").read_text())
        symbols = schema["WeatherSymbol"]["enum"]
        assert "lightssleetshowersandthunder_day" in symbols
        assert not [name for name in symbols if "freez" in name or "ice" in name]
        plain = read_place(OURS).fields
        for symbol in (*symbols, "some_new_symbol"):
            body = copy.deepcopy(OURS)
            body["properties"]["timeseries"][0]["data"]["next_1_hours"]["summary"]["symbol_code"] = symbol
            np.testing.assert_array_equal(read_place(body).fields["precip_mmwe_h"], plain["precip_mmwe_h"])


# --- our own answer: hourly steps 06 to 09Z, then 15Z and 21Z


def ours(**changed: object) -> Any:
    body = copy.deepcopy(OURS)
    body["properties"] |= changed
    return body


def step(body: Any, n: int) -> Any:
    return body["properties"]["timeseries"][n]["data"]


def test_amount_zero_and_unknown_differ_in_each_layer() -> None:
    """Hours from 06Z. Amounts: 0.3, 0.6, 0.9 an hour; 3.0 over 09 to 15Z; zero over 15 to 21Z; nothing is said after.
    One instant of cloud is left out, which makes the hours on both sides of it unknown, in that layer only.
    """
    body = ours()
    step(body, 4)["next_6_hours"]["details"]["precipitation_amount"] = 0.0
    del step(body, 1)["instant"]["details"]["cloud_area_fraction"]
    fields = read_place(body).fields
    rain = fields["precip_mmwe_h"]
    np.testing.assert_allclose(rain[:16], [0.3, 0.6, 0.9, *[0.5] * 6, *[0.0] * 6, NAN])
    np.testing.assert_allclose(fields["cloud_frac"][:4], [NAN, NAN, 1.0, 1.0])  # both lines that meet at 07Z
    np.testing.assert_allclose(fields["air_temp_c"][:4], [0.5, -0.5, -1.5, -2.5])
    assert np.isfinite(fields["air_temp_c"]).all()
    assert fields["air_temp_c"].size == 15
    np.testing.assert_allclose(fields["precip_prob_frac"][[0, 2, 3, 8, 9, 14, 15]], [0.6, 0.85, *[0.7] * 2, *[0.4] * 2,
                                                                                   NAN])  # fmt: skip


def test_hour_without_an_amount_gets_the_rest_of_its_six_hours() -> None:
    """07Z has no amount of its own; its six hours to 13Z hold 2.4, of which 08Z had 0.9. The other five share 1.5;
    then 15Z begins the next six, and 13 and 14Z, which only the overlapping six hours of 09Z tell of, are unknown."""
    body = ours()
    del step(body, 1)["next_1_hours"]
    rain = read_place(body).fields["precip_mmwe_h"]
    np.testing.assert_allclose(rain[:10], [0.3, 0.3, 0.9, 0.3, 0.3, 0.3, 0.3, NAN, NAN, 0.2])


def test_hole_in_the_steps_over_six_hours_is_not_bridged() -> None:
    body = ours()
    del body["properties"]["timeseries"][4]
    np.testing.assert_allclose(read_place(body).fields["air_temp_c"][2:5], [-1.5, NAN, NAN])


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("air_temperature", "fahrenheit"),
        ("wind_speed", "km/h"),
        ("precipitation_amount", "cm"),
        ("relative_humidity", "1"),
        ("probability_of_precipitation", None),
    ],
)
def test_trap_6_another_unit_or_none_is_refused(name: str, unit: str | None) -> None:
    body = ours()
    body["properties"]["meta"]["units"].pop(name)
    if unit:
        body["properties"]["meta"]["units"][name] = unit
    with pytest.raises(SourceChanged, match=f'{name} is in "{unit}", not'):
        read_place(body)


@pytest.mark.parametrize(
    ("name", "value"),
    [("air_temperature", 6999.0), ("relative_humidity", 140.0), ("wind_speed", -1.0), ("cloud_area_fraction", 101.0)],
)
def test_values_beyond_what_is_possible_are_refused(name: str, value: float) -> None:
    body = ours()
    step(body, 2)["instant"]["details"][name] = value
    with pytest.raises(SourceChanged, match=f"{name} has values beyond what is possible"):
        read_place(body)


@pytest.mark.parametrize(
    ("times", "words"),
    [
        (["2026-01-12T06:30:00Z"], "times are not on the hour"),
        (["2026-01-12T07:00:00Z"], "times do not follow one another"),
        (["2026-01-12T06:00:00"], "has no offset from UTC"),
        (["soon"], "answer has another shape at properties.timeseries.0.time"),
    ],
)
def test_trap_9_times_that_cannot_be_trusted_are_refused(times: list[str], words: str) -> None:
    body = ours()
    for one, text in zip(body["properties"]["timeseries"], times, strict=False):
        one["time"] = text
    with pytest.raises(SourceChanged, match=words):
        read_place(body)


@pytest.mark.parametrize("body", [{}, [], {"type": "Feature"}, ours(timeseries=[]), ours(meta={"units": {}})])
def test_trap_9_another_shape_is_refused(body: object) -> None:
    with pytest.raises(SourceChanged, match="answer has another shape at"):
        read_place(body)


# --- asking


@pytest.fixture
def forecast_request() -> ForecastRequest:
    return ForecastRequest(
        lat_deg=np.array([47.44001234, 47.44001234]), lon_deg=np.array([-115.7, -115.7]),
        road_elevation_m=np.array([1439.6, 1439.6]), start=NOW - timedelta(hours=2), end=NOW + timedelta(hours=4),
        now_utc=NOW,
    )  # fmt: skip


class Clock:
    def __init__(self) -> None:
        self.now, self.slept_s = NOW, 0.0

    def __call__(self) -> datetime:
        return self.now

    async def sleep(self, seconds: float) -> None:
        self.slept_s += seconds


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def troubles() -> list[str]:
    return []


@pytest.fixture
async def client(tmp_path: Path, clock: Clock, troubles: list[str]) -> AsyncIterator[HttpClient]:
    made = HttpClient(HttpOptions(
        contact="ops@fleet.example", cache_dir=tmp_path, now_utc=clock, rng=np.random.default_rng(1),
        sleep=clock.sleep, on_error=troubles.append,
    ))  # fmt: skip
    async with made as opened:
        yield opened


def ok(body: object = OURS, status: int = 200) -> httpx.Response:
    """The headers of the recorded New York answer, at our clock."""
    headers = {
        "date": "Mon, 12 Jan 2026 06:20:31 GMT", "expires": "Mon, 12 Jan 2026 06:50:53 GMT", "age": "0",
        "last-modified": MODIFIED, "vary": "Accept, Accept-Encoding",
    }  # fmt: skip
    return httpx.Response(status, json=body, headers=headers)


@pytest.mark.parametrize(
    ("place", "expected"),
    [
        ((47.440012, -115.7, 1439.6), {"lat": "47.4400", "lon": "-115.7000", "altitude": "1440"}),
        ((59.0, -0.00001, -2.4), {"lat": "59.0000", "lon": "0.0000", "altitude": "-2"}),
        ((59.0, 10.0, NAN), {"lat": "59.0000", "lon": "10.0000"}),
    ],
)
def test_places_have_four_decimals_and_whole_metres(
    place: tuple[float, float, float], expected: dict[str, str]
) -> None:
    assert place_params(*place) == expected


@respx.mock
async def test_trap_12_road_height_is_requested_and_is_the_forecasts(
    client: HttpClient, forecast_request: ForecastRequest
) -> None:
    route = respx.get(URL).mock(return_value=ok())
    raw = await MetNorway(client).fetch(forecast_request)
    assert route.call_count == 1  # both places are the same
    assert dict(route.calls[0].request.url.params) == {"lat": "47.4400", "lon": "-115.7000", "altitude": "1440"}
    assert raw.elevation_m.tolist() == [1440.0, 1440.0]
    assert (raw.start, raw.hours) == (datetime(2026, 1, 12, 4, tzinfo=UTC), 7)
    np.testing.assert_allclose(raw.air_temp_c[0, 0], [NAN, NAN, 0.5, -0.5, -1.5, -2.5, -3.5])  # no past hours
    np.testing.assert_allclose(raw.precip_mmwe_h[0, 1], [NAN, NAN, 0.3, 0.6, 0.9, 0.5, 0.5])
    assert (raw.gaps, raw.outside) == ((), ())


@respx.mock
async def test_trap_12_another_height_than_the_roads_is_kept_and_said(
    client: HttpClient, forecast_request: ForecastRequest
) -> None:
    """The temperature is for the height the answer names, and the road stage moves it from there."""
    body = copy.deepcopy(OURS)
    body["geometry"]["coordinates"][2] = 900
    respx.get(URL).mock(return_value=ok(body))
    raw = await MetNorway(client).fetch(forecast_request)
    assert raw.elevation_m.tolist() == [900.0, 900.0]
    assert "another height than the road's" in raw.gaps[0].reason


@respx.mock
async def test_an_answer_that_names_no_height_has_an_unknown_one(
    client: HttpClient, forecast_request: ForecastRequest
) -> None:
    body = copy.deepcopy(OURS)
    del body["geometry"]["coordinates"][2]
    respx.get(URL).mock(return_value=ok(body))
    raw = await MetNorway(client).fetch(forecast_request)
    assert np.isnan(raw.elevation_m).all()
    assert "does not say for which height" in raw.gaps[0].reason


@respx.mock
async def test_trap_13_sleet_and_snow_symbols_do_not_override_physics(
    client: HttpClient, forecast_request: ForecastRequest
) -> None:
    """Its "sleet" is rain and snow mixed, not ice pellets; no symbol says freezing rain."""
    respx.get(URL).mock(return_value=ok())
    raw = await MetNorway(client).fetch(forecast_request)
    assert set(np.unique(raw.precip_form)) == {PrecipForm.UNSPECIFIED}
    for absent in (raw.snow_level_m, raw.freezing_level_m, raw.pressure_hpa, raw.shortwave_wm2):
        assert np.isnan(absent).all()


@respx.mock
async def test_trap_9_age_is_that_of_updated_at_not_of_the_headers(
    client: HttpClient, forecast_request: ForecastRequest
) -> None:
    """updated_at 01:12:40Z, Last-Modified 06:18:02Z. Four issues a day outside the Nordic area, so five hours is
    fresh; after 6 + 6 it is stale."""
    respx.get(URL).mock(return_value=ok())
    raw = await MetNorway(client).fetch(forecast_request)
    assert raw.issued_at == datetime(2026, 1, 12, 1, 12, 40, tzinfo=UTC)
    window = dict(window_start=datetime(2026, 1, 12, 7, tzinfo=UTC), window_end=datetime(2026, 1, 12, 10, tzinfo=UTC))
    for after_h, state in (
        (5.0, Usability.OK),
        (11.9, Usability.OK),
        (12.1, Usability.STALE),
        (24.1, Usability.UNUSABLE),
    ):
        now = raw.issued_at + timedelta(hours=after_h)
        assert freshness(raw, now_utc=now, **window).state == state, after_h
    assert raw.licence == "MET Norway, CC BY 4.0"


@respx.mock
async def test_next_request_waits_for_expires_and_sends_last_modified(
    client: HttpClient, clock: Clock, forecast_request: ForecastRequest
) -> None:
    """Expires less Date is 30 min 22 s. A 304 brings new Expires, and the old answer stands."""
    not_modified = httpx.Response(
        304, headers={"date": "Mon, 12 Jan 2026 06:50:54 GMT", "expires": "Mon, 12 Jan 2026 07:20:54 GMT"}
    )
    route = respx.get(URL).mock(side_effect=[ok(), not_modified])
    met = MetNorway(client)
    first = await met.fetch(forecast_request)
    clock.now += timedelta(seconds=1821)
    await met.fetch(forecast_request)
    assert route.call_count == 1
    clock.now += timedelta(seconds=1)
    again = await met.fetch(forecast_request)
    asked = route.calls[1].request.headers
    assert asked["if-modified-since"] == MODIFIED
    assert asked["user-agent"].startswith("alertd/")
    assert "ops@fleet.example" in asked["user-agent"]
    assert "gzip" in asked["accept-encoding"]
    np.testing.assert_array_equal(again.air_temp_c, first.air_temp_c)
    assert not again.served_stale
    clock.now += timedelta(seconds=1799)
    await met.fetch(forecast_request)
    assert route.call_count == 2


@respx.mock
async def test_trap_21_a_403_stops_all_calls_for_an_hour(
    client: HttpClient, clock: Clock, forecast_request: ForecastRequest
) -> None:
    html = httpx.Response(403, html="<html>Forbidden</html>")
    route = respx.get(URL).mock(return_value=html)
    met = MetNorway(client)
    with pytest.raises(SourceDown, match="HTTP 403"):
        await met.fetch(forecast_request)
    clock.now += timedelta(minutes=59, seconds=59)
    with pytest.raises(SourceDown, match="not asked again before"):
        await met.fetch(forecast_request)
    assert (route.call_count, clock.slept_s) == (1, 0.0)
    clock.now += timedelta(seconds=1)
    with pytest.raises(SourceDown):
        await met.fetch(forecast_request)
    assert route.call_count == 2


@respx.mock
@pytest.mark.parametrize(("asked_s", "waits_s"), [("", 300.0), ("20", 300.0), ("900", 900.0)])
async def test_trap_10_a_429_is_not_tried_again_at_once(
    client: HttpClient, clock: Clock, forecast_request: ForecastRequest, asked_s: str, waits_s: float
) -> None:
    """Five minutes, or longer where the server says so."""
    headers = {"retry-after": asked_s} if asked_s else {}
    route = respx.get(URL).mock(return_value=httpx.Response(429, headers=headers))
    with pytest.raises(SourceDown, match="slow down"):
        await MetNorway(client).fetch(forecast_request)
    clock.now += timedelta(seconds=waits_s - 1)
    with pytest.raises(SourceDown, match="not asked again before"):
        await MetNorway(client).fetch(forecast_request)
    assert route.call_count == 1


@respx.mock
async def test_a_203_is_used_and_its_deprecation_logged_once(
    client: HttpClient, troubles: list[str], forecast_request: ForecastRequest
) -> None:
    respx.get(URL).mock(return_value=ok(status=203))
    here = np.array([47.44, 47.45])
    raw = await MetNorway(client).fetch(
        ForecastRequest(
            lat_deg=here, lon_deg=forecast_request.lon_deg,
            road_elevation_m=forecast_request.road_elevation_m, start=forecast_request.start,
            end=forecast_request.end,
            now_utc=NOW,
        )
    )  # fmt: skip
    assert raw.air_temp_c[0, 0, 2] == 0.5
    assert troubles == ["met-norway: api.met.no answered 203: the requested product is deprecated or a trial"]


@respx.mock
async def test_places_outside_the_area_are_outside_and_no_gap(
    client: HttpClient, forecast_request: ForecastRequest
) -> None:
    # By place and not in turn: the two requests may arrive in either order.
    respx.get(URL).mock(side_effect=lambda r: httpx.Response(422) if r.url.params["lat"].startswith("10") else ok())
    two = ForecastRequest(
        lat_deg=np.array([10.0, 47.44]), lon_deg=forecast_request.lon_deg,
        road_elevation_m=forecast_request.road_elevation_m,
        start=forecast_request.start,
        end=forecast_request.end, now_utc=NOW,
    )  # fmt: skip
    raw = await MetNorway(client).fetch(two)
    assert (raw.outside, raw.gaps) == ((0,), ())
    assert np.isnan(raw.air_temp_c[0, 0]).all()
    respx.get(URL).mock(return_value=httpx.Response(422))
    with pytest.raises(OutsideArea):
        await MetNorway(client).fetch(
            ForecastRequest(
                lat_deg=np.array([11.0]), lon_deg=np.array([0.0]), road_elevation_m=np.array([0.0]),
                start=forecast_request.start,
                end=forecast_request.end, now_utc=NOW,
            )
        )  # fmt: skip


@respx.mock
async def test_a_place_that_failed_is_a_gap_beside_one_that_did_not(
    client: HttpClient, forecast_request: ForecastRequest
) -> None:
    respx.get(URL, params={"lat": "47.5000"}).mock(return_value=httpx.Response(400, html="<p>Bad request</p>"))
    respx.get(URL, params={"lat": "47.4400"}).mock(return_value=ok())
    two = ForecastRequest(
        lat_deg=np.array([47.5, 47.44]), lon_deg=forecast_request.lon_deg,
        road_elevation_m=forecast_request.road_elevation_m,
        start=forecast_request.start,
        end=forecast_request.end, now_utc=NOW,
    )  # fmt: skip
    raw = await MetNorway(client).fetch(two)
    assert [(gap.cell_idx, gap.reason) for gap in raw.gaps] == [
        ((0,), "met-norway: does not understand the question (HTTP 400)")
    ]
    assert np.isnan(raw.precip_mmwe_h[0, 0]).all()


@respx.mock
async def test_last_good_answer_is_served_in_an_outage_marked_old(
    client: HttpClient, clock: Clock, forecast_request: ForecastRequest
) -> None:
    route = respx.get(URL).mock(return_value=ok())
    met = MetNorway(client)
    await met.fetch(forecast_request)
    clock.now += timedelta(hours=1)
    route.mock(return_value=httpx.Response(503))
    raw = await met.fetch(forecast_request)
    assert raw.served_stale
    assert "last good answer of 12 06:20 UTC" in raw.gaps[0].reason


@pytest.mark.parametrize(
    ("status", "kind", "wait_s"),
    [(422, OutsideArea, None), (400, SourceError, None), (403, SourceDown, 3600.0), (429, SourceDown, 300.0)],
)
def test_error_answers_mean_what_the_service_says(status: int, kind: type[SourceError], wait_s: float | None) -> None:
    error = interpret_error(status, None)
    assert type(error) is kind
    assert error.retry_after_s == wait_s
    assert interpret_error(500, None) is None


@pytest.mark.parametrize(
    ("low", "high", "sd_c"),
    [(-3.0, -0.437, 1.0), (-0.437, -3.0, NAN), (None, -0.4, NAN), (-2.0, -2.0, 0.0)],
)
def test_percentiles_give_the_spread_of_temperature(low: float | None, high: float | None, sd_c: float) -> None:
    """A standard normal lies between -1.2816 and 1.2816 in eight cases of ten: 2.563 K are 1 K of deviation."""
    body = copy.deepcopy(OURS)
    for name in ("air_temperature_percentile_10", "air_temperature_percentile_90"):
        body["properties"]["meta"]["units"][name] = "celsius"
    for step in body["properties"]["timeseries"]:
        step["data"]["instant"]["details"] |= {
            "air_temperature_percentile_10": low, "air_temperature_percentile_90": high
        }  # fmt: skip
    np.testing.assert_allclose(read_place(body).air_temp_sd_c[0], sd_c, atol=1e-3)


def test_percentiles_in_another_unit_are_unknown() -> None:
    body = copy.deepcopy(OURS)
    body["properties"]["meta"]["units"]["air_temperature_percentile_10"] = "fahrenheit"
    for step in body["properties"]["timeseries"]:
        step["data"]["instant"]["details"] |= {"air_temperature_percentile_10": 20.0}
    assert np.isnan(read_place(body).air_temp_sd_c).all()
