"""The road between places to rest as minutes and prices by departure, from the need and the pavement of every hour."""

from collections.abc import Sequence
from typing import Final, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.plan.days.labels import STEP_MIN, RoadTable
from alertd.plan.days.rest_places import RestPlace, Room
from alertd.plan.days.stretch_hours import stretch_hours
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.hourly_need import HourlyNeed, Index, take_flat
from alertd.plan.road_ahead.speeds import chained_s, lateness_s, unchained_s
from alertd.plan.road_ahead.timing import free_s, speeds_by_hour
from alertd.plan.road_ahead.wind import WindHours
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
    """Arrays (section, hour).

    drive: minutes. chained, held, loss_s: see `StretchHours`. closed: odds of a road closed by snow. white: chains may
    be needed.
    """

    drive: Array
    chained: NDArray[np.bool_]
    held: NDArray[np.bool_]
    loss_s: NDArray[np.float32]
    closed: Array
    white: NDArray[np.bool_]

    @property
    def last(self) -> int:
        return int(self.drive.shape[1]) - 1


def road_table(
    hourly_need: HourlyNeed,
    places: Sequence[RestPlace],
    leave_epoch_s: float,
    span_min: int,
    params: PlanParams,
    wind: WindHours | None = None,
) -> RoadTable:
    """The table from the first section over all places to the end, for departures up to `span_min` minutes later."""
    sections = hourly_need.sections
    hours = _section_hours(hourly_need, wind, params)
    at = [0, *(int(sections.at(x.distance_m)) for x in places), sections.count]
    departs = np.arange(0, span_min + STEP_MIN, STEP_MIN, dtype=np.float64)
    offset_min = (leave_epoch_s - hourly_need.first_epoch_s) / 60.0
    n = len(at) - 1
    drive, work, price = (np.zeros((n, departs.size)) for _ in range(3))
    for i in range(n):
        drive[i], work[i], price[i] = _edge(hours, at[i], at[i + 1], departs + offset_min, params)
    known = _hour(departs + offset_min, hours.last)
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


def _edge(
    hours: _SectionHours, first: int, stop: int, now_min: Array, params: PlanParams
) -> tuple[Array, Array, Array]:
    """Minutes of driving, of work for chains, and prices of the sections `first` to `stop`, (departure,) each.

    now_min: departures in minutes since the first hour. Every section is met in its own hour, so a state that begins
    where it does not at another hour counts once.
    """
    hang_min = (max(params.hang_min_s, 4.0 * params.hang_s_per_chain) + params.remove_s) / 60.0
    before = max(first - 1, 0)
    came = _hour(now_min, hours.last) if first == 0 else _hour(now_min - hours.drive[before, 0], hours.last)
    at_hour = [came]
    was = hours.chained[before, came] & (first > 0)
    drive, work = np.zeros_like(now_min), np.zeros_like(now_min)
    for s in range(first, stop):
        hour = _hour(now_min + drive + work, hours.last)
        on = hours.chained[s, hour]
        work += hang_min * (on & ~was)
        drive += hours.drive[s, hour]
        at_hour.append(hour)
        was = on
    here = np.asarray(at_hour)
    there = np.r_[before, first:stop][:, None]

    def begun(values: NDArray[np.generic]) -> Array:
        met = values[there, here].astype(np.float64)
        met[0] *= first > 0
        return np.asarray(np.maximum(np.diff(met, axis=0), 0.0).sum(axis=0))

    # A hold counts between every two places: whoever rests within it is in it again when leaving.
    held = hours.held[there, here][1:].any(axis=0)
    return drive, work, begun(hours.loss_s) / 60.0 + CLOSED_MIN * begun(hours.closed) + HOLD_MIN * held


def _hour(minute: Array, last: int) -> NDArray[np.intp]:
    return np.clip(np.rint(minute / 60.0), 0, last).astype(np.intp)


def _changes(cost: Array) -> NDArray[np.bool_]:
    """The places from which the road within a day of driving depends on the hour, (place,)."""
    varies = np.ptp(cost, axis=1) > CHANGES_MIN
    starts = np.append(0.0, np.cumsum(cost.min(axis=1)))
    at = starts[:-1][varies]
    first = np.searchsorted(at, starts - 1e-9)
    following = np.append(at, np.inf)[first]
    return np.asarray(following - starts <= AHEAD_H * 60.0)


def _section_hours(hourly_need: HourlyNeed, wind: WindHours | None, params: PlanParams) -> _SectionHours:
    sections, rig = hourly_need.sections, hourly_need.rig
    free, length = free_s(sections, IdentityKey(rig), params), sections.length_m
    on = speeds_by_hour(hourly_need).on
    open_s = unchained_s(free, length, on, params).T
    with_chains_s = np.maximum(open_s, chained_s(free, length, on, params, None).T)
    there = _when_there(hourly_need, np.cumsum(free), params)
    pick = _flat(there, hourly_need.hours + 1)
    need, closed = (take_flat(x, pick).mean(axis=0, dtype=np.float64) for x in (hourly_need.need, hourly_need.closed))
    on_way = stretch_hours(hourly_need, wind, there, params)
    return _SectionHours(
        drive=np.where(on_way.chained, with_chains_s, open_s) / 60.0,
        chained=on_way.chained,
        held=on_way.held,
        loss_s=on_way.loss_s,
        closed=closed,
        white=need >= params.ready_probability,
    )


def _when_there(hourly_need: HourlyNeed, driven_s: Array, params: PlanParams) -> Index:
    """Hours (member, section, hour): each member is late by its own clock error after so much driving."""
    late_h = lateness_s(driven_s[None, :], hourly_need.corridor.clock_z, params)[0] / HOUR_S
    hour = np.arange(hourly_need.hours + 1)
    return np.asarray(np.clip(np.rint(hour + late_h[:, :, None]), 0, hourly_need.hours), dtype=np.int32)


def _flat(there: Index, hours_n: int) -> NDArray[np.intp]:
    """Flat indices into arrays (member, section, hour)."""
    first = np.arange(there.shape[0] * there.shape[1], dtype=np.intp).reshape(there.shape[:2])
    return np.asarray(first[:, :, None] * hours_n + there)
