"""The likeliest pavement of a place: winter road, unknown or bare first, then the class. Check values by hand."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from alertd.plan.describe.along import likeliest_class
from alertd.plan.describe.medians import median, median_of_members
from alertd.road.road_class import RoadClass

MET = [RoadClass.UNKNOWN, RoadClass.WET, RoadClass.SLUSH, RoadClass.PACKED_SNOW]


@pytest.mark.parametrize(
    ("shares", "expected"),
    [
        ((0.0, 0.4, 0.35, 0.25), RoadClass.SLUSH),  # 6 of 10 white in two classes, 4 of 10 wet
        ((0.0, 0.6, 0.25, 0.15), RoadClass.WET),
        ((0.0, 0.5, 0.3, 0.2), RoadClass.SLUSH),  # an even chance reads as winter road
        ((0.5, 0.4, 0.1, 0.0), RoadClass.UNKNOWN),
        ((0.3, 0.4, 0.1, 0.2), RoadClass.WET),
    ],
)
def test_a_road_white_in_most_members_is_not_named_wet(shares: tuple[float, ...], expected: RoadClass) -> None:
    assert MET[int(likeliest_class(np.asarray(shares)[:, None], MET)[0])] is expected


def test_classes_of_one_kind_alone_are_named() -> None:
    for road_class in (RoadClass.DRY, RoadClass.GLAZE, RoadClass.UNKNOWN):
        assert likeliest_class(np.ones((1, 4)), [road_class]).tolist() == [0] * 4


@given(
    arrays(np.float64, st.tuples(st.integers(1, 6), st.integers(1, 4)), elements=st.floats(-40, 10) | st.just(np.nan))
)
def test_the_median_is_that_of_numpy(values: np.ndarray) -> None:
    assert median_of_members(values).tolist() == pytest.approx(
        np.median(values, axis=0).tolist(), rel=0, abs=0, nan_ok=True
    )


@given(arrays(np.float32, st.integers(1, 9), elements=st.floats(-40, 10, width=32)))
def test_the_median_of_known_values_is_that_of_numpy(values: np.ndarray) -> None:
    assert median(values) == np.median(values)
    assert median(values).dtype == np.float32
