"""A ring holds what lies within its corners; the figures are plain geometry."""

import math

import numpy as np
import pytest

from alertd.route.geometry.polygons import inside_ring
from alertd.route.runs import runs_of

# An L of three unit squares: the missing corner lies inside its bounding box and not inside it.
ELL = ((0.0, 0.0), (2.0, 0.0), (2.0, 1.0), (1.0, 1.0), (1.0, 2.0), (0.0, 2.0))


def test_a_place_in_the_notch_is_outside() -> None:
    x, y = np.array([0.5, 1.5, 0.5, 1.5, 3.0]), np.array([0.5, 0.5, 1.5, 1.5, 0.5])
    assert inside_ring(ELL, x, y).tolist() == [True, True, True, False, False]


@pytest.mark.parametrize("corners", [(), ((0.0, 0.0), (1.0, 1.0)), ((0.0, 0.0), (math.inf, 1.0), (1.0, 0.0))])
def test_what_is_no_ring_holds_nothing(corners: tuple[tuple[float, float], ...]) -> None:
    assert not inside_ring(corners, 0.5, 0.5)


@pytest.mark.parametrize(
    ("mask", "runs"),
    [([], []), ([0, 0], []), ([1], [(0, 0)]), ([1, 1, 0, 1], [(0, 1), (3, 3)]), ([0, 1, 1, 0], [(1, 2)])],
)
def test_runs_are_first_and_last_index(mask: list[int], runs: list[tuple[int, int]]) -> None:
    assert runs_of(np.array(mask, dtype=bool)) == runs
