"""What counts as having happened: nothing seen is never taken for nothing there."""

from dataclasses import replace
from datetime import UTC, datetime
from itertools import product
from math import nan

import pytest

from alertd.forecast.observations import Phenomenon, Station, StationReport
from alertd.plan.verification import TripEvidence, chains_needed, winter_weather

REPORT = StationReport(
    station=Station(id="KXX", lat_deg=47.4, lon_deg=-115.7, elevation_m=1400.0), source="made",
    observed_at=datetime(2027, 1, 14, 14, tzinfo=UTC), air_temp_c=-2.0, dew_point_c=nan, rh_frac=nan, wind_mps=nan,
    gust_mps=nan, wind_from_deg=nan, visibility_m=nan, precip_last_hour_mmwe=nan, weather=(Phenomenon.SNOW,), raw="",
)  # fmt: skip


def test_a_report_or_a_sign_is_yes_whatever_else_is_known() -> None:
    for chained, sign, none, passed, spoken in product((False, True), repeat=5):
        v = chains_needed(TripEvidence(chained=chained, sign=sign, none_posted=none, passed=passed, advised=spoken))
        assert (v.happened is True) == (chained or sign)
        if v.happened is False:
            assert passed
            assert none or spoken


@pytest.mark.parametrize(
    ("weather", "air_c", "happened"),
    [
        ((Phenomenon.SNOW,), -2.0, True),
        ((Phenomenon.SNOW,), nan, True),
        ((Phenomenon.FREEZING_RAIN, Phenomenon.MIST), -0.5, True),
        ((Phenomenon.BLOWING_SNOW,), -8.0, True),
        ((Phenomenon.SNOW,), 2.0, None),
        ((Phenomenon.RAIN,), 6.0, False),
        ((), 6.0, False),
        ((Phenomenon.RAIN,), 1.0, None),
        ((), -4.0, None),
        ((), nan, None),
        (None, 6.0, None),
    ],
)
def test_weather_seen_tells_and_a_cold_dry_hour_does_not(
    weather: tuple[Phenomenon, ...] | None, air_c: float, happened: bool | None
) -> None:
    assert winter_weather(replace(REPORT, weather=weather, air_temp_c=air_c)).happened is happened


def test_no_report_is_no_answer() -> None:
    assert winter_weather(None).happened is None
