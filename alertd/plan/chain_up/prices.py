"""Prices the choice at a stretch that may need chains: chain at a planned place, or go on and decide at the sign.

A driver who is only ready still has recourse: a posted control is on a sign before the climb, and most who slip stop in
time. Each member is priced by itself, so a road that needs chains in half of the members costs half of the loss.
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from alertd.plan.chain_up.chain_set import common_practice
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.chain_need import mean_chance
from alertd.rules.rig import IdentityKey, Rig
from alertd.units import HOUR_S

Array: TypeAlias = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainPrices:
    """The prices of one rig, s. They do not depend on the storm, so that more snow never makes chaining dearer.

    ahead_s: an ordinary chain-up at a planned place: hang, remove, and the slower run.
    sign_s: what a driver who is only ready loses besides, where chains turn out to be needed.
    slip_s: what such a driver loses besides, where the truck slips without chains.
    """

    ahead_s: float
    sign_s: float
    slip_s: float

    def loss_s(self, need: ArrayLike, slips: ArrayLike) -> Array:
        """Expected loss of going on unchained in each member, (member,): the larger of the two losses.

        need: probability that chains are needed anywhere on the stretch, (member,); 1 where the rig slips.
        slips: True where the rig slips without chains anywhere on it, (member,).

        It rises with both. The larger instead of the sum, because a driver who chained at the sign does not slip.
        """
        by_sign = np.asarray(need, dtype=np.float64) * (self.ahead_s + self.sign_s)
        return np.asarray(np.maximum(by_sign, np.asarray(slips) * (self.ahead_s + self.slip_s)))

    def worth(self, need: ArrayLike, slips: ArrayLike) -> float:
        """Mean loss of going on unchained as a multiple of the cost of chaining ahead: from 1 on, chain ahead."""
        return mean_chance(self.loss_s(need, slips)) / self.ahead_s


def prices_for(rig: Rig, params: PlanParams) -> ChainPrices:
    """The prices of this rig."""
    return _prices(IdentityKey(rig), params)


@lru_cache(maxsize=256)
def _prices(rig: IdentityKey[Rig], p: PlanParams) -> ChainPrices:
    tires_n = common_practice(rig.value).tires_min  # not the chains on board: more of them never raise the advice
    hang_s = max(p.hang_min_s, p.hang_s_per_chain * tires_n)
    slower_s = p.chained_run_m * (1.0 / p.chained_mps - 1.0 / p.unchained_run_mps)
    fine_s = p.fine_usd * p.enforced_frac / p.truck_hour_usd * HOUR_S
    recovery_s = p.recovery_usd / p.truck_hour_usd * HOUR_S
    return ChainPrices(
        ahead_s=hang_s + p.remove_s + max(slower_s, 0.0),
        sign_s=p.sign_wait_s + p.late_sign_frac * (p.missed_s + fine_s),
        slip_s=p.chain_in_snow_s + p.stuck_frac * (p.stuck_s + recovery_s),
    )
