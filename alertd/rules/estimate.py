"""OUR ESTIMATE, not law: how likely a level is posted, given what the pavement is expected to be.

The authority decides what is posted. These numbers come from the rule files' blocks `our_estimate`, and every
output that uses them says "our estimate".
"""

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from alertd.road.state import RoadClass
from alertd.rules.law import ControlLevel, RuleSet

UNKNOWN_PROBABILITY: Final = 0.3  # a level without an estimate, or a zone that is not placed: "be ready"


def posting_probability(
    ruleset: RuleSet,
    level_ids: Sequence[str],
    road_class: NDArray[np.int8],
    abs_grade: NDArray[np.float64],
    distance_m: NDArray[np.float64],
    zone_spans: Mapping[str, Sequence[tuple[float, float]]] | None = None,
    snowfall_mmwe_h: NDArray[np.float64] | None = None,
) -> NDArray[np.float64]:
    """Our estimate of the probability that each level is posted at each sample, given the pavement there.

    Parameters
    ----------
    road_class : (member, sample), RoadClass values
    abs_grade : (sample,), rise over run without its sign; NaN counts as steep
    distance_m : (sample,), ascending
    zone_spans : zone id to the stretches (start_m, end_m) of this route inside it; a placed zone that is missing
        from it does not lie on the route. None: zones are not looked at, every level may be posted anywhere.
    snowfall_mmwe_h : (member, sample), snow falling; NaN, or None for all, counts as heavy

    Returns
    -------
    (level, member, sample), in [0, 1]. The largest over the level's estimates whose class is met and whose grade
    lies within reach. UNKNOWN pavement gives the estimate's unknown_probability, never more than its probability: a
    level with an estimate for any grade is never 0 there.
    A level without any estimate gives UNKNOWN_PROBABILITY everywhere it may be posted. Outside the zones that the
    law names, 0; a level with a zone that is not placed may be posted anywhere.
    """
    out = np.zeros((len(level_ids), *road_class.shape))
    class_idx = road_class.astype(np.intp) + 1
    for row, level_id in zip(out, level_ids, strict=True):
        level = ruleset.level(level_id)
        tables = _tables(ruleset, level_id)
        for (min_abs_grade, reach_m, snowfall), table in tables.items():
            holds = within_reach(~(abs_grade < min_abs_grade), distance_m, reach_m)
            if snowfall > 0.0 and snowfall_mmwe_h is not None:
                holds = holds & ~(snowfall_mmwe_h < snowfall)
            np.maximum(row, table[class_idx] * holds, out=row)
        if not tables:
            row[:] = UNKNOWN_PROBABILITY
        row *= _may_be_posted(ruleset, level, distance_m, zone_spans)
    return out


def _tables(ruleset: RuleSet, level_id: str) -> dict[tuple[float, float, float], NDArray[np.float64]]:
    """For each (grade, reach, snowfall) asked: the probability of each class, shifted by one as UNKNOWN is -1."""
    tables: dict[tuple[float, float, float], NDArray[np.float64]] = {}
    for e in (e for e in ruleset.estimates if e.level == level_id):
        asked = (e.min_abs_grade, e.reach_m, e.min_snowfall_mmwe_h)
        table = tables.setdefault(asked, np.zeros(max(RoadClass) + 2))
        for road_class in e.road_classes:
            table[road_class + 1] = max(table[road_class + 1], e.probability)
        table[0] = max(table[0], min(e.unknown_probability, e.probability))
    return tables


def within_reach(steep: NDArray[np.bool_], distance_m: NDArray[np.float64], reach_m: float) -> NDArray[np.bool_]:
    """True where some steep sample lies at most reach_m away, either way."""
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
