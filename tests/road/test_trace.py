"""A column followed through the air: each number is the road model's own, and by hand where a hand can follow."""

from datetime import UTC, datetime
from typing import Any

import numpy as np
import psychrolib
import pytest

from alertd.forecast.model import Forecast, PrecipForm
from alertd.road.corridor import MemberQuantiles, road_cells
from alertd.road.downscale import AirParams
from alertd.road.trace import ANCHORED, BY_WEATHER, POOLED, AirTrace, trace_air

START = datetime(2026, 1, 10, tzinfo=UTC)
MEMBERS, HOURS, NOON, NIGHT = 3, 24, 20, 8  # hours of the day in UTC at 121 degrees west


def traced(
    road_m: float = 1500.0, *, at: int = NOON, height_z: float = 0.0, params: AirParams | None = None, **given: Any
) -> AirTrace:
    """Uniform weather over a cell at 1000 m unless told otherwise: +1 °C, half covered, dry."""
    values = {
        "air_temp_c": 1.0, "rh_frac": 0.7, "pressure_hpa": np.nan, "wind_mps": 4.0, "cloud_frac": 0.5,
        "shortwave_wm2": np.nan, "precip_mmwe_h": 0.0, "precip_prob_frac": np.nan, "freezing_level_m": np.nan,
        "snow_level_m": np.nan, "gust_mps": np.nan, "visibility_m": np.nan,
    }  # fmt: skip
    shape = (MEMBERS, 1, HOURS)
    arrays = {n: np.broadcast_to(given.get(n, v), shape).astype(float) for n, v in values.items()}
    forecast = Forecast(
        provider="stub", licence="none", issued_at=START, fetched_at=START, start=START, lat_deg=np.full(1, 47.0),
        lon_deg=np.full(1, -121.0), elevation_m=np.full(1, 1000.0),
        precip_form=np.broadcast_to(given.get("precip_form", 0), shape).astype(np.int8), **arrays,
    )  # fmt: skip
    cells = road_cells([0.0, 250.0], [road_m, road_m], [0, 0], [47.0, 47.0], [-121.0, -121.0])
    quantiles = MemberQuantiles(
        phase=np.array([0.1, 0.5, 0.9]),
        phase_model=np.array([0.0, 0.5, 1.0]),
        friction=np.full(MEMBERS, 0.5),
        height_z=np.full(MEMBERS, height_z),
        service=np.ones(MEMBERS),
    )
    return trace_air(forecast, cells, quantiles, 0, np.full(MEMBERS, at), params or AirParams())


@pytest.mark.parametrize(
    ("rule", "lapse", "road_m", "at", "given"),
    [
        (ANCHORED, 0.005, 1500.0, NOON, {"air_temp_c": 4.0, "freezing_level_m": 1800.0}),  # 4 K over 800 m
        (BY_WEATHER, 0.0044, 1500.0, NOON, {}),  # January, Liston & Elder 2006
        (BY_WEATHER, 0.0044, 1500.0, NIGHT, {"cloud_frac": 0.1, "wind_mps": 1.0, "freezing_level_m": 1150.0}),
        (POOLED, 0.0, 700.0, NIGHT, {"cloud_frac": np.nan, "wind_mps": 0.5}),
    ],
)
def test_trace_names_the_rule_that_moved_the_temperature(
    rule: str, lapse: float, road_m: float, at: int, given: dict[str, Any]
) -> None:
    t = traced(road_m, at=at, **given)
    assert t.rule == (rule,) * MEMBERS
    np.testing.assert_allclose(t.lapse_k_per_m, lapse)
    np.testing.assert_allclose(t.air_temp_c, t.cell_air_temp_c - lapse * (road_m - 1000.0))


def test_a_members_own_error_by_height_stands_beside_the_rule() -> None:
    """One standard deviation of 3 K/km over half a kilometre."""
    np.testing.assert_allclose(traced(height_z=1.0).air_temp_c - traced().air_temp_c, 1.5)


def test_wet_bulb_and_snow_are_those_of_the_air_at_the_road() -> None:
    """Wet bulb by psychrolib (ASHRAE), whose branch over liquid water begins at 0 °C; Wang 2019 is one half at 0.81."""
    t = traced(air_temp_c=6.0, precip_mmwe_h=2.0, rh_frac=0.8)
    psychrolib.SetUnitSystem(psychrolib.SI)
    by_library = psychrolib.GetTWetBulbFromRelHum(t.air_temp_c[0], t.rh_frac[0], 100.0 * t.pressure_hpa[0])
    assert t.wet_bulb_c[0] == pytest.approx(by_library, abs=0.02)
    assert (t.wang > 0.5).tolist() == (t.wet_bulb_c < 0.81).tolist()
    np.testing.assert_allclose(t.chance, [t.wang_calibrated[0], (t.jennings_calibrated + t.wang_calibrated)[1] / 2,
                                          t.jennings_calibrated[2]])  # fmt: skip
    np.testing.assert_allclose(t.snow_mmwe_h + t.rain_mmwe_h + t.freezing_mmwe_h, 2.0)
    assert np.all(np.diff(t.snow_mmwe_h) <= 0.0)  # low phase ranks see snow first


def test_published_equals_calibrated_without_a_calibration() -> None:
    t = traced(precip_mmwe_h=1.0, params=AirParams(calibration=None))
    np.testing.assert_allclose(t.jennings, t.jennings_calibrated)
    np.testing.assert_allclose(t.wang, t.wang_calibrated)


def test_freezing_rain_of_the_source_is_told_apart_from_rain() -> None:
    t = traced(air_temp_c=-1.0, precip_mmwe_h=1.0, precip_form=PrecipForm.FREEZING)
    np.testing.assert_allclose((t.freezing_mmwe_h, t.rain_mmwe_h, t.snow_mmwe_h), [[1.0] * 3, [0.0] * 3, [0.0] * 3])


def test_an_hour_without_a_needed_field_is_not_known() -> None:
    assert not traced(rh_frac=np.nan).known.any()
    assert traced(cloud_frac=np.nan).known.all()


def test_members_are_each_followed_at_their_own_hour() -> None:
    warming = np.arange(HOURS, dtype=float)
    forecast_hours = [traced(1000.0, at=h, air_temp_c=warming).cell_air_temp_c[0] for h in (3, 4)]
    assert forecast_hours == [3.0, 4.0]
