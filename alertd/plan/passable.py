"""From when on a stretch that is held below is expected to be passable with chains."""

import math
from datetime import UTC, datetime
from typing import Final

import numpy as np

from alertd.plan.need import SAME_PROBABILITY
from alertd.plan.params import PlanParams
from alertd.plan.run import Leg, Run
from alertd.units import HOUR_S

LASTING_H: Final = 2  # assumed: a lull of an hour is none to drive into


def passable_from(x: Leg, run: Run, enter_epoch_s: float, params: PlanParams) -> datetime | None:
    """The first whole hour after entering that holds no more, and the next neither; None within the forecast.

    It holds while the rig may slip chained, or snow may close the road, in too many members, or a level that bars it is
    likely posted.
    """
    outlook = run.passing.outlook
    first = max(math.ceil((enter_epoch_s - outlook.first_epoch_s) / HOUR_S), 0)
    if first >= outlook.hours:
        return None
    here, ahead = slice(x.first, x.last + 1), slice(first, outlook.hours)
    code = outlook.code[:, here, ahead]
    short = outlook.slips(x.chains.hanging.tires, code, here)
    hold = params.hold_probability - SAME_PROBABILITY
    holds = short.any(axis=1).mean(axis=0) >= hold
    holds |= outlook.closed[:, here, ahead].any(axis=1).mean(axis=0) >= hold
    holds |= (code == 0).any(axis=(0, 1))  # an hour that is not known is none to send anybody into
    for law, level, chance in outlook.by_level:
        if level.demand.barred and law.at.start <= x.last and law.at.stop > x.first:
            a, b = max(x.first - law.at.start, 0), x.last + 1 - law.at.start
            holds |= chance[:, a:b, ahead].max(axis=1).mean(axis=0) >= params.chain_probability - SAME_PROBABILITY
    if holds.size < LASTING_H:
        return None
    free = np.lib.stride_tricks.sliding_window_view(~holds, LASTING_H).all(axis=1)
    if not free.any():
        return None
    return datetime.fromtimestamp(outlook.first_epoch_s + (first + int(np.argmax(free))) * HOUR_S, UTC)
