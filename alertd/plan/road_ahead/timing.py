"""Computes the truck's clock without chains, for many departures at once, with the pavement it meets."""

from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple, TypeAlias

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
    shares_of_kinds,
    speed_kinds,
    unchained_s,
)
from alertd.rules.rig import IdentityKey, Rig
from alertd.units import HOUR_S

Array: TypeAlias = NDArray[np.float64]

BLOCK_CELLS = 50_000  # of members and sections that are computed at once
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
        """The timing of a single departure, as a copy: whoever keeps it does not keep the others."""
        one = slice(n, n + 1)
        return UnchainedTiming(
            depart_epoch_s=self.depart_epoch_s[one],
            reach_s=self.reach_s[one].copy(),
            moving_s=self.moving_s[one].copy(),
            hour=self.hour[one].copy(),
            code=self.code[one].copy(),
            need=self.need[one].copy(),
            on=Surfaces(*(x[one].copy() for x in self.on)),
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


class SpeedsByHour(NamedTuple):
    """See `speed_kinds`, (member, section, hour + 1), and the shares of surfaces, (hour + 1, section)."""

    kinds: NDArray[np.unsignedinteger]
    on: Surfaces


def speeds_by_hour(hourly_need: HourlyNeed) -> SpeedsByHour:
    """The kinds of pavement at every hour, once for all rigs on it."""

    def compute() -> SpeedsByHour:
        kinds = speed_kinds(hourly_need.code, hourly_need.members)
        counts = np.ascontiguousarray(kinds.sum(axis=0, dtype=kinds.dtype).T)
        return SpeedsByHour(kinds, shares_of_kinds(counts, hourly_need.members))

    return hourly_need.corridor.answers.answer("speeds", IdentityKey(hourly_need.code), compute)


def unchained_timing(hourly_need: HourlyNeed, depart_epoch_s: Array, params: PlanParams) -> UnchainedTiming:
    """Timing without chains for each of these departures, (departure,), at the speed that the road allows.

    The road sets the speed, and the speed the hour. The speed uses the road at the hour of a dry-road clock. This moves
    the hour by minutes and the speed no further. A trip of several days repeats this.
    """
    sections = hourly_need.sections
    free, length = free_s(sections, IdentityKey(hourly_need.rig), params), sections.length_m
    since_s = (depart_epoch_s - hourly_need.first_epoch_s)[:, None]
    dry, stands = np.cumsum(free) - 0.5 * free, hourly_need.stands
    stood_s, by_hour = stands.before_s(sections.middle_m), speeds_by_hour(hourly_need)

    def moving_at(offset_s: Array) -> Array:
        """Seconds to each edge at the speed of the road at these hours, the same for all members."""
        expected = hourly_need.hour_of_offset((offset_s / HOUR_S).astype(np.float32))
        here = np.arange(sections.count)
        on = Surfaces(*(x[expected, here] for x in by_hour.on))
        return _cumulated(unchained_s(free, length, on, params))

    moving = moving_at(since_s + dry + stood_s)
    for _ in range(LONG_ROUNDS if stands.total_s > 0.0 else 0):  # over days the clocks drift apart by hours
        moving = moving_at(since_s + 0.5 * (moving[:, 1:] + moving[:, :-1]) + stood_s)
    middle = 0.5 * (moving[:, 1:] + moving[:, :-1])
    shape = (depart_epoch_s.size, hourly_need.members, sections.count)
    hour, code, need = np.empty(shape, np.int32), np.empty(shape, np.int8), np.empty(shape, np.float32)
    kinds = by_hour.kinds
    kinds_n = np.empty((shape[0], shape[2]), kinds.dtype)
    clock_z, clock_s = hourly_need.corridor.clock_z.astype(np.float32), (since_s + middle + stood_s).astype(np.float32)
    elapsed = middle.astype(np.float32)
    block_n = max(BLOCK_CELLS // max(shape[1] * shape[2], 1), 1)
    for first in range(0, shape[0], block_n):  # what is computed on the way then fits in the cache of a processor
        here = slice(first, first + block_n)
        when_h = lateness_s(elapsed[here], clock_z, params)
        when_h += clock_s[here, None, :]
        when_h *= np.float32(1.0 / HOUR_S)
        hour[here] = hourly_need.hour_of_offset(when_h)
        pick = hourly_need.pick(hour[here])
        take_flat(hourly_need.code, pick, out=code[here])
        take_flat(hourly_need.need, pick, out=need[here])
        take_flat(kinds, pick).sum(axis=1, dtype=kinds.dtype, out=kinds_n[here])
    return UnchainedTiming(
        depart_epoch_s=depart_epoch_s,
        reach_s=moving + stands.before_s(sections.edge_m),
        moving_s=moving,
        hour=hour,
        code=code,
        need=need,
        on=shares_of_kinds(kinds_n, hourly_need.members),
    )


def _cumulated(takes_s: Array) -> Array:
    return np.concatenate((np.zeros((takes_s.shape[0], 1)), np.cumsum(takes_s, axis=1)), axis=1)
