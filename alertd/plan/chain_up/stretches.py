"""Derives the stretches of a view from its runs of need, with the road that places to stop must keep clear of."""

from collections.abc import Sequence
from dataclasses import replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.plan.chain_up.encounter import Encounter
from alertd.plan.chain_up.prices import prices_for
from alertd.plan.chain_up.road_view import WORTH_IT, ChainStretch
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.chain_need import SAME_PROBABILITY, NeedRun, mean_chance
from alertd.plan.road_ahead.hourly_need import Float32
from alertd.plan.road_ahead.sections import Sections

Array: TypeAlias = NDArray[np.float64]
Mask: TypeAlias = NDArray[np.bool_]


def own_end_s(away_m: float, params: PlanParams) -> float:
    """Price of the trip's own start or end, this far from the snow, s."""
    return params.own_end_s if away_m <= params.own_end_reach_m else params.own_end_far_s


def _core_m(first: int, last: int, sections: Sections, slack_m: float) -> tuple[float, float]:
    """Start and end of a run for the choice of stops: `slack_m` inside its edges still counts as outside."""
    start_m, end_m = float(sections.start_m[first]), float(sections.end_m[last])
    slack_m = min(slack_m, (end_m - start_m) / 4.0)
    return start_m + slack_m, max(end_m - slack_m, start_m + slack_m + 1.0)  # a single sample also counts as road


def inside_cores(at_m: Array, runs: Sequence[NeedRun], sections: Sections, slack_m: float) -> Mask:
    """True for places in a core, and more than `slack_m` inside its edges, (place,). at_m: ascending."""
    inside = np.zeros(at_m.shape, dtype=np.bool_)
    for run in (x for x in runs if not x.showers):
        start_m, end_m = _core_m(run.first, run.last, sections, slack_m)
        inside[at_m.searchsorted(start_m, "right") : at_m.searchsorted(end_m)] = True
    return inside


def too_near(at_m: Array, runs: Sequence[NeedRun], sections: Sections, params: PlanParams) -> Mask:
    """True for places in a core or so near that a driver has no room to look for an unlisted one, (place,).

    at_m: ascending.
    """
    near = np.zeros(at_m.shape, dtype=np.bool_)
    for run in (x for x in runs if not x.showers):
        from_m = sections.start_m[run.first] - params.search_least_m
        until_m = sections.end_m[run.last] + params.stop_clearance_m
        near[at_m.searchsorted(from_m, "right") : at_m.searchsorted(until_m)] = True
    return near


def stretches_of(
    encounter: Encounter, need: Float32, runs: Sequence[NeedRun], changes_m: Array, bare_m: Array, params: PlanParams
) -> tuple[ChainStretch, ...]:
    """The stretches of an encounter; cores without a place between them to change chains are merged.

    changes_m: places outside the cores where chains can be changed. bare_m: bare distance at each edge, (section + 1,).
    """
    sections = encounter.hourly_need.sections
    merged: list[tuple[NeedRun, int]] = []
    for run in (x for x in runs if not x.showers):
        if merged:
            before, parts = merged[-1]
            from_m = _core_m(before.first, before.last, sections, params.edge_slack_m)[1]
            to_m = _core_m(run.first, run.last, sections, params.edge_slack_m)[0]
            if not ((changes_m >= from_m) & (changes_m <= to_m)).any():
                merged[-1] = (replace(before, last=run.last, fringe_last=run.fringe_last), parts + 1)
                continue
        merged.append((run, 1))
    merged += [(x, 1) for x in runs if x.showers and not any(y.first <= x.first <= y.last for y, _ in merged)]
    return tuple(
        _stretch(encounter, need, run, parts, bare_m, params) for run, parts in sorted(merged, key=lambda x: x[0].first)
    )


def _stretch(
    encounter: Encounter, need: Float32, run: NeedRun, parts: int, bare_m: Array, params: PlanParams
) -> ChainStretch:
    sections, here = encounter.hourly_need.sections, slice(run.first, run.last + 1)
    start_m, end_m = _core_m(run.first, run.last, sections, params.edge_slack_m)
    most = np.maximum.reduce(need[:, here], axis=1)
    probability = mean_chance(most)
    slips = encounter.slips(here)
    prices = prices_for(encounter.hourly_need.rig, params)
    worth = prices.worth(most, slips)
    if run.showers:  # nobody hangs chains for miles of bare road because a shower may be somewhere on it
        probability = min(probability, params.chain_probability - 2.0 * SAME_PROBABILITY)
        worth = min(worth, WORTH_IT - 2.0 * SAME_PROBABILITY)
    bare_from_m, bare_to_m = np.interp((start_m, end_m), sections.edge_m, bare_m).tolist()
    return ChainStretch(
        first=run.first,
        last=run.last,
        parts=parts,
        start_m=start_m,
        end_m=end_m,
        probability=probability,
        slip_probability=int(np.count_nonzero(slips)) / slips.size,
        loss_s=worth * prices.ahead_s,
        worth=worth,
        fringe_first=run.fringe_first,
        fringe_last=run.fringe_last,
        showers=run.showers,
        bare_from_m=bare_from_m,
        bare_to_m=bare_to_m,
    )
