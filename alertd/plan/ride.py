"""The truck's clock without chains, for one departure or many at once: when it is where, and what lies there then."""

from dataclasses import dataclass
from functools import lru_cache
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.plan.outlook import Index, Outlook
from alertd.plan.params import PlanParams
from alertd.plan.sections import Sections
from alertd.plan.travel import Surfaces, elapsed_s, free_speed_mps, lateness_s, surface_shares, unchained_s
from alertd.rules.rig import Rig, Same
from alertd.units import HOUR_S

Array: TypeAlias = NDArray[np.float64]

ROUNDS = 2  # the road met sets the speed, and the speed the hour: a second look moves arrivals by seconds


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ride:
    """One row a departure. reach_s: (departure, section + 1) seconds under way at each edge; hour: (departure,
    member, section) into the outlook; on: shares (departure, section)."""

    depart_epoch_s: Array
    reach_s: Array
    hour: Index
    on: Surfaces


@lru_cache(maxsize=1024)
def free_s(sections: Sections, rig: Same[Rig], params: PlanParams) -> Array:
    """Seconds to cross each section on a dry road, (section,)."""
    route = sections.route
    speed = free_speed_mps(route.grade, rig.it.gross_mass_kg, rig.it.power_w, params)
    reach = elapsed_s(route.distance_m, 1.0 / speed)
    return np.diff(np.interp(sections.edge_m, route.distance_m, reach))


def ride(outlook: Outlook, depart_epoch_s: Array, params: PlanParams) -> Ride:
    """Ride without chains at each of these departures, (departure,), at the speed that the road met allows."""
    sections = outlook.sections
    free, length = free_s(sections, Same(outlook.rig), params), sections.length_m
    takes_s = np.broadcast_to(free, (depart_epoch_s.size, free.size))
    since_s = depart_epoch_s - outlook.first_epoch_s
    for _ in range(ROUNDS):
        reach = _cumulated(takes_s)
        middle = 0.5 * (reach[:, 1:] + reach[:, :-1])
        when = lateness_s(middle, outlook.corridor.clock_z, params)
        when += (since_s[:, None] + middle)[:, None, :]
        hour = outlook.hour_of_offset((when / HOUR_S).astype(np.float32))
        on = surface_shares(outlook.code.ravel()[outlook.pick(hour)])
        takes_s = unchained_s(free, length, on, params)
    return Ride(depart_epoch_s=depart_epoch_s, reach_s=_cumulated(takes_s), hour=hour, on=on)


def _cumulated(takes_s: Array) -> Array:
    return np.concatenate((np.zeros((takes_s.shape[0], 1)), np.cumsum(takes_s, axis=1)), axis=1)
