"""Sight that a forecast without visibility implies: a blizzard lasts three hours or more (NWS glossary)."""

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest

from alertd.forecast.model import WEATHER_FIELDS, Forecast, Obscured
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.wind import WindHours, _gust_and_sight

PARAMS = PlanParams()
START = datetime(2027, 1, 14, tzinfo=UTC)


def forecast(hours: int, **given: Any) -> Forecast:
    shape = (1, 1, hours)
    fields = {
        n: np.broadcast_to(given.get(n, np.nan), shape).astype(float) for n in WEATHER_FIELDS if n != "precip_form"
    }
    place = {"lat_deg": np.full(1, 47.0), "lon_deg": np.full(1, -121.0), "elevation_m": np.full(1, 1000.0)}
    times = {"issued_at": START, "fetched_at": START, "start": START}
    form = np.zeros(shape, dtype=np.int8)
    return Forecast(provider="stub", licence="none", precip_form=form, **times, **place, **fields)


@pytest.mark.parametrize(("hours", "sight_m"), [(2, PARAMS.sight_caution_m), (3, PARAMS.sight_hold_m)])
def test_snow_in_strong_gusts_is_a_blizzard_after_three_hours(hours: int, sight_m: float) -> None:
    gust = np.full((1, 1, 12), 5.0)
    gust[..., 4 : 4 + hours] = 17.0
    given = forecast(air_temp_c=-4.0, precip_mmwe_h=2.0, gust_mps=gust, hours=12)
    sight = _gust_and_sight(given, PARAMS)[1][0, 0]
    assert sight[4 : 4 + hours] == pytest.approx(sight_m)
    assert np.isnan(np.delete(sight, np.s_[4 : 4 + hours])).all()


def test_a_given_visibility_decides() -> None:
    given = forecast(air_temp_c=-4.0, precip_mmwe_h=2.0, gust_mps=20.0, visibility_m=3000.0, hours=6)
    assert (_gust_and_sight(given, PARAMS)[1] == 3000.0).all()


@pytest.mark.parametrize(
    ("gust_mps", "visibility_m", "sight_m"),
    [
        (5.0, np.nan, PARAMS.sight_caution_m),  # the source gives no visibility
        (5.0, 3000.0, 3000.0),  # weak gusts: its visibility counts
        (PARAMS.whiteout_gust_mps, 3000.0, PARAMS.sight_caution_m),
        (PARAMS.whiteout_gust_mps, 100.0, 100.0),  # shorter already
    ],
)
def test_named_blowing_snow_shortens_the_sight(gust_mps: float, visibility_m: float, sight_m: float) -> None:
    """On a dry hour: what blows has fallen before."""
    dry = forecast(air_temp_c=-8.0, precip_mmwe_h=0.0, gust_mps=gust_mps, visibility_m=visibility_m, hours=2)
    code = np.array([[Obscured.BLOWING_SNOW, Obscured.FOG]], dtype=np.int8)
    sight = _gust_and_sight(replace(dry, obscured=code), PARAMS)[1][0, 0]
    assert sight[0] == pytest.approx(sight_m)
    np.testing.assert_array_equal(sight[1], np.float32(visibility_m))


@pytest.mark.parametrize("first_h", [0, 5, 23])
def test_wind_on_the_way_is_that_of_each_member_cell_and_hour(first_h: int) -> None:
    rng = np.random.default_rng(4)
    gust, sight = (rng.random((3, 6, 24)).astype(np.float32) for _ in range(2))
    wind = WindHours(gust_mps=gust, sight_m=sight, cell=rng.integers(0, 6, 8), first_h=first_h)
    hour = rng.integers(0, 30, (3, 8)).astype(np.int32)
    for taken, values in zip(wind.at(hour), (gust, sight), strict=True):
        for (member, section), h in np.ndenumerate(hour + first_h):
            given = values[member, wind.cell[section], h] if h < 24 else np.nan
            assert taken[member, section] == pytest.approx(given, nan_ok=True)
