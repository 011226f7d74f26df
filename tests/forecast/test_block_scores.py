"""Scores with blocks of days against a case worked by hand, and the Brier score against scikit-learn."""

import numpy as np
import pytest

from alertd.forecast.block_scores import ProbabilityCases, score_blocks, share_elsewhere

# One place, two cases on each of four days. Worked by hand:
#   errors²    .04 .04 | .09 .49 | .01 .25 | .16 .36         sum 1.44, Brier 0.18
#   happened   1   0   | 1   0   | 0   1   | 1   1           5 of 8
#   share on the other three days: 4/6, 4/6, 4/6, 3/6
#   its errors² (1/9 + 4/9) | (1/9 + 4/9) | (4/9 + 1/9) | (1/4 + 1/4)   sum 13/6
#   seen before 1 1 | 0 0 | - - | 1 1: errors² 0 1 | 1 0 | | 0 0, sum 2, against .04 .04 .09 .49 .16 .36, sum 1.18
PROB = np.array([0.8, 0.2, 0.7, 0.7, 0.1, 0.5, 0.6, 0.4])
HAPPENED = np.array([1, 0, 1, 0, 0, 1, 1, 1], dtype=bool)
BEFORE = np.array([1, 1, 0, 0, np.nan, np.nan, 1, 1])
DAY = np.repeat(np.array([20, 21, 22, 23]), 2)


def cases(repeat: int = 1) -> ProbabilityCases:
    day = np.concatenate([DAY + 4 * n for n in range(repeat)])
    return ProbabilityCases(
        prob_frac=np.tile(PROB, repeat), happened=np.tile(HAPPENED, repeat), before=np.tile(BEFORE, repeat), day=day,
        place=np.zeros(day.size, dtype=np.int64),
    )  # fmt: skip


def test_scores_equal_a_case_worked_by_hand() -> None:
    s = score_blocks(cases(), block_days=1)
    assert (s.cases_n, s.happened_n, s.blocks_n, s.persistence_n) == (8, 5, 4, 6)
    assert s.brier.value == pytest.approx(1.44 / 8)
    assert s.climatology_skill.value == pytest.approx(1.0 - 1.44 / (13.0 / 6.0))
    assert s.persistence_skill.value == pytest.approx(1.0 - 1.18 / 2.0)
    assert np.isnan([s.brier.low, s.brier.high]).all(), "four blocks give no interval"
    assert score_blocks(cases()).blocks_n == 2, "days 20 and 21 to 23"


def test_brier_equals_scikit_learn() -> None:
    metrics = pytest.importorskip("sklearn.metrics", reason="scikit-learn is not installed (extra: compare)")
    s = score_blocks(cases(10))
    assert s.brier.value == pytest.approx(metrics.brier_score_loss(np.tile(HAPPENED, 10), np.tile(PROB, 10)))


def test_interval_is_wider_where_days_are_alike() -> None:
    """40 days with ten equal cases each hold 40 pieces of evidence, not 400."""
    rng = np.random.default_rng(1)
    happened = np.repeat(rng.random(40) < 0.5, 10)
    prob, day = np.full(400, 0.3), np.repeat(np.arange(40), 10)
    none = np.full(400, np.nan)
    alike = score_blocks(ProbabilityCases(
        prob_frac=prob, happened=happened, before=none, day=day, place=np.zeros(400, dtype=np.int64)
    ), block_days=1)  # fmt: skip
    apart = score_blocks(ProbabilityCases(
        prob_frac=prob, happened=happened, before=none, day=np.arange(400), place=np.zeros(400, dtype=np.int64)
    ), block_days=1)  # fmt: skip
    wide, narrow = alike.brier.high - alike.brier.low, apart.brier.high - apart.brier.low
    assert 2.3 < wide / narrow < 4.3  # the square root of ten
    assert alike.brier.low < alike.brier.value < alike.brier.high
    # The standard error of a mean of 40 values of 0.09 and 0.49, times 2 * 1.645.
    assert wide == pytest.approx(2 * 1.645 * np.std(np.where(happened[::10], 0.49, 0.09)) / np.sqrt(40), rel=0.1)


def test_share_elsewhere_knows_no_other_day() -> None:
    share = share_elsewhere(np.array([1.0, 0.0, 1.0]), np.array([0, 1, 0]), np.array([0, 0, 7]))
    assert share[:2].tolist() == [0.0, 1.0]
    assert np.isnan(share[2]), "no other day at that place"


def test_no_case_is_no_score() -> None:
    empty = np.zeros(0)
    s = score_blocks(ProbabilityCases(
        prob_frac=empty, happened=empty.astype(bool), before=empty, day=empty.astype(np.int64),
        place=empty.astype(np.int64),
    ))  # fmt: skip
    assert (s.cases_n, s.blocks_n, s.parts) == (0, 0, None)
    assert np.isnan(s.brier.value)
