"""The outlook beyond the good forecast: its range of hours, its words against observations, and the evening before."""

import csv
from datetime import timedelta
from pathlib import Path
from statistics import NormalDist

import numpy as np
import pytest

from alertd.forecast.ensemble import Spreads
from alertd.plan.days.outlook import LIKELY, NOT_KNOWN, POSSIBLE, UNLIKELY, odds_word
from tests.plan.days.test_days_plan import RoadClass, plan_at, plan_of

OBSERVED = Path(__file__).resolve().parents[4] / "shared/observations/temperature_48h_forecasts_pnw_2004_first_half.csv"


@pytest.mark.needs_shared
def test_words_hold_for_frost_at_48_hours() -> None:
    """Odds of air at or below 0 °C from the forecast and the spread of members at 48 h, against what was observed.

    A record of a forecast two days ahead and of air, not of pavement: it tests the thresholds of the words and the
    spread at the lead where the outlook begins.
    """
    with OBSERVED.open(encoding="utf-8") as file:
        rows = [(float(r["forecast48h_mean_c"]), float(r["observed_c"])) for r in csv.DictReader(file)]
    spread = NormalDist(0.0, float(Spreads().air_temp_sd_c(np.asarray(48.0))))
    frozen: dict[str, list[bool]] = {LIKELY: [], POSSIBLE: [], UNLIKELY: []}
    for forecast_c, observed_c in rows:
        frozen[odds_word(spread.cdf(-forecast_c))].append(observed_c <= 0.0)
    share = {word: float(np.mean(found)) for word, found in frozen.items()}
    assert min(len(found) for found in frozen.values()) >= 500
    assert share[LIKELY] >= 0.5
    assert 0.15 <= share[POSSIBLE] < 0.5
    assert share[UNLIKELY] < 0.15


def test_words_of_odds() -> None:
    words = [odds_word(x) for x in (0.9, 0.5, 0.49, 0.15, 0.14, None)]
    assert words == [LIKELY, LIKELY, POSSIBLE, POSSIBLE, UNLIKELY, NOT_KNOWN]


def test_the_evening_before_the_outlook_becomes_a_plan() -> None:
    def script(member: object, distance_m: np.ndarray, hour: np.ndarray) -> np.ndarray:
        snow = (distance_m > 1_290_000.0) & (distance_m < 1_310_000.0)
        return np.where(snow, int(RoadClass.SNOW), int(RoadClass.DRY))

    before = plan_of(script, hours=110, depart_h=30.0)
    assert before.days is not None
    (note,) = before.days.outlook
    assert before.stretches == ()
    assert note.latest_at - note.earliest_at >= timedelta(hours=2.0 * float(Spreads().onset_sd_h(np.asarray(48.0))))
    evening = plan_at(script, note.decided_at)
    assert evening.days is not None
    assert evening.days.outlook == ()
    (stretch,) = evening.stretches
    assert note.earliest_at <= stretch.enter_at <= note.latest_at
