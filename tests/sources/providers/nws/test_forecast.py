"""The National Weather Service's raw layers become hours, and its failures become the right words.

Values over recorded answers were read off the files by hand. The recordings are US public domain data.
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
from alertd.forecast.model import Obscured, PrecipForm
from alertd.forecast.provider import ForecastRequest
from alertd.sources.http.answer import Answer
from alertd.sources.http.client import HttpClient
from alertd.sources.http.errors import NoDataForLocation
from alertd.sources.http.options import HttpOptions
from alertd.sources.providers.nws.forecast import (
    NotCovered,
    Nws,
    doubts,
    interpret_error,
    neighbour,
    point_text,
    read_point,
)
from alertd.sources.providers.nws.grid import read_grid

ROOT = Path(__file__).parents[4]
RECORDED = ROOT.parent / "shared" / "recorded"
OWN = ROOT / "fixtures" / "forecast"
BASE = "https://api.weather.gov"
NOW = datetime(2026, 1, 12, 6, tzinfo=UTC)
POINT, GRID = (json.loads((OWN / f"nws_{name}.json").read_text()) for name in ("point", "grid"))

needs_shared = [
    pytest.mark.needs_shared,
    pytest.mark.skipif(not RECORDED.is_dir(), reason="the reference folder is not beside the checkout"),
]


def recorded(name: str) -> Any:
    return json.loads((RECORDED / name).read_text())


def at(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def grid(**layers: object) -> dict[str, Any]:
    """Our own grid answer with some properties replaced."""
    body = copy.deepcopy(GRID)
    body["properties"] |= layers
    return body


def hours_of(body: object, start: str = "2026-01-12T00:00", hours: int = 12) -> Any:
    return read_grid(body, start=at(start), hours=hours, now_utc=NOW)


FGZ = "nws_gridpoint_FGZ_74-89_2024-02-20_snowlevel.json"
MPX = "nws_gridpoint_MPX_108-72_2024-01-11T17.json"
TAE = "nws_gridpoint_TAE_58-65_2022-02-04.json"
TBW = "nws_gridpoint_TBW_93-38_2022-02-03_empty_layers.json"
BMX = "nws_gridpoint_BMX_32-69_2024-02-23_fog.json"
NAN = float("nan")


@pytest.mark.parametrize(
    ("file", "hour", "field", "expected"),
    [
        (FGZ, "2024-02-20T13:00", "air_temp_c", -2.2222222222222223),  # third hour of a PT3H interval
        (FGZ, "2024-02-20T14:00", "air_temp_c", -3.3333333333333335),
        (FGZ, "2024-02-20T16:00", "air_temp_c", 1.6666666666666667),
        (FGZ, "2024-02-20T12:00", "rh_frac", 0.85),  # second hour of PT2H
        (FGZ, "2024-02-20T11:00", "wind_mps", 11.112 / 3.6),
        (FGZ, "2024-02-20T15:00", "wind_mps", 7.408 / 3.6),  # second hour of PT2H
        (FGZ, "2024-02-21T20:00", "snow_level_m", 2153.412),
        (FGZ, "2024-02-21T20:00", "precip_mmwe_h", 1.524 / 6),  # 18Z + PT6H
        (FGZ, "2024-02-21T17:00", "precip_mmwe_h", 0.0),
        (FGZ, "2024-02-20T12:00", "ice_mm_h", NAN),  # {"values": []}
        (FGZ, "2024-02-20T10:00", "air_temp_c", NAN),  # before the first interval
        (MPX, "2024-01-12T06:00", "snowfall_mm_h", 15.24 / 6),
        (MPX, "2024-01-12T17:00", "snowfall_mm_h", 22.86 / 6),  # last hour of 12Z + PT6H
        (MPX, "2024-01-12T18:00", "snowfall_mm_h", 35.56 / 6),
        (MPX, "2024-01-12T18:00", "precip_mmwe_h", 2.032 / 6),
        (MPX, "2024-01-11T11:00", "snowfall_mm_h", 0.0),  # first interval, cut to PT1H
        (MPX, "2024-01-12T18:00", "snow_level_m", NAN),
        (TAE, "2022-02-04T09:00", "precip_mmwe_h", 2.032 / 6),
        (TAE, "2022-02-04T12:00", "precip_mmwe_h", 4.826 / 6),
        (TAE, "2022-02-08T00:00", "snowfall_mm_h", NAN),  # snow layer ends 2022-02-08T00Z
        (TAE, "2022-02-07T23:00", "snowfall_mm_h", 0.0),
        (TBW, "2022-02-03T14:00", "snowfall_mm_h", NAN),  # empty layer without uom
        (TBW, "2022-02-03T14:00", "air_temp_c", 20.555555555555557),
        (TBW, "2022-02-03T14:00", "precip_mmwe_h", 0.0),
        (BMX, "2024-02-25T03:00", "precip_prob_frac", 0.0),  # inside P2DT18H
        (BMX, "2024-02-26T08:00", "precip_prob_frac", 0.02),
        (BMX, "2024-02-23T16:00", "cloud_frac", 0.47),  # second hour of PT2H
    ],
)
class TestRecordedValues:
    pytestmark = needs_shared

    def test_hour_of_a_recorded_cell(self, file: str, hour: str, field: str, expected: float) -> None:
        """Read off the files by hand; sources of the files: weather.gov test data (public domain), pynws (MIT)."""
        cell = read_grid(recorded(file), start=at(hour), hours=1, now_utc=at(hour))
        np.testing.assert_allclose(getattr(cell, field), [expected])


class TestRecorded:
    pytestmark = needs_shared

    def test_trap_01_storm_total_of_minneapolis_equals_its_intervals(self) -> None:
        """12Z 12 Jan to 12Z 13 Jan 2024: 22.86 + 35.56 + 22.86 + 10.16 = 91.44 mm of snow, by hand."""
        cell = read_grid(recorded(MPX), start=at("2024-01-12T12:00"), hours=24, now_utc=NOW)
        assert cell.snowfall_mm_h.sum() == pytest.approx(91.44)
        assert cell.precip_mmwe_h.sum() == pytest.approx(1.27 + 2.032 + 1.27 + 0.508)

    def test_trap_02_snow_is_unknown_after_its_layer_ends(self) -> None:
        """Tallahassee: snow ends 2022-02-08T00Z, precipitation 2022-02-10T12Z."""
        cell = read_grid(recorded(TAE), start=at("2022-02-08T00:00"), hours=60, now_utc=NOW)
        assert np.isnan(cell.snowfall_mm_h).all()
        assert not np.isnan(cell.precip_mmwe_h).any()

    @pytest.mark.parametrize(
        ("file", "name", "elevation_m", "updated"),
        [
            (FGZ, "FGZ/74,89", 2129.9424, "2024-02-20T17:13:54"),
            (MPX, "MPX/108,72", 259.08, "2024-01-11T17:12:50"),
            (TAE, "TAE/58,65", 3.9624, "2022-02-04T03:15:41"),
            (TBW, "TBW/93,38", 2.1336, "2022-02-03T19:22:03"),
            (BMX, "BMX/32,69", 71.0184, "2024-02-23T18:40:54"),
        ],
    )
    def test_trap_19_the_cell_says_who_it_is(self, file: str, name: str, elevation_m: float, updated: str) -> None:
        """gridX comes as text here and as a number in /points."""
        cell = read_grid(recorded(file), start=at(updated), hours=1, now_utc=NOW)
        assert (cell.name, cell.elevation_m, cell.updated_at) == (name, elevation_m, at(updated))

    def test_flagstaff_polygon_holds_its_middle_and_no_neighbour(self) -> None:
        cell = read_grid(recorded(FGZ), start=at("2024-02-20T12:00"), hours=1, now_utc=NOW)
        assert cell.contains(35.2005, -111.6479)
        assert not cell.contains(35.2230, -111.6479)

    def test_a_cell_whose_times_were_edited_away_is_refused(self) -> None:
        """Its owner replaced the times by "date:now +0 hours / PT1H"."""
        body = recorded("z_EDITED_nws_gridpoint_LZK_83-73_ice34_snow104_reldates.json")
        with pytest.raises(SourceChanged, match="no moment with an offset"):
            read_grid(body, start=NOW, hours=1, now_utc=NOW)

    def test_ice_in_the_edited_cell_means_freezing_once_it_has_times(self) -> None:
        """The same file, its times put on the clock: ice 4 mm in the first hour, then 9 mm in six, then 3 mm in six.
        Values are invented by the file's owner; only the shape is real."""
        body = recorded("z_EDITED_nws_gridpoint_LZK_83-73_ice34_snow104_reldates.json")
        for layer in body["properties"].values():
            for sample in layer.get("values", ()) if isinstance(layer, dict) else ():
                offset, duration = sample["validTime"].removeprefix("date:now +").split(" hours / ")
                sample["validTime"] = f"{(NOW + timedelta(hours=int(offset))).isoformat()}/{duration}"
        cell = read_grid(body, start=NOW, hours=14, now_utc=NOW)
        np.testing.assert_allclose(cell.ice_mm_h, [4.0, *[1.5] * 6, *[0.5] * 6, 0.0])
        assert cell.precip_form.tolist() == [PrecipForm.FREEZING] * 13 + [PrecipForm.UNSPECIFIED]

    def test_points_of_2019_still_lead_to_a_cell(self) -> None:
        assert read_point(recorded("nws_points_pynws.json")) == "TAE/58,65"

    @pytest.mark.parametrize(
        ("file", "kind", "retry_after_s"),
        [
            ("nws_problem_404_InvalidPoint.json", OutsideArea, None),
            ("nws_problem_404_NotFound.json", NotCovered, None),
            ("nws_problem_503_ForecastGridExpired_2021-03.json", NoDataForLocation, 3600.0),
            ("nws_problem_503_ServiceUnavailable.json", SourceDown, 120.0),
            ("nws_problem_503_UnavailableWebService_2019-12.json", SourceDown, 120.0),
            ("nws_problem_301_AdjustPointPrecision.json", type(None), None),
        ],
    )
    def test_recorded_problem_documents_are_understood(
        self, file: str, kind: type, retry_after_s: float | None
    ) -> None:
        error = interpret_error(503, recorded(file))
        assert type(error) is kind
        assert getattr(error, "retry_after_s", None) == retry_after_s


def test_trap_22_problem_types_match_by_their_last_token() -> None:
    """Old `https://api.weather.gov/problems/X`, new `urn:noaa:nws:api:X`."""
    for prefix in ("https://api.weather.gov/problems/", "urn:noaa:nws:api:"):
        assert isinstance(interpret_error(404, {"type": f"{prefix}MarineForecastNotSupported"}), NotCovered)
    assert interpret_error(500, {"type": "urn:noaa:nws:api:UnexpectedProblem"}) is None
    assert interpret_error(503, None) is None


@pytest.mark.parametrize(
    ("lat", "lon", "text"),
    [
        (39.7456, -97.0892, "39.7456,-97.0892"),
        (39.74564999, -97.08920001, "39.7456,-97.0892"),
        (30.0, -85.10, "30,-85.1"),
        (47.5, -120.0, "47.5,-120"),
        (-0.00001, 0.0, "0,0"),
        (100.0, 0.0, "100,0"),
    ],
)
def test_points_have_at_most_four_decimals_and_no_zeros(lat: float, lon: float, text: str) -> None:
    """More decimals are answered with 301 AdjustPointPrecision."""
    assert point_text(lat, lon) == text


# --- our own cell: 6 mm of water and 40 mm of snow in four hours, then unknown


def test_layers_of_our_own_cell() -> None:
    cell = hours_of(GRID)
    np.testing.assert_allclose(cell.air_temp_c, [1.0] * 8 + [-2.5] * 4)
    np.testing.assert_allclose(cell.precip_mmwe_h, [0.0] * 6 + [1.5] * 4 + [NAN] * 2)
    np.testing.assert_allclose(cell.snowfall_mm_h, [0.0] * 6 + [10.0] * 4 + [NAN] * 2)
    np.testing.assert_allclose(cell.wind_mps, 5.0)
    np.testing.assert_allclose(cell.ice_mm_h, NAN)


def test_trap_13_freezing_words_win_and_any_chance_counts() -> None:
    """Freezing words win over pellets."""
    form = hours_of(GRID).precip_form.tolist()
    assert form == [0] * 6 + [PrecipForm.FREEZING, PrecipForm.PELLETS] + [0] * 4


def test_trap_13_accumulating_ice_means_freezing_without_words() -> None:
    ice = {"uom": "wmoUnit:mm", "values": [{"validTime": "2026-01-12T09:00:00+00:00/PT2H", "value": 1.0}]}
    assert hours_of(grid(iceAccumulation=ice)).precip_form[9:11].tolist() == [PrecipForm.FREEZING] * 2


def test_water_is_never_less_than_the_cells_snow_needs() -> None:
    """40 mm of snow at 20:1 are 2 mm of water in four hours; unknown water stays unknown."""
    dry = {"uom": "wmoUnit:mm", "values": [{"validTime": "2026-01-12T06:00:00+00:00/PT4H", "value": 0.4}]}
    water = hours_of(grid(quantitativePrecipitation=dry)).water_mmwe_h()
    np.testing.assert_allclose(water[6:10], 0.5)
    assert np.isnan(water[10:]).all()


@pytest.mark.parametrize(
    ("uom", "value", "expected"),
    [("wmoUnit:degC", -5, -5.0), ("unit:degC", -5, -5.0), ("wmoUnit:degF", 14, -10.0), ("wmoUnit:K", 268.15, -5.0)],
)
def test_trap_06_temperature_units_are_converted(uom: str, value: float, expected: float) -> None:
    layer = {"uom": uom, "values": [{"validTime": "2026-01-12T00:00:00+00:00/PT1H", "value": value}]}
    np.testing.assert_allclose(hours_of(grid(temperature=layer), hours=1).air_temp_c, [expected])


@pytest.mark.parametrize(
    ("layer", "uom"),
    [
        ("temperature", "wmoUnit:mm"),
        ("temperature", ""),
        ("temperature", "wmoUnit:degR"),
        ("quantitativePrecipitation", "kg_m-2"),
    ],
)
def test_trap_06_an_unknown_unit_is_refused(layer: str, uom: str) -> None:
    raw = {"uom": uom, "values": [{"validTime": "2026-01-12T00:00:00+00:00/PT1H", "value": 1}]}
    with pytest.raises(SourceChanged, match=f"nws: {layer} is in unit"):
        hours_of(grid(**{layer: raw}))


HOUR_ONE = "2026-01-12T00:00:00+00:00/PT1H"


@pytest.mark.parametrize(
    ("layer", "raw", "why"),
    [
        ("snowfallAmount", {"uom": "wmoUnit:degC", "values": [{"validTime": HOUR_ONE, "value": 1}]}, "is in unit"),
        ("windSpeed", {"uom": "wmoUnit:percent", "values": [{"validTime": HOUR_ONE, "value": 1}]}, "is in unit"),
        ("snowLevel", {"uom": "wmoUnit:mm", "values": [{"validTime": HOUR_ONE, "value": 1}]}, "is in unit"),
        ("skyCover", {"uom": "wmoUnit:percent", "values": [{"validTime": HOUR_ONE, "value": 101}]}, "beyond"),
        ("relativeHumidity", {"uom": "wmoUnit:percent", "values": [{"validTime": HOUR_ONE, "value": -1}]}, "beyond"),
        ("windGust", {"uom": "wmoUnit:km_h-1", "values": [{"validTime": "yesterday", "value": 1}]}, "no interval"),
        ("visibility", ["no", "layer"], "another shape"),
        ("weather", {"values": [{"validTime": "P1D", "value": []}]}, "no interval"),
    ],
)
def test_one_bad_layer_is_named_and_costs_itself_alone(layer: str, raw: Any, why: str) -> None:
    cell = hours_of(grid(**{layer: raw}))
    (lost,) = cell.lost
    assert lost.startswith(f"{layer} cannot be read")
    assert why in lost
    np.testing.assert_array_equal(cell.air_temp_c, hours_of(grid()).air_temp_c)


def test_a_lost_layer_becomes_a_gap_of_its_cell() -> None:
    cell = hours_of(grid(windGust=["no", "layer"]))
    answer = Answer(value=cell, body=b"", fetched_at=cell.updated_at, from_cache=False)
    assert any("windGust cannot be read" in note for note in doubts(answer, cell.updated_at))


def test_words_of_blowing_snow_and_fog_are_kept_by_hour() -> None:
    """Blowing snow wins over fog; the sight that a word gives is the least of both."""
    far = {"unitCode": "wmoUnit:km", "value": 0.4}
    words = [
        {"validTime": HOUR_ONE, "value": [{"weather": "fog"}, {"weather": "blowing_snow", "visibility": far}]},
        {"validTime": "2026-01-12T01:00:00+00:00/PT1H", "value": [{"weather": "freezing_fog"}, {"weather": None}]},
    ]
    cell = hours_of(grid(weather={"values": words}, visibility={"values": []}), hours=3)
    assert cell.obscured.tolist() == [Obscured.BLOWING_SNOW, Obscured.FREEZING_FOG, Obscured.NOTHING]
    np.testing.assert_array_equal(cell.visibility_m, [400.0, np.nan, np.nan])


def test_trap_06_snow_in_metres_is_metres() -> None:
    raw = {"uom": "wmoUnit:m", "values": [{"validTime": "2026-01-12T00:00:00+00:00/PT2H", "value": 0.1}]}
    np.testing.assert_allclose(hours_of(grid(snowfallAmount=raw), hours=2).snowfall_mm_h, 50.0)


@pytest.mark.parametrize(
    ("layer", "uom", "value"),
    [
        ("temperature", "wmoUnit:degC", 4000),
        ("temperature", "wmoUnit:degC", 268.15),
        ("quantitativePrecipitation", "wmoUnit:mm", -0.1),
    ],
)
def test_absurd_values_are_refused(layer: str, uom: str, value: float) -> None:
    """The service's own FAQ reports "thousands of degrees"."""
    raw = {"uom": uom, "values": [{"validTime": "2026-01-12T00:00:00+00:00/PT1H", "value": value}]}
    with pytest.raises(SourceChanged, match=f"{layer} has values beyond"):
        hours_of(grid(**{layer: raw}))


@pytest.mark.parametrize(
    "body",
    [
        None,
        [],
        {},
        {"properties": None},
        {"properties": {}},
        {"type": "Feature", "features": []},
        grid(
            temperature={
                "uom": "wmoUnit:degC",
                "values": [{"validTime": "2026-01-12T00:00:00+00:00/PT1H", "value": "1"}],
            }
        ),
        grid(updateTime="yesterday"),
        grid(updateTime="2026-01-12T04:30:00"),
        grid(temperature=None),
    ],
)
def test_trap_09_another_shape_is_refused_with_its_place(body: object) -> None:
    with pytest.raises(SourceChanged, match="nws: "):
        hours_of(body)


def test_trap_20_layers_of_other_steps_do_not_shift_others() -> None:
    """A snow layer that starts four hours later than precipitation keeps its own clock."""
    late = {"uom": "wmoUnit:mm", "values": [{"validTime": "2026-01-12T04:00:00+00:00/PT2H", "value": 8}]}
    cell = hours_of(grid(snowfallAmount=late))
    np.testing.assert_allclose(cell.snowfall_mm_h[3:7], [NAN, 4.0, 4.0, NAN])
    np.testing.assert_allclose(cell.precip_mmwe_h[3:7], [0.0, 0.0, 0.0, 1.5])


# --- fetching


def ask(lat: list[float], lon: list[float], now: datetime = NOW) -> ForecastRequest:
    return ForecastRequest(
        lat_deg=np.array(lat),
        lon_deg=np.array(lon),
        road_elevation_m=np.full(len(lat), 1440.0),
        start=at("2026-01-12T06:00"),
        end=at("2026-01-12T10:00"),
        now_utc=now,
    )


@pytest.fixture
async def nws(tmp_path: Path) -> AsyncIterator[Nws]:
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
    ) as client:
        yield Nws(client)


def problem(name: str, status: int) -> httpx.Response:
    return httpx.Response(
        status,
        json={"type": f"urn:noaa:nws:api:{name}", "title": name, "status": status},
        headers={"content-type": "application/problem+json"},
    )


@respx.mock
async def test_places_in_one_cell_cost_one_call_and_share_its_forecast(nws: Nws) -> None:
    for text in ("47.45,-115.69", "47.4512,-115.6901"):
        respx.get(f"{BASE}/points/{text}").respond(json=POINT)
    route = respx.get(f"{BASE}/gridpoints/XYZ/12,34").respond(json=GRID)
    forecast = await nws.fetch(ask([47.45, 47.4512], [-115.69, -115.6901]))
    assert route.call_count == 1
    assert forecast.air_temp_c.shape == (1, 2, 4)
    np.testing.assert_allclose(forecast.air_temp_c[0], [[1.0, 1.0, -2.5, -2.5]] * 2)
    np.testing.assert_allclose(forecast.precip_mmwe_h, 1.5)
    np.testing.assert_allclose(forecast.elevation_m, 1420.0)
    assert np.isnan(forecast.pressure_hpa).all()
    assert np.isnan(forecast.shortwave_wm2).all()
    assert (forecast.provider, forecast.issued_at) == ("nws", at("2026-01-12T04:30"))
    assert (forecast.gaps, forecast.served_stale) == ((), False)


@respx.mock
async def test_a_place_abroad_is_outside_and_unknown_and_no_gap(nws: Nws) -> None:
    respx.get(f"{BASE}/points/47.45,-115.69").respond(json=POINT)
    respx.get(f"{BASE}/gridpoints/XYZ/12,34").respond(json=GRID)
    respx.get(f"{BASE}/points/49.5,-115.7").mock(return_value=problem("InvalidPoint", 404))
    forecast = await nws.fetch(ask([47.45, 49.5], [-115.69, -115.7]))
    assert np.isnan(forecast.air_temp_c[0, 1]).all()
    assert np.isnan(forecast.precip_mmwe_h[0, 1]).all()
    assert not np.isnan(forecast.air_temp_c[0, 0]).any()
    assert (forecast.outside, forecast.gaps) == ((1,), ())


@respx.mock
async def test_place_whose_named_cell_is_not_found_is_a_gap(nws: Nws) -> None:
    respx.get(f"{BASE}/points/47.45,-115.69").respond(json=POINT)
    respx.get(f"{BASE}/gridpoints/XYZ/12,34").respond(json=GRID)
    respx.get(f"{BASE}/points/49.5,-115.7").respond(json={"properties": {"gridId": "XYZ", "gridX": 9, "gridY": 9}})
    respx.get(f"{BASE}/gridpoints/XYZ/9,9").mock(return_value=problem("NotFound", 404))
    forecast = await nws.fetch(ask([47.45, 49.5], [-115.69, -115.7]))
    (gap,) = forecast.gaps
    assert (gap.cell_idx, forecast.outside) == ((1,), ())
    assert "NotFound" in gap.reason


@respx.mock
async def test_no_coverage_at_all_raises(nws: Nws) -> None:
    respx.get(url__startswith=f"{BASE}/points/").mock(return_value=problem("InvalidPoint", 404))
    with pytest.raises(OutsideArea):
        await nws.fetch(ask([49.5], [-115.7]))


@respx.mock
async def test_an_expired_grid_is_not_asked_for_again_at_once(nws: Nws) -> None:
    """An office outage lasts hours or days (weather-gov/api issues 29, 30, 78)."""
    respx.get(url__startswith=f"{BASE}/points/").respond(json=POINT)
    route = respx.get(f"{BASE}/gridpoints/XYZ/12,34").mock(return_value=problem("ForecastGridExpired", 503))
    with pytest.raises(SourceDown) as caught:
        await nws.fetch(ask([47.45], [-115.69]))
    assert (route.call_count, caught.value.retry_after_s) == (1, 3600.0)


@respx.mock
@pytest.mark.parametrize(
    "first",
    [
        problem("MarineForecastNotSupported", 404),
        httpx.Response(
            200,
            json={
                **GRID,
                "geometry": {"type": "Polygon", "coordinates": [[[-100, 40], [-99, 40], [-99, 41], [-100, 40]]]},
            },
        ),
    ],
)
async def test_trap_11_a_realigned_grid_is_resolved_anew_once(nws: Nws, first: httpx.Response) -> None:
    """A stored cell has become a marine cell, or silently another place."""
    old = copy.deepcopy(POINT)
    old["properties"]["gridX"] = 99
    points = respx.get(f"{BASE}/points/47.45,-115.69").mock(
        side_effect=[httpx.Response(200, json=old), httpx.Response(200, json=POINT)]
    )
    respx.get(f"{BASE}/gridpoints/XYZ/99,34").mock(return_value=first)
    respx.get(f"{BASE}/gridpoints/XYZ/12,34").respond(json=GRID)
    forecast = await nws.fetch(ask([47.45], [-115.69]))
    assert points.call_count == 2
    np.testing.assert_allclose(forecast.precip_mmwe_h, 1.5)


@respx.mock
async def test_trap_11_a_cell_that_stays_elsewhere_is_refused(nws: Nws) -> None:
    far = {**GRID, "geometry": {"type": "Polygon", "coordinates": [[[-100, 40], [-99, 40], [-99, 41], [-100, 40]]]}}
    respx.get(f"{BASE}/points/47.45,-115.69").respond(json=POINT)
    respx.get(f"{BASE}/gridpoints/XYZ/12,34").respond(json=far)
    with pytest.raises(SourceChanged, match="lies elsewhere"):
        await nws.fetch(ask([47.45], [-115.69]))


@respx.mock
@pytest.mark.parametrize(("hours", "words"), [(13.5, "15 h old"), (88.0, "90 h old"), (-3.0, "issued in the future")])
async def test_trap_09_fresh_headers_with_an_old_or_future_issue_show(nws: Nws, hours: float, words: str) -> None:
    """A content network once served grids 88 h old with fresh headers (weather-gov/api issue 71). Issue 04:30Z."""
    respx.get(url__startswith=f"{BASE}/points/").respond(json=POINT)
    respx.get(f"{BASE}/gridpoints/XYZ/12,34").respond(json=GRID, headers={"cache-control": "max-age=900"})
    forecast = await nws.fetch(ask([47.45], [-115.69], now=NOW + timedelta(hours=hours)))
    assert any(words in gap.reason for gap in forecast.gaps)
    assert forecast.served_stale == (hours > 0)


@respx.mock
async def test_an_outage_serves_the_last_good_cells_and_says_so(nws: Nws) -> None:
    respx.get(url__startswith=f"{BASE}/points/").respond(json=POINT, headers={"cache-control": "max-age=9000"})
    respx.get(f"{BASE}/gridpoints/XYZ/12,34").mock(
        side_effect=[httpx.Response(200, json=GRID, headers={"cache-control": "max-age=0"}), *[httpx.Response(502)] * 3]
    )
    await nws.fetch(ask([47.45], [-115.69]))
    forecast = await nws.fetch(ask([47.45], [-115.69]))
    assert forecast.served_stale
    assert "nws: not refreshed (answered HTTP 502); last good answer of 12 06:00 UTC" in [
        g.reason for g in forecast.gaps
    ]
    np.testing.assert_allclose(forecast.precip_mmwe_h, 1.5)


@respx.mock
async def test_one_bad_cell_does_not_spoil_the_others(nws: Nws) -> None:
    other = copy.deepcopy(POINT)
    other["properties"]["gridX"] = 14
    respx.get(f"{BASE}/points/47.45,-115.69").respond(json=POINT)
    respx.get(f"{BASE}/points/47.45,-115.65").respond(json=other)
    respx.get(f"{BASE}/gridpoints/XYZ/12,34").respond(json=GRID)
    respx.get(f"{BASE}/gridpoints/XYZ/14,34").respond(html="<h1>blocked</h1>")
    forecast = await nws.fetch(ask([47.45, 47.45], [-115.69, -115.65]))
    (gap,) = forecast.gaps
    assert (gap.cell_idx, "text/html" in gap.reason) == ((1,), True)
    assert np.isnan(forecast.air_temp_c[0]).any(axis=1).tolist() == [False, True]


@respx.mock
@pytest.mark.parametrize(
    ("failure", "word"),
    [(httpx.Response(500), "HTTP 500"), (httpx.Response(200, html="<h1>blocked</h1>"), "text/html"),
     (httpx.Response(200, json=grid(gridX="13", temperature={"uom": "wmoUnit:degC", "values": [
         {"validTime": "2026-01-12T00:00:00+00:00/PT8H", "value": 4000}]})), "beyond -60 to 60")],
    ids=["500", "html", "absurd"],
)  # fmt: skip
async def test_the_neighbour_of_a_failing_cell_stands_in_and_is_named(
    nws: Nws, failure: httpx.Response, word: str
) -> None:
    """One cell was seen to answer 500 for twelve days (weather-gov/api issue 160). The place lies 1.1 km east of the
    neighbour's edge."""
    other = copy.deepcopy(POINT)
    other["properties"]["gridX"] = 13
    respx.get(f"{BASE}/points/47.45,-115.69").respond(json=POINT)
    respx.get(f"{BASE}/points/47.45,-115.66").respond(json=other)
    respx.get(f"{BASE}/gridpoints/XYZ/12,34").respond(json=GRID)
    respx.get(f"{BASE}/gridpoints/XYZ/13,34").mock(return_value=failure)
    forecast = await nws.fetch(ask([47.45, 47.45], [-115.69, -115.66]))
    np.testing.assert_array_equal(forecast.air_temp_c[0, 1], forecast.air_temp_c[0, 0])
    (gap,) = forecast.gaps
    assert gap.cell_idx == (1,)
    assert word in gap.reason
    assert gap.reason.endswith("its neighbour XYZ/12,34 stands in")


def test_a_neighbour_touches_and_belongs_to_the_same_office() -> None:
    assert neighbour("XYZ/9,9", {"XYZ/10,10": 0, "XYZ/9,10": 0, "XYZ/9,11": 0, "ABC/9,10": 0}) == "XYZ/9,10"
    assert neighbour("XYZ/9,9", {"XYZ/11,9": 0, "ABC/9,10": 0, "XYZ/9,9": 0}) is None


@respx.mock
async def test_an_answer_that_names_another_cell_is_not_taken(nws: Nws) -> None:
    respx.get(f"{BASE}/points/47.45,-115.69").respond(json=POINT)
    respx.get(f"{BASE}/gridpoints/XYZ/12,34").respond(json=grid(gridY=35))
    with pytest.raises(NotCovered, match="answered cell XYZ/12,35 where XYZ/12,34 was asked"):
        await nws.fetch(ask([47.45], [-115.69]))


@pytest.mark.parametrize(
    ("layer", "uom", "value", "field", "expected"),
    [
        ("temperature", "http://codes.wmo.int/common/unit/degC", 3, "air_temp_c", 3.0),
        ("temperature", "uc:Cel", 3, "air_temp_c", 3.0),
        ("temperature", "degC", 3, "air_temp_c", 3.0),
        ("windSpeed", "uc:km/h", 36, "wind_mps", 10.0),
        ("windSpeed", "unit:m_s-1", 10, "wind_mps", 10.0),
        ("windSpeed", "nwsUnit:kt", 10, "wind_mps", 5.144444),
        ("skyCover", "uc:%", 50, "cloud_frac", 0.5),
    ],
)
def test_units_are_known_by_any_prefix_of_the_specification(
    layer: str, uom: str, value: float, field: str, expected: float
) -> None:
    """OpenAPI 3.8.1, UnitOfMeasure: wmo, uc, wmoUnit or nwsUnit before the unit, or nothing; `unit:` until 2021."""
    raw = {"uom": uom, "values": [{"validTime": "2026-01-12T00:00:00+00:00/PT1H", "value": value}]}
    np.testing.assert_allclose(getattr(hours_of(grid(**{layer: raw}), hours=1), field), [expected], rtol=1e-6)


@pytest.mark.parametrize("layer", [None, {}, {"values": []}, {"values": None}, {"uom": None, "values": []}])
def test_a_layer_that_says_nothing_is_unknown(layer: object) -> None:
    cell = hours_of(grid(quantitativePrecipitation=layer, snowfallAmount=layer, weather=layer, elevation=None))
    assert np.isnan(cell.precip_mmwe_h).all()
    assert np.isnan(cell.snowfall_mm_h).all()
    assert np.isnan(cell.elevation_m)


def test_a_null_grid_id_means_not_covered() -> None:
    """Seen in Alaska (weather-gov/api discussion 707)."""
    with pytest.raises(NotCovered):
        read_point({"properties": {"gridId": None, "gridX": 1, "gridY": 2}})
    with pytest.raises(SourceError):
        read_point({"properties": {"gridId": "XYZ", "gridX": "a"}})


@pytest.mark.needs_shared
@pytest.mark.skipif(not RECORDED.is_dir(), reason="the reference folder is not beside the checkout")
def test_recorded_blowing_snow_at_minneapolis() -> None:
    """Read by hand: "patchy" 12 Jan 21Z to 13 Jan 00Z, "areas" to 03Z, then snow alone until 12Z."""
    body = json.loads((RECORDED / "nws_gridpoint_MPX_108-72_2024-01-11T17.json").read_text())
    start = datetime(2024, 1, 12, 20, tzinfo=UTC)
    cell = read_grid(body, start=start, hours=9, now_utc=datetime(2024, 1, 11, 17, 12, tzinfo=UTC))
    assert (cell.obscured == Obscured.BLOWING_SNOW).tolist() == [False] + [True] * 6 + [False] * 2
    assert cell.lost == ()


@pytest.mark.needs_shared
@pytest.mark.skipif(not RECORDED.is_dir(), reason="the reference folder is not beside the checkout")
def test_recorded_fog_at_tuscaloosa() -> None:
    """Patchy fog from 12Z to 15Z on 23 Feb 2024, while the visibility layer keeps 16,093 m (10 miles)."""
    body = json.loads((RECORDED / "nws_gridpoint_BMX_32-69_2024-02-23_fog.json").read_text())
    start = datetime(2024, 2, 23, 12, tzinfo=UTC)
    cell = read_grid(body, start=start, hours=4, now_utc=start)
    assert cell.obscured.tolist() == [Obscured.FOG] * 3 + [Obscured.NOTHING]
    np.testing.assert_allclose(cell.visibility_m, 16_093.44)
