"""Where a line crosses the edges of outlines, compared with shapely (GEOS)."""

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from alertd.route.geometry.ring_crossings import edges_of, ring_crossings

SQUARE = np.array([[1.0, 1.0], [3.0, 1.0], [3.0, 3.0], [1.0, 3.0], [1.0, 1.0]])
HOLE = np.array([[1.5, 1.5], [2.5, 1.5], [2.5, 2.5], [1.5, 2.5], [1.5, 1.5]])


def crossings(x: object, y: object, *rings: np.ndarray) -> list[float]:
    found = ring_crossings(np.array(x, dtype=float), np.array(y, dtype=float), edges_of(rings))
    return sorted(set(np.round(found, 9).tolist()))


def test_place_is_a_point_and_the_share_of_its_chord() -> None:
    assert crossings([0.0, 2.0, 4.0, 8.0], [2.0, 2.0, 2.0, 2.0], SQUARE) == [0.5, 1.5]


def test_rings_of_a_hole_are_crossed_too() -> None:
    assert crossings([0.0, 4.0], [2.0, 2.0], SQUARE, HOLE) == [0.25, 0.375, 0.625, 0.75]


def test_an_open_ring_is_closed() -> None:
    assert crossings([0.0, 4.0], [2.0, 2.0], SQUARE[:-1]) == [0.25, 0.75]


def test_line_along_an_edge_meets_its_ends() -> None:
    assert crossings([0.0, 2.0, 4.0], [1.0, 1.0, 1.0], SQUARE) == [0.5, 1.5]


def test_no_edges_and_no_crossing_give_none() -> None:
    assert crossings([0.0, 4.0], [5.0, 5.0], SQUARE) == []
    assert ring_crossings(np.arange(4.0), np.arange(4.0), np.zeros((0, 4))).size == 0


@pytest.mark.parametrize("points_n", [2, 64, 65, 66, 1000])
@given(seed=st.integers(0, 10_000))
def test_every_crossing_that_geos_finds_is_found(points_n: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    x, y = np.cumsum(rng.normal(0.0, 0.1, (2, points_n)), axis=1) + 2.0
    angle = np.linspace(0.0, 2.0 * np.pi, 40)
    ring = 2.0 + (rng.uniform(0.1, 1.5, 40) * np.array([np.cos(angle), np.sin(angle)])).T
    ring[-1] = ring[0]
    places = ring_crossings(x, y, edges_of((ring,)))
    at = np.column_stack([np.interp(places, np.arange(points_n), v) for v in (x, y)])
    chords = shapely.linestrings(np.stack([np.c_[x[:-1], y[:-1]], np.c_[x[1:], y[1:]]], axis=1))
    edges = shapely.linestrings(np.stack([ring[:-1], ring[1:]], axis=1))
    pairs = shapely.STRtree(edges).query(chords, predicate="intersects")
    theirs = shapely.get_coordinates(shapely.intersection(chords[pairs[0]], edges[pairs[1]]))
    assert len(at) == len(theirs)
    if len(at):
        apart = np.hypot(*(at[:, None, :] - theirs[None, :, :]).T)
        assert apart.min(axis=0).max() < 1e-9
        assert apart.min(axis=1).max() < 1e-9
