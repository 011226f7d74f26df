"""Finds what our own forecast gives as a reason to wait or to take care: ice over a long way, gusts, no sight."""

from collections.abc import Iterator
from typing import Final, NamedTuple

import numpy as np

from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.chain_need import SAME_PROBABILITY
from alertd.plan.road_ahead.hourly_need import Float32, HourlyNeed, Index, Mask
from alertd.plan.road_ahead.long_ice import ICE_WEIGHT, ICY_CODE, likely_runs, long_ice
from alertd.plan.road_ahead.pavement_codes import Codes
from alertd.plan.road_ahead.wind import WindHours, blind, limits_of, too_windy

ICE: Final = "ice"
WIND: Final = "wind"
SIGHT: Final = "sight"


class Hazard(NamedTuple):
    """One hazard on sections first to last.

    frac: share of members that meet it there.
    holds: it is a reason to wait.
    worst: highest gust [m/s] or shortest sight [m] of the median member there; length of ice [m] for ice.
    """

    kind: str
    first: int
    last: int
    frac: float
    holds: bool
    worst: float


def hazards(
    hourly_need: HourlyNeed, wind: WindHours | None, hour: Index, code: Codes, params: PlanParams
) -> tuple[Hazard, ...]:
    """The hazards of a truck that reaches each section in this hour, (member, section), in the order of the road."""
    sections = hourly_need.sections
    found = []
    if (run := long_ice(code, sections, params)) is not None:
        on_run = slice(run[0], run[1] + 1)
        long = ICE_WEIGHT[code[:, on_run]] @ sections.length_m[on_run] > params.ice_hold_m
        length_m = ICY_CODE[code[:, on_run]] @ sections.length_m[on_run]
        found.append(Hazard(ICE, *run, float(long.mean()), True, float(np.median(length_m[long]))))
    if wind is not None:
        gust, sight = wind.at(hour)
        limits = limits_of(hourly_need.rig, params)
        if (gust >= min(limits)).any():
            held = too_windy(gust, code, limits.hold_mps, limits.hold_slick_mps)
            warned = too_windy(gust, code, limits.caution_mps, min(limits.caution_mps, limits.hold_slick_mps))
            for first, last, frac, holds in _runs(held, warned, hourly_need, params):
                found.append(Hazard(WIND, first, last, frac, holds, _median_most(gust[:, first : last + 1])))
        held, warned = (blind(sight, x) for x in (params.sight_hold_m, params.sight_caution_m))
        for first, last, frac, holds in _runs(held, warned, hourly_need, params):
            found.append(Hazard(SIGHT, first, last, frac, holds, -_median_most(-sight[:, first : last + 1])))
    return tuple(sorted(found, key=lambda x: (x.first, x.kind)))


def _median_most(values: Float32) -> float:
    """The highest value of the median member, over members with known values; some member has one."""
    most = np.where(np.isnan(values), -np.inf, values).max(axis=1)
    return float(np.median(most[np.isfinite(most)]))


def _runs(
    held: Mask, warned: Mask, hourly_need: HourlyNeed, params: PlanParams
) -> Iterator[tuple[int, int, float, bool]]:
    """Runs of road with a hazard in enough members: first and last section, share of members, whether it holds.

    Runs to hold for come first; the others are those that no such run overlaps.
    """
    taken = np.zeros(held.shape[1], dtype=np.bool_)
    for mask, enough, holds in (
        (held, params.hold_probability, True),
        (warned, params.hold_probability, False),
    ):
        if not mask.any():
            continue
        for first, last in likely_runs(mask, hourly_need.sections, params):
            frac = float(mask[:, first : last + 1].any(axis=1).mean())
            if frac < enough - SAME_PROBABILITY or taken[first : last + 1].any():
                continue
            taken[first : last + 1] = True
            yield first, last, frac, holds


def hours_on_hold(x: Hazard, hourly_need: HourlyNeed, wind: WindHours | None, first_h: int, params: PlanParams) -> Mask:
    """Whether each hour from `first_h` on has the hazard in enough members, (hour,). An unknown hour has it.

    A caution lasts as long as its own limits are met.
    """
    on_run = slice(x.first, x.last + 1)
    code = hourly_need.code[:, on_run, first_h : hourly_need.hours]
    on_hold = np.asarray((code == 0).any(axis=(0, 1)))
    if x.kind == ICE:
        length_m = np.einsum("msh,s->mh", ICE_WEIGHT[code], hourly_need.sections.length_m[on_run])
        frac = (length_m > params.ice_hold_m).mean(axis=0)
    elif wind is not None:
        at = slice(wind.first_h + first_h, wind.first_h + first_h + code.shape[2])
        gust, sight = wind.gust_mps[:, wind.cell[on_run], at], wind.sight_m[:, wind.cell[on_run], at]
        limits = limits_of(hourly_need.rig, params)
        limit_mps = limits.hold_mps if x.holds else limits.caution_mps
        sight_m = params.sight_hold_m if x.holds else params.sight_caution_m
        met = (
            too_windy(gust, code, limit_mps, min(limit_mps, limits.hold_slick_mps))
            if x.kind == WIND
            else blind(sight, sight_m)
        )
        frac = met.any(axis=1).mean(axis=0)
    else:
        return on_hold
    return np.asarray(on_hold | (frac >= params.hold_probability - SAME_PROBABILITY))
