"""Labels do not lie on one another."""

from itertools import combinations

import numpy as np
import pytest

from alertd.notices.charts.label_layout import place_around, place_labels


@pytest.mark.parametrize("seed", range(5))
def test_labels_in_one_lane_lie_apart_and_inside(seed: int) -> None:
    rng = np.random.default_rng(seed)
    at, widths = rng.uniform(0, 300, 9), rng.uniform(20, 130, 9)
    placed = place_labels(at.tolist(), widths.tolist(), 300.0)
    spans = [(p.row, p.left_px, p.left_px + w) for p, w in zip(placed, widths, strict=True)]
    assert all(a >= 0.0 and b <= 300.0 for _, a, b in spans)
    for (breaker, a, b), (other, c, d) in combinations(spans, 2):
        assert breaker != other or b < c or d < a


def test_a_label_with_room_is_centred_in_the_lowest_lane() -> None:
    (placed,) = place_labels([100.0], [40.0], 300.0)
    assert (placed.row, placed.left_px) == (0, 80.0)


def test_map_labels_are_placed_if_needed_else_only_where_free() -> None:
    crowd, size = [(50.0, 50.0)] * 30, [(40.0, 17.0)] * 30
    needed = place_around(crowd, size, (200.0, 200.0), [], [True] * 30)
    assert None not in needed
    free = [p for p in place_around(crowd, size, (200.0, 200.0), [], [False] * 30) if p]
    assert 0 < len(free) < 30
    assert all(abs(a[0] - b[0]) >= 40.0 or abs(a[1] - b[1]) >= 17.0 for a, b in combinations(free, 2))
