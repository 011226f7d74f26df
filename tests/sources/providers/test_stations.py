"""Station reports of two services, and the coded text both carry.

Values over recorded answers were read off the files by hand (KFLG, KMSP, KFLL: US public domain, two of them altered by
their owner, which their index says; KTYS, KJFK: as two public readmes print them). 1 kt = 0.514444 m/s, 1 mile =
1609.344 m. The meaning of weather groups: WMO code table 4678; of quality letters: MADIS, surface QC notes.
"""

import copy
import json
from collections.abc import AsyncIterator
from datetime import UTC, datetime
from math import isnan, nan
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest
import respx

from alertd.errors import SourceChanged, SourceError
from alertd.forecast.observations import Phenomenon, StationReport
from alertd.sources.http.client import HttpClient
from alertd.sources.http.options import HttpOptions
from alertd.sources.metar_text import phenomena_in, read_text
from alertd.sources.providers.metar.reports import Metars, read_metars
from alertd.sources.providers.nws.stations import NwsStations, read_history, read_observations, read_stations

RECORDED = Path(__file__).parents[4] / "shared" / "recorded"
NOW = datetime(2027, 1, 14, 11, tzinfo=UTC)
NWS, AWC = "https://api.weather.gov", "https://aviationweather.gov"
needs_shared = [
    pytest.mark.needs_shared,
    pytest.mark.skipif(not RECORDED.is_dir(), reason="the reference folder is not beside the checkout"),
]
# Our own, in the shape of the services' answers. The station is made up.
OWN = Path(__file__).parents[3] / "fixtures" / "forecast"
FEATURE = json.loads((OWN / "nws_observations.json").read_text())["features"][0]
AIRPORT = json.loads((OWN / "metar.json").read_text())[0]


def feature(**properties: Any) -> dict[str, Any]:
    body: dict[str, Any] = copy.deepcopy(FEATURE)
    body["properties"] |= properties
    return body


def report(**properties: Any) -> StationReport:
    (one,) = read_observations({"features": [feature(**properties)]})
    return one


def airport(**over: Any) -> StationReport:
    (one,) = read_metars([AIRPORT | over])
    return one


def recorded(name: str) -> Any:
    return json.loads((RECORDED / name).read_text())


@pytest.fixture
async def client() -> AsyncIterator[HttpClient]:
    async def no_wait(_seconds: float) -> None:
        return None

    rng = np.random.default_rng(1)
    async with HttpClient(
        HttpOptions(contact="ops@fleet.example", cache_dir=None, now_utc=lambda: NOW, rng=rng, sleep=no_wait)
    ) as opened:
        yield opened


FLG = "nws_observation_KFLG_2024-02-20_null_wind_vs_metar.json"
MSP = "z_EDITED_nws_observation_KMSP_2024-01-12_light_snow_wind_removed.json"
FLL = "z_EDITED_nws_observations_KFLL_2019-06-27_values_overwritten.json"


@pytest.mark.parametrize(
    ("file", "expected"),
    [
        pytest.param(
            FLG,
            {
                "air_temp_c": 6.7, "dew_point_c": -6.1, "rh_frac": 0.395899, "visibility_m": 16090.0, "weather": (),
                "precip_last_hour_mmwe": nan, "observed_at": datetime(2024, 2, 20, 17, 57, tzinfo=UTC),
            },
            marks=needs_shared,
        ),
        pytest.param(
            MSP,
            {
                "air_temp_c": -10.0, "dew_point_c": -15.6, "visibility_m": 4830.0, "weather": (Phenomenon.SNOW,),
                "precip_last_hour_mmwe": 0.0,
            },
            marks=needs_shared,
        ),
        pytest.param(FLL, {"air_temp_c": 10.0, "rh_frac": 0.1, "visibility_m": 10_000.0}, marks=needs_shared),
    ],
)  # fmt: skip
def test_recorded_observations_are_read(file: str, expected: dict[str, Any]) -> None:
    (one, *_) = read_observations(recorded(file))
    raw = {name: getattr(one, name) for name in expected}
    numbers = {name: value for name, value in expected.items() if isinstance(value, float)}
    assert {name: raw[name] for name in numbers} == pytest.approx(numbers, rel=1e-5, nan_ok=True)
    assert {n: v for n, v in raw.items() if n not in numbers} == {n: v for n, v in expected.items() if n not in numbers}


@pytest.mark.parametrize(
    ("file", "wind_kt", "gust_kt", "from_deg"),
    [pytest.param(FLG, 14, 22, 200, marks=needs_shared), pytest.param(MSP, 19, 23, 350, marks=needs_shared)],
)
def test_trap_a_null_wind_is_taken_from_the_coded_text(file: str, wind_kt: int, gust_kt: int, from_deg: int) -> None:
    (one,) = read_observations(recorded(file))
    kt = 1852 / 3600
    assert (one.wind_mps, one.gust_mps) == pytest.approx((wind_kt * kt, gust_kt * kt), rel=1e-4)
    assert one.wind_from_deg == from_deg


@pytest.mark.parametrize("file", [pytest.param(FLL, marks=needs_shared)])
def test_trap_old_unit_prefixes_and_metres_a_second(file: str) -> None:
    (one, *_) = read_observations(recorded(file))  # "unit:m_s-1", "qc:V"; the text says 05KT, the values were set to 10
    assert (one.wind_mps, one.station.elevation_m) == (10.0, 10.0)
    assert report(windSpeed={"unitCode": "unit:m_s-1", "value": 10, "qualityControl": "qc:V"}).wind_mps == 10.0
    assert report().wind_mps == pytest.approx(22.2 / 3.6)


def test_trap_precipitation_in_metres() -> None:
    old = {"unitCode": "unit:m", "value": 0.0008, "qualityControl": "qc:C"}
    assert report(precipitationLastHour=old).precip_last_hour_mmwe == pytest.approx(0.8)
    assert report().precip_last_hour_mmwe == pytest.approx(0.03 * 25.4)  # null, and P0003 in the text


def test_an_unknown_unit_is_refused() -> None:
    with pytest.raises(SourceChanged, match="temperature is in unit"):
        report(temperature={"unitCode": "wmoUnit:Pa", "value": 3.0, "qualityControl": "V"})


@pytest.mark.parametrize("letter", ["X", "Q", "B", "qc:X"])
def test_trap_quality_refused_value_is_unknown_despite_text(letter: str) -> None:
    refused = {"unitCode": "wmoUnit:degC", "value": -3.9, "qualityControl": letter}
    assert isnan(report(temperature=refused).air_temp_c)
    assert isnan(report(temperature=refused | {"value": None}).air_temp_c)


@pytest.mark.parametrize("letter", ["V", "S", "C", "G", "T", "Z", "qc:V", None])
def test_what_was_checked_or_not_yet_is_taken(letter: str | None) -> None:
    assert report(temperature={"unitCode": "wmoUnit:degC", "value": -3.5, "qualityControl": letter}).air_temp_c == -3.5


def test_values_that_cannot_be_true_are_unknown() -> None:
    one = report(temperature={"unitCode": "wmoUnit:degC", "value": 999, "qualityControl": "Z"})
    assert isnan(one.air_temp_c)
    assert one.dew_point_c == -5.6


def test_trap_record_without_text_is_not_dry() -> None:
    five_minutes = report(rawMessage="", presentWeather=[])
    assert five_minutes.weather is None
    assert report(presentWeather=[]).weather == (Phenomenon.SNOW, Phenomenon.BLOWING_SNOW)  # the text says it
    assert report(presentWeather=[], rawMessage="KXXX 141056Z AUTO 27012KT 10SM CLR M04/M06 A2990").weather == ()


def test_weather_near_the_station_is_not_at_it() -> None:
    near = {"weather": "snow", "rawString": "SN", "inVicinity": True}
    assert report(presentWeather=[near]).weather == ()


@pytest.mark.parametrize(
    ("groups", "expected"),
    [
        ("-SN", (Phenomenon.SNOW,)),
        ("+SHSN", (Phenomenon.SNOW,)),
        ("FZRA", (Phenomenon.FREEZING_RAIN,)),
        ("-FZDZ FZFG", (Phenomenon.FREEZING_DRIZZLE, Phenomenon.FREEZING_FOG)),
        ("-FZRASNPL", (Phenomenon.FREEZING_RAIN, Phenomenon.SNOW, Phenomenon.ICE_PELLETS)),
        ("RASN BR", (Phenomenon.RAIN, Phenomenon.SNOW, Phenomenon.MIST)),
        ("BLSN", (Phenomenon.BLOWING_SNOW,)),
        ("DRSN", (Phenomenon.DRIFTING_SNOW,)),
        ("-TSRA", (Phenomenon.THUNDERSTORM, Phenomenon.RAIN)),
        ("UP", (Phenomenon.UNKNOWN_PRECIPITATION,)),
        ("HZ", ()),
        ("VCSH", ()),
        ("RERA", ()),
        ("", ()),
        ("//", None),
    ],
)
def test_weather_groups(groups: str, expected: tuple[Phenomenon, ...] | None) -> None:
    assert phenomena_in(groups.split(), "") == expected


def test_a_station_that_cannot_tell_has_not_seen_nothing() -> None:
    assert phenomena_in([], "KXXX 141056Z AUTO 27012KT RMK AO2 PWINO") is None
    assert phenomena_in([], "KXXX 141056Z AUTO 27012KT RMK AO1") is None
    assert phenomena_in(["UP"], "KXXX 141056Z AUTO 27012KT UP RMK AO1") == (Phenomenon.UNKNOWN_PRECIPITATION,)


@pytest.mark.parametrize(
    "raw", ["", "garbage in", "KXXX", "METAR KXXX 310056Z 27012KT", "KXXX 141056Z NIL", "X" * 5000]
)
def test_texts_that_say_nothing_are_unknown(raw: str) -> None:
    groups = read_text(raw, datetime(2027, 2, 14, tzinfo=UTC))
    assert isnan(groups.air_temp_c)
    assert isnan(groups.wind_mps)


@pytest.mark.parametrize(
    ("file", "expected", "weather"),
    [
        pytest.param(
            "metar_awc_KTYS_2026-01-14.json", (6.7, 3.9, 12, nan, 210, 16093.44, 0.254, 300), (), marks=needs_shared
        ),
        pytest.param(
            "metar_awc_KJFK_2026-08-27.json", (23.3, 21.7, 11, 20, 170, 7 * 1609.344, 0.254, 3),
            (Phenomenon.THUNDERSTORM, Phenomenon.RAIN), marks=needs_shared,
        ),
    ],
)  # fmt: skip
def test_recorded_airport_reports_one_object_or_a_list(
    file: str, expected: tuple[float, ...], weather: tuple[Phenomenon, ...]
) -> None:
    (r,) = read_metars(recorded(file))
    kt = 1852 / 3600
    raw = (
        r.air_temp_c, r.dew_point_c, r.wind_mps / kt, r.gust_mps / kt, r.wind_from_deg, r.visibility_m,
        r.precip_last_hour_mmwe, r.station.elevation_m,
    )  # fmt: skip
    assert raw == pytest.approx(expected, nan_ok=True)
    assert r.weather == weather
    minute = {"KTYS": (2026, 1, 14, 22, 53), "KJFK": (2026, 8, 27, 17, 51)}[r.station.id]
    assert r.observed_at == datetime(*minute, tzinfo=UTC)  # as rawOb says, not the rounded reportTime


@pytest.mark.parametrize(
    ("visib", "miles"),
    [("10+", 10.0), ("6+", 6.0), (7, 7.0), ("1 1/2", 1.5), ("1/4", 0.25), ("far", nan), ("1/0", nan)],
)
def test_visibility_in_any_writing(visib: str | float, miles: float) -> None:
    assert airport(visib=visib, rawOb="").visibility_m == pytest.approx(miles * 1609.344, nan_ok=True)


def test_variable_and_calm_winds_have_no_direction() -> None:
    assert isnan(airport(wdir="VRB", wspd=3, rawOb="METAR KXXX 141056Z VRB03KT").wind_from_deg)
    assert isnan(airport(wdir=0, wspd=0).wind_from_deg)
    assert airport(wdir=None, wspd=None).wind_from_deg == 270.0  # 27012G20KT in the text


def test_one_bad_report_costs_no_other_and_no_good_one_is_change() -> None:
    assert [r.station.id for r in read_metars([{"icaoId": "KYYY"}, AIRPORT, {**AIRPORT, "obsTime": 10**20}])] == [
        "KXXX"
    ]
    assert read_metars([]) == ()
    for body in ([{"icaoId": "KYYY"}], {"error": "no"}, "no"):
        with pytest.raises(SourceChanged):
            read_metars(body)


@pytest.mark.parametrize("file", [pytest.param("nws_gridpoint_stations_pynws.json", marks=needs_shared)])
def test_a_recorded_list_of_stations(file: str) -> None:
    first = read_stations(recorded(file))[0]
    assert (first.id, first.lat_deg, first.lon_deg) == ("KCMH", 39.9906999, -82.87691)
    assert first.elevation_m == pytest.approx(245.9736)


def test_a_name_that_is_no_station_never_gets_into_a_question() -> None:
    def listed(name: str) -> dict[str, Any]:
        return {
            "geometry": {"type": "Point", "coordinates": [-115.7, 47.45]},
            "properties": {"stationIdentifier": name, "elevation": {"unitCode": "wmoUnit:m", "value": None}},
        }

    stations = read_stations({"features": [listed(n) for n in ("KXXX", "../alerts", "K?x=1", "")]})
    assert [s.id for s in stations] == ["KXXX"]
    assert isnan(stations[0].elevation_m)


@respx.mock
async def test_stations_and_reports_are_asked_of_the_configured_host(client: HttpClient) -> None:
    cell = {"properties": {"gridId": "MSO", "gridX": 36, "gridY": 94}}
    respx.get(f"{NWS}/points/47.45,-115.7").mock(httpx.Response(200, json=cell))
    listed = {"geometry": feature()["geometry"], "properties": {"stationIdentifier": "KXXX"}}
    respx.get(f"{NWS}/gridpoints/MSO/36,94/stations").mock(httpx.Response(200, json={"features": [listed]}))
    respx.get(f"{NWS}/stations/KXXX/observations", params={"limit": "4"}).mock(
        httpx.Response(200, json={"features": [feature()]})
    )
    source = NwsStations(client, NWS)
    (station,) = await source.near(47.45, -115.70)
    (seen,) = await source.observed(station.id)
    assert (seen.station.id, seen.air_temp_c) == ("KXXX", -3.9)


@respx.mock
async def test_trap_status_204_and_an_empty_body_mean_nothing_there(client: HttpClient) -> None:
    asked = respx.get(f"{AWC}/api/data/metar", params={"bbox": "47.00,-116.50,48.00,-115.25", "format": "json"})
    asked.mock(httpx.Response(204))
    assert await Metars(client, AWC).inside(47.0, -116.5, 48.0, -115.25) == ()
    asked.mock(httpx.Response(200, json=[AIRPORT]))
    (one,) = await Metars(client, AWC).inside(47.0, -116.5, 48.0, -115.25)
    assert (one.air_temp_c, one.weather) == (-3.9, (Phenomenon.SNOW, Phenomenon.BLOWING_SNOW))
    asked.mock(httpx.Response(400))
    with pytest.raises(SourceError, match="400"):
        await Metars(client, AWC).inside(47.0, -116.5, 48.0, -115.25)


@pytest.mark.needs_shared
@pytest.mark.skipif(not RECORDED.is_dir(), reason="the reference folder is not beside the checkout")
def test_recorded_reports_give_cloud_precipitation_and_its_rate() -> None:
    """KTYS: OVC, P0001. KJFK: -TSRA and OVC, 0.01 in in the last hour and in six. Read off the files by hand."""
    for file, group_mm, six_mm, rate in (
        ("metar_awc_KTYS_2026-01-14.json", 0.254, nan, 0.0),
        ("metar_awc_KJFK_2026-08-27.json", 0.254, 0.254, 1.0),
    ):
        (r,) = read_metars(recorded(file))
        assert r.cloud_frac == 1.0
        assert r.precip_last_hour_mmwe == pytest.approx(group_mm)
        assert r.precip_6h_mmwe == pytest.approx(six_mm, nan_ok=True)
        assert r.coded_rate_mmwe_h == pytest.approx(rate)


def test_groups_of_the_text_give_longer_totals_and_snow_depth() -> None:
    """FMH-1 (2019), 12.7.1: 6RRRR at 00, 06, 12 and 18 is of six hours, 7RRRR of 24, 4/sss inches of snow."""
    r = report(rawMessage="KXXX 141153Z 00000KT 2SM -SN OVC010 M03/M04 A2990 RMK AO2 P0003 60012 70034 4/007")
    assert (r.precip_6h_mmwe, r.precip_24h_mmwe) == pytest.approx((3.048, 8.636))
    assert r.snow_depth_m == pytest.approx(7 * 0.0254)
    assert r.cloud_frac == 1.0


@respx.mock
async def test_history_is_asked_between_two_times_and_read_leniently(client: HttpClient) -> None:
    """One report that cannot be read costs no other."""
    start, end = datetime(2027, 1, 12, 9, tzinfo=UTC), datetime(2027, 1, 14, 11, tzinfo=UTC)
    bad = feature(temperature={"unitCode": "wmoUnit:Pa", "value": 3.0})
    params = {"start": "2027-01-12T09:00:00Z", "end": "2027-01-14T11:00:00Z", "limit": "500"}
    respx.get(f"{NWS}/stations/KXXX/observations", params=params).mock(
        httpx.Response(200, json={"features": [bad, feature()]})
    )
    assert len(await NwsStations(client, NWS).history("KXXX", start, end)) == 1
    with pytest.raises(SourceChanged):
        read_history({"features": [bad]})


@respx.mock
async def test_history_of_airports_is_one_question_for_five(client: HttpClient) -> None:
    asked = respx.get(f"{AWC}/api/data/metar", params={"ids": "KAAA,KBBB", "hours": "50", "format": "json"})
    asked.mock(httpx.Response(200, json=[AIRPORT, AIRPORT | {"icaoId": "KBBB"}]))
    assert len(await Metars(client, AWC).history(["KAAA", "KBBB"], 50)) == 2
    with pytest.raises(ValueError, match="1 to 5"):
        await Metars(client, AWC).history(["KAAA"] * 6, 50)


@pytest.mark.parametrize(
    ("raw", "seen"),
    [
        ("KXXX 100958Z AUTO 33006KT 5SM RA OVC010 M01/M02 A3007 RMK AO2 FZRANO $", Phenomenon.UNKNOWN_PRECIPITATION),
        ("KXXX 100958Z AUTO 33006KT 5SM RA OVC010 M01/M02 A3007 RMK AO2 $", Phenomenon.RAIN),
        ("KXXX 100958Z AUTO 33006KT 5SM RA OVC010 12/10 A3007 RMK AO2 FZRANO $", Phenomenon.RAIN),
        ("KXXX 100958Z AUTO 33006KT 5SM -SN OVC010 M01/M02 A3007 RMK AO2 FZRANO $", Phenomenon.SNOW),
    ],
)
def test_rain_without_a_freezing_sensor_is_of_unknown_form(raw: str, seen: Phenomenon) -> None:
    """FZRANO: freezing rain information not available (FMH-1, 12.7.2; the code from memory)."""
    assert read_text(raw, datetime(2026, 1, 10, 10, tzinfo=UTC)).weather == (seen,)
