"""Members keep the mean and the stated spread of the forecast they come from, and what is unknown stays unknown."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from alertd.forecast.ensemble import (
    LEVEL_M_PER_K,
    Spreads,
    amounts,
    exponential_shares,
    lognormal_shares,
    normal_scores,
    reconcile,
    to_ensemble,
)
from alertd.forecast.model import WEATHER_FIELDS, Forecast
from alertd.forecast.onset import Shift

START = datetime(2026, 1, 12, 0, tzinfo=UTC)
NAN = float("nan")


def forecast(cells: int = 2, hours: int = 80, **fields: Any) -> Forecast:
    """A deterministic forecast issued six hours after its first hour; every field 0.5 unless given."""
    arrays: dict[str, Any] = {name: np.full((1, cells, hours), 0.5) for name in WEATHER_FIELDS}
    arrays["precip_form"] = np.zeros((1, cells, hours), dtype=np.int8)
    arrays |= {"air_temp_c": np.full((1, cells, hours), -1.0), "pressure_hpa": np.full((1, cells, hours), 850.0)}
    values: dict[str, Any] = {
        "provider": "test", "licence": "none", "issued_at": START + timedelta(hours=6),
        "fetched_at": START + timedelta(hours=6), "start": START,
        "lat_deg": np.linspace(47.0, 47.5, cells), "lon_deg": np.full(cells, -115.0),
        "elevation_m": np.full(cells, 1400.0),
    }  # fmt: skip
    given = {name: np.broadcast_to(np.asarray(v), (1, cells, hours)).copy() if name in arrays else v
             for name, v in fields.items()}  # fmt: skip
    return Forecast(**(values | arrays | given))


def dressed(f: Forecast, members: int = 50, seed: int = 1, now: datetime | None = None, **spreads: Any) -> Forecast:
    return to_ensemble(
        f, members=members, spreads=Spreads(**spreads), rng=np.random.default_rng(seed),
        now_utc=now or START + timedelta(hours=6),
    )  # fmt: skip


@pytest.mark.parametrize("members", [2, 20, 51, 200])
def test_stratified_scores_have_mean_zero_and_spread_one(members: int) -> None:
    scores = normal_scores(members)
    assert scores.mean() == pytest.approx(0.0, abs=1e-12)
    assert scores.std() == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize(("hour", "sd_c"), [(0, 0.5), (5, 0.5), (6, 1.5), (17, 1.5), (29, 1.9792), (54, 2.6063),
                                            (77, 2.8938)])  # fmt: skip
def test_temperature_spread_grows_with_lead_time(hour: int, sd_c: float) -> None:
    """1.5 K to 12 h, 2.0 at 24, 2.6 at 48, 2.9 at 72, linear between; 0.5 before issue.
    Issue is at hour 6 and leads count to mid-hour: hour 29 is 23.5 h ahead, 2.0 - 0.25 / 12."""
    spread = dressed(forecast()).air_temp_c[:, :, hour].std(axis=0)
    np.testing.assert_allclose(spread, sd_c, atol=0.001)


def test_the_mean_temperature_is_the_sources() -> None:
    np.testing.assert_allclose(dressed(forecast()).air_temp_c.mean(axis=0), -1.0, atol=1e-9)


def test_warm_member_is_always_warm_in_a_cell() -> None:
    """Rank-persistent: the order of members in a cell is the same in every hour."""
    ranks = np.argsort(dressed(forecast()).air_temp_c, axis=0)
    assert (ranks == ranks[:, :, :1]).all()


@pytest.mark.parametrize(("apart_km", "measured"), [(18.0, 0.78), (75.0, 0.47), (150.0, 0.33), (300.0, 0.20)])
def test_errors_of_places_apart_are_alike_as_measured(apart_km: float, measured: float) -> None:
    """Correlations of station errors of forecasts of 2004. Their own part, about 0.15, is no error of the forecast."""
    places = forecast(lat_deg=np.array([47.0, 47.0 + apart_km / 111.2]), lon_deg=np.full(2, -115.0))
    pairs = [dressed(places, members=200, seed=i).air_temp_c[:, :, 40] for i in range(10)]
    alike = np.mean([np.corrcoef(p.T)[0, 1] for p in pairs])
    assert measured - 0.03 <= alike <= measured / 0.85 + 0.07


def test_the_common_part_can_be_all_of_the_error() -> None:
    error = dressed(forecast(), common_frac=1.0).air_temp_c
    np.testing.assert_allclose(error[:, :1], error[:, 1:], atol=1e-9)


def test_wind_and_humidity_spread_ahead_and_keep_their_mean() -> None:
    out = dressed(forecast(precip_mmwe_h=0.0, precip_prob_frac=0.0))
    assert out.wind_mps[:, 0, 0] == pytest.approx(0.5)
    assert out.wind_mps[:, 0, 40].mean() == pytest.approx(0.5)
    assert np.log(out.wind_mps[:, 0, 40]).std() == pytest.approx(0.25, abs=0.01)
    assert out.rh_frac[:, 0, 40].std() == pytest.approx(0.07, abs=0.005)
    wet = dressed(forecast(precip_mmwe_h=1.0))
    assert (wet.rh_frac == 0.5).all()
    full = dressed(forecast(precip_mmwe_h=0.0, rh_frac=0.97)).rh_frac
    assert full.max() <= 1.0
    assert full[:, 0, 40].mean() == pytest.approx(0.97, abs=0.003)


def test_wetness_and_warmth_of_members_are_drawn_apart() -> None:
    out = dressed(forecast(precip_mmwe_h=1.0, precip_prob_frac=0.8), members=200)
    warm, wet, cloudy = out.air_temp_c[:, 0, 40], out.precip_mmwe_h[:, 0, 40], out.cloud_frac[:, 0, 40]
    assert np.abs(np.corrcoef([warm, wet, cloudy]) - np.eye(3)).max() < 0.2


def test_levels_rise_with_a_warmer_member() -> None:
    out = dressed(forecast(freezing_level_m=1500.0, snow_level_m=1300.0))
    error_c = out.air_temp_c + 1.0
    np.testing.assert_allclose(out.freezing_level_m, 1500.0 + error_c * LEVEL_M_PER_K)
    np.testing.assert_allclose(out.snow_level_m, 1300.0 + error_c * LEVEL_M_PER_K)


def test_cloud_stays_between_none_and_all() -> None:
    for cloud in (0.0, 0.5, 1.0):
        out = dressed(forecast(cloud_frac=cloud)).cloud_frac
        assert out.min() >= 0.0
        assert out.max() <= 1.0
    assert dressed(forecast(cloud_frac=0.5), cloud_frac=0.1).cloud_frac[:, 0, 0].std() == pytest.approx(0.1)


@pytest.mark.parametrize(("p", "qpf", "above", "expected"), [(0.6, 3.0, 1.0, 0.491), (0.3, 0.6, 1.0, 0.182),
                                                             (0.9, 8.0, 5.0, 0.513)])  # fmt: skip
def test_chance_of_more_than_an_amount_is_that_of_pop_and_qpf(
    p: float, qpf: float, above: float, expected: float
) -> None:
    """P(>x) = PoP exp(-x PoP/QPF). Worked values of that formula by hand, e.g. 0.6 exp(-0.2) = 0.491."""
    wet = qpf * exponential_shares(np.array(p), 1000)
    assert np.mean(wet > above) == pytest.approx(expected, abs=0.001)


@pytest.mark.parametrize("members", [1, 7, 20, 200])
@pytest.mark.parametrize("p", [0.001, 0.02, 0.3, 0.999, 1.0])
def test_mean_over_members_is_the_amount_for_any_member_count(members: int, p: float) -> None:
    assert exponential_shares(np.array(p), members).mean() == pytest.approx(1.0)


def test_dry_members_are_as_many_as_the_chance_says() -> None:
    out = dressed(forecast(precip_mmwe_h=0.3, precip_prob_frac=0.6)).precip_mmwe_h
    assert np.count_nonzero(out[:, 0, 0] == 0.0) == 20  # of 50
    np.testing.assert_allclose(out.mean(axis=0), 0.3)


def test_without_a_probability_the_amount_gets_a_factor() -> None:
    """Lognormal with mean 1 and sigma 0.5: standard deviation sqrt(exp(0.25) - 1) = 0.533."""
    wet = forecast(precip_mmwe_h=2.0, precip_prob_frac=NAN)
    out = dressed(wet, members=200, precip_log=0.5).precip_mmwe_h[:, 0, 0]
    assert out.mean() == pytest.approx(2.0)
    assert out.std() / 2.0 == pytest.approx(0.533, abs=0.02)
    assert out.min() > 0.0
    assert lognormal_shares(1, 0.5).tolist() == [1.0]


def test_trap_16_amount_keeps_its_mean_and_chance_gets_a_trace() -> None:
    """2 mm/h with 0 %: probability raised to 2/3. 80 % with 0 mm: 0.8 of 0.05 mm/h. 5 % with 0 mm: nothing."""
    amount, p = reconcile(np.array([2.0, 0.0, 0.0, NAN, 0.0]), np.array([0.0, 0.8, 0.05, 0.8, NAN]))
    np.testing.assert_allclose(amount, [2.0, 0.04, 0.0, NAN, 0.0])
    np.testing.assert_allclose(p, [2 / 3, 0.8, 0.05, 0.8, NAN])
    wet = amounts(np.array([2.0, 0.0]), np.array([0.0, 0.8]), members=50, log_sd=0.5)
    np.testing.assert_allclose(wet.mean(axis=0), [2.0, 0.04])


@pytest.mark.parametrize("name", [name for name in WEATHER_FIELDS if name not in ("precip_form", "precip_prob_frac")])
def test_unknown_stays_unknown_in_every_member(name: str) -> None:
    field = np.full((1, 2, 80), 0.5)
    field[0, 1, 3] = NAN
    out = getattr(dressed(forecast(**{name: field})), name)
    assert np.isnan(out[:, 1, 3]).all()
    assert np.isnan(out).sum() == out.shape[0]


def test_old_forecast_spreads_wider_and_future_issue_does_not() -> None:
    now = START + timedelta(hours=48)
    old = dressed(forecast(), now=now).air_temp_c[:, 0, 50].std()
    young = dressed(forecast(issued_at=now), now=now).air_temp_c[:, 0, 50].std()
    future = dressed(forecast(issued_at=now + timedelta(days=5)), now=now).air_temp_c[:, 0, 50].std()
    assert old > young
    assert future == pytest.approx(young)


def test_a_real_ensemble_passes_unchanged() -> None:
    out = dressed(forecast())
    assert dressed(out, members=7) is out


def test_one_member_is_the_forecast_itself() -> None:
    f = forecast(precip_mmwe_h=1.0, precip_prob_frac=0.5)
    out = dressed(f, members=1)
    for name in WEATHER_FIELDS:
        np.testing.assert_allclose(getattr(out, name), getattr(f, name))


def test_same_generator_gives_same_members_and_provenance() -> None:
    f = replace(forecast(), served_stale=True)
    one, two = dressed(f), dressed(f)
    np.testing.assert_array_equal(one.air_temp_c, two.air_temp_c)
    assert (one.provider, one.issued_at, one.served_stale) == (f.provider, f.issued_at, True)
    assert not np.array_equal(one.air_temp_c, dressed(f, seed=2).air_temp_c)


def snow_from(hour: int, hours: int = 80) -> np.ndarray:
    return np.where(np.arange(hours) >= hour, 2.0, 0.0)


def test_whole_hours_move_by_hand() -> None:
    """A member one hour late has the source's previous hour, one an hour early the next; the ends repeat."""
    values = np.arange(5.0)[None, None, :]
    late = Shift(np.array([[1.0] * 5, [-1.0] * 5])).linear(values)
    np.testing.assert_allclose(late[:, 0], [[0, 0, 1, 2, 3], [1, 2, 3, 4, 4]])


def test_part_of_an_hour_mixes_two_hours() -> None:
    late = Shift(np.full((1, 4), 0.25)).linear(np.array([[[0.0, 4.0, 4.0, 0.0]]]))
    np.testing.assert_allclose(late[0, 0], [0.0, 3.0, 4.0, 1.0])


@pytest.mark.parametrize(("hour", "sd_h"), [(12, 0.5 + 0.05 * 6), (30, 0.5 + 0.05 * 24), (54, 0.5 + 0.05 * 48)])
def test_hour_of_onset_spreads_as_stated(hour: int, sd_h: float) -> None:
    """Half an hour at issue, three minutes more for each hour of lead (assumption, no source)."""
    precip = dressed(forecast(precip_mmwe_h=snow_from(hour), precip_prob_frac=np.nan), members=200).precip_mmwe_h
    share = precip[:, 0] / precip[:, 0].max(axis=1, keepdims=True)
    onset_h = (1.0 - share).sum(axis=1)  # dry hours before the change, with its part hour
    assert onset_h.mean() == pytest.approx(hour, abs=0.2)
    assert onset_h.std() == pytest.approx(sd_h, rel=0.15)


def test_total_amount_is_the_sources() -> None:
    """A shower in the middle of the window moves, but no snow is lost or made: within 1 % over all members."""
    shower = np.where((np.arange(80) >= 30) & (np.arange(80) < 36), 2.0, 0.0)
    out = dressed(forecast(precip_mmwe_h=shower, precip_prob_frac=np.nan), members=100).precip_mmwe_h
    assert out.mean(axis=0).sum() == pytest.approx(2 * 12.0, rel=0.02)  # two cells


def test_temperature_does_not_move() -> None:
    """The sun is never late: a clear day's temperatures have the same course in every member."""
    hours = np.arange(96)
    course = -5.0 + 4.0 * np.cos(2 * np.pi * (hours - 15) / 24)
    out = dressed(forecast(hours=96, air_temp_c=course), air_temp_c=(0.0,) * 4, past_air_temp_c=0.0).air_temp_c
    np.testing.assert_allclose(out, np.broadcast_to(course, out.shape))


def test_known_hours_of_the_past_do_not_move() -> None:
    precip = dressed(forecast(precip_mmwe_h=snow_from(3), precip_prob_frac=np.nan)).precip_mmwe_h
    assert (precip[:, :, :3] == 0.0).all()
    assert (precip[:, :, 3] > 0.0).all()


def test_unknown_hours_are_the_sources() -> None:
    wind = np.full(80, 4.0)
    wind[20:24] = np.nan
    out = dressed(forecast(wind_mps=wind)).wind_mps
    assert (np.isnan(out) == np.isnan(wind)).all()


def test_ensemble_of_a_source_keeps_its_timing() -> None:
    members = dressed(forecast(precip_mmwe_h=snow_from(30)), members=5)
    assert dressed(members, members=20) is members


def test_a_source_with_its_own_spread_keeps_it() -> None:
    """2.5 K in the first hour; unknown in the second, which keeps ours; far too narrow in the third: half of ours."""
    plain = forecast(cells=1, hours=3)
    own = replace(plain, air_temp_sd_c=np.array([[2.5, NAN, 0.0]]))
    ours, theirs = (dressed(f, members=31).air_temp_c.std(axis=0)[0] for f in (plain, own))
    assert theirs[0] == pytest.approx(2.5)
    assert theirs[1:] / ours[1:] == pytest.approx([1.0, 0.5])
