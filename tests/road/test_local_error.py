"""The learned error of a forecast at a place: shrunk, for hours ahead, never over freezing without proof."""

import csv
from collections import defaultdict
from pathlib import Path
from statistics import NormalDist

import numpy as np
import pytest

from alertd.forecast.past import FILLED_FIELDS, KeptForecast, PastEvidence
from alertd.road.local_error import never_over_freezing, shrunk, with_local_error
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
    assert -2.0 < change[-1] < -0.5
    assert (np.nan_to_num(change[~ahead]) == 0.0).all()


def test_a_right_forecast_stays() -> None:
    assert np.nanmax(np.abs(changed_k(-2.0))) < 0.2


def test_a_warmer_past_never_lifts_frozen_air_over_zero() -> None:
    change = never_over_freezing(np.array([-3.0, -0.5, 0.0, 0.5]), np.full(4, 1.5))
    assert change.tolist() == [1.5, 0.5, 0.0, 1.5]
    assert never_over_freezing(np.array([0.5]), np.array([-1.5])).tolist() == [-1.5]


def test_few_values_count_little() -> None:
    assert shrunk(np.array([2.0, 2.0, np.nan]), np.array([1.0, 20.0, 0.0])) == pytest.approx([1 / 3, 1.6, 0.0])


@pytest.mark.needs_shared
@pytest.mark.skipif(not OBSERVED.exists(), reason="48 h forecasts are not beside this checkout")
def test_a_learned_error_sharpens_the_chance_of_frost() -> None:
    """18,439 forecasts of 48 h at stations, 26 days of early 2004; each day corrected by the days before alone."""
    with OBSERVED.open(newline="", encoding="utf-8") as file:
        rows = sorted(csv.DictReader(file), key=lambda r: r["valid_utc"])
    told, seen = (np.array([float(r[n]) for r in rows]) for n in ("forecast48h_mean_c", "observed_c"))
    station, day = (np.array([r[n] for r in rows]) for n in ("station", "valid_utc"))
    sums: dict[str, list[float]] = defaultdict(lambda: [0.0, 0.0])
    error = np.zeros(told.size)
    for when in np.unique(day):
        today = np.flatnonzero(day == when)
        for i in today:
            count, total = sums[station[i]]
            error[i] = shrunk(np.array(total / count if count else np.nan), np.array(count))
        for i in today:
            sums[station[i]][0] += 1.0
            sums[station[i]][1] += seen[i] - told[i]

    def brier(expected_c: np.ndarray) -> float:
        chance = np.array([NormalDist(0.0, 2.6).cdf(-t) for t in expected_c])
        return float(np.mean((chance - (seen < 0.0)) ** 2))

    assert brier(told) == pytest.approx(0.1207, abs=0.001)
    assert brier(told + error) < 0.109
    assert brier(told + never_over_freezing(told, error)) < 0.112
