"""A forecast moved toward a station's air: sizes worked out by hand, and what it must never do.

One station at a cell's own place and height has weight 1 against the forecast's 1, so half of a departure is taken.
"""

from datetime import UTC, datetime, timedelta
from math import exp, nan
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.forecast.model import WEATHER_FIELDS, Forecast
from alertd.forecast.nudge import NudgeParams, NudgeResult, nudge
from alertd.forecast.observations import Station, StationReport

START = datetime(2027, 1, 14, tzinfo=UTC)
AT = START + timedelta(hours=6, minutes=30)  # the middle of hour 6
M_PER_DEG_LAT = 6_371_000.0 * np.pi / 180.0


def forecast(air_c: float | list[float] = -5.0, *, height_m: float = 1000.0, **over: Any) -> Forecast:
    """Members of one cell, 24 hours alike, dry and clear unless told otherwise."""
    air = np.broadcast_to(np.atleast_1d(np.asarray(air_c, dtype=np.float64))[:, None, None], (np.size(air_c), 1, 24))
    fields: dict[str, Any] = {name: np.zeros(air.shape) for name in WEATHER_FIELDS if name != "precip_form"}
    fields |= {"air_temp_c": air.copy(), "freezing_level_m": np.full(air.shape, 500.0)}
    fields |= {name: np.full(air.shape, value) for name, value in over.items()}
    return Forecast(
        provider="made", licence="", issued_at=START, fetched_at=START, start=START, lat_deg=np.array([47.45]),
        lon_deg=np.array([-115.7]), elevation_m=np.array([height_m]),
        precip_form=np.zeros(air.shape, dtype=np.int8), **fields,
    )  # fmt: skip


def report(
    air_c: float, *, id_: str = "KXXX", north_m: float = 0.0, height_m: float = 1000.0, at: datetime = AT
) -> StationReport:
    return StationReport(
        station=Station(id=id_, lat_deg=47.45 + north_m / M_PER_DEG_LAT, lon_deg=-115.7, elevation_m=height_m),
        source="made", observed_at=at, air_temp_c=air_c, dew_point_c=nan, rh_frac=nan, wind_mps=nan, gust_mps=nan,
        wind_from_deg=nan, visibility_m=nan, precip_last_hour_mmwe=nan, weather=None, raw="",
    )  # fmt: skip


def moved(told: Forecast, *reports: StationReport) -> NudgeResult:
    return nudge(told, reports, AT)


def move_k(told: Forecast, *reports: StationReport) -> Any:
    return (moved(told, *reports).forecast.air_temp_c - told.air_temp_c)[0, 0]


def test_half_a_station_difference_fades_over_six_hours() -> None:
    """Half of the difference to a colder station is taken; it fades on both sides."""
    k = move_k(forecast(-5.0), report(-9.0))
    assert k[[0, 3, 6, 7, 9, 11, 12, 13]] == pytest.approx([0.0, -1.0, -2.0, -5 / 3, -1.0, -1 / 3, 0.0, 0.0])


@pytest.mark.parametrize(
    ("where", "weight"),
    [
        ({"north_m": 20_000.0}, exp(-1)),
        ({"height_m": 1300.0}, exp(-1)),
        ({"north_m": 10_000.0, "height_m": 1150.0}, exp(-1)),
        ({"north_m": 41_000.0}, 0.0),  # out of reach
    ],
)
def test_far_and_higher_stations_weigh_less(where: dict[str, float], weight: float) -> None:
    expected_c = -5.0 - 0.0065 * (where.get("height_m", 1000.0) - 1000.0)  # standard atmosphere, upward in dry air
    k = move_k(forecast(-5.0), report(expected_c - 4.0, **where))
    assert k[6] == pytest.approx(-4.0 * weight / (weight + 1.0), rel=1e-6)


def test_stations_are_weighed_together_by_their_newest_reports() -> None:
    both = [report(-9.0, id_="KAAA"), report(-7.0, id_="KBBB")]
    assert move_k(forecast(-5.0), *both)[6] == pytest.approx((-4.0 - 2.0) / 3.0)
    older = report(+20.0, id_="KAAA", at=AT - timedelta(minutes=50))
    assert move_k(forecast(-5.0), older, *both)[6] == pytest.approx(-2.0)


def test_a_valley_station_is_compared_at_its_own_height() -> None:
    low = report(-5.0, height_m=500.0)
    assert not move_k(forecast(-5.0), low).any()  # clear air is not taken to be warmer below
    wet = move_k(forecast(-5.0, precip_mmwe_h=1.0), low)  # 6.0 K/km: -2 °C told there, 3 K too warm
    assert wet[6] == pytest.approx(-3.0 * exp(-5 / 3) / (1.0 + exp(-5 / 3)))


def test_the_forecast_is_read_at_the_moment_of_the_observation() -> None:
    falling = forecast(0.0)
    hours = np.arange(24, dtype=np.float64)[None, None, :]
    falling = Forecast(**{n: getattr(falling, n) for n in falling.__slots__} | {"air_temp_c": -hours})
    whole_hour = report(-10.0, at=START + timedelta(hours=6))  # between the middles of hours 5 and 6: -5.5 °C
    assert nudge(falling, [whole_hour], AT).coldest_k == pytest.approx(-4.5 / 2 * (1 - 0.5 / 6))


def test_cooling_has_a_limit() -> None:
    assert move_k(forecast(-5.0), report(-30.0))[[6, 9]] == pytest.approx([-3.0, -1.5])


@pytest.mark.parametrize(
    ("told_c", "seen_c", "k"),
    [
        (-5.0, -3.0, 0.5),  # half of half
        (-5.0, 5.0, 1.0),  # at most
        (-0.3, 9.7, 0.3),  # not across 0 °C
        (0.0, 10.0, 0.0),
        (1.5, 11.5, 0.5),  # not across 2 °C
        (2.5, 12.5, 1.0),
    ],
)
def test_warming_is_halved_small_and_never_out_of_winter(told_c: float, seen_c: float, k: float) -> None:
    assert move_k(forecast(told_c), report(seen_c))[6] == pytest.approx(k)


def test_spread_and_unknown_stay_and_levels_move_with_the_air() -> None:
    told = forecast([-7.0, -5.0, -3.0], snow_level_m=nan)
    out = moved(told, report(-9.0)).forecast
    assert np.ptp(out.air_temp_c[:, 0, 6]) == pytest.approx(4.0)
    assert out.freezing_level_m[0, 0, 6] == pytest.approx(500.0 - 2.0 * 1000.0 / 6.5)
    assert np.isnan(out.snow_level_m).all()
    air = np.full((3, 1, 24), -5.0)
    air[:, :, 8] = nan
    holed = Forecast(**{n: getattr(told, n) for n in told.__slots__} | {"air_temp_c": air})
    after = moved(holed, report(-9.0)).forecast.air_temp_c[0, 0]
    assert np.isnan(after[8])
    assert after[7] == pytest.approx(-5.0 - 5 / 3)


@pytest.mark.parametrize(
    "unusable",
    [
        report(-9.0, at=AT - timedelta(minutes=121)),
        report(-9.0, at=AT + timedelta(minutes=11)),
        report(nan),
        report(-9.0, height_m=nan),
        report(-9.0, north_m=200_000.0),
    ],
)
def test_old_unknown_and_far_reports_change_nothing(unusable: StationReport) -> None:
    told = forecast(-5.0)
    out = moved(told, unusable)
    assert out.forecast is told
    assert out.stations_n == 0


def test_source_of_other_hours_does_not_block_the_correction() -> None:
    told = forecast([-5.0, -5.0])
    air = np.full((2, 1, 24), -5.0)
    air[1, :, :6] = nan  # one source begins with hour 6
    parted = Forecast(**{n: getattr(told, n) for n in told.__slots__} | {"air_temp_c": air})
    early = report(-9.0, at=AT - timedelta(minutes=20))
    after = nudge(parted, [early], AT).forecast.air_temp_c
    assert after[0, 0, [5, 6]] == pytest.approx([-5 - 2 * (1 - 2 / 18), -5 - 2 * (1 - 1 / 18)])
    assert np.isnan(after[1, 0, 5])
    assert after[1, 0, 6] == after[0, 0, 6]


def test_a_forecast_that_knows_nothing_is_not_made_to_know() -> None:
    told = forecast(nan)
    assert np.isnan(moved(told, report(-9.0)).forecast.air_temp_c).all()


@given(
    told_c=st.floats(-30, 30),
    seen=st.lists(st.tuples(st.floats(-60, 60), st.floats(0, 50_000), st.floats(0, 4000)), min_size=1, max_size=6),
)
def test_no_stations_take_an_hour_from_winter(told_c: float, seen: list[tuple[float, float, float]]) -> None:
    """However wrong they are: within the limits, and the mean of an hour never lifted across 0 or 2 °C."""
    params = NudgeParams()
    reports = [report(c, id_=f"K{i}", north_m=m, height_m=h) for i, (c, m, h) in enumerate(seen)]
    after = moved(forecast(told_c), *reports).forecast.air_temp_c
    assert after.min() >= told_c - params.cool_most_k - 1e-9
    assert after.max() <= told_c + params.warm_most_k + 1e-9
    for edge_c in (0.0, 2.0):
        assert told_c > edge_c or after.max() <= edge_c + 1e-9
