"""Finds ice or glaze over so long a way that a truck does not start on it, at whatever speed."""

import numpy as np

from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.chain_need import SAME_PROBABILITY, joined_runs
from alertd.plan.road_ahead.hourly_need import Mask
from alertd.plan.road_ahead.pavement_codes import GRIP_OF_CODE, Codes
from alertd.plan.road_ahead.sections import Sections
from alertd.road.road_class import RoadClass

ICY = (RoadClass.ICE, RoadClass.GLAZE)
ICY_CODE = np.isin(GRIP_OF_CODE, [int(c) for c in ICY])
GLAZE_CODE = np.asarray(GRIP_OF_CODE == RoadClass.GLAZE)
# Glaze covers all of a road; refrozen water lies in patches, and roads are salted against it [A].
ICE_WEIGHT = np.where(GRIP_OF_CODE == RoadClass.GLAZE, 1.0, 0.5 * ICY_CODE).astype(np.float32)


def may_hold(code: Codes, sections: Sections, params: PlanParams) -> Mask:
    """Whether enough members have enough ice in all on the way, (...,) from codes (..., member, section).

    A quick test: without it no single run of ice is long enough.
    """
    if not ICY_CODE[code].any():
        return np.zeros(code.shape[:-2], dtype=np.bool_)
    length_m = ICE_WEIGHT[code] @ sections.length_m.astype(np.float32)
    return np.asarray((length_m > params.ice_hold_m).mean(axis=-1) >= params.hold_probability - SAME_PROBABILITY)


def long_ice(code: Codes, sections: Sections, params: PlanParams) -> tuple[int, int] | None:
    """First and last section of the first run with more than `ice_hold_m` of glaze in enough members; ice by half.

    code: (member, section). Gaps shorter than `join_gap_m` join, because nobody speeds up for them. Where only several
    runs together have so much glaze, they are one, from the first to the last of them: rain that freezes covers a
    region. Refrozen water lies here and there, and a truck slows down for each place.
    """
    if not may_hold(code, sections, params):
        return None
    runs = likely_runs(ICY_CODE[code], sections, params)
    for first, last in runs:
        here = slice(first, last + 1)
        length_m = ICE_WEIGHT[code[:, here]] @ sections.length_m[here]
        if (length_m > params.ice_hold_m).mean() >= params.hold_probability - SAME_PROBABILITY:
            return first, last
    on_runs = np.concatenate([np.arange(first, last + 1) for first, last in runs] or [np.arange(0)])
    glaze_m = GLAZE_CODE[code[:, on_runs]] @ sections.length_m[on_runs]
    if (glaze_m > params.ice_hold_m).mean() >= params.hold_probability - SAME_PROBABILITY:
        return runs[0][0], runs[-1][1]
    return None


def likely_runs(on: Mask, sections: Sections, params: PlanParams) -> list[tuple[int, int]]:
    """Runs of sections on which enough members are True, short gaps joined. on: (member, section)."""
    likely = on.mean(axis=0) >= params.winter_probability - SAME_PROBABILITY
    return joined_runs(likely, sections, params.join_gap_m)
