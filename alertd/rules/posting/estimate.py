"""OUR ESTIMATE, not law: the probability that a level is posted, given the pavement and the posting state of its zone.

The authority decides what is posted. The probabilities come from the `our_estimate` blocks of the rule files and hold
for ordinary snow, see `posting.hazard`. Every output that uses them is labelled "our estimate".
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from alertd.road.road_class import RoadClass
from alertd.rules.posting.hazard import level_share
from alertd.rules.ruleset import ControlLevel, RuleSet

UNKNOWN_PROBABILITY: Final = 0.3  # for a level without an estimate, or a zone that is not placed: "be ready"
# Snow counts in part as packed snow, all of it from 5 mm of its water on, as in `road_class`. Slush over deep snow
# counts in part as snow, all of it from 10 mm on: wet snow of that depth stops a truck like any other [A].
PACKED_FROM_MMWE: Final = 5.0
WET_SNOW_MMWE: Final = (2.0, 10.0)
# An estimate that requires snowfall begins at three quarters of it and holds fully from that snowfall on [A].
SNOWFALL_BEGINS_FRAC: Final = 0.75


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
    """The part of a level's estimate that depends on the road alone; `zone_chance` combines it with the weather.

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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ZonePavement:
    """What a level's estimate needs to know of a zone: arrays (member, zone, hour) of its worst part.

    classes: bit c is set where any of the zone is of RoadClass c; the last winter pavement stays while a control may.
    snow_mmwe, slush_mmwe: the most snow under class SNOW, and under SLUSH.
    snowfall_mmwe_h: mean of three hours.
    """

    classes: NDArray[np.uint16]
    snow_mmwe: NDArray[np.float32]
    slush_mmwe: NDArray[np.float32]
    snowfall_mmwe_h: NDArray[np.float32]


def ordinary_probability(tables: Sequence[PostingTable], pavement: ZonePavement) -> NDArray[np.float32]:
    """Probability of a level in ordinary snow on this pavement, (member, zone, hour): the largest of its estimates.

    It rises with snow: snow counts in part as packed, and deep wet snow as snow. `holds` of the tables does not matter.
    """
    found = np.zeros(pavement.classes.shape, dtype=np.float32)
    packed = np.clip(pavement.snow_mmwe / np.float32(PACKED_FROM_MMWE), 0.0, 1.0)
    low, high = WET_SNOW_MMWE
    wet = np.clip((pavement.slush_mmwe - np.float32(low)) / np.float32(high - low), 0.0, 1.0)
    bits = np.arange(1 << len(_CLASSES))[:, None] >> np.arange(len(_CLASSES)) & 1
    for t in tables:
        of_bits = (bits * t.by_class[1:]).max(axis=1).astype(np.float32)
        chance = of_bits[pavement.classes]
        white = max(float(t.by_class[c + 1]) for c in (RoadClass.SNOW, RoadClass.PACKED_SNOW))
        np.maximum(chance, np.float32(t.by_class[RoadClass.PACKED_SNOW + 1]) * packed, out=chance)
        np.maximum(chance, np.float32(white) * wet, out=chance)
        if t.min_snowfall_mmwe_h > 0.0:
            begins = SNOWFALL_BEGINS_FRAC * t.min_snowfall_mmwe_h
            part = (pavement.snowfall_mmwe_h - np.float32(begins)) / np.float32(t.min_snowfall_mmwe_h - begins)
            chance *= np.clip(part, 0.0, 1.0)
        np.maximum(found, chance, out=found)
    return found


def zone_chance(
    tables: Sequence[PostingTable],
    pavement: ZonePavement,
    state: NDArray[np.float32],
    odds_factor: NDArray[np.float32],
) -> NDArray[np.float32]:
    """Our estimate that a level is posted in a zone, (member, zone, hour): posting state times share of the level."""
    return np.asarray(state * level_share(ordinary_probability(tables, pavement), odds_factor), dtype=np.float32)


def road_chance(
    tables: Sequence[PostingTable],
    road_class: NDArray[np.int8],
    odds_factor: NDArray[np.float32] | None = None,
) -> NDArray[np.float32]:
    """Probability of a level that the road itself triggers, without a sign; the shape of `road_class`.

    road_class: (member, sample) or (member, sample, hour).
    odds_factor: see `posting.hazard.odds_factor`, same shape; below 1 it counts as 1, because the duty does not end
        with the storm.
    """
    chance = np.zeros(road_class.shape, dtype=np.float32)
    class_idx = road_class.astype(np.intp) + 1
    for t in tables:
        np.maximum(chance, t.by_class[class_idx] * _along(t.holds, road_class.ndim), out=chance)
    if odds_factor is None:
        return chance
    raised = chance * np.maximum(odds_factor, np.float32(1.0))
    return np.asarray(raised / (1.0 - chance + np.maximum(raised, np.float32(1e-9))), dtype=np.float32)


def unknown_chance(tables: Sequence[PostingTable]) -> NDArray[np.float32]:
    """Probability of a level where the pavement is unknown, (sample,): "be ready", never more than its estimate."""
    return np.asarray(np.maximum.reduce([t.by_class[0] * t.holds for t in tables]), dtype=np.float32)


def _along(holds: NDArray[np.bool_], dimensions: int) -> NDArray[np.bool_]:
    return holds.reshape((-1,) + (1,) * (dimensions - 2))


_CLASSES: Final = tuple(c for c in RoadClass if c is not RoadClass.UNKNOWN)


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
