"""Every recorded cell and series read into the numbers that stand in the raw file, each worked by hand.

A row says which value of which layer it is: values[25] of snowfallAmount in the file of Flagstaff is 12.7 mm at
"2024-02-26T12/PT6H", so 12.7 / 6 mm in each hour from 12Z to 17Z. Totals are divided by the hours of their
interval; states are as they stand, in SI (km/h / 3.6, percent / 100). Sources: weather.gov test data (public domain),
pynws (MIT), Open-Meteo data (CC BY 4.0). More rows of the same files stand in test_nws.py and test_open_meteo.py. Files
whose owner altered values are read there for their shape alone.
"""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from alertd.forecast.model import PrecipForm
from alertd.sources.providers.nws.grid import read_grid
from alertd.sources.providers.open_meteo.parse import OpenMeteoHours, read_places

RECORDED = Path(__file__).parents[4].parent / "shared" / "recorded"
pytestmark = [
    pytest.mark.needs_shared,
    pytest.mark.skipif(not RECORDED.is_dir(), reason="the reference folder is not beside the checkout"),
]

FGZ = "nws_gridpoint_FGZ_74-89_2024-02-20_snowlevel.json"
MPX = "nws_gridpoint_MPX_108-72_2024-01-11T17.json"
TAE = "nws_gridpoint_TAE_58-65_2022-02-04.json"
TBW = "nws_gridpoint_TBW_93-38_2022-02-03_empty_layers.json"
BMX = "nws_gridpoint_BMX_32-69_2024-02-23_fog.json"
SNOW, WATER, CHANCE = "snowfallAmount", "quantitativePrecipitation", "probabilityOfPrecipitation"
CELLS = (FGZ, MPX, TAE, TBW, BMX)
UNKNOWN = float("nan")


def recorded(name: str) -> Any:
    return json.loads((RECORDED / name).read_text())


def at(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


@pytest.mark.parametrize(
    ("file", "layer", "index", "span", "value", "hour", "field", "expected"),
    [
        (FGZ, SNOW, 25, "2024-02-26T12/PT6H", 12.7, "2024-02-26T12", "snowfall_mm_h", 2.1166667),
        (FGZ, SNOW, 25, "2024-02-26T12/PT6H", 12.7, "2024-02-26T17", "snowfall_mm_h", 2.1166667),
        (FGZ, SNOW, 27, "2024-02-27T00/PT6H", 2.54, "2024-02-27T05", "snowfall_mm_h", 0.4233333),
        (FGZ, SNOW, 28, "2024-02-27T06/PT6H", 17.78, "2024-02-27T11", "snowfall_mm_h", 2.9633333),
        (FGZ, SNOW, 30, "2024-02-27T18/PT6H", 0, "2024-02-27T23", "snowfall_mm_h", 0.0),
        (FGZ, SNOW, 30, "2024-02-27T18/PT6H", 0, "2024-02-28T00", "snowfall_mm_h", UNKNOWN),
        (FGZ, WATER, 25, "2024-02-26T12/PT6H", 3.048, "2024-02-26T17", "precip_mmwe_h", 0.508),
        (FGZ, WATER, 31, "2024-02-28T00/PT6H", 0, "2024-02-28T05", "precip_mmwe_h", 0.0),
        (FGZ, WATER, 31, "2024-02-28T00/PT6H", 0, "2024-02-28T06", "precip_mmwe_h", UNKNOWN),
        (FGZ, CHANCE, 1, "2024-02-20T12/PT6H", 1, "2024-02-20T17", "precip_prob_frac", 0.01),
        (FGZ, "snowLevel", 0, "2024-02-20T11/PT1H", 2151.888, "2024-02-20T11", "snow_level_m", 2151.888),
        (FGZ, "snowLevel", 179, "2024-02-28T00/PT1H", 1695.9072, "2024-02-28T00", "snow_level_m", 1695.9072),
        (FGZ, "windSpeed", 1, "2024-02-20T12/PT1H", 12.964, "2024-02-20T12", "wind_mps", 3.6011111),
        (FGZ, "windSpeed", 82, "2024-02-27T23/PT2H", 33.336, "2024-02-28T00", "wind_mps", 9.26),
        (FGZ, "skyCover", 2, "2024-02-20T13/PT1H", 77, "2024-02-20T13", "cloud_frac", 0.77),
        (FGZ, "temperature", 146, "2024-02-28T00/PT1H", 3.3333333333333335, "2024-02-28T01", "air_temp_c", UNKNOWN),
        (MPX, SNOW, 5, "2024-01-12T12/PT6H", 22.86, "2024-01-12T12", "snowfall_mm_h", 3.81),
        (MPX, WATER, 4, "2024-01-12T06/PT6H", 0.762, "2024-01-12T11", "precip_mmwe_h", 0.127),
        (MPX, "iceAccumulation", 28, "2024-01-18T06/PT6H", 0, "2024-01-18T11", "ice_mm_h", 0.0),
        (MPX, "iceAccumulation", 28, "2024-01-18T06/PT6H", 0, "2024-01-18T12", "ice_mm_h", UNKNOWN),
        (MPX, "windSpeed", 2, "2024-01-11T13/PT2H", 18.52, "2024-01-11T14", "wind_mps", 5.1444444),
        (MPX, CHANCE, 2, "2024-01-12T02/PT2H", 1, "2024-01-12T03", "precip_prob_frac", 0.01),
        (MPX, "temperature", 0, "2024-01-11T11/PT1H", -6.111111111111111, "2024-01-11T11", "air_temp_c", -6.1111111),
        (MPX, "relativeHumidity", 1, "2024-01-11T12/PT1H", 77, "2024-01-11T12", "rh_frac", 0.77),
        (TAE, WATER, 4, "2022-02-04T18/PT6H", 4.826, "2022-02-04T23", "precip_mmwe_h", 0.8043333),
        (TAE, CHANCE, 0, "2022-02-03T21/PT3H", 8, "2022-02-03T23", "precip_prob_frac", 0.08),
        (TAE, CHANCE, 2, "2022-02-04T06/PT3H", 20, "2022-02-04T08", "precip_prob_frac", 0.2),
        (TAE, "windSpeed", 0, "2022-02-03T21/PT2H", 20.372, "2022-02-03T22", "wind_mps", 5.6588889),
        (TAE, "temperature", 0, "2022-02-03T21/PT1H", 22.77777777777778, "2022-02-03T21", "air_temp_c", 22.7777778),
        (TBW, WATER, 7, "2022-02-05T06/PT6H", 1.016, "2022-02-05T06", "precip_mmwe_h", 0.1693333),
        (TBW, WATER, 8, "2022-02-05T12/PT6H", 0.254, "2022-02-05T17", "precip_mmwe_h", 0.0423333),
        (TBW, CHANCE, 1, "2022-02-04T06/PT18H", 1, "2022-02-04T23", "precip_prob_frac", 0.01),
        (TBW, CHANCE, 3, "2022-02-05T06/PT6H", 26, "2022-02-05T06", "precip_prob_frac", 0.26),
        (TBW, "windSpeed", 2, "2022-02-03T15/PT3H", 18.52, "2022-02-03T17", "wind_mps", 5.1444444),
        (BMX, WATER, 21, "2024-02-28T18/PT6H", 2.286, "2024-02-28T18", "precip_mmwe_h", 0.381),
        (BMX, WATER, 29, "2024-03-01T18/PT6H", 3.302, "2024-03-01T23", "precip_mmwe_h", 0.5503333),
        (BMX, "temperature", 1, "2024-02-23T14/PT3H", 14.444444444444445, "2024-02-23T16", "air_temp_c", 14.4444444),
        (BMX, CHANCE, 3, "2024-02-26T18/PT12H", 1, "2024-02-27T05", "precip_prob_frac", 0.01),
        (BMX, "windSpeed", 2, "2024-02-23T14/PT1H", 16.668, "2024-02-23T14", "wind_mps", 4.63),
    ],
)  # fmt: skip
def test_an_hour_of_a_cell_is_what_the_raw_file_says(
    file: str, layer: str, index: int, span: str, value: float, hour: str, field: str, expected: float
) -> None:
    body = recorded(file)
    sample = body["properties"][layer]["values"][index]
    assert (sample["validTime"].replace(":00:00+00:00", ""), sample["value"]) == (span, value)
    cell = read_grid(body, start=at(hour), hours=1, now_utc=at(hour))
    np.testing.assert_allclose(getattr(cell, field), [expected], rtol=1e-6)


@pytest.mark.parametrize("file", CELLS)
@pytest.mark.parametrize(
    ("layer", "field"),
    [(WATER, "precip_mmwe_h"), (SNOW, "snowfall_mm_h"), ("iceAccumulation", "ice_mm_h")],
)  # fmt: skip
def test_trap_01_hours_add_up_to_the_totals_of_the_raw_file(file: str, layer: str, field: str) -> None:
    """Over the eight days and a half from six hours before the first interval: the plain sum of the file's values."""
    body = recorded(file)
    samples = body["properties"][layer]["values"]
    first = datetime.fromisoformat(body["properties"]["validTimes"].split("/")[0])
    hours = getattr(read_grid(body, start=first - timedelta(hours=6), hours=204, now_utc=first), field)
    if not samples:
        assert np.isnan(hours).all()
        return
    assert np.nansum(hours) == pytest.approx(sum(sample["value"] for sample in samples))
    # "PT6H" is the longest of them: the number between T and H is its hours.
    covered = sum(int(sample["validTime"].split("/PT")[1].removesuffix("H")) for sample in samples)
    assert np.count_nonzero(~np.isnan(hours)) == covered


@pytest.mark.parametrize("file", CELLS)
def test_no_recorded_cell_speaks_of_freezing_rain_or_pellets(file: str) -> None:
    """By a search of the raw text; none of the genuine recordings has ice."""
    text = (RECORDED / file).read_text()
    assert not any(word in text for word in ('"freezing_rain"', '"freezing_drizzle"', '"sleet"'))
    body = recorded(file)
    first = datetime.fromisoformat(body["properties"]["validTimes"].split("/")[0])
    assert set(read_grid(body, start=first, hours=180, now_utc=first).precip_form) == {PrecipForm.UNSPECIFIED}


def local(name: str) -> OpenMeteoHours:
    (place,) = read_places(recorded(name), want_local_time=True)
    return place


STUTTGART = "open_meteo_stuttgart_2024-01-17_rain_to_snow.json"
BRASILIA = "open_meteo_brasilia_2023-10-25_httptest.json"
ARCHIVE = "open_meteo_archive_brasilia_2022-12-29_httptest.json"
ADELAIDE = "open_meteo_adelaide_2026-07-16_wetbulb.json"


@pytest.mark.parametrize(
    ("file", "hour", "begins", "field", "expected"),
    [
        # Stamps in CET, an hour ahead: hour 1 is 15Z to 16Z, between the stamps 16:00 (8.0) and 17:00 (8.7).
        (STUTTGART, 1, "2024-01-17T15:00", "air_temp_c", 8.35),
        (STUTTGART, 17, "2024-01-18T07:00", "air_temp_c", (3.4 + 1.9) / 2),
        (STUTTGART, 1, "2024-01-17T15:00", "rh_frac", (85 + 86) / 200),
        (STUTTGART, 19, "2024-01-18T09:00", "precip_mmwe_h", 0.80),  # the sum at stamp 11:00 CET, values[20]
        # Stamps three hours behind: hour 0 is 03Z to 04Z, between 23.1 and 22.4.
        (BRASILIA, 0, "2023-10-25T03:00", "air_temp_c", 22.75),
        (BRASILIA, 2, "2023-10-25T05:00", "air_temp_c", (21.5 + 20.8) / 2),
        (ARCHIVE, 1, "2022-12-29T04:00", "air_temp_c", 18.65),
        (ARCHIVE, 2, "2022-12-29T05:00", "air_temp_c", (18.6 + 18.3) / 2),
        # Stamps nine hours and a half ahead.
        (ADELAIDE, 1, "2026-07-15T15:30", "air_temp_c", 6.5),
        (ADELAIDE, 0, "2026-07-15T14:30", "rh_frac", 0.965),
        (ADELAIDE, 1, "2026-07-15T15:30", "wind_mps", (2.72 + 2.21) / 2),
        (ADELAIDE, 0, "2026-07-15T14:30", "precip_mmwe_h", 0.0),
        (ADELAIDE, 71, "2026-07-18T13:30", "air_temp_c", UNKNOWN),  # one end only
    ],
)
def test_an_hour_of_a_series_is_what_the_raw_file_says(
    file: str, hour: int, begins: str, field: str, expected: float
) -> None:
    place = local(file)
    assert place.start + timedelta(hours=hour) == at(begins)
    np.testing.assert_allclose(place.fields[field][0, hour], expected)


@pytest.mark.parametrize(
    ("file", "lat_deg", "lon_deg", "elevation_m"),
    [
        (STUTTGART, 48.78, 9.18, 253.0),
        (BRASILIA, -15.75, -48.0, 1134.0),
        (ARCHIVE, -15.799995, -47.899994, 1134.0),
        (ADELAIDE, -34.76274, 138.64557, 12.0),
    ],
)
def test_a_series_says_where_it_is_for(file: str, lat_deg: float, lon_deg: float, elevation_m: float) -> None:
    place = local(file)
    assert (place.lat_deg, place.lon_deg, place.elevation_m) == (lat_deg, lon_deg, elevation_m)
