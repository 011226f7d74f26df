"""Forecast places stand where the road's weather is decided, and each sample hears the right one."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.forecast.sampling import choose_cells, turning_points

M_PER_DEG = 6_371_000.0 * np.pi / 180.0


def road(heights: list[float], step_m: float = 250.0) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """A straight road due north with the given heights at each sample."""
    distance_m = np.arange(len(heights)) * step_m
    return distance_m, np.array(heights, dtype=float), 47.0 + distance_m / M_PER_DEG, np.full(len(heights), -115.0)


def flat_then_pass() -> list[float]:
    """30 km flat at 800 m, 15 km up to 1700 m, 15 km down to 800 m, 30 km flat."""
    return [*[800.0] * 120, *np.linspace(800, 1700, 60), *np.linspace(1700, 800, 60), *[800.0] * 120]


def test_places_stand_about_five_kilometres_apart_on_the_flat() -> None:
    plan = choose_cells(*road([500.0] * 401))
    assert np.diff(plan.sample_idx).tolist() == [20] * 20


def test_a_summit_always_has_its_own_place_and_climbs_have_more() -> None:
    heights = flat_then_pass()
    plan = choose_cells(*road(heights))
    assert np.argmax(heights) in plan.sample_idx
    assert {0, len(heights) - 1} <= set(plan.sample_idx.tolist())
    on_flat = np.count_nonzero(plan.sample_idx < 120)
    on_pass = np.count_nonzero((plan.sample_idx >= 120) & (plan.sample_idx < 240))
    assert on_pass > 1.5 * on_flat


def test_the_number_of_places_is_kept_and_the_summits_stay() -> None:
    heights = flat_then_pass() * 6
    plan = choose_cells(*road(heights), max_cells=30)
    assert plan.sample_idx.size <= 30
    for i in range(6):
        top = max(heights[360 * i : 360 * (i + 1)])
        assert any(heights[s] == top for s in plan.sample_idx if 360 * i <= s < 360 * (i + 1))


def test_too_many_summits_keep_the_most_prominent() -> None:
    heights = np.tile([0.0, 150.0], 100)
    heights[77] = 2000.0
    plan = choose_cells(*road(heights.tolist()), max_cells=5)
    assert plan.sample_idx.size <= 5
    assert 77 in plan.sample_idx


def test_each_sample_uses_the_place_of_its_height() -> None:
    """A gorge 1000 m deep beside the pass: its floor is nearer in height to the far valley than to the pass."""
    heights = [500.0] * 21 + [1500.0] * 21
    plan = choose_cells(*road(heights), spacing_m=5000.0)
    spoken = np.array(heights)[plan.sample_idx[plan.cell_of_sample]]
    assert np.abs(spoken - heights).max() < 300.0


def test_a_place_speaks_for_itself() -> None:
    plan = choose_cells(*road(flat_then_pass()))
    assert plan.cell_of_sample[plan.sample_idx].tolist() == list(range(plan.sample_idx.size))


def test_small_waves_make_no_summit() -> None:
    assert turning_points(np.array([0.0, 40.0, 5.0, 60.0, 0.0]), 100.0).tolist() == [0, 4]
    assert turning_points(np.array([0.0, 140.0, 5.0, 160.0, 0.0]), 100.0).tolist() == [0, 1, 2, 3, 4]
    assert turning_points(np.array([300.0, 0.0, 300.0]), 100.0).tolist() == [0, 1, 2]


def test_an_unknown_height_counts_as_the_one_before() -> None:
    heights = flat_then_pass()
    holed = list(heights)
    holed[130] = float("nan")
    assert choose_cells(*road(holed)).sample_idx.size == pytest.approx(
        choose_cells(*road(heights)).sample_idx.size, abs=2
    )
    assert choose_cells(*road([float("nan")] * 41)).sample_idx.tolist() == [0, 20, 40]


def test_a_road_of_one_sample_has_one_place() -> None:
    plan = choose_cells(*road([700.0]))
    assert (plan.sample_idx.tolist(), plan.cell_of_sample.tolist()) == ([0], [0])


def test_no_road_and_no_room_are_refused() -> None:
    with pytest.raises(ValueError, match="at least one sample"):
        choose_cells(*road([]))
    with pytest.raises(ValueError, match="room for its two ends"):
        choose_cells(*road([1.0, 2.0]), max_cells=1)


@given(st.lists(st.floats(0, 3000), min_size=1, max_size=200), st.integers(2, 40))
def test_any_road_gets_a_plan_within_bounds(heights: list[float], max_cells: int) -> None:
    plan = choose_cells(*road(heights), max_cells=max_cells)
    assert 1 <= plan.sample_idx.size <= max_cells
    assert (np.diff(plan.sample_idx) > 0).all()
    assert plan.cell_of_sample.shape == (len(heights),)
    assert plan.cell_of_sample.max() < plan.sample_idx.size
    assert {0, len(heights) - 1} <= set(plan.sample_idx.tolist())
