"""Proposes unlisted places, off grades and bridges, near road that may need chains and has no stop.

They are not known places: a driver looks for the first safe place from there on. Each has a price, and none is in snow.
"""

from functools import lru_cache
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.plan.chain_up.stop_candidates import StopCandidates, stop_candidates
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.chain_need import SAME_PROBABILITY
from alertd.plan.road_ahead.hourly_need import HourlyNeed
from alertd.plan.road_ahead.sections import Sections
from alertd.plan.road_ahead.timing import free_s
from alertd.route.bridges import on_bridges
from alertd.route.model import Route
from alertd.route.runs import runs_of
from alertd.route.stops import RouteStop, Stop, StopKind
from alertd.route.tunnels import in_tunnels
from alertd.rules.rig import IdentityKey
from alertd.units import HOUR_S, to_miles

Array: TypeAlias = NDArray[np.float64]
Mask: TypeAlias = NDArray[np.bool_]

# Assumed: bounds of the duration of a trip over its duration on a dry road, and the longest time that it stands.
EARLIEST: Final = 0.8
SLOWEST: Final = 2.0
LONGEST_STAND_H: Final = 4.0
LEAST_N: Final = 2  # candidates on either side of such road, however far: the road beside it may be a long grade
UNLISTED: Final = "unlisted-"  # prefix of the ids of these places


def is_unlisted(stop_id: str) -> bool:
    """True for the id of an unlisted place."""
    return stop_id.startswith(UNLISTED)


def places_with_search(
    hourly_need: HourlyNeed, depart_epoch_s: float, params: PlanParams, last_epoch_s: float | None = None
) -> StopCandidates:
    """The listed places of the road ahead, and unlisted candidates within reach of road that may need chains.

    last_epoch_s: the last departure, where it is not the only one.

    Road counts at the hours at which a trip of these departures can be there.
    """
    departs = depart_epoch_s, depart_epoch_s if last_epoch_s is None else last_epoch_s
    return hourly_need.shared.answer("offered", (departs, params), lambda: _offered(hourly_need, departs, params))


def _offered(hourly_need: HourlyNeed, departs: tuple[float, float], params: PlanParams) -> StopCandidates:
    sections, listed = hourly_need.sections, stop_candidates(hourly_need.sections, params)
    whole = all_places(sections, params)
    at_m = whole.at_m[whole.unlisted]
    free = free_s(sections, IdentityKey(hourly_need.rig), params)
    dry_s = np.cumsum(free) - 0.5 * free
    may, always = _may_need(hourly_need, departs, dry_s, params)
    may_idx = np.flatnonzero(may)
    if not at_m.size or not may_idx.size:
        return listed
    # The nearest such road ahead of each candidate and behind it, and the number of candidates until there.
    starts_m, ends_m = sections.start_m[may_idx], sections.end_m[may_idx]
    ahead = np.append(starts_m, np.inf)[np.searchsorted(starts_m, at_m)]
    behind = np.append(-np.inf, ends_m)[np.searchsorted(ends_m, at_m)]
    number = np.arange(at_m.size)
    before_n = np.searchsorted(at_m, ahead) - number
    past_n = number - np.searchsorted(at_m, behind, side="right") + 1
    near = np.minimum(ahead - at_m, at_m - behind) <= params.search_reach_m
    near |= (before_n <= LEAST_N) & (ahead < np.inf)
    near |= (past_n <= LEAST_N) & (behind > -np.inf)
    wanted = ~whole.unlisted
    wanted[whole.unlisted] = near & ~always[whole.section[whole.unlisted]]
    # Trips with the same places then share all that depends on them.
    return hourly_need.shared.answer("places", (params, wanted.tobytes()), lambda: whole.part(wanted))


@lru_cache(maxsize=32)
def all_places(sections: Sections, params: PlanParams) -> StopCandidates:
    """The listed places of a road, and all its unlisted candidates."""
    at_m = np.asarray(search_places_m(sections.route, params))
    inside = (at_m > sections.start_m[0]) & (at_m < sections.end_m[-1])
    return stop_candidates(sections, params).and_unlisted(at_m[inside], sections, _stop)


def _may_need(
    hourly_need: HourlyNeed, departs: tuple[float, float], dry_s: Array, params: PlanParams
) -> tuple[Mask, Mask]:
    """Sections that may need chains at some hour at which the truck can be there, and at each, (section,).

    departs: first and last departure. dry_s: seconds to each section on a dry road, (section,).
    """
    hours = hourly_need.hours
    stood_h = hourly_need.stands.before_s(hourly_need.sections.middle_m) / HOUR_S
    first_h, last_h = ((at - hourly_need.first_epoch_s) / HOUR_S for at in departs)
    first = np.floor(first_h + stood_h + EARLIEST * dry_s / HOUR_S)
    last = np.ceil(last_h + stood_h + SLOWEST * dry_s / HOUR_S + LONGEST_STAND_H)
    likely, possible, unknown = hourly_need.shared.answer("likely", params, lambda: _counts(hourly_need, params))
    from_h, until_h = (np.clip(x, 0.0, hours).astype(np.intp) for x in (first, last + 1.0))
    section, known_n = np.arange(first.size), until_h - from_h
    may = (possible[section, until_h] > possible[section, from_h]) | (unknown & (last >= hours))
    always = (known_n > 0) & (likely[section, until_h] - likely[section, from_h] == known_n)
    return may, always


def _counts(hourly_need: HourlyNeed, params: PlanParams) -> tuple[NDArray[np.intp], NDArray[np.intp], Mask]:
    """Numbers of hours before each at which chains are likely, and may be needed, (section, hour + 1).

    And whether they may be needed on unknown road, (section,).
    """
    likely, possible = _likely(hourly_need, params)

    def before(on: Mask) -> NDArray[np.intp]:
        return np.concatenate((np.zeros((on.shape[0], 1), np.intp), np.cumsum(on[:, :-1], axis=1)), axis=1)

    return before(likely), before(possible), possible[:, -1]


def _likely(hourly_need: HourlyNeed, params: PlanParams) -> tuple[Mask, Mask]:
    """Where chains are likely enough by themselves, and where they may be needed, (section, hour + 1).

    Any member counts where no section is likely enough by itself.
    """
    need, enough = hourly_need.need, params.ready_probability - SAME_PROBABILITY
    likely = need.mean(axis=0) >= enough
    showers = (need >= enough).any(axis=0) & ~_near_core(likely.any(axis=1), hourly_need.sections, params)[:, None]
    return likely, likely | showers


def _near_core(likely: Mask, sections: Sections, params: PlanParams) -> Mask:
    """True for sections within reach of a likely one, whose candidates already include theirs, (section,)."""
    near = np.zeros(likely.shape, dtype=np.bool_)
    for first, last in runs_of(likely):
        away_m = np.maximum(sections.start_m[first] - sections.end_m, sections.start_m - sections.end_m[last])
        near |= away_m <= params.search_reach_m
    return near


@lru_cache(maxsize=64)
def search_places_m(route: Route, params: PlanParams) -> tuple[float, ...]:
    """One candidate for each `search_spacing_m` of the trip, where some of it is level enough and not on a bridge.

    They depend on the road alone, and stay the same while the truck is under way.
    """
    d = route.distance_m
    no_room = on_bridges(d, route.bridges) | in_tunnels(d, route.tunnels)
    fit = np.flatnonzero((np.abs(route.grade) <= params.stop_max_grade) & ~no_room)
    cell = np.floor(d[fit] / params.search_spacing_m)
    off_centre_m = np.abs(d[fit] - (cell + 0.5) * params.search_spacing_m)
    order = np.lexsort((off_centre_m, cell))
    _, first = np.unique(cell[order], return_index=True)
    return tuple(d[fit[order[first]]].tolist())


def _stop(at_m: float, lat_deg: float, lon_deg: float) -> RouteStop:
    stop = Stop(
        id=f"{UNLISTED}{at_m / 1000.0:.0f}",
        name=f"an unlisted place about mile {to_miles(at_m):.0f}",
        kind=StopKind.TURNOUT,
        lat_deg=lat_deg,
        lon_deg=lon_deg,
        listed=False,
    )
    return RouteStop(stop=stop, distance_m=at_m, offset_m=0.0)
