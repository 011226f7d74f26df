"""Scores against published numbers and a library that is not ours."""

import numpy as np
import pytest

from alertd.forecast.verification import Contingency, brier, contingency, reliability


def test_finley_tornado_table() -> None:
    """Finley's tornado forecasts of 1884: 28 hits, 72 false alarms, 23 misses, 2,680 correct negatives; POD 0.549,
    FAR 0.720, CSI 0.228, bias 1.961 (Jolliffe and Stephenson 2012, ch. 3; Murphy 1996, Wea. Forecasting 11, 3-20)."""
    table = Contingency(hits=28, false_alarms=72, misses=23, correct_negatives=2680)
    assert (table.pod, table.far, table.csi, table.bias) == pytest.approx((0.549, 0.720, 0.228, 1.961), abs=5e-4)


def test_counts_come_from_pairs() -> None:
    table = contingency([1, 1, 1, 0, 0, 0], [1, 1, 0, 1, 0, 0])
    assert table == Contingency(hits=2, false_alarms=1, misses=1, correct_negatives=2)


def test_scores_without_events_are_not_known() -> None:
    quiet = Contingency(hits=0, false_alarms=0, misses=0, correct_negatives=9)
    assert np.isnan([quiet.pod, quiet.far, quiet.csi, quiet.bias]).all()


def test_brier_by_hand() -> None:
    """Forecasts 0.2 (four times, one event) and 0.8 (twice, two events), worked out by hand.

    Score (3 * 0.04 + 0.64 + 2 * 0.04) / 6 = 0.14; reliability (4 * 0.05² + 2 * 0.2²) / 6 = 0.015; resolution
    (4 * 0.25² + 2 * 0.5²) / 6 = 0.125; uncertainty 0.5 * 0.5; 0.015 - 0.125 + 0.25 = 0.14.
    """
    parts = brier([0.2, 0.2, 0.2, 0.2, 0.8, 0.8], [1, 0, 0, 0, 1, 1])
    assert (parts.score, parts.reliability, parts.resolution, parts.uncertainty) == pytest.approx(
        (0.14, 0.015, 0.125, 0.25)
    )
    assert parts.within_bins == pytest.approx(0.0, abs=1e-12)
    assert parts.skill == pytest.approx(1.0 - 0.14 / 0.25)


def test_parts_add_up_to_the_score_whatever_lies_in_a_bin() -> None:
    rng = np.random.default_rng(5)
    prob = rng.random(500)
    parts = brier(prob, rng.random(500) < prob)
    total = parts.reliability - parts.resolution + parts.uncertainty + parts.within_bins
    assert total == pytest.approx(parts.score)
    assert abs(parts.within_bins) < 0.01


def test_brier_and_bins_agree_with_scikit_learn() -> None:
    metrics = pytest.importorskip("sklearn.metrics", reason="scikit-learn is not here (extra `compare`)")
    calibration = pytest.importorskip("sklearn.calibration")
    rng = np.random.default_rng(7)
    prob = rng.beta(0.7, 1.2, 800)
    happened = rng.random(800) < prob
    assert brier(prob, happened).score == pytest.approx(metrics.brier_score_loss(happened, prob))
    share, mean = calibration.calibration_curve(happened, prob, n_bins=10)
    bins = reliability(prob, happened)
    assert bins.happened_frac == pytest.approx(share)
    assert bins.mean_prob_frac == pytest.approx(mean)
    yes = prob >= 0.5
    table = contingency(yes, happened)
    assert table.pod == pytest.approx(metrics.recall_score(happened, yes))
    assert table.far == pytest.approx(1.0 - metrics.precision_score(happened, yes))
    assert table.csi == pytest.approx(metrics.jaccard_score(happened, yes))


def test_reliable_forecasts_are_within_bars_nine_of_ten_times() -> None:
    rng = np.random.default_rng(11)
    inside = []
    for _ in range(60):
        prob = rng.random(2000)
        bins = reliability(prob, rng.random(2000) < prob)
        inside.append((bins.happened_frac >= bins.low_frac) & (bins.happened_frac <= bins.high_frac))
    assert np.mean(inside) == pytest.approx(0.9, abs=0.03)


def test_unknown_forecasts_are_left_out_and_empty_bins_unknown() -> None:
    bins = reliability([0.05, np.nan, 1.0], [0, 1, 1])
    assert bins.count.tolist() == [1, 0, 0, 0, 0, 0, 0, 0, 0, 1]
    assert np.isnan(bins.happened_frac[1])


@pytest.mark.parametrize(
    ("prob", "happened", "expected"),
    [([1.2], [1], "within 0 to 1"), ([0.5, 0.5], [1], "shape"), ([], [], "no forecast")],
)
def test_nonsense_is_refused(prob: list[float], happened: list[int], expected: str) -> None:
    with pytest.raises(ValueError, match=expected):
        brier(prob, happened)
