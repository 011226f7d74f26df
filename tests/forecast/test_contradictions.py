"""Forecasts that contradict one another or a station: the edge of each check, and what a doubt leaves in place."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from alertd.forecast.contradictions import with_contradictions
from alertd.forecast.model import WEATHER_FIELDS, Forecast
from alertd.forecast.observations import Station, StationReport

NOW = datetime(2027, 1, 14, 6, 30, tzinfo=UTC)
FIRST = NOW.replace(minute=0)
HOUR = timedelta(hours=1)
NAN = float("nan")


def forecast(name: str, air_c: Any, *, height_m: float = 1400.0, start: datetime = FIRST) -> Forecast:
    shape = (1, 2, 12)
    arrays: dict[str, Any] = {n: np.full(shape, 0.5) for n in WEATHER_FIELDS}
    arrays |= {"precip_form": np.zeros(shape, dtype=np.int8), "precip_mmwe_h": np.zeros(shape)}
    arrays["air_temp_c"] = np.broadcast_to(np.asarray(air_c, dtype=np.float64), shape).copy()
    return Forecast(
        provider=name, licence="", issued_at=NOW, fetched_at=NOW, start=start, lat_deg=np.array([47.5, 47.6]),
        lon_deg=np.full(2, -115.7), elevation_m=np.full(2, height_m), **arrays,
    )  # fmt: skip


def seen(air_c: float, *, minutes_ago: float = 20.0, height_m: float = 1400.0, lat_deg: float = 47.55) -> StationReport:
    station = Station(id="KXXX", lat_deg=lat_deg, lon_deg=-115.7, elevation_m=height_m)
    names = (
        "dew_point_c", "rh_frac", "wind_mps", "gust_mps", "wind_from_deg", "visibility_m", "precip_last_hour_mmwe",
    )  # fmt: skip
    unknown = dict.fromkeys(names, NAN)
    return StationReport(
        station=station, source="x", observed_at=NOW - timedelta(minutes=minutes_ago), air_temp_c=air_c, weather=None,
        raw="", **unknown,
    )  # fmt: skip


def hours_of(warm: int) -> Any:
    """So many hours of 13 K more, the rest of none."""
    return np.where(np.arange(12) < warm, 13.0, 0.0)


@pytest.mark.parametrize(
    ("other_c", "doubted"), [(0.0, False), (11.9, False), (hours_of(2), False), (hours_of(3), True)]
)
def test_a_lasting_difference_of_twelve_kelvin_is_a_gap_of_both(other_c: Any, doubted: bool) -> None:
    both = with_contradictions([forecast("a", 0.0), forecast("b", other_c)], [], NOW)
    for one in both:
        assert bool(one.gaps) == doubted
    if doubted:
        assert both[0].gaps == both[1].gaps
        assert both[0].gaps[0].reason == (
            "a and b differ by 13 K of air temperature at 47.50, -115.70, 14 Jan 06:00 UTC: one of them is wrong"
        )


def test_heights_are_made_equal_before_two_are_compared() -> None:
    """2000 m higher is 13 K colder at the standard lapse of 6.5 K/km."""
    both = with_contradictions([forecast("a", 10.0), forecast("b", -3.0, height_m=3400.0)], [], NOW)
    assert not any(one.gaps for one in both)


def test_unknown_hours_and_no_common_hours_contradict_nothing() -> None:
    later = forecast("b", 30.0, start=FIRST + 11 * HOUR)
    for other in (forecast("b", NAN), later):
        assert not any(one.gaps for one in with_contradictions([forecast("a", 0.0), other], [], NOW))


@pytest.mark.parametrize(
    ("report", "doubted"),
    [
        (seen(-12.1), True),
        (seen(-11.9), False),
        (seen(12.1), True),
        (seen(-20.0, minutes_ago=121.0), False),
        (seen(-20.0, height_m=1000.0), False),  # a valley below an inversion
        (seen(-20.0, lat_deg=48.0), False),
        (seen(NAN), False),
        (seen(-10.6, height_m=1150.0), True),  # 250 m below: 1.6 K colder at the cell, -12.2
    ],
)
def test_a_station_at_the_height_of_a_cell_contradicts_it(report: StationReport, doubted: bool) -> None:
    (one,) = with_contradictions([forecast("a", 0.0)], [report], NOW)
    assert bool(one.gaps) == doubted
    if doubted:
        assert one.gaps[0].reason.startswith("a: its air temperature of 0 °C near station KXXX contradicts")


def test_the_newest_report_of_a_station_counts() -> None:
    (one,) = with_contradictions([forecast("a", 0.0)], [seen(-20.0, minutes_ago=60.0), seen(-1.0)], NOW)
    assert not one.gaps


def test_one_place_in_three_may_be_weather() -> None:
    """A cold pool at few places is no reason to doubt a source; the two places here are one half each."""
    alone = np.zeros((2, 12))
    alone[0] = 13.0
    assert all(f.gaps for f in with_contradictions([forecast("a", 0.0), forecast("b", alone)], [], NOW))
    third = [three(forecast("a", 0.0)), three(forecast("b", alone))]
    assert not any(f.gaps for f in with_contradictions(third, [], NOW))


def three(two: Forecast) -> Forecast:
    """The same with its second place twice."""
    places = {name: getattr(two, name)[[0, 1, 1]] for name in ("lat_deg", "lon_deg", "elevation_m")}
    return replace(two, **places, **{name: getattr(two, name)[:, [0, 1, 1]] for name in WEATHER_FIELDS})
