"""The stretches of every hour by the tests of the plan: where it chains, where it waits, and what the risk costs."""

from collections.abc import Iterator
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.plan.chain_up.encounter import Encounter
from alertd.plan.chain_up.road_view import WORTH_IT, ChainStretch
from alertd.plan.chain_up.stretches import stretches_of
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.chain_need import SAME_PROBABILITY, find_runs
from alertd.plan.road_ahead.hazards import hazards
from alertd.plan.road_ahead.hourly_need import HourlyNeed, Index
from alertd.plan.road_ahead.wind import WindHours

Float32: TypeAlias = NDArray[np.float32]
Mask: TypeAlias = NDArray[np.bool_]


class StretchHours(NamedTuple):
    """Arrays (section, hour) for a truck that is there in that hour.

    chained: the plan chains for this stretch.
    held: the plan waits before it, for whatever reason: grip, law, closure, ice, gusts, sight.
    loss_s: expected loss of going on unchained, 0 where the plan chains.
    """

    chained: Mask
    held: Mask
    loss_s: Float32


def stretch_hours(hourly_need: HourlyNeed, wind: WindHours | None, there: Index, params: PlanParams) -> StretchHours:
    """The stretches by hour. there: hour of each member, (member, section, hour)."""
    shape = there.shape[1:]
    found = StretchHours(np.zeros(shape, np.bool_), np.zeros(shape, np.bool_), np.zeros(shape, np.float32))
    sections = hourly_need.sections
    no_bare_m = np.zeros(sections.count + 1)
    for h in range(there.shape[2]):
        at = Encounter(hourly_need=hourly_need, hour=np.ascontiguousarray(there[:, :, h]))
        runs = find_runs(at.need, sections, params)
        # Chains may be changed anywhere, so that every run is judged by itself.
        for x in stretches_of(at, at.need, runs, sections.edge_m, no_bare_m, params):
            here = slice(x.first, x.last + 1)
            chained = _is_chained(x, params)
            found.chained[here, h] |= chained
            found.loss_s[here, h] = 0.0 if chained else x.loss_s
            found.held[here, h] |= not x.showers and at.is_held(x.first, x.last, params)
        for first, last in _hazards(at, wind, params):
            found.held[first : last + 1, h] = True
        if h:
            _keep_where_unknown(found, (at.code == 0).any(axis=0), h)
    return found


def _keep_where_unknown(found: StretchHours, unknown: Mask, hour: int) -> None:
    """An hour that the forecast does not know is no better than the one before: nobody waits for the unknown."""
    found.held[unknown, hour] |= found.held[unknown, hour - 1]
    found.chained[unknown, hour] |= found.chained[unknown, hour - 1]
    found.loss_s[unknown, hour] = np.maximum(found.loss_s[unknown, hour], found.loss_s[unknown, hour - 1])


def _is_chained(x: ChainStretch, params: PlanParams) -> bool:
    return x.probability >= params.chain_probability - SAME_PROBABILITY or x.worth >= WORTH_IT - SAME_PROBABILITY


def _hazards(at: Encounter, wind: WindHours | None, params: PlanParams) -> Iterator[tuple[int, int]]:
    for x in hazards(at.hourly_need, wind, at.hour, at.code, params):
        if x.holds:
            yield x.first, x.last
