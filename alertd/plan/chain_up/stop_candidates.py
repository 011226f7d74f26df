"""Lists the places of a route where chains can go on or come off."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.sections import Sections
from alertd.route.stops import RouteStop, StopKind

Array: TypeAlias = NDArray[np.float64]
Mask: TypeAlias = NDArray[np.bool_]

# Level by purpose, whatever the grade of the road beside them.
LEVEL_KINDS: Final = (StopKind.CHAIN_UP_AREA,)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StopCandidates:
    """Places to put chains on or off: the trip's start, its stops in order, its end; arrays (place,).

    stops: None at both ends.
    unlit: stated to have no light.
    unlisted: not a known place; the driver has to look for it.
    change_m: distances of all places on this road where chains can be changed, (any,): the listed stops, and level road
        where unlisted places count. They depend on the road alone, so that more snow never makes more of them.
    """

    stops: tuple[RouteStop | None, ...]
    at_m: Array
    section: NDArray[np.intp]
    lat_deg: Array
    lon_deg: Array
    cramped: Mask
    steep: Mask
    unlit: Mask
    unlisted: Mask
    change_m: Array

    @property
    def listed(self) -> Mask:
        """True for listed stops, (place,)."""
        return np.asarray([s is not None for s in self.stops]) & ~self.unlisted

    def and_unlisted(
        self, at_m: Array, change_m: Array, sections: Sections, stop: Callable[[float, float, float], RouteStop]
    ) -> "StopCandidates":
        """These places and unlisted ones at distances `at_m`, in order along the road.

        change_m: all level road of the route, of which `at_m` is a part.
        stop: makes a stop from distance, latitude and longitude.
        """
        route = sections.route
        lat, lon = (np.interp(at_m, route.distance_m, x) for x in (route.lat_deg, route.lon_deg))
        own = tuple(stop(*place) for place in zip(at_m.tolist(), lat.tolist(), lon.tolist(), strict=True))
        order = np.argsort(np.append(self.at_m, at_m), kind="stable")

        def merged(values: NDArray[Any], more: ArrayLike) -> NDArray[Any]:
            return np.asarray(np.append(values, np.broadcast_to(more, at_m.shape))[order])

        stops = (*self.stops, *own)
        return StopCandidates(
            stops=tuple(stops[i] for i in order.tolist()),
            at_m=merged(self.at_m, at_m),
            section=merged(self.section, sections.at(at_m)),
            lat_deg=merged(self.lat_deg, lat),
            lon_deg=merged(self.lon_deg, lon),
            cramped=merged(self.cramped, False),
            steep=merged(self.steep, False),
            unlit=merged(self.unlit, False),
            unlisted=merged(self.unlisted, True),
            change_m=np.sort(np.append(self.change_m, change_m)),
        )


@lru_cache(maxsize=32)
def stop_candidates(sections: Sections, params: PlanParams) -> StopCandidates:
    """The candidate places of a route."""
    route = sections.route
    stops = (None, *route.stops, None)
    at_m = np.asarray([float(route.distance_m[0]), *(s.distance_m for s in route.stops), route.length_m])
    grade = np.abs(np.interp(at_m, route.distance_m, route.grade))
    return StopCandidates(
        stops=stops,
        at_m=at_m,
        section=sections.at(at_m),
        lat_deg=np.interp(at_m, route.distance_m, route.lat_deg),
        lon_deg=np.interp(at_m, route.distance_m, route.lon_deg),
        cramped=np.asarray([s is not None and not has_room(s, params) for s in stops]),
        steep=np.asarray([s is not None and s.stop.kind not in LEVEL_KINDS for s in stops])
        & (grade > params.stop_max_grade),
        unlit=np.asarray([s is not None and s.stop.lit is False for s in stops]),
        unlisted=np.zeros(len(stops), dtype=np.bool_),
        change_m=at_m[1:-1],
    )


def has_room(stop: RouteStop, params: PlanParams) -> bool:
    """True with room for a combination. A turnout needs a stated number of spaces; other kinds are built for trucks."""
    if stop.stop.spaces is None:
        return stop.stop.kind is not StopKind.TURNOUT
    return stop.stop.spaces >= params.stop_min_spaces
