"""Reports of a station on whole hours.

Groups: FMH-1 (2019), chapter 12: P, 6 and 7 are hundredths of an inch, 4/ whole inches of snow depth; 0.01 in is
0.254 mm. The classes of intensity: FMH-1 tables 8-2 and 8-3, from memory.
"""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from alertd.forecast.model import PrecipForm
from alertd.forecast.observations import Station, StationReport
from alertd.forecast.station_hours import SNOW_CATCH_FRAC, StationHours, station_hours
from alertd.sources.metar_text import read_text

START = datetime(2027, 1, 12, 12, tzinfo=UTC)
PLACE = Station(id="KXXX", lat_deg=39.3, lon_deg=-120.5, elevation_m=1600.0)
CLEAR = "AUTO 24004KT 10SM CLR 07/M06 A3028 RMK AO2"


def report(at: datetime, body: str = CLEAR) -> StationReport:
    """A report as its coded text gives it."""
    raw = f"KXXX {at:%d%H%M}Z {body}"
    text = read_text(raw, at)
    names = [n for n in text.__slots__]
    values = {name: getattr(text, name) for name in names}
    return StationReport(station=PLACE, source="metar", observed_at=at, rh_frac=float("nan"), raw=raw, **values)


def hourly(*bodies: str, first: datetime = START) -> StationHours:
    """Routine reports at 53 minutes past each hour, one for each hour from START."""
    reports = [report(first + timedelta(hours=h, minutes=53), body) for h, body in enumerate(bodies)]
    return station_hours(reports, START, len(bodies))


def test_dry_hours_are_known_to_be_dry() -> None:
    told = hourly(*[CLEAR] * 5)
    assert list(told.precip_mmwe_h) == [0.0] * 5
    assert told.air_temp_c == pytest.approx([7.0] * 5)
    assert told.cloud_frac == pytest.approx([0.0] * 5)
    # Magnus: dew point -6 at 7 C is 39 %; recorded for KFLG on 2024-02-20 17:57 as 39.6 % with 6.7/-6.1.
    assert told.rh_frac == pytest.approx([0.39] * 5, abs=0.01)


def test_hourly_total_of_rain_is_as_measured() -> None:
    told = hourly(CLEAR, "AUTO 24004KT 5SM RA OVC020 07/06 A2990 RMK AO2 P0010", CLEAR)
    assert told.precip_mmwe_h == pytest.approx([0.0, 2.54, 0.0])


def test_snow_in_the_gauge_is_raised_by_its_catch() -> None:
    told = hourly("AUTO 24004KT 1SM -SN OVC020 M02/M03 A2990 RMK AO2 P0004")
    assert told.precip_mmwe_h == pytest.approx([1.016 / SNOW_CATCH_FRAC])


def test_falling_snow_with_an_empty_gauge_is_not_nothing() -> None:
    (amount,) = hourly("AUTO 24004KT 3SM -SN OVC026 M10/M16 A2966 RMK AO2 P0000").precip_mmwe_h
    assert 0.0 < amount < 0.254


@pytest.mark.parametrize(
    ("group", "low", "high"),
    [
        ("-DZ", 0.0, 0.25), ("DZ", 0.25, 0.51), ("-RA", 0.25, 2.54), ("RA", 2.54, 7.62), ("+RA", 7.62, 50.0),
        ("-SN", 0.1, 1.0), ("SN", 1.0, 2.5), ("+SN", 2.5, 10.0), ("-FZRA", 0.25, 2.54), ("-SHSN", 0.1, 1.0),
    ],
)  # fmt: skip
def test_intensity_without_an_amount_lies_in_its_class(group: str, low: float, high: float) -> None:
    (amount,) = hourly(f"AUTO 24004KT 3SM {group} OVC026 M01/M02 A2966 RMK AO2").precip_mmwe_h
    assert low < amount <= high


def test_blowing_snow_and_vicinity_are_no_precipitation() -> None:
    told = hourly(
        "AUTO 24020KT 3SM BLSN OVC026 M01/M02 A2966 RMK AO2", "AUTO 24004KT 10SM VCSH OVC026 M01/M02 A2966 RMK AO2"
    )
    assert list(told.precip_mmwe_h) == [0.0, 0.0]


def test_six_hour_total_raises_the_hours_in_which_something_fell() -> None:
    """12 hundredths in the six hours to 17:53; light snow in two of them, and no hourly totals."""
    snow = "AUTO 24004KT 3SM -SN OVC026 M01/M02 A2966 RMK AO2"
    told = hourly(CLEAR, snow, snow, CLEAR, CLEAR, f"{CLEAR} 60012")
    assert told.precip_mmwe_h.sum() == pytest.approx(3.048)
    assert list(np.flatnonzero(told.precip_mmwe_h)) == [1, 2]


def test_deeper_snow_on_the_ground_means_that_some_fell() -> None:
    """Four inches more in an unattended station that saw nothing: at 20:1 at least 5.08 mm of water."""
    told = hourly(f"{CLEAR} 4/010", *[CLEAR] * 5, f"{CLEAR} 4/014")
    assert told.precip_mmwe_h.sum() == pytest.approx(5.08)


def test_one_missing_report_is_bridged_and_a_longer_hole_is_not() -> None:
    at = [START + timedelta(hours=h, minutes=53) for h in range(12)]
    one_missing = station_hours([report(t) for i, t in enumerate(at) if i != 4], START, 12)
    assert np.isfinite(one_missing.air_temp_c).all()
    assert np.isfinite(one_missing.precip_mmwe_h).all()
    hole = station_hours([report(t) for i, t in enumerate(at) if not 3 <= i <= 9], START, 12)
    assert np.isnan(hole.air_temp_c).any()
    assert np.isnan(hole.precip_mmwe_h).any()


def test_weather_that_a_station_cannot_see_stays_unknown() -> None:
    """AO1: no discriminator of precipitation; PWINO: the sensor is out of order."""
    for body in (CLEAR.replace("AO2", "AO1"), f"{CLEAR} PWINO"):
        assert np.isnan(hourly(body, body).precip_mmwe_h).all()


def test_freezing_rain_and_pellets_give_the_form() -> None:
    told = hourly(
        "AUTO 24004KT 3SM -FZRA OVC026 M01/M02 A2966 RMK AO2",
        CLEAR,
        CLEAR,
        "AUTO 24004KT 3SM PL OVC026 M01/M02 A2966 RMK AO2",
    )
    assert told.precip_form[0] == PrecipForm.FREEZING
    assert told.precip_form[3] == PrecipForm.PELLETS
