"""Shares of members by bits are those that a mask of each class gives."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from alertd.plan.describe.met_classes import MetClasses, class_bits
from alertd.road.road_class import WINTER_CLASSES, RoadClass


@given(arrays(np.int8, st.tuples(st.integers(1, 7), st.integers(1, 5)), elements=st.sampled_from(list(RoadClass))))
def test_shares_are_those_of_a_mask_for_each_class(road: np.ndarray) -> None:
    met = MetClasses(class_bits(road))
    masks = {c: float((road == c).any(axis=1).mean()) for c in RoadClass}
    assert met.shares() == {c: share for c, share in masks.items() if share > 0.0}
    assert met.frac(WINTER_CLASSES) == float(np.isin(road, WINTER_CLASSES).any(axis=1).mean())
    assert MetClasses(class_bits(road), slice(0, 1)).shares() == {
        c: share for c in RoadClass if (share := float((road[:, 0] == c).mean())) > 0.0
    }
