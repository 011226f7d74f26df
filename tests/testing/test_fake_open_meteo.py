"""The stand-in speaks the Open-Meteo API's own format.

Sources: recorded answers and the published OpenAPI description (2026-08) in the reference folder; the API's
documentation (elevation correction 0.65 K per 100 m, sums over the preceding hour, snowfall 7 cm per 10 mm of water).
"""

import json
import re
from datetime import UTC, datetime
from pathlib import Path

import httpx
import numpy as np
import pytest

from alertd.testing.fake_open_meteo import ApiFault, FakeOpenMeteo, FaultKind
from alertd.testing.open_meteo_format import NOT_CARRIED, VARIABLES
from alertd.testing.weather.storm import Storm

NOW = datetime(2027, 1, 14, 10, 40, tzinfo=UTC)
LOOKOUT = {"latitude": "47.4544", "longitude": "-115.6945", "elevation": "1436"}
THREE = {
    "latitude": "46.9131,47.4544,47.6216",
    "longitude": "-114.0344,-115.6945,-116.5242",
    "elevation": "975,1436,939",
}
RECORDED = Path(__file__).resolve().parents[3] / "shared" / "recorded"
needs_recorded = pytest.mark.skipif(not RECORDED.is_dir(), reason="the reference folder is not beside the checkout")


@pytest.fixture
def api():
    with FakeOpenMeteo(now_utc=NOW) as standin:
        yield standin


def get(api, path="/v1/forecast", **params):
    with httpx.Client(base_url=api.base_url, timeout=5.0) as client:
        return client.get(path, params=params)


def recorded(name):
    return json.loads((RECORDED / name).read_text(encoding="utf-8"))


@pytest.mark.needs_shared
@needs_recorded
def test_one_place_answer_has_the_recorded_keys_in_their_order(api):
    """An object with the recorded keys; the blocks we do not ask for are absent."""
    theirs = recorded("z_EDITED_open_meteo_new_jersey_2025-12-29_injected_nulls_snow.json")
    ours = get(api, **LOOKOUT, hourly="temperature_2m").json()
    blocks = {"current", "current_units", "daily", "daily_units"}
    assert list(ours) == [key for key in theirs if key not in blocks]
    assert {k: ours[k] for k in ("utc_offset_seconds", "timezone", "timezone_abbreviation")} == {
        k: theirs[k] for k in ("utc_offset_seconds", "timezone", "timezone_abbreviation")
    }


@pytest.mark.needs_shared
@needs_recorded
@pytest.mark.parametrize(
    ("name", "params"),
    [
        ("z_EDITED_open_meteo_new_jersey_2025-12-29_injected_nulls_snow.json", {}),
        ("open_meteo_stuttgart_2024-01-17_rain_to_snow.json", {}),
        ("open_meteo_adelaide_2026-07-16_wetbulb.json", {"wind_speed_unit": "ms"}),
        ("open_meteo_brasilia_2023-10-25_httptest.json", {}),
    ],
)
def test_units_and_number_types_agree_with_recorded_answers(api, name, params):
    """Every variable that both know has the same label, and whole numbers where the recorded answer has them."""
    theirs = recorded(name)
    shared = [v for v in theirs["hourly_units"] if v in VARIABLES or v in NOT_CARRIED]
    ours = get(api, **LOOKOUT, hourly=",".join(shared), **params).json()
    assert shared
    assert {v: ours["hourly_units"][v] for v in ["time", *shared]} == {
        v: theirs["hourly_units"][v] for v in ["time", *shared]
    }
    for variable in set(shared) & set(VARIABLES):
        whole = {type(x) for x in theirs["hourly"][variable] if x is not None} == {int}
        assert {type(x) for x in ours["hourly"][variable]} == {int if whole else float}, variable
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d", ours["hourly"]["time"][0])
    assert len(ours["hourly"]["time"][0]) == len(theirs["hourly"]["time"][0])


@pytest.mark.needs_shared
@needs_recorded
def test_ensemble_names_its_members_as_recorded(api):
    """The control has no suffix, members are _member01 to _member30."""
    theirs = recorded("open_meteo_ensemble_amsterdam_2026-07-11_1h.json")
    ours = get(api, "/v1/ensemble", **LOOKOUT, hourly="temperature_2m", forecast_days="1").json()
    assert list(ours) == list(theirs)
    assert ours["hourly_units"] == theirs["hourly_units"]
    assert list(ours["hourly"]) == list(theirs["hourly"])
    assert len({tuple(v) for k, v in ours["hourly"].items() if k != "time"}) == 31


@pytest.mark.needs_shared
@needs_recorded
def test_every_served_variable_is_in_the_published_description():
    described = (RECORDED / "open_meteo_openapi_forecast_2026-08.yml").read_text(encoding="utf-8")
    names = set(re.findall(r"^ +- (\w+)$", described, re.MULTILINE))
    assert set(VARIABLES) | set(NOT_CARRIED) <= names


@pytest.mark.needs_shared
@needs_recorded
@pytest.mark.parametrize(("kind", "name"), [(FaultKind.LIMIT_MINUTE, "open_meteo_error_429_minutely_2026-08-06.json")])
def test_refusal_has_the_recorded_body(api, kind, name):
    api.queue_faults(ApiFault(kind=kind))
    assert get(api, **LOOKOUT).json() == recorded(name)


def test_several_places_come_as_a_list_numbered_from_the_second(api):
    """location_id is absent on the first element (seen in answers of the real API)."""
    answer = get(api, **THREE, hourly="temperature_2m").json()
    assert [place.get("location_id") for place in answer] == [None, 1, 2]
    assert [place["elevation"] for place in answer] == [975.0, 1436.0, 939.0]


def test_cell_centre_is_echoed_at_most_a_few_kilometres_off(api):
    lat, lon = np.linspace(46.9, 47.7, 40), np.linspace(-117.4, -114.0, 40)
    places = get(api, latitude=",".join(f"{x:.4f}" for x in lat), longitude=",".join(f"{x:.4f}" for x in lon)).json()
    off_km = 111.2 * np.hypot(
        [p["latitude"] for p in places] - lat, ([p["longitude"] for p in places] - lon) * np.cos(np.radians(47.3))
    )
    assert 1.0 < off_km.max() < 5.0


def test_units_default_to_kmh_and_follow_the_request(api):
    """The API's documented defaults are °C, km/h and mm."""
    names = "temperature_2m,wind_speed_10m,precipitation,snowfall"
    plain = get(api, **LOOKOUT, hourly=names).json()
    metric = get(api, **LOOKOUT, hourly=names, wind_speed_unit="ms").json()
    foreign = get(
        api, **LOOKOUT, hourly=names, temperature_unit="fahrenheit", wind_speed_unit="mph", precipitation_unit="inch"
    ).json()
    assert plain["hourly_units"]["wind_speed_10m"] == "km/h"
    assert metric["hourly_units"]["wind_speed_10m"] == "m/s"
    assert list(foreign["hourly_units"].values()) == ["iso8601", "°F", "mp/h", "inch", "inch"]
    kmh, ms, mph = (np.array(a["hourly"]["wind_speed_10m"]) for a in (plain, metric, foreign))
    assert kmh == pytest.approx(3.6 * ms, abs=0.03)
    assert kmh == pytest.approx(1.609344 * mph, abs=0.03)
    fahrenheit = np.array(foreign["hourly"]["temperature_2m"])
    assert fahrenheit == pytest.approx(1.8 * np.array(plain["hourly"]["temperature_2m"]) + 32, abs=0.15)


def test_unixtime_and_iso8601_name_the_same_hours(api):
    unix = get(api, **LOOKOUT, hourly="rain", timeformat="unixtime").json()
    iso = get(api, **LOOKOUT, hourly="rain", timezone="GMT").json()
    assert unix["hourly_units"]["time"] == "unixtime"
    assert unix["hourly"]["time"] == [
        int(datetime.fromisoformat(t).replace(tzinfo=UTC).timestamp()) for t in iso["hourly"]["time"]
    ]


@pytest.mark.parametrize(
    ("params", "first", "last", "hours"),
    [
        ({}, "2027-01-14T00:00", "2027-01-20T23:00", 168),
        ({"past_days": "2", "forecast_days": "1"}, "2027-01-12T00:00", "2027-01-14T23:00", 72),
        ({"past_hours": "6", "forecast_hours": "12"}, "2027-01-14T04:00", "2027-01-14T21:00", 18),
        ({"start_hour": "2027-01-13T22:00", "end_hour": "2027-01-14T02:00"}, "2027-01-13T22:00", "2027-01-14T02:00", 5),
        ({"start_date": "2027-01-14", "end_date": "2027-01-14"}, "2027-01-14T00:00", "2027-01-14T23:00", 24),
    ],
)
def test_window_starts_at_midnight_of_the_day_or_as_requested(api, params, first, last, hours):
    """Default 7 days from 00:00 GMT, both ends of an interval included (the API's documentation)."""
    time = get(api, **LOOKOUT, hourly="rain", **params).json()["hourly"]["time"]
    assert (time[0], time[-1], len(time)) == (first, last, hours)


def test_precipitation_is_the_sum_over_the_hour_before_its_stamp(api):
    """Checked against the storm's rate summed minute by minute, at a cell centre and its hour of steepest change."""
    cell = {"latitude": "47.45", "longitude": "-115.7", "elevation": "1436"}
    hourly = get(api, **cell, hourly="precipitation", forecast_days="2", timeformat="unixtime").json()["hourly"]
    stamps, result = np.array(hourly["time"], dtype=float), np.array(hourly["precipitation"])
    minutes = stamps[:, None] - 3600 + 60 * (np.arange(60) + 0.5)
    before = Storm().weather(47.45, -115.7, 1436.0, minutes)["precipitation"].mean(axis=1)
    after = Storm().weather(47.45, -115.7, 1436.0, minutes + 3600)["precipitation"].mean(axis=1)
    assert result == pytest.approx(before, abs=0.05)
    assert np.abs(result - after).max() > 0.5


def test_temperature_follows_requested_height_at_6p5_k_per_km(api):
    """The API's documentation: 0.65 K per 100 m; precipitation keeps the cell's value."""
    ask = {"latitude": "47.45,47.45", "longitude": "-115.7,-115.7", "elevation": "1000,2000"}
    low, high = get(api, **ask, hourly="temperature_2m,precipitation,relative_humidity_2m").json()
    drop = np.subtract(low["hourly"]["temperature_2m"], high["hourly"]["temperature_2m"])
    assert drop == pytest.approx(np.full(drop.size, 6.5), abs=0.11)
    assert low["hourly"]["precipitation"] == high["hourly"]["precipitation"]


def test_elevation_nan_means_the_models_own_ground(api):
    own = get(api, latitude="47.45", longitude="-115.7", elevation="nan", hourly="temperature_2m").json()
    ground = float(api.ground(47.45, -115.7))
    asked = get(api, latitude="47.45", longitude="-115.7", elevation=str(ground), hourly="temperature_2m").json()
    assert own["elevation"] is None
    assert own["hourly"]["temperature_2m"] == asked["hourly"]["temperature_2m"]


def test_snowfall_is_seven_cm_for_ten_mm_of_water(api):
    hourly = get(api, **LOOKOUT, hourly="snowfall,snowfall_water_equivalent").json()["hourly"]
    water = np.array(hourly["snowfall_water_equivalent"])
    assert water.max() > 1.0
    assert np.array(hourly["snowfall"]) == pytest.approx(0.7 * water, abs=0.01)


def test_what_the_storm_has_no_word_for_is_null_never_zero(api):
    answer = get(api, **LOOKOUT, hourly="snow_depth,temperature_2m").json()
    assert answer["hourly_units"]["snow_depth"] == "m"
    assert set(answer["hourly"]["snow_depth"]) == {None}
    assert None not in answer["hourly"]["temperature_2m"]


def test_form_post_and_repeated_fields_equal_a_comma_list(api):
    plain = get(api, **LOOKOUT, hourly="rain,snowfall").json()
    with httpx.Client(base_url=api.base_url) as client:
        posted = client.post("/v1/forecast", data={**LOOKOUT, "hourly": "rain,snowfall"}).json()
        repeated = client.get("/v1/forecast", params={**LOOKOUT, "hourly": ["rain", "snowfall"]}).json()
    assert posted == plain
    assert repeated == plain


@pytest.mark.parametrize(
    ("params", "word"),
    [
        ({"latitude": "95"}, "Latitude must be in range of -90 to 90°. Given: 95.0."),
        ({"longitude": "-190"}, "Longitude must be in range"),
        ({"latitude": "47,48"}, "same number of elements"),
        ({"elevation": "900,1000"}, "'elevation' must have the same number"),
        ({"latitude": "north"}, "Invalid value 'north'"),
        ({"latitude": "nan"}, "Invalid value 'nan'"),
        ({"hourly": "temperature_2m,tempeture_2m"}, "tempeture_2m"),
        ({"forecast_days": "17"}, "Allowed range 0 to 16. Given 17."),
        ({"past_days": "x"}, "Invalid value 'x'"),
        ({"wind_speed_unit": "furlongs"}, "furlongs"),
        ({"timeformat": "rfc"}, "timeformat"),
        ({"timezone": "America/Denver"}, "GMT only"),
        ({"start_hour": "2027-01-14T00:00"}, "'end_hour' is missing"),
        ({"start_hour": "today", "end_hour": "2027-01-14T00:00"}, "Invalid date format"),
        ({"start_hour": "2026-01-14T00:00", "end_hour": "2026-01-14T05:00"}, "out of the allowed range"),
    ],
)
def test_bad_input_is_refused_with_400_and_a_reason(api, params, word):
    answer = get(api, **{**LOOKOUT, "hourly": "rain", **params})
    assert answer.status_code == 400
    assert answer.json()["error"] is True
    assert word in answer.json()["reason"]


def test_more_than_a_thousand_places_are_refused(api):
    many = ",".join(["47.0"] * 1001)
    with httpx.Client(base_url=api.base_url) as client:
        answer = client.post("/v1/forecast", data={"latitude": many, "longitude": many})
    assert (answer.status_code, answer.json()["error"]) == (400, True)


def test_elevation_is_always_a_list_of_at_most_a_hundred(api):
    """The published OpenAPI description of the elevation service, and its documented limit of 100 coordinates."""
    one = get(api, "/v1/elevation", latitude="47.4544", longitude="-115.6945")
    assert one.json() == {"elevation": [pytest.approx(1380, abs=20)]}
    many = ",".join(["47"] * 101)
    assert get(api, "/v1/elevation", latitude=many, longitude=many).status_code == 400


def test_answers_have_no_caching_headers_and_the_clocks_date(api):
    headers = get(api, **LOOKOUT, hourly="rain").headers
    assert not {"cache-control", "etag", "expires", "last-modified"} & set(headers)
    assert headers["date"] == "Thu, 14 Jan 2027 10:40:00 GMT"


def test_same_question_gets_the_same_bytes(api):
    names = ",".join(VARIABLES)
    assert get(api, **THREE, hourly=names).content == get(api, **THREE, hourly=names).content


def test_newest_run_is_at_least_four_hours_old(api):
    meta = get(api, "/data/any/static/meta.json").json()
    assert datetime.fromtimestamp(meta["last_run_initialisation_time"], UTC) == datetime(2027, 1, 14, 6, tzinfo=UTC)
    assert meta["last_run_availability_time"] <= NOW.timestamp()


def test_requests_are_recorded_as_they_came(api):
    get(api, **LOOKOUT, hourly="rain")
    get(api, "/v1/nowhere")
    assert [(r.method, r.path) for r in api.requests] == [("GET", "/v1/forecast"), ("GET", "/v1/nowhere")]
    assert api.requests[0].params == {**LOOKOUT, "hourly": "rain"}
    assert "user-agent" in api.requests[0].headers


def test_scripted_faults_come_in_order_and_then_it_recovers(api):
    api.queue_faults(ApiFault(kind=FaultKind.OVERLOADED), None, ApiFault(kind=FaultKind.LIMIT_DAY))
    answers = [get(api, **LOOKOUT, hourly="rain") for _ in range(4)]
    assert [a.status_code for a in answers] == [503, 200, 429, 200]
    assert "tomorrow" in answers[2].json()["reason"]


def test_lasting_fault_holds_until_lifted(api):
    api.set_fault(ApiFault(kind=FaultKind.OVERLOADED))
    assert [get(api, **LOOKOUT).status_code for _ in range(2)] == [503, 503]
    api.set_fault(None)
    assert get(api, **LOOKOUT).status_code == 200


@pytest.mark.parametrize("kind", [FaultKind.DOWN, FaultKind.TRUNCATED])
def test_broken_connection_is_a_transport_error_to_the_client(api, kind):
    api.queue_faults(ApiFault(kind=kind))
    with pytest.raises((httpx.RemoteProtocolError, httpx.ReadError)):
        get(api, **LOOKOUT, hourly="rain")


def test_slow_answer_outlasts_the_client_and_never_blocks_close(api):
    api.queue_faults(ApiFault(kind=FaultKind.SLOW, slow_s=600.0))
    with httpx.Client(base_url=api.base_url, timeout=0.2) as client, pytest.raises(httpx.ReadTimeout):
        client.get("/v1/forecast", params=LOOKOUT)


@pytest.mark.parametrize("kind", [FaultKind.GARBLED, FaultKind.HTML, FaultKind.BROKEN_STREAM])
def test_bad_body_has_status_200_and_is_no_json(api, kind):
    api.queue_faults(ApiFault(kind=kind))
    answer = get(api, **LOOKOUT, hourly="rain")
    assert answer.status_code == 200
    with pytest.raises(ValueError, match=r"codec|Expecting|Invalid|Extra|Unterminated"):
        answer.json()


def test_nulls_darken_only_the_places_named(api):
    api.queue_faults(ApiFault(kind=FaultKind.NULLS, cells=frozenset({1, 99})))
    answer = get(api, **THREE, hourly="rain,temperature_2m").json()
    dark = [{x for name in ("rain", "temperature_2m") for x in p["hourly"][name]} == {None} for p in answer]
    assert dark == [False, True, False]


def test_stale_answer_has_good_values_for_hours_long_past(api):
    ask = {**LOOKOUT, "hourly": "temperature_2m", "timeformat": "unixtime"}
    fresh = get(api, **ask).json()["hourly"]
    api.queue_faults(ApiFault(kind=FaultKind.STALE, stale_h=24))
    stale = get(api, **ask).json()["hourly"]
    assert stale["time"][0] == fresh["time"][0] - 24 * 3600
    assert stale["temperature_2m"][24:] == fresh["temperature_2m"][:-24]


def test_wrong_units_are_labelled_as_what_they_are(api):
    """What a client that reads values without their labels would take for a warm day."""
    api.queue_faults(ApiFault(kind=FaultKind.WRONG_UNITS))
    answer = get(api, **LOOKOUT, hourly="temperature_2m,wind_speed_10m,precipitation", wind_speed_unit="ms").json()
    assert list(answer["hourly_units"].values())[1:] == ["°F", "mp/h", "inch"]
    assert min(answer["hourly"]["temperature_2m"]) > 10


def test_held_clock_must_be_utc():
    with pytest.raises(ValueError, match="aware and UTC"):
        FakeOpenMeteo(now_utc=datetime(2027, 1, 14))  # noqa: DTZ001 a clock without a zone is what is being refused
