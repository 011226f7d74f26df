"""Our estimate of a level: by pavement, grade, zone and snowfall, on a road of a few samples in one zone."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from alertd.road.road_class import RoadClass
from alertd.rules.posting.estimate import (
    UNKNOWN_PROBABILITY,
    ZonePavement,
    ordinary_probability,
    posting_tables,
    road_chance,
    unknown_chance,
    zone_chance,
)
from alertd.rules.posting.hazard import ORDINARY_STATE
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


def _one(ruleset: RuleSet, classes: list[int], grade: list[float]) -> list[float]:
    distance_m = np.arange(len(classes)) * 250.0
    tables = posting_tables(ruleset, LEVEL, np.array(grade), distance_m)
    return [round(p, 6) for p in road_chance(tables, np.array([classes], np.int8))[0].tolist()]


def pavement(*classes: RoadClass, snow: float = 0.0, slush: float = 0.0, rate: float = 0.5) -> ZonePavement:
    """Return one zone with these classes somewhere on it."""

    def one(value: float) -> np.ndarray:
        return np.full((1, 1, 1), value, np.float32)

    return ZonePavement(
        classes=np.full((1, 1, 1), sum(1 << c for c in classes), np.uint16),
        snow_mmwe=one(snow),
        slush_mmwe=one(slush),
        snowfall_mmwe_h=one(rate),
    )


def ordinary(ruleset: RuleSet, of_zone: ZonePavement, grade: float = 0.05) -> float:
    tables = [t for t in posting_tables(ruleset, LEVEL, np.array([grade]), np.zeros(1)) if t.holds[0]]
    return round(float(ordinary_probability(tables, of_zone)[0, 0, 0]), 6)


def test_steep_grade_within_reach_raises_the_estimate(washington: RuleSet) -> None:
    snow = [RoadClass.SNOW] * 6
    assert _one(washington, snow, [0.04, 0, 0, 0, 0, 0]) == [0.6, 0.6, 0.6, 0.2, 0.2, 0.2]


def test_class_outside_every_estimate_is_zero_and_unknown_is_not(washington: RuleSet) -> None:
    assert _one(washington, [RoadClass.DRY, RoadClass.UNKNOWN], [0.0, 0.0]) == [0.0, 0.2]
    assert _one(washington, [RoadClass.DRY, RoadClass.UNKNOWN], [0.05, 0.05]) == [0.0, 0.3]
    tables = posting_tables(washington, LEVEL, np.array([0.0, 0.05]), np.array([0.0, 9e3]))
    assert unknown_chance(tables).tolist() == pytest.approx([0.2, 0.3])


def test_the_files_figure_is_that_of_ordinary_snow(washington: RuleSet) -> None:
    """The state in lasting ordinary snow times the level's share of it is the probability of the file."""
    tables = posting_tables(washington, LEVEL, np.array([0.05]), np.zeros(1))
    one = np.ones((1, 1, 1), np.float32)
    chance = zone_chance(tables, pavement(RoadClass.SNOW), np.float32(ORDINARY_STATE) * one, one)
    assert float(chance[0, 0, 0]) == pytest.approx(0.6, abs=1e-6)
    assert float(zone_chance(tables, pavement(RoadClass.SNOW), 0.0 * one, one)[0, 0, 0]) == 0.0


def test_an_estimate_that_requires_snowfall_has_no_step(washington: RuleSet) -> None:
    heavy = PostingEstimate(level=LEVEL, road_classes=(4,), probability=0.9, min_snowfall_mmwe_h=2.0)
    rules = replace(washington, estimates=(*washington.estimates, heavy))
    found = [ordinary(rules, pavement(RoadClass.SNOW, rate=rate), 0.0) for rate in (1.0, 1.5, 1.75, 2.0, 8.0)]
    assert found == [0.2, 0.2, 0.45, 0.9, 0.9]


def test_deep_wet_snow_is_snow_and_deep_snow_is_packed(shipped: dict[str, RuleSet]) -> None:
    """Slush of any depth once had the chance of slush; a foot of wet snow stops a truck as any snow does."""
    rules = shipped["US-WA"]
    slush = [ordinary(rules, pavement(RoadClass.SLUSH, slush=mm)) for mm in (1.0, 2.0, 6.0, 10.0, 30.0)]
    assert slush == sorted(slush)
    assert (slush[0], slush[-1]) == (0.25, 0.7)
    snow = [ordinary(rules, pavement(RoadClass.SNOW, snow=mm)) for mm in (0.5, 4.6, 5.0, 30.0)]
    assert snow == sorted(snow)
    assert (snow[0], snow[-1]) == (0.6, 0.7)


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
    out = road_chance(tables, np.full((1, 4), RoadClass.PACKED_SNOW, np.int8))
    assert (out[0] > 0).tolist() == [False, True, True, False]


def test_level_with_a_zone_not_placed_may_be_posted_anywhere(shipped: dict[str, RuleSet]) -> None:
    idaho = shipped["US-ID"]
    zones = tuple(replace(z, from_point=None, to_point=None) if z.id == "us12-lolo" else z for z in idaho.zones)
    rules = replace(idaho, zones=zones)
    tables = posting_tables(rules, "chains-required", np.full(2, 0.06), np.array([0.0, 250.0]), {})
    assert (road_chance(tables, np.full((1, 2), RoadClass.SNOW, np.int8)) > 0).all()


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
        chances = [road_chance(t, classes) for t in tables]
        assert all(((c >= 0) & (c <= 1)).all() for c in chances)
        if chances:  # a state that asks for no chains has no level
            assert (np.maximum.reduce(chances)[classes == RoadClass.UNKNOWN] > 0).all()
            assert (np.maximum.reduce([unknown_chance(t) for t in tables]) > 0).all()
