"""Humidity, wet bulb and temperature at the road's height."""

import csv
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import psychrolib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.road import humidity, radiation
from alertd.road.downscale import AIR

LAPSE = 0.0065
BRENNER = "valley_and_summit_winter_hours_brenner_even_years.csv"
OBSERVED = Path(__file__).resolve().parents[3] / "shared" / "observations" / BRENNER
VALLEY_M, SUMMIT_M = 1080.0, 2107.0


@pytest.fixture(autouse=True, scope="module")
def _si_units() -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)


@given(t=st.floats(0.5, 35.0), rh=st.floats(0.15, 1.0), p=st.floats(600.0, 1050.0))
def test_wet_bulb_agrees_with_psychrolib_above_freezing(t: float, rh: float, p: float) -> None:
    """psychrolib 2.5, ASHRAE Fundamentals 2017. Its own humidity functions take ice below 0.01 °C, so vapour enters
    through the humidity ratio, computed over water; it solves to 0.001 K, and its vapour curve differs by 0.05 %.
    Within 1 K of freezing very dry air has an iced wet bulb as a second answer, which it may find first."""
    ours = float(humidity.wet_bulb_c(t, rh, p))
    if ours > 1.0:
        ratio = float(humidity.humidity_ratio(humidity.vapour_pressure_hpa(t, rh), p))
        assert ours == pytest.approx(psychrolib.GetTWetBulbFromHumRatio(t, ratio, 100.0 * p), abs=0.01)


@given(t=st.floats(-40.0, 40.0), rh=st.floats(0.01, 1.0), p=st.floats(550.0, 1050.0))
def test_wet_bulb_solves_its_energy_balance_and_lies_below_air(t: float, rh: float, p: float) -> None:
    tw = float(humidity.wet_bulb_c(t, rh, p))
    w = float(humidity.humidity_ratio(humidity.vapour_pressure_hpa(t, rh), p))
    ws = float(humidity.humidity_ratio(humidity.svp_water_hpa(tw), p))
    residual = (2501.0 - 2.326 * tw) * ws - 1.006 * (t - tw) - w * (2501.0 + 1.86 * t - 4.186 * tw)
    assert residual == pytest.approx(0.0, abs=1e-6)
    assert tw <= t + 1e-9


@given(t=st.floats(-40.0, 40.0), rh=st.floats(0.02, 1.0))
def test_dew_and_frost_points_invert_their_curves(t: float, rh: float) -> None:
    e = float(humidity.vapour_pressure_hpa(t, rh))
    assert float(humidity.svp_water_hpa(humidity.dew_point_c(t, rh))) == pytest.approx(e, rel=1e-6)
    frost_point_c = humidity._saturation_temp_c(np.asarray(e), humidity._ICE)
    assert float(humidity.svp_ice_hpa(frost_point_c)) == pytest.approx(e, rel=1e-6)


SAMPLES = np.array([[-8.0, 0.0], [2.5, 11.0]])
FUNCTIONS: dict[str, Any] = {
    "svp_water_hpa": humidity.svp_water_hpa,
    "svp_ice_hpa": humidity.svp_ice_hpa,
    "dew_point_c": lambda t: humidity.dew_point_c(t, 0.7),
    "wet_bulb_c": lambda t: humidity.wet_bulb_c(t, 0.7, 850.0),
    "pressure_at_height_hpa": lambda t: humidity.pressure_at_height_hpa(900.0, t, 0.7, 900.0, 1500.0),
    "moist_lapse_k_per_m": lambda t: humidity.moist_lapse_k_per_m(t, 850.0),
    "temperature_at_height_c": lambda t: humidity.temperature_at_height_c(t, 900.0, 1500.0, lapse_k_per_m=LAPSE),
    "humidity_at_height_frac": lambda t: humidity.humidity_at_height_frac(0.6, t, t - 3.0, 900.0, 840.0, 0.0),
}


@pytest.mark.parametrize("name", FUNCTIONS)
def test_arrays_give_what_scalars_give_and_nan_stays_nan(name: str) -> None:
    f = FUNCTIONS[name]
    whole = f(SAMPLES)
    assert whole.shape == SAMPLES.shape
    assert [float(f(float(t))) for t in SAMPLES.ravel()] == pytest.approx(list(whole.ravel()), rel=1e-12)
    assert np.isnan(f(np.nan))


def test_pressure_moved_and_back_is_equal_and_near_standard() -> None:
    """The standard is the standard atmosphere."""
    up = float(humidity.pressure_at_height_hpa(1013.25, 15.0, 0.0, 0.0, 1500.0))
    # ISO 2533: 845.6 hPa at 1500 m; a column of one temperature instead of a cooling one differs by 0.3 %.
    assert up == pytest.approx(845.6, rel=0.005)
    assert float(humidity.pressure_at_height_hpa(up, 15.0, 0.0, 1500.0, 0.0)) == pytest.approx(1013.25, abs=1e-9)


def test_freezing_level_anchors_the_slope_between_cell_and_road() -> None:
    """Cell at 500 m with +5 °C, 0 °C level at 1500 m: 5 K/km, so +2.5 °C at 1000 m."""
    at_road = humidity.temperature_at_height_c(5.0, 500.0, 1000.0, lapse_k_per_m=LAPSE, freezing_level_m=1500.0)
    assert float(at_road) == pytest.approx(2.5)


@pytest.mark.parametrize(
    ("freezing_level_m", "why"),
    [
        (700.0, "nearer than 300 m"),
        (6000.0, "flatter than 2 K/km"),
        (900.0, "steeper than 9 K/km"),
        (300.0, "inverted"),
    ],
)
def test_an_anchor_out_of_bounds_falls_back_to_the_regime(freezing_level_m: float, why: str) -> None:
    at_road = humidity.temperature_at_height_c(
        5.0, 500.0, 1000.0, lapse_k_per_m=LAPSE, freezing_level_m=freezing_level_m
    )
    assert float(at_road) == pytest.approx(5.0 - 500.0 * LAPSE), why


@pytest.mark.parametrize("freezing_level_m", [np.nan, 2000.0])
def test_a_valley_road_is_never_warmed_in_a_clear_calm_night(freezing_level_m: float) -> None:
    def at(cloud: float, wind: float, sun: bool) -> float:
        moved = humidity.temperature_at_height_c(
            4.0, 1500.0, 900.0, lapse_k_per_m=LAPSE, freezing_level_m=freezing_level_m, cloud_frac=cloud,
            wind_mps=wind, sun_is_up=sun,
        )  # fmt: skip
        return float(moved)

    assert at(0.1, 1.0, False) == 4.0
    assert at(np.nan, np.nan, False) == 4.0  # unknown sky and wind: the cautious reading
    assert at(0.9, 1.0, False) > 4.0
    assert at(0.1, 5.0, False) > 4.0
    assert at(0.1, 1.0, True) > 4.0


@pytest.mark.parametrize(("cloud", "wind"), [(0.1, 1.0), (np.nan, np.nan), (0.1, 5.0), (0.9, 1.0)])
@pytest.mark.parametrize("rate_k_per_km", [1.0, 4.4, 6.5, 8.2])
def test_no_night_makes_a_summit_warmer(cloud: float, wind: float, rate_k_per_km: float) -> None:
    """A road 600 m above its cell cools by the full rate, whatever is known of sky and wind."""
    moved = humidity.temperature_at_height_c(
        2.0, 900.0, 1500.0, lapse_k_per_m=rate_k_per_km / 1000.0, cloud_frac=cloud, wind_mps=wind, sun_is_up=False
    )
    assert float(moved) == pytest.approx(2.0 - 0.6 * rate_k_per_km)


@pytest.mark.needs_shared
@pytest.mark.skipif(not OBSERVED.exists(), reason="valley and summit observations are not beside this checkout")
def test_summits_are_not_too_warm_on_calm_nights() -> None:
    """Hourly pairs of a valley (1080 m) and a summit station (2107 m), cloud unknown, wind below 2 m/s, sun down.

    Measured over 3684 such hours: true mean rate 5.2 K/km, bias of the moved temperature -0.8 K, on the cold side.
    A ceiling of 3 K/km gave +2.2 K.
    """
    with OBSERVED.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    epoch, valley, rh, wind, summit = (
        np.array([float(r[name]) if r[name] else np.nan for r in rows])
        for name in ("epoch_s", "t_valley", "rh_valley", "ff_valley", "t_summit")
    )
    month = np.array([datetime.fromtimestamp(e, UTC).month for e in epoch])
    zenith, _ = radiation.solar_position(47.0, 11.5, epoch)
    rate = humidity.regime_lapse_k_per_m(valley, humidity.isa_pressure_hpa(VALLEY_M), rh / 100.0, np.nan, 0.0, month)
    moved = humidity.temperature_at_height_c(
        valley, VALLEY_M, SUMMIT_M, lapse_k_per_m=rate, wind_mps=wind, sun_is_up=zenith < 90.0
    )
    # The spread about the moved temperature, over the 1.027 km between them: what the members' height error stands for.
    wet = humidity.is_saturated(rh / 100.0, 1.0, 0.0)
    error_k_per_km = (moved - summit) / (SUMMIT_M - VALLEY_M) * 1000.0
    dry_sd, wet_sd = (float(np.nanstd(error_k_per_km[k])) for k in (~wet, wet))
    assert wet_sd == pytest.approx(AIR.height_sigma_wet_k_per_km, abs=0.5)
    assert dry_sd == pytest.approx(AIR.height_sigma_k_per_km, abs=0.5)
    calm = (wind < 2.0) & (zenith >= 90.0) & np.isfinite(moved - summit)
    assert calm.sum() > 3000
    assert -1.2 < float((moved - summit)[calm].mean()) < 0.5


def test_a_profile_is_preferred_and_carries_an_inversion() -> None:
    profile = (np.array([500.0, 800.0, 1500.0]), np.array([-6.0, 1.0, -3.0]))
    at_road = humidity.temperature_at_height_c(-5.5, 500.0, 800.0, lapse_k_per_m=LAPSE, profile=profile)
    assert float(at_road) == pytest.approx(1.5)
    below = humidity.temperature_at_height_c(-5.5, 500.0, 300.0, lapse_k_per_m=LAPSE, profile=profile)
    assert float(below) == pytest.approx(-5.5)  # no slope below the lowest level


def test_wet_air_cools_by_moist_adiabat_and_dry_by_the_month() -> None:
    wet = humidity.regime_lapse_k_per_m(0.0, 850.0, 0.95, 1.0, 1.0, 1)
    dry = humidity.regime_lapse_k_per_m(0.0, 850.0, 0.50, 0.5, 0.0, np.array([1, 7]))
    assert float(wet) == pytest.approx(humidity.moist_lapse_k_per_m(0.0, 850.0))
    assert list(dry * 1000.0) == pytest.approx([4.4, 8.1])  # Liston & Elder 2006


def test_humidity_keeps_saturation_in_rain_and_share_when_dry() -> None:
    """The share is that of water vapour."""
    assert float(humidity.humidity_at_height_frac(0.93, 5.0, 1.0, 900.0, 850.0, 2.0)) == 0.93
    dry = float(humidity.humidity_at_height_frac(0.50, 5.0, 1.0, 900.0, 850.0, 0.0))
    e0, e1 = 0.50 * humidity.svp_water_hpa(5.0), dry * humidity.svp_water_hpa(1.0)
    assert float(e0 / 900.0) == pytest.approx(float(e1 / 850.0))
    assert float(humidity.humidity_at_height_frac(0.95, 5.0, -5.0, 900.0, 800.0, 0.0)) == 1.0
