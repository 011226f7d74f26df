"""The road between places to rest as minutes and prices by departure, from the need and the pavement of every hour."""

from collections.abc import Sequence
from typing import Final, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.plan.days.labels import STEP_MIN, RoadTable
from alertd.plan.days.rest_places import RestPlace, Room
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.hourly_need import HourlyNeed, take_flat
from alertd.plan.road_ahead.speeds import chained_s, lateness_s, surface_shares, unchained_s
from alertd.plan.road_ahead.timing import free_s
from alertd.rules.rig import IdentityKey
from alertd.units import HOUR_S

Array: TypeAlias = NDArray[np.float64]

# Prices in minutes [A]. A closed road costs a night; a road on hold is worse than waiting a day for it.
CLOSED_MIN: Final = 720.0
HOLD_MIN: Final = 1_440.0
ROOM_PRICE_MIN: Final = {Room.LISTED: 0, Room.TOWN: 20, Room.CUSTOMER: 60, Room.UNLISTED: 90}
BREAK_SHARE: Final = 0.25  # of the price of a night there
SNOW_PRICE_MIN: Final = (
    120  # of a night where the road beside the place may need chains: a place is then full, or white
)
CHANGES_MIN: Final = 5.0
AHEAD_H: Final = 26.0  # waiting looks this far ahead


class _SectionHours(NamedTuple):
    """Minutes by (section, hour): driving, work for chains, prices; and whether chains are likely."""

    drive: Array
    work: Array
    price: Array
    white: NDArray[np.bool_]


def road_table(
    hourly_need: HourlyNeed, places: Sequence[RestPlace], leave_epoch_s: float, span_min: int, params: PlanParams
) -> RoadTable:
    """The table from the first section over all places to the end, for departures up to `span_min` minutes later."""
    sections = hourly_need.sections
    hours = _section_hours(hourly_need, params)
    at = [0, *(int(sections.at(x.distance_m)) for x in places), sections.count]
    departs = np.arange(0, span_min + STEP_MIN, STEP_MIN, dtype=np.float64)
    offset_min = (leave_epoch_s - hourly_need.first_epoch_s) / 60.0
    n = len(at) - 1
    drive, work, price = (np.zeros((n, departs.size)) for _ in range(3))
    last = hourly_need.hours
    for i in range(n):
        now = departs + offset_min
        for s in range(at[i], at[i + 1]):
            hour = np.clip(np.rint(now / 60.0), 0, last).astype(np.intp)
            takes, stop = hours.drive[s, hour], hours.work[s, hour]
            drive[i] += takes
            work[i] += stop
            price[i] += hours.price[s, hour]
            now = now + takes + stop
    known = np.clip(np.rint((departs + offset_min) / 60.0), 0, last).astype(np.intp)
    rooms = [Room.UNLISTED, *(x.room for x in places), Room.UNLISTED]
    white = hours.white[np.minimum(at, sections.count - 1)][:, known]
    rest = np.asarray([ROOM_PRICE_MIN[r] for r in rooms])[:, None] + SNOW_PRICE_MIN * white
    drive_min = np.rint(drive).astype(np.int64)
    return RoadTable(
        drive=drive_min,
        work=np.rint(work).astype(np.int64),
        price=np.rint(price).astype(np.int64),
        rest_price=rest.astype(np.int64),
        break_price=np.rint(BREAK_SHARE * rest).astype(np.int64),
        can_rest=np.ones(n + 1, dtype=np.bool_),
        changes=_changes(drive + work + price),
    )


def _changes(cost: Array) -> NDArray[np.bool_]:
    """The places from which the road within a day of driving depends on the hour, (place,)."""
    varies = np.ptp(cost, axis=1) > CHANGES_MIN
    starts = np.append(0.0, np.cumsum(cost.min(axis=1)))
    at = starts[:-1][varies]
    first = np.searchsorted(at, starts - 1e-9)
    following = np.append(at, np.inf)[first]
    return np.asarray(following - starts <= AHEAD_H * 60.0)


def _section_hours(hourly_need: HourlyNeed, params: PlanParams) -> _SectionHours:
    sections, rig = hourly_need.sections, hourly_need.rig
    free, length = free_s(sections, IdentityKey(rig), params), sections.length_m
    on = surface_shares(np.moveaxis(hourly_need.code, 2, 0))  # (hour, section)
    open_s = unchained_s(free, length, on, params).T
    with_chains_s = np.maximum(open_s, chained_s(free, length, on, params, None).T)
    pick = _when_there(hourly_need, np.cumsum(free), params)
    need, slip, closed = (
        take_flat(x, pick).mean(axis=0, dtype=np.float64)
        for x in (hourly_need.need, hourly_need.grip_shortfall, hourly_need.closed)
    )
    chained = need >= params.chain_probability
    # A chain stop where likely road begins, and the risk of unlikely road where its odds rise: once for each pass.
    hang_s = max(params.hang_min_s, 4.0 * params.hang_s_per_chain) + params.remove_s
    work = hang_s * (chained & ~_before(chained))
    risk_s = params.missed_s * _rises(np.where(chained, 0.0, need)) + params.stuck_s * _rises(
        np.where(chained, 0.0, slip)
    )
    held = closed >= params.hold_probability
    price = risk_s / 60.0 + CLOSED_MIN * _rises(closed) + HOLD_MIN * (held & ~_before(held))
    return _SectionHours(
        drive=np.where(chained, with_chains_s, open_s) / 60.0,
        work=work / 60.0,
        price=price,
        white=need >= params.ready_probability,
    )


def _when_there(hourly_need: HourlyNeed, driven_s: Array, params: PlanParams) -> NDArray[np.intp]:
    """Flat indices (member, section, hour): each member is late by its own clock error after so much driving."""
    late_h = lateness_s(driven_s[None, :], hourly_need.corridor.clock_z, params)[0] / HOUR_S
    hour = np.arange(hourly_need.hours + 1)
    there = np.clip(np.rint(hour + late_h[:, :, None]), 0, hourly_need.hours).astype(np.intp)
    first = np.arange(there.shape[0] * there.shape[1], dtype=np.intp).reshape(there.shape[:2])
    return np.asarray(first[:, :, None] * there.shape[2] + there)


def _before(values: NDArray[np.bool_]) -> NDArray[np.bool_]:
    out = np.zeros_like(values)
    out[1:] = values[:-1]
    return out


def _rises(odds: Array) -> Array:
    """The increase of odds from section to section, (section, hour)."""
    return np.maximum(np.diff(odds, axis=0, prepend=0.0), 0.0)
