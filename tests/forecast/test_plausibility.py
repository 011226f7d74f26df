"""Which answers are doubted, each check at its edge; and that no honest answer or measurement on record is."""

import csv
import json
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from alertd.forecast.plausibility import SAME_N, ReportedValues, season_bounds_c, why_doubted
from alertd.sources.providers.met_norway import parse
from alertd.sources.providers.nws import grid
from alertd.sources.providers.open_meteo import parse as open_meteo_hours

ROOT = Path(__file__).parents[2]
SHARED = ROOT.parent / "shared"
START = datetime(2027, 1, 14, tzinfo=UTC)
HOURS = 60
needs_shared = [
    pytest.mark.needs_shared,
    pytest.mark.skipif(not SHARED.is_dir(), reason="the reference folder is not beside the checkout"),
]


def result(air_c: Any = None, **more: Any) -> ReportedValues:
    """Two places at 1400 m and 47.5 N in January."""
    if air_c is None:
        air_c = -3.0 + 2.0 * np.sin(np.arange(HOURS) * 0.26)
    air = np.broadcast_to(np.asarray(air_c, dtype=np.float64), (1, 2, HOURS)).copy()
    whole: dict[str, Any] = {
        "start": START, "lat_deg": np.array([47.5, 47.6]), "lon_deg": np.array([-115.7, -115.6]),
        "elevation_m": np.array([1400.0, 1400.0]), "air_temp_c": air, "precip_mmwe_h": np.ones_like(air),
        "reported_c": air,
    }  # fmt: skip
    return ReportedValues(**whole | more)


def like(value: float) -> Any:
    return np.full((1, 2, HOURS), value)


def with_one(values: Any, at: tuple[int, ...], value: float) -> Any:
    out = np.array(values)
    out[at] = value
    return out


MILD = 8.0 + np.sin(np.arange(HOURS) * 0.26)
GOOD = result()


@pytest.mark.parametrize(
    ("answer", "before", "words"),
    [
        (GOOD, None, ""),
        (GOOD, GOOD, ""),
        (result((GOOD.air_temp_c - 20.0) * 1.8 + 32.0), result(GOOD.air_temp_c - 20.0), "differs by +1"),
        (result(GOOD.air_temp_c + 11.9), GOOD, ""),
        (result(GOOD.air_temp_c + 12.1), GOOD, "differs by +12 K from its last good answer"),
        (result(with_one(GOOD.air_temp_c, (0, 1, 30), 15.0)), GOOD, "47.60, -115.60, 15 Jan 06:00 UTC, differs by +1"),
        (result(with_one(GOOD.air_temp_c, (0, 1, 55), 15.0)), GOOD, ""),  # farther ahead than 48 h
        (result(with_one(GOOD.air_temp_c, (0, 1, 2), 15.0)), GOOD, ""),  # past
        (result(60.0 + MILD), None, "beyond the highest"),
        (result(-70.0 - MILD), None, "beyond the lowest"),
        (result(dew_point_c=GOOD.air_temp_c + 1.4), None, ""),
        (result(dew_point_c=GOOD.air_temp_c + 1.6), None, "dew point is 1.6 K above its air temperature"),
        (result(MILD, snow=like(1.0) > 0.0), None, "reports snowfall at"),
        (result(MILD, snow=like(1.0) > 0.0, snow_above_c=10.0), None, ""),
        (result(with_one(like(0) + MILD, (0, slice(None), slice(0, 60, 6)), 4.9), snow=like(1.0) > 0.0), None, ""),
        (result(MILD, freezing_level_m=like(1350.0)), None, "freezing level of 1350 m contradicts its air temperature"),
        (result(MILD, freezing_level_m=like(1700.0)), None, ""),
        (result(MILD - 50.0, freezing_level_m=like(4000.0)), None, "freezing level of 4000 m contradicts"),
        (result(MILD - 30.0, freezing_level_m=like(2000.0)), None, ""),  # an inversion
        (result(reported_c=with_one(GOOD.air_temp_c, (0, 0, slice(20, 20 + SAME_N)), 0.5)), None, "is the same, 0.5"),
        (result(reported_c=with_one(GOOD.air_temp_c, (0, 0, slice(20, 19 + SAME_N)), 0.5)), None, ""),
        # Overcast air over melting snow may keep its temperature. Another height or dew point contradicts that.
        (result(like(0.1), dew_point_c=like(-0.2)), None, ""),
        (result(like(0.1), dew_point_c=like(-0.2), precip_mmwe_h=like(0.0)), None, "is the same, 0.1"),
        (result(like(0.1), dew_point_c=like(-0.2), elevation_m=np.array([1400.0, 1000.0])), None, "is the same, 0.1"),
        (result(like(0.1), dew_point_c=like(-6.0) + np.linspace(0.0, 5.0, HOURS)), None, "is the same, 0.1"),
        (result(air_temp_c=like(np.nan)), None, "no hour ahead with a temperature and precipitation"),
        (result(precip_mmwe_h=like(np.nan)), None, "no hour ahead with a temperature and precipitation"),
        (result(start=START - timedelta(days=9)), None, "no hour ahead with a temperature and precipitation"),
        (result(with_one(GOOD.air_temp_c, (0, 0), np.nan)), None, ""),
        (result(with_one(GOOD.air_temp_c, (0, 0), np.nan)), GOOD, "precipitation for 1 of 2 places"),
    ],
)  # fmt: skip
def test_each_check_at_its_edge(answer: ReportedValues, before: ReportedValues | None, words: str) -> None:
    """The limits of 12 K, 5 degrees and 12 hours are a stated requirement; the others are our estimate."""
    why = why_doubted(answer, before, START + timedelta(hours=4))
    assert (words in why) if words else not why, why


def test_answers_of_other_starts_are_compared_by_the_hour() -> None:
    later = result(start=START + timedelta(hours=6))
    shifted = result(np.roll(GOOD.air_temp_c, -6, axis=2), start=START + timedelta(hours=6))
    warmer = replace(shifted, air_temp_c=shifted.air_temp_c + 13.0)
    assert [bool(why_doubted(one, GOOD, START)) for one in (later, shifted, warmer)] == [False, False, True]


@pytest.mark.parametrize(
    ("lat_deg", "elevation_m", "day", "record_c"),
    [
        (36.46, -54.0, "2020-07-10", 56.7), (39.77, 1611.0, "2020-01-15", 24.4), (39.77, 1611.0, "2020-07-15", 40.6),
        (50.23, 225.0, "2021-06-29", 49.6), (29.65, 3650.0, "2020-01-15", 20.5), (62.67, 5.0, "2020-01-02", 19.0),
        (41.91, 2500.0, "2020-02-01", -56.3), (67.55, 137.0, "2020-06-20", 38.0), (-54.8, 20.0, "2020-01-15", 29.5),
        (46.52, 1979.0, "2020-01-20", -56.7),
    ],
)  # fmt: skip
def test_records_of_known_places_are_held_possible(
    lat_deg: float, elevation_m: float, day: str, record_c: float
) -> None:
    """Death Valley, Denver, Lytton, Lhasa, Sunndalsoera, Peter Sink, Verkhoyansk, Ushuaia, Rogers Pass: from memory."""
    start = datetime.fromisoformat(day).replace(tzinfo=UTC)
    lowest, highest = season_bounds_c(np.array([lat_deg]), np.array([elevation_m]), start, 24)
    assert lowest.max() < record_c < highest.min()


@pytest.mark.parametrize(
    ("lat_deg", "elevation_m", "month", "air_c"),
    [(39.7, 3400.0, 1, 20.0), (47.4, 1430.0, 1, 27.0), (50.0, 1300.0, 2, 25.0), (68.0, 400.0, 12, 23.0)],
)
def test_freezing_point_in_fahrenheit_on_a_pass_is_not(
    lat_deg: float, elevation_m: float, month: int, air_c: float
) -> None:
    start = datetime(2027, month, 10, tzinfo=UTC)
    _, highest = season_bounds_c(np.array([lat_deg]), np.array([elevation_m]), start, 24)
    assert highest.max() < air_c


def open_meteo(name: str) -> ReportedValues:
    """Some were asked for without precipitation: there the check for hours of use has nothing to say."""
    answer = open_meteo_hours._reported_values(open_meteo_hours.read_places(body(name), want_local_time=True))
    if np.isfinite(answer.precip_mmwe_h).any():
        return answer
    return replace(answer, precip_mmwe_h=np.zeros_like(answer.precip_mmwe_h))


def met_norway(name: str) -> ReportedValues:
    found = body(name)
    return parse._reported_values(parse.read_place(found.get("data", found)))


def nws(name: str) -> ReportedValues:
    found = body(name)
    hour = datetime.fromisoformat(found["properties"]["updateTime"]).replace(minute=0, second=0)
    cell = grid.read_grid(found, start=hour - timedelta(hours=8), hours=200, now_utc=hour)
    lon, lat = found["geometry"]["coordinates"][0][0]
    place = (float(lat), float(lon)) if lon < -60.0 else (45.0, -93.4)  # that of Minneapolis shows a dummy square
    return grid._reported_values(cell, place)


def body(name: str) -> Any:
    path = SHARED / "recorded" / name
    return json.loads((path if path.is_file() else ROOT / "fixtures/forecast" / name).read_text())


@pytest.mark.parametrize(
    ("read", "name"),
    [
        (open_meteo, "open_meteo_two_places.json"),
        (met_norway, "met_norway_complete.json"),
        (nws, "nws_grid.json"),
        *(
            pytest.param(read, name, marks=needs_shared)
            for read, name in (
                (open_meteo, "open_meteo_adelaide_2026-07-16_wetbulb.json"),
                (open_meteo, "open_meteo_archive_brasilia_2022-12-29_httptest.json"),
                (open_meteo, "open_meteo_brasilia_2023-10-25_httptest.json"),
                (open_meteo, "open_meteo_stuttgart_2024-01-17_rain_to_snow.json"),
                (open_meteo, "z_EDITED_open_meteo_new_jersey_2025-12-29_injected_nulls_snow.json"),
                (met_norway, "metno_compact_newyork_2020-07-20_with_headers.json"),
                (met_norway, "metno_compact_oslo_2023-11-17.json"),
                (met_norway, "metno_compact_SWAPPED_latlon_2021-10-12.json"),
                (nws, "nws_gridpoint_MPX_108-72_2024-01-11T17.json"),
                (nws, "nws_gridpoint_FGZ_74-89_2024-02-20_snowlevel.json"),
                (nws, "nws_gridpoint_BMX_32-69_2024-02-23_fog.json"),
                (nws, "nws_gridpoint_TAE_58-65_2022-02-04.json"),
                (nws, "nws_gridpoint_TBW_93-38_2022-02-03_empty_layers.json"),
            )
        ),
    ],
)
def test_no_recorded_answer_is_doubted(read: Callable[[str], ReportedValues], name: str) -> None:
    """Real answers; the cell of Minneapolis keeps one temperature for 12 hours, so that source's limit is 24."""
    answer = read(name)
    assert np.isfinite(answer.air_temp_c).any()
    assert why_doubted(answer, None, answer.start) == ""
    assert why_doubted(answer, answer, answer.start) == ""


@pytest.mark.needs_shared
@pytest.mark.skipif(not SHARED.is_dir(), reason="the reference folder is not beside the checkout")
@pytest.mark.parametrize(
    ("name", "time", "elevation", "air", "n"),
    [
        ("temperature_48h_forecasts_pnw_2004_first_half.csv", "valid_utc", "elev_m", "observed_c", 18_000),
        ("phase_reports_tahoe_2020_2021.csv", "utc_datetime", "elev", "tair", 2_000),
        ("surface_reports_1995-03-18_half.csv", "time_utc", "elev_m", "air_c", 500),
    ],
)
def test_no_measured_temperature_is_beyond_the_season(name: str, time: str, elevation: str, air: str, n: int) -> None:
    beyond, seen = [], 0
    with (SHARED / "observations" / name).open(newline="", encoding="utf-8") as file:
        for row in csv.DictReader(file):
            if not row[air] or not row[elevation]:
                continue
            at = row[time]
            start = datetime.fromisoformat(f"{at[:4]}-{at[4:6]}-{at[6:8]}T{at[8:10]}:00Z" if at.isdigit() else at)
            lat = float(row["latitude"] if "latitude" in row else row["lat"])
            lowest, highest = season_bounds_c(np.array([lat]), np.array([float(row[elevation])]), start, 1)
            seen += 1
            if not lowest[0, 0] < float(row[air]) < highest[0, 0]:
                beyond.append(row)
    assert seen > n
    assert beyond == []


@pytest.mark.needs_shared
@pytest.mark.skipif(not SHARED.is_dir(), reason="the reference folder is not beside the checkout")
def test_a_change_of_12_k_is_rare_even_against_the_truth() -> None:
    """Forecasts two days ahead, Pacific Northwest 2004, against what was measured: 42 of 18,439 missed by more."""
    with (SHARED / "observations/temperature_48h_forecasts_pnw_2004_first_half.csv").open(encoding="utf-8") as file:
        missed = [abs(float(r["forecast48h_mean_c"]) - float(r["observed_c"])) for r in csv.DictReader(file)]
    assert np.mean(np.array(missed) > 12.0) < 0.003
