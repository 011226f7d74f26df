"""Rain or snow, and each member's own share of it."""

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.forecast.model import PrecipForm
from alertd.road import precip_phase
from alertd.road.humidity import isa_pressure_hpa, wet_bulb_c

SHARED = Path(__file__).resolve().parents[3] / "shared" / "observations"
REPORTS = SHARED / "phase_reports_tahoe_2020_2021.csv"


@given(
    t=st.floats(-30.0, 30.0), colder=st.floats(0.0, 10.0), rh=st.floats(0.05, 1.0), p=st.floats(600.0, 1040.0),
    rank=st.floats(1e-6, 1.0 - 1e-6),  # a member's is (n + 1/2) / members; at 1 - 1e-16 only rounding speaks
    weight=st.floats(0.0, 1.0),
    level=st.one_of(st.just(np.nan), st.floats(0.0, 4000.0)),
)  # fmt: skip
def test_colder_air_never_means_less_snow_for_any_member(
    t: float, colder: float, rh: float, p: float, rank: float, weight: float, level: float
) -> None:
    def snow(air_c: float) -> float:
        chance = precip_phase.snow_chance(air_c, rh, p, road_elevation_m=1200.0, snow_level_m=level)
        return float(precip_phase.snow_fraction(chance.weighted(weight), rank))

    assert snow(t - colder) >= snow(t) - 1e-12


@given(p=st.floats(0.0, 1.0))
def test_members_together_see_snow_as_often_as_the_chance_says(p: float) -> None:
    ranks = (np.arange(4000) + 0.5) / 4000
    assert float(precip_phase.snow_fraction(p, ranks).mean()) == pytest.approx(p, abs=5e-4)


@given(p=st.floats(0.0, 1.0), q=st.floats(0.0, 1.0), rank=st.floats(0.001, 0.999))
def test_a_higher_chance_never_gives_a_member_less_snow(p: float, q: float, rank: float) -> None:
    low, high = sorted((p, q))
    assert float(precip_phase.snow_fraction(high, rank)) >= float(precip_phase.snow_fraction(low, rank)) - 1e-12


def test_weights_between_the_relations_average_to_their_mean() -> None:
    chance = precip_phase.snow_chance(1.2, 0.9, 850.0)
    weights = (np.arange(100) + 0.5) / 100
    assert float(chance.weighted(weights).mean()) == pytest.approx(float(chance.mean))
    assert float(chance.spread) == pytest.approx(abs(float(chance.jennings) - float(chance.wang)))


def test_the_source_word_overrides_temperature() -> None:
    forms = np.array([PrecipForm.UNSPECIFIED, PrecipForm.FREEZING, PrecipForm.PELLETS], dtype=np.int8)
    split = precip_phase.split_phase(np.full(3, 1.0), 0.5, forms)
    assert split.snow.tolist() == [1.0, 0.0, 0.0]
    assert split.freezing.tolist() == [0.0, 1.0, 0.0]
    assert split.pellets.tolist() == [0.0, 0.0, 1.0]
    assert split.rain.tolist() == [0.0, 0.0, 0.0]


def test_no_snow_far_above_freezing_and_hardly_rain_far_below() -> None:
    assert float(precip_phase.snow_chance(9.0, 0.9, 900.0).mean) == 0.0
    assert float(precip_phase.snow_chance(-2.5, 1.0, 1013.0).mean) >= 0.98


def test_a_given_snow_level_is_half_the_word() -> None:
    """Road 100 m under the level: half the flakes have melted (200 m melting layer)."""
    bare = precip_phase.snow_chance(1.0, 0.95, 850.0)
    result = precip_phase.snow_chance(1.0, 0.95, 850.0, road_elevation_m=1400.0, snow_level_m=1500.0)
    assert float(result.mean) == pytest.approx(0.5 * (float(bare.mean) + 0.5))


def test_the_published_relations_stay_one_argument_away() -> None:
    """Jennings et al. 2018 and Wang et al. 2019 as printed, evaluated by hand at 1 °C, 90 %, 85 kPa."""
    result = precip_phase.snow_chance(1.0, 0.9, 850.0, calibration=None)
    jennings = 1.0 / (1.0 + np.exp(-12.80 + 1.41 * 1.0 + 0.09 * 90.0 + 0.03 * 85.0))
    wang = 1.0 / (1.0 + 6.99e-5 * np.exp(2.0 * (float(wet_bulb_c(1.0, 0.9, 850.0)) + 3.97)))
    assert float(result.jennings) == pytest.approx(jennings)
    assert float(result.wang) == pytest.approx(wang)


@pytest.mark.parametrize(("published", "seen"), [(0.30, 0.55), (0.12, 0.33)])
def test_calibration_leads_to_what_other_regions_reported(published: float, seen: float) -> None:
    """5 395 people's reports from other mountain regions than the fit's: where the published mean says 0.30, snow was
    seen in 55 %, at 0.12 in 33 %. The wet-bulb depression of such reports is taken as that around Tahoe, 1.5 K."""
    assert float(precip_phase.MOUNTAIN_REPORTS(np.array(published), np.array(1.5))) == pytest.approx(seen, abs=0.05)


def test_calibration_keeps_order_and_ends_beyond_the_fit() -> None:
    """Wet-bulb depression stops counting beyond the values in the fit."""
    p = np.linspace(0.0, 1.0, 201)
    out = precip_phase.MOUNTAIN_REPORTS(p, np.zeros(201))
    assert (np.diff(out) > 0.0).all()
    assert (
        precip_phase.MOUNTAIN_REPORTS(p, np.full(201, 30.0)) == precip_phase.MOUNTAIN_REPORTS(p, np.full(201, 4.0))
    ).all()


def test_unknown_weather_has_an_unknown_phase() -> None:
    for weather in ((np.nan, 0.9, 850.0), (1.0, np.nan, 850.0), (1.0, 0.9, np.nan)):
        chance = precip_phase.snow_chance(*weather)
        assert np.isnan(chance.mean)
        assert np.isnan(precip_phase.snow_fraction(chance.mean, 0.5))


def test_snow_depth_words_stay_in_bounds() -> None:
    ratio = precip_phase.snow_to_liquid_ratio(np.array([-40.0, -15.0, -5.0, 0.0, 10.0]))
    # CoLM rain_snow_temp.F90: 1:9.6 at -5 °C, 1:6.7 at 0 °C
    assert ratio.tolist() == pytest.approx([20.0, 20.0, 9.64, 6.72, 5.91], abs=0.01)


@pytest.mark.needs_shared
@pytest.mark.skipif(not REPORTS.exists(), reason="observed phase reports are not beside this checkout")
def test_rain_and_snow_around_tahoe_beat_a_fixed_threshold() -> None:
    """1 910 people's reports of rain or snow, 2020-21, with interpolated temperature and humidity.

    Measured: Brier 0.121 calibrated (on these reports), 0.155 as published, climatology 0.186, "snow at or below 0 °C"
    0.401.
    """
    with REPORTS.open(newline="", encoding="utf-8") as f:
        rows = [r for r in csv.DictReader(f) if r["phase"] in ("Rain", "Snow") and r["tair"] and r["rh"] and r["elev"]]
    t, rh, z = (np.array([float(r[k]) for r in rows]) for k in ("tair", "rh", "elev"))
    snow = np.array([r["phase"] == "Snow" for r in rows], dtype=float)
    p = precip_phase.snow_chance(t, np.clip(rh / 100.0, 0.05, 1.0), isa_pressure_hpa(z)).mean
    brier = float(np.mean((p - snow) ** 2))
    freezing = float(np.mean(((t <= 0.0) - snow) ** 2))
    climatology = float(snow.mean() * (1.0 - snow.mean()))
    assert len(rows) > 1000
    printed = precip_phase.snow_chance(t, np.clip(rh / 100.0, 0.05, 1.0), isa_pressure_hpa(z), calibration=None).mean
    published = float(np.mean((printed - snow) ** 2))
    assert brier < 0.7 * climatology
    assert brier < 0.85 * published < climatology
    assert brier < 0.5 * freezing
    near = (t > -1.0) & (t < 3.5)
    assert float(np.mean((p[near] - snow[near]) ** 2)) < float(snow[near].mean() * (1 - snow[near].mean()))
