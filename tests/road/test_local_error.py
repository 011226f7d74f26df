"""The learned error of a forecast at a place: shrunk, for hours ahead, never over freezing without proof."""

import csv
from dataclasses import replace
from datetime import date
from pathlib import Path
from statistics import NormalDist

import numpy as np
import pytest

from alertd.forecast.past import FILLED_FIELDS, KeptForecast, PastEvidence
from alertd.road import local_error
from alertd.road.local_error import HOURS_ALIKE, MOST_K, SHRINK_VALUES, never_over_freezing, shrunk, with_local_error
from tests.road.test_past_weather import HOURS, NOW, START, forecast, reports, request

OBSERVED = Path(__file__).resolve().parents[3] / "shared/observations/temperature_48h_forecasts_pnw_2004_first_half.csv"


def kept(air_temp_c: float) -> KeptForecast:
    """Forecast 6 hours before each hour."""
    source = forecast()
    values = np.zeros((len(FILLED_FIELDS), source.lat_deg.size, HOURS))
    values[FILLED_FIELDS.index("air_temp_c")] = air_temp_c
    issued = START.timestamp() + 3600.0 * (np.arange(HOURS) - 6.0)
    return KeptForecast(
        provider=source.provider, start=START, elevation_m=source.elevation_m.copy(), values=values,
        issued_epoch_s=np.broadcast_to(issued, values.shape[1:]).copy(),
    )  # fmt: skip


def changed_k(kept_c: float) -> np.ndarray:
    evidence = PastEvidence(reports=reports(), kept=(kept(kept_c),))
    source = forecast()
    (after,), remarks = with_local_error([source], evidence, request())
    change = after.air_temp_c - source.air_temp_c
    assert bool(remarks) == bool(np.nan_to_num(change).any())
    return change[0, 0]


def test_air_that_was_colder_than_forecast_is_expected_colder() -> None:
    """Stations had -2 °C for two days where +2 °C was forecast: less than the whole 4 K, in the hours ahead alone."""
    change = changed_k(2.0)
    ahead = np.arange(HOURS) >= (NOW - START).total_seconds() / 3600.0
    assert -3.0 < change[-1] < -1.0
    assert (np.nan_to_num(change[~ahead]) == 0.0).all()


def test_the_present_hour_counts_where_no_forecast_is_kept() -> None:
    """The same source without a kept forecast: a third of its error now at most, in the hours ahead alone."""
    source = forecast()
    ahead = np.arange(HOURS) >= (NOW - START).total_seconds() / 3600.0
    warmer = replace(source, air_temp_c=np.where(ahead, source.air_temp_c + 4.0, source.air_temp_c))
    plain, moved = (
        with_local_error([x], PastEvidence(reports=reports(), kept=()), request())[0][0].air_temp_c[0, 0]
        for x in (source, warmer)
    )
    change = moved - plain
    assert (np.nan_to_num(change[~ahead]) == 0.0).all()
    assert 4.0 * 2.0 / 3.0 - 0.05 <= change[ahead].min() < 3.8
    assert with_local_error([source], PastEvidence(reports=(), kept=()), request())[1] == ()


def test_a_right_forecast_stays() -> None:
    assert np.nanmax(np.abs(changed_k(-2.0))) < 0.2


def test_a_warmer_past_never_lifts_frozen_air_over_zero() -> None:
    change = never_over_freezing(np.array([-3.0, -0.5, 0.0, 0.5]), np.full(4, 1.5))
    assert change.tolist() == [1.5, 0.5, 0.0, 1.5]
    assert never_over_freezing(np.array([0.5]), np.array([-1.5])).tolist() == [-1.5]


def test_few_values_count_little() -> None:
    assert shrunk(np.array([2.0, 2.0, np.nan]), np.array([1.0, 18.0, 0.0])) == pytest.approx([2 / 3, 1.8, 0.0])


@pytest.mark.needs_shared
@pytest.mark.skipif(not OBSERVED.exists(), reason="48 h forecasts are not beside this checkout")
def test_a_learned_error_sharpens_the_chance_of_frost(monkeypatch: pytest.MonkeyPatch) -> None:
    """18,439 forecasts of 48 h at stations, 26 days of early 2004; each day corrected by the two days before alone.

    On both halves of the stations, the less shrunk error in use is better than a more shrunk one, and hides less frost.
    """
    with OBSERVED.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    forecast_c, seen = (np.array([float(r[n]) for r in rows]) for n in ("forecast48h_mean_c", "observed_c"))
    station = np.unique([r["station"] for r in rows], return_inverse=True)[1]
    day = np.array([date(*(int(r["valid_utc"][i:j]) for i, j in ((0, 4), (4, 6), (6, 8)))).toordinal() for r in rows])
    known = {(s, d): o - t for s, d, o, t in zip(station, day, seen, forecast_c, strict=True)}
    before = np.array([[known.get((s, d - n), np.nan) for n in (1, 2)] for s, d in zip(station, day, strict=True)])
    days_n = np.isfinite(before).sum(axis=1)
    mean = np.nansum(before, axis=1) / np.maximum(days_n, 1)

    def corrected(shrink: float) -> np.ndarray:
        monkeypatch.setattr(local_error, "SHRINK_VALUES", shrink)
        error = np.clip(shrunk(mean, days_n * 24.0 / HOURS_ALIKE), -MOST_K, MOST_K)
        return forecast_c + never_over_freezing(forecast_c, error)

    def brier(expected_c: np.ndarray, part: np.ndarray) -> float:
        chance = np.array([NormalDist(0.0, 2.6).cdf(-t) for t in expected_c[part]])
        return float(np.mean((chance - (seen[part] < 0.0)) ** 2))

    now, weak = corrected(SHRINK_VALUES), corrected(5.0)
    for half in (station % 2 == 0, station % 2 == 1):
        assert brier(now, half) < brier(weak, half) - 0.001 < brier(forecast_c, half) - 0.012
        missed = [int(((seen < 0.0) & (x > 0.0))[half].sum()) for x in (now, weak, forecast_c)]
        assert missed[0] < 0.9 * missed[1] < missed[2]
    whole = np.ones(seen.shape, dtype=np.bool_)
    assert brier(forecast_c, whole) == pytest.approx(0.1207, abs=0.001)
    assert brier(now, whole) == pytest.approx(0.1022, abs=0.001)
