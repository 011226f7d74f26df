from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from alertd.road.road_class import RoadClass
from alertd.rules.posting_estimate import UNKNOWN_PROBABILITY, posting_chance, posting_tables
from alertd.rules.ruleset import PostingEstimate, RuleSet

LEVEL = "over-10000-gvw"


@pytest.fixture
def washington(shipped: dict[str, RuleSet]) -> RuleSet:
    return replace(
        shipped["US-WA"],
        estimates=(
            PostingEstimate(level=LEVEL, road_classes=(4, 8), probability=0.6, min_abs_grade=0.03, reach_m=500.0),
            PostingEstimate(level=LEVEL, road_classes=(4, 8), probability=0.2, unknown_probability=0.25),
        ),
    )


def _one(ruleset: RuleSet, classes: list[int], grade: list[float], **kwargs: object) -> list[float]:
    distance_m = np.arange(len(classes)) * 250.0
    tables = posting_tables(ruleset, LEVEL, np.array(grade), distance_m)
    return [round(p, 6) for p in posting_chance(tables, np.array([classes], np.int8), **kwargs)[0].tolist()]


def test_steep_grade_within_reach_raises_the_estimate(washington: RuleSet) -> None:
    snow = [RoadClass.SNOW] * 6
    assert _one(washington, snow, [0.04, 0, 0, 0, 0, 0]) == [0.6, 0.6, 0.6, 0.2, 0.2, 0.2]


def test_class_outside_every_estimate_is_zero_and_unknown_is_not(washington: RuleSet) -> None:
    assert _one(washington, [RoadClass.DRY, RoadClass.UNKNOWN], [0.0, 0.0]) == [0.0, 0.2]
    assert _one(washington, [RoadClass.DRY, RoadClass.UNKNOWN], [0.05, 0.05]) == [0.0, 0.3]


def test_heavy_or_unknown_snowfall_raises_the_estimate(washington: RuleSet) -> None:
    heavy = PostingEstimate(level=LEVEL, road_classes=(4,), probability=0.9, min_snowfall_mmwe_h=2.0)
    rules = replace(washington, estimates=(*washington.estimates, heavy))
    snow, flat = [RoadClass.SNOW] * 3, [0.0] * 3
    # At 1.9 and 2.0 mm/h the odds of 0.2 and 0.9 are the root of so much higher: 0.25 * 1.378 and 9 * 1.414.
    assert _one(rules, snow, flat, snowfall_mmwe_h=np.array([[1.9, 2.0, np.nan]])) == [0.256285, 0.927156, 0.9]
    assert _one(rules, snow, flat) == [0.9, 0.9, 0.9]


def test_grade_not_known_counts_as_steep(washington: RuleSet) -> None:
    assert _one(washington, [RoadClass.SNOW], [float("nan")]) == [0.6]


def test_level_without_estimate_says_be_ready_everywhere(washington: RuleSet) -> None:
    bare = replace(washington, estimates=())
    assert _one(bare, [RoadClass.DRY], [0.0]) == [UNKNOWN_PROBABILITY]


def test_level_bound_to_zones_is_zero_outside_them(shipped: dict[str, RuleSet]) -> None:
    # Idaho Code 49-948(5): the department may require chains on three named passes only
    idaho = shipped["US-ID"]
    along = np.arange(4) * 1000.0
    tables = posting_tables(idaho, "chains-required", np.full(4, 0.06), along, {"i90-lookout": [(1000.0, 2000.0)]})
    out = posting_chance(tables, np.full((1, 4), RoadClass.PACKED_SNOW, np.int8))
    assert (out[0] > 0).tolist() == [False, True, True, False]


def test_level_with_a_zone_not_placed_may_be_posted_anywhere(shipped: dict[str, RuleSet]) -> None:
    idaho = shipped["US-ID"]
    zones = tuple(replace(z, from_point=None, to_point=None) if z.id == "us12-lolo" else z for z in idaho.zones)
    rules = replace(idaho, zones=zones)
    tables = posting_tables(rules, "chains-required", np.full(2, 0.06), np.array([0.0, 250.0]), {})
    assert (posting_chance(tables, np.full((1, 2), RoadClass.SNOW, np.int8)) > 0).all()


@settings(deadline=None)
@given(
    classes=arrays(np.int8, (3, 7), elements=st.integers(-1, 8)),
    grade=arrays(np.float64, 7, elements=st.floats(0, 0.1)),
)
def test_shipped_estimates_are_probabilities_unknown_not_none(
    shipped: dict[str, RuleSet], classes: np.ndarray, grade: np.ndarray
) -> None:
    """An unknown road never reads as none."""
    for ruleset in shipped.values():
        tables = [posting_tables(ruleset, level.id, grade, np.arange(7) * 250.0) for level in ruleset.levels]
        chances = [posting_chance(t, classes) for t in tables]
        assert all(((c >= 0) & (c <= 1)).all() for c in chances)
        if chances:  # a state that asks for no chains has no level
            assert (np.maximum.reduce(chances)[classes == RoadClass.UNKNOWN] > 0).all()
