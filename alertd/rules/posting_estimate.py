"""OUR ESTIMATE, not law: the probability that a level is posted, given the expected pavement.

The authority decides what is posted. These numbers come from the `our_estimate` blocks of the rule files, and every
output that uses them is labelled "our estimate".
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from alertd.road.road_class import RoadClass
from alertd.rules.ruleset import ControlLevel, RuleSet

# Up to these values snow is ordinary and the odds of the rule files apply. Above them the odds of posting, p / (1 - p),
# rise with the square root of each excess: of snowfall and of the snow of a day. Our estimate: 0.4 in/h, and 4 in at
# 10:1. The square root fits a model of controls that begin and end by the hour: its odds are 1.6 and 2.9 times as high
# at 2 and 8 mm/h as at 1.
ORDINARY_SNOWFALL_MMWE_H: Final = 1.0
ORDINARY_SNOW_MMWE: Final = 10.0

UNKNOWN_PROBABILITY: Final = 0.3  # for a level without an estimate, or a zone that is not placed: "be ready"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PostingTable:
    """One estimate of a level on one road.

    holds: (sample,), True where grade and zone meet the estimate.
    by_class: (class + 1,), probability on each pavement class, UNKNOWN first.
    min_snowfall_mmwe_h: required snowfall; 0 where none is required.
    """

    holds: NDArray[np.bool_]
    by_class: NDArray[np.float32]
    min_snowfall_mmwe_h: float = 0.0


def posting_tables(
    ruleset: RuleSet,
    level_id: str,
    abs_grade: NDArray[np.float64],
    distance_m: NDArray[np.float64],
    zone_spans: Mapping[str, Sequence[tuple[float, float]]] | None = None,
) -> tuple[PostingTable, ...]:
    """The part of a level's estimate that depends on the road alone; `posting_chance` combines it with the pavement.

    abs_grade: (sample,), absolute rise over run; NaN counts as steep.
    distance_m: (sample,), ascending.
    zone_spans: zone id to the stretches (start_m, end_m) of this route inside it. A placed zone that is missing is not
        on the route. None ignores zones: every level may be posted anywhere.
    """
    level = ruleset.level(level_id)
    may = _may_be_posted(ruleset, level, distance_m, zone_spans)
    tables = _by_class(ruleset, level_id)
    if not tables:
        return (PostingTable(holds=may, by_class=np.full(max(RoadClass) + 2, UNKNOWN_PROBABILITY, dtype=np.float32)),)
    return tuple(
        PostingTable(
            holds=may & within_reach(~(abs_grade < min_abs_grade), distance_m, reach_m),
            by_class=by_class,
            min_snowfall_mmwe_h=snowfall,
        )
        for (min_abs_grade, reach_m, snowfall), by_class in tables.items()
    )


def posting_chance(
    tables: Sequence[PostingTable],
    road_class: NDArray[np.int8],
    snowfall_mmwe_h: NDArray[np.floating] | None = None,
    fresh_mmwe: NDArray[np.floating] | None = None,
) -> NDArray[np.float32]:
    """Our estimate of the probability that a level is posted, given the pavement. Shape of road_class, in [0, 1].

    road_class, snowfall_mmwe_h: (member, sample) or (member, sample, hour). NaN snowfall, or None for all, counts as
        heavy for a level that requires snowfall.
    fresh_mmwe: snow of the last day still on the road, same shape. Heavier snowfall and more fresh snow raise every
        chance above 0, see `severity`.

    The result is the largest probability over the level's estimates whose class is met and whose grade is within reach.
    UNKNOWN pavement gives the estimate's unknown_probability, never more than its probability. A level with an estimate
    for any grade is therefore never 0 there. A level without any estimate gives UNKNOWN_PROBABILITY everywhere it may
    be posted. Outside the zones that the law names the result is 0. A level with a zone that is not placed may be
    posted anywhere.
    """
    chance = np.zeros(road_class.shape, dtype=np.float32)
    class_idx = road_class.astype(np.intp) + 1
    for t in tables:
        table_chance = t.by_class[class_idx] * t.holds.reshape((-1,) + (1,) * (road_class.ndim - 2))
        if t.min_snowfall_mmwe_h > 0.0 and snowfall_mmwe_h is not None:
            table_chance *= ~(snowfall_mmwe_h < t.min_snowfall_mmwe_h)
        np.maximum(chance, table_chance, out=chance)
    if snowfall_mmwe_h is None and fresh_mmwe is None:
        return chance
    odds_factor = severity(snowfall_mmwe_h, fresh_mmwe)
    return np.asarray(chance * odds_factor / (1.0 + chance * (odds_factor - 1.0)), dtype=np.float32)


def severity(
    snowfall_mmwe_h: NDArray[np.floating] | None, fresh_mmwe: NDArray[np.floating] | None
) -> NDArray[np.float32]:
    """Factor on the odds of posting for this snowfall and snow of a day: at least 1, rising with both.

    None and NaN count as ordinary. The shape is that of the broadcast input.
    """
    excess = np.asarray(1.0, dtype=np.float32)
    for value, ordinary in ((snowfall_mmwe_h, ORDINARY_SNOWFALL_MMWE_H), (fresh_mmwe, ORDINARY_SNOW_MMWE)):
        if value is not None:
            excess = excess * np.fmax(np.asarray(value, dtype=np.float32) / np.float32(ordinary), np.float32(1.0))
    return np.asarray(np.sqrt(excess), dtype=np.float32)


def _by_class(ruleset: RuleSet, level_id: str) -> dict[tuple[float, float, float], NDArray[np.float32]]:
    """For each (grade, reach, snowfall) condition: the probability of each class, index + 1 as UNKNOWN is -1."""
    tables: dict[tuple[float, float, float], NDArray[np.float32]] = {}
    for e in (e for e in ruleset.estimates if e.level == level_id):
        condition = (e.min_abs_grade, e.reach_m, e.min_snowfall_mmwe_h)
        table = tables.setdefault(condition, np.zeros(max(RoadClass) + 2, dtype=np.float32))
        for road_class in e.road_classes:
            table[road_class + 1] = max(table[road_class + 1], e.probability)
        table[0] = max(table[0], min(e.unknown_probability, e.probability))
    return tables


def within_reach(steep: NDArray[np.bool_], distance_m: NDArray[np.float64], reach_m: float) -> NDArray[np.bool_]:
    """True where some steep sample is at most reach_m away in either direction, (sample,)."""
    count = np.concatenate(([0], np.cumsum(steep)))
    low = np.searchsorted(distance_m, distance_m - reach_m, side="left")
    high = np.searchsorted(distance_m, distance_m + reach_m, side="right")
    return np.asarray(count[high] > count[low])


def _may_be_posted(
    ruleset: RuleSet,
    level: ControlLevel,
    distance_m: NDArray[np.float64],
    zone_spans: Mapping[str, Sequence[tuple[float, float]]] | None,
) -> NDArray[np.bool_]:
    anywhere = np.ones(distance_m.shape, dtype=np.bool_)
    if zone_spans is None or not level.zones or not all(ruleset.zone(z).placed for z in level.zones):
        return anywhere
    spans = [span for z in level.zones for span in zone_spans.get(z, ())]
    inside = [(distance_m >= start_m) & (distance_m <= end_m) for start_m, end_m in spans]
    return np.logical_or.reduce(inside) if inside else ~anywhere
