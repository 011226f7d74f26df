"""Computes the truck's clock without chains, for many departures at once, with the pavement it meets."""

from dataclasses import dataclass
from functools import lru_cache
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.hourly_need import Float32, HourlyNeed, Index, take_flat
from alertd.plan.road_ahead.pavement_codes import Codes
from alertd.plan.road_ahead.sections import Sections
from alertd.plan.road_ahead.speeds import (
    Surfaces,
    elapsed_s,
    free_speed_mps,
    lateness_s,
    posted_cap_mps,
    surface_shares,
    unchained_s,
)
from alertd.rules.rig import IdentityKey, Rig
from alertd.units import HOUR_S

Array: TypeAlias = NDArray[np.float64]

LONG_ROUNDS = 2  # for a trip with rests: the speed again at the hours of the last round


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class UnchainedTiming:
    """Timing without chains, one row per departure.

    reach_s: (departure, section + 1) seconds under way at each edge, planned stands included.
    moving_s: the same without them.
    hour: (departure, member, section) index into the hourly need.
    code, need: pavement code and need there, same shape.
    on: shares of surfaces, (departure, section).
    """

    depart_epoch_s: Array
    reach_s: Array
    moving_s: Array
    hour: Index
    code: Codes
    need: Float32
    on: Surfaces

    def row(self, n: int) -> "UnchainedTiming":
        """The timing of a single departure."""
        one = slice(n, n + 1)
        on = Surfaces(*(x[one] for x in self.on))
        return UnchainedTiming(
            depart_epoch_s=self.depart_epoch_s[one],
            reach_s=self.reach_s[one],
            moving_s=self.moving_s[one],
            hour=self.hour[one],
            code=self.code[one],
            need=self.need[one],
            on=on,
        )


@lru_cache(maxsize=1024)
def free_s(sections: Sections, rig: IdentityKey[Rig], params: PlanParams) -> Array:
    """Seconds to cross each section on a dry road, (section,): by engine, grade, limits and curves."""
    route, mass_kg = sections.route, rig.value.gross_mass_kg
    free = free_speed_mps(route.grade, mass_kg, rig.value.power_w, params)
    speed = np.minimum(free, posted_cap_mps(route, len(rig.value.axles), mass_kg))
    if route.curve_mps is not None:
        speed = np.minimum(speed, route.curve_mps)
    reach = elapsed_s(route.distance_m, 1.0 / speed)
    return np.diff(np.interp(sections.edge_m, route.distance_m, reach))


def unchained_timing(hourly_need: HourlyNeed, depart_epoch_s: Array, params: PlanParams) -> UnchainedTiming:
    """Timing without chains for each of these departures, (departure,), at the speed that the road allows.

    The road sets the speed, and the speed the hour. The speed uses the road at the hour of a dry-road clock. This moves
    the hour by minutes and the speed no further. A trip of several days repeats this.
    """
    sections = hourly_need.sections
    free, length = free_s(sections, IdentityKey(hourly_need.rig), params), sections.length_m
    since_s = (depart_epoch_s - hourly_need.first_epoch_s)[:, None]
    dry, stands = np.cumsum(free) - 0.5 * free, hourly_need.stands
    stood_s = stands.before_s(sections.middle_m)
    expected = hourly_need.hour_of_offset(((since_s + dry + stood_s) / HOUR_S).astype(np.float32))
    on = surface_shares(take_flat(hourly_need.code, hourly_need.pick(expected[:, None, :])))
    moving = _cumulated(unchained_s(free, length, on, params))
    for _ in range(LONG_ROUNDS if stands.total_s > 0.0 else 0):  # over days the clocks drift apart by hours
        offset_s = since_s + 0.5 * (moving[:, 1:] + moving[:, :-1]) + stood_s
        expected = hourly_need.hour_of_offset((offset_s / HOUR_S).astype(np.float32))
        on = surface_shares(take_flat(hourly_need.code, hourly_need.pick(expected[:, None, :])))
        moving = _cumulated(unchained_s(free, length, on, params))
    middle = 0.5 * (moving[:, 1:] + moving[:, :-1])
    late_s = lateness_s(middle.astype(np.float32), hourly_need.corridor.clock_z.astype(np.float32), params)
    when_h = (late_s + (since_s + middle + stood_s).astype(np.float32)[:, None, :]) * np.float32(1.0 / HOUR_S)
    hour = hourly_need.hour_of_offset(when_h.astype(np.float32, copy=False))
    pick = hourly_need.pick(hour)
    code = take_flat(hourly_need.code, pick)
    return UnchainedTiming(
        depart_epoch_s=depart_epoch_s,
        reach_s=moving + stands.before_s(sections.edge_m),
        moving_s=moving,
        hour=hour,
        code=code,
        need=take_flat(hourly_need.need, pick),
        on=surface_shares(code),
    )


def _cumulated(takes_s: Array) -> Array:
    return np.concatenate((np.zeros((takes_s.shape[0], 1)), np.cumsum(takes_s, axis=1)), axis=1)
