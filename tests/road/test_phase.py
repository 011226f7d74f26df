"""Rain or snow, and each member's own share of it."""

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.forecast.series import PrecipForm
from alertd.road import phase
from alertd.road.air import isa_pressure_hpa

SHARED = Path(__file__).resolve().parents[3] / "shared" / "observations"
REPORTS = SHARED / "phase_reports_tahoe_2020_2021.csv"


@given(
    t=st.floats(-30.0, 30.0), colder=st.floats(0.0, 10.0), rh=st.floats(0.05, 1.0), p=st.floats(600.0, 1040.0),
    rank=st.floats(0.0, 1.0, exclude_min=True, exclude_max=True), weight=st.floats(0.0, 1.0),
    level=st.one_of(st.just(np.nan), st.floats(0.0, 4000.0)),
)  # fmt: skip
def test_colder_air_never_means_less_snow_for_any_member(
    t: float, colder: float, rh: float, p: float, rank: float, weight: float, level: float
) -> None:
    def snow(air_c: float) -> float:
        chance = phase.snow_chance(air_c, rh, p, road_elevation_m=1200.0, snow_level_m=level)
        return float(phase.snow_fraction(chance.weighted(weight), rank))

    assert snow(t - colder) >= snow(t) - 1e-12


@given(p=st.floats(0.0, 1.0))
def test_members_together_see_snow_as_often_as_the_chance_says(p: float) -> None:
    ranks = (np.arange(4000) + 0.5) / 4000
    assert float(phase.snow_fraction(p, ranks).mean()) == pytest.approx(p, abs=5e-4)


@given(p=st.floats(0.0, 1.0), q=st.floats(0.0, 1.0), rank=st.floats(0.001, 0.999))
def test_a_higher_chance_never_gives_a_member_less_snow(p: float, q: float, rank: float) -> None:
    low, high = sorted((p, q))
    assert float(phase.snow_fraction(high, rank)) >= float(phase.snow_fraction(low, rank)) - 1e-12


def test_weights_between_the_relations_average_to_their_mean() -> None:
    chance = phase.snow_chance(1.2, 0.9, 850.0)
    weights = (np.arange(100) + 0.5) / 100
    assert float(chance.weighted(weights).mean()) == pytest.approx(float(chance.mean))
    assert float(chance.spread) == pytest.approx(abs(float(chance.jennings) - float(chance.wang)))


def test_the_source_word_overrides_temperature() -> None:
    forms = np.array([PrecipForm.UNSPECIFIED, PrecipForm.FREEZING, PrecipForm.PELLETS], dtype=np.int8)
    split = phase.split_phase(np.full(3, 1.0), 0.5, forms)
    assert split.snow.tolist() == [1.0, 0.0, 0.0]
    assert split.freezing.tolist() == [0.0, 1.0, 0.0]
    assert split.pellets.tolist() == [0.0, 0.0, 1.0]
    assert split.rain.tolist() == [0.0, 0.0, 0.0]


def test_no_snow_far_above_freezing_and_hardly_rain_far_below() -> None:
    assert float(phase.snow_chance(9.0, 0.9, 900.0).mean) == 0.0
    assert float(phase.snow_chance(-2.5, 1.0, 1013.0).mean) >= 0.98


def test_a_given_snow_level_is_half_the_word() -> None:
    """Road 100 m under the level: half the flakes have melted (200 m melting layer)."""
    bare = phase.snow_chance(1.0, 0.95, 850.0)
    told = phase.snow_chance(1.0, 0.95, 850.0, road_elevation_m=1400.0, snow_level_m=1500.0)
    assert float(told.mean) == pytest.approx(0.5 * (float(bare.mean) + 0.5))


def test_unknown_weather_has_an_unknown_phase() -> None:
    for weather in ((np.nan, 0.9, 850.0), (1.0, np.nan, 850.0), (1.0, 0.9, np.nan)):
        chance = phase.snow_chance(*weather)
        assert np.isnan(chance.mean)
        assert np.isnan(phase.snow_fraction(chance.mean, 0.5))


def test_snow_depth_words_stay_in_bounds() -> None:
    ratio = phase.snow_to_liquid_ratio(np.array([-40.0, -15.0, -5.0, 0.0, 10.0]))
    # CoLM rain_snow_temp.F90: 1:9.6 at -5 °C, 1:6.7 at 0 °C
    assert ratio.tolist() == pytest.approx([20.0, 20.0, 9.64, 6.72, 5.91], abs=0.01)


@pytest.mark.needs_shared
@pytest.mark.skipif(not REPORTS.exists(), reason="observed phase reports are not beside this checkout")
def test_observed_rain_and_snow_around_tahoe_beat_a_fixed_threshold() -> None:
    """1 910 citizens' reports of rain or snow, 2020-21, with interpolated temperature and humidity.

    Measured: Brier 0.155, climatology 0.186, "snow at or below 0 °C" 0.401. The interpolated air is often too warm
    (30 % snow where the relations say 2 %), so this is a weak test of the relations and a strong one of the threshold.
    """
    with REPORTS.open(newline="", encoding="utf-8") as f:
        rows = [r for r in csv.DictReader(f) if r["phase"] in ("Rain", "Snow") and r["tair"] and r["rh"] and r["elev"]]
    t, rh, z = (np.array([float(r[k]) for r in rows]) for k in ("tair", "rh", "elev"))
    snow = np.array([r["phase"] == "Snow" for r in rows], dtype=float)
    p = phase.snow_chance(t, np.clip(rh / 100.0, 0.05, 1.0), isa_pressure_hpa(z)).mean
    brier = float(np.mean((p - snow) ** 2))
    freezing = float(np.mean(((t <= 0.0) - snow) ** 2))
    climatology = float(snow.mean() * (1.0 - snow.mean()))
    assert len(rows) > 1000
    assert brier < 0.9 * climatology
    assert brier < 0.5 * freezing
    near = (t > -1.0) & (t < 3.5)
    assert float(np.mean((p[near] - snow[near]) ** 2)) < float(snow[near].mean() * (1 - snow[near].mean()))
