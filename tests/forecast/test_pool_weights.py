"""Weights become numbers of members that sum exactly, and age only ever lowers them."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.forecast.pool import age_weight, member_counts


@pytest.mark.parametrize(
    ("weights", "total", "expected"),
    [
        ([1.0, 1.0], 62, [31, 31]),
        ([1.0, 1.0, 1.0], 62, [21, 21, 20]),  # 20.67 each: two members are left, to the first of equals
        ([1.0, 0.5], 62, [41, 21]),  # 41.33 and 20.67
        ([1.0, 0.25], 62, [50, 12]),  # 49.6 and 12.4
        ([4.0, 3.0, 3.0], 10, [4, 3, 3]),
        ([1000.0, 1.0], 10, [9, 1]),  # 9.99 and 0.01, but one at least
        ([1000.0, 1000.0, 1.0], 5, [2, 2, 1]),  # 2.499 each, and the one is theirs to give
        ([1.0], 31, [31]),
    ],
)
def test_members_by_largest_remainder(weights: list[float], total: int, expected: list[int]) -> None:
    """Worked by hand: share = total x weight / sum of weights."""
    assert member_counts(weights, total).tolist() == expected


@given(st.lists(st.floats(0.01, 100.0), min_size=1, max_size=6), st.integers(6, 200))
def test_members_sum_exactly_keep_one_each_and_follow_weights(weights: list[float], total: int) -> None:
    count = member_counts(weights, total)
    assert count.sum() == total
    assert count.min() >= 1
    share = total * np.array(weights) / sum(weights)
    assert (count <= np.ceil(share + 1e-6).clip(1)).all()
    heavier = np.array(weights)[:, None] > np.array(weights)[None, :]
    assert not (heavier & (count[:, None] < count[None, :])).any()


@pytest.mark.parametrize(("weights", "total"), [([], 5), ([1.0, 1.0], 1), ([1.0, 0.0], 5), ([1.0, float("nan")], 5)])
def test_what_cannot_be_shared_is_refused(weights: list[float], total: int) -> None:
    with pytest.raises(ValueError, match="a source each, and weights above zero"):
        member_counts(weights, total)


@pytest.mark.parametrize(
    ("overdue_h", "weight"), [(-1.0, 1.0), (0.0, 1.0), (5.99, 1.0), (6.0, 0.5), (12.0, 0.25), (23.0, 0.125)]
)
def test_six_hours_halve_a_weight(overdue_h: float, weight: float) -> None:
    assert age_weight(overdue_h) == weight


@given(st.floats(0.0, 48.0), st.floats(0.0, 48.0))
def test_an_older_issue_never_weighs_more(a: float, b: float) -> None:
    assert age_weight(min(a, b)) >= age_weight(max(a, b))
