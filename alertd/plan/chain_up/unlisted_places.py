"""Proposes unlisted places, off grades and bridges, near road that may need chains and has no stop.

They are not known places: a driver looks for the first safe place from there on. Each has a price, and none is in snow.
"""

from functools import lru_cache
from typing import Final

import numpy as np

from alertd.plan.chain_up.departure_view import StopCandidates, stop_candidates
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.chain_need import SAME_PROBABILITY
from alertd.plan.road_ahead.hourly_need import HourlyNeed
from alertd.plan.road_ahead.timing import free_s
from alertd.route.bridges import on_bridges
from alertd.route.model import Route
from alertd.route.stops import RouteStop, Stop, StopKind
from alertd.route.tunnels import in_tunnels
from alertd.rules.rig import IdentityKey
from alertd.units import HOUR_S, to_miles

SLOWEST: Final = 4.0  # assumed: maximum duration of a trip over its duration on a dry road
UNLISTED: Final = "unlisted-"  # prefix of the ids of these places


def is_unlisted(stop_id: str) -> bool:
    """True for the id of an unlisted place."""
    return stop_id.startswith(UNLISTED)


def places_with_search(hourly_need: HourlyNeed, depart_epoch_s: float, params: PlanParams) -> StopCandidates:
    """The listed places of the road ahead, and unlisted candidates within reach of road that may need chains.

    The road beyond the forecast counts only where a trip of this departure may still be under way by then.
    """
    sections, listed = hourly_need.sections, stop_candidates(hourly_need.sections, params)
    at_m = np.asarray(search_places_m(sections.route, params))
    enough = params.ready_probability - SAME_PROBABILITY
    known = hourly_need.need[:, :, : hourly_need.hours]
    longest_s = SLOWEST * float(free_s(sections, IdentityKey(hourly_need.rig), params).sum())
    beyond = depart_epoch_s + longest_s > hourly_need.first_epoch_s + (hourly_need.hours - 1) * HOUR_S
    may = np.flatnonzero(((hourly_need.need if beyond else known) >= enough).any(axis=(0, 2)))
    if not at_m.size or not may.size:
        return listed
    always = (
        (known.mean(axis=0) >= enough).all(axis=1) if hourly_need.hours else np.zeros(sections.count, dtype=np.bool_)
    )
    # The nearest such road ahead of each candidate and behind it.
    ahead = np.append(sections.start_m[may], np.inf)[np.searchsorted(sections.start_m[may], at_m)]
    behind = np.append(-np.inf, sections.end_m[may])[np.searchsorted(sections.end_m[may], at_m)]
    near = np.minimum(ahead - at_m, at_m - behind) <= params.search_reach_m
    inside = (at_m > sections.start_m[0]) & (at_m < sections.end_m[-1])
    return listed.and_unlisted(at_m[near & inside & ~always[sections.at(at_m)]], sections, _stop)


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
