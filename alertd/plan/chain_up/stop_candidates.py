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
    of: all places of the road, of which these are a part; None for all of them.
    number: index of each in `of`.
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
    number: NDArray[np.intp]
    of: "StopCandidates | None" = None

    @property
    def whole(self) -> "StopCandidates":
        """All places of the road. Chains can be changed at each but its ends.

        They depend on the road alone, so that more snow never makes more of them.
        """
        return self if self.of is None else self.of

    @property
    def listed(self) -> Mask:
        """True for listed stops, (place,)."""
        return np.asarray([s is not None for s in self.stops]) & ~self.unlisted

    def part(self, wanted: Mask) -> "StopCandidates":
        """Those of all these places that are True in `wanted`, (place,)."""
        number = np.flatnonzero(wanted)
        return StopCandidates(
            stops=tuple(self.stops[i] for i in number.tolist()),
            at_m=self.at_m[number],
            section=self.section[number],
            lat_deg=self.lat_deg[number],
            lon_deg=self.lon_deg[number],
            cramped=self.cramped[number],
            steep=self.steep[number],
            unlit=self.unlit[number],
            unlisted=self.unlisted[number],
            number=number,
            of=self,
        )

    def and_unlisted(
        self, at_m: Array, sections: Sections, stop: Callable[[float, float, float], RouteStop]
    ) -> "StopCandidates":
        """These places and unlisted ones at distances `at_m`, in order along the road.

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
            number=np.arange(order.size),
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
        number=np.arange(len(stops)),
    )


def has_room(stop: RouteStop, params: PlanParams) -> bool:
    """True with room for a combination. A turnout needs a stated number of spaces; other kinds are built for trucks."""
    if stop.stop.spaces is None:
        return stop.stop.kind is not StopKind.TURNOUT
    return stop.stop.spaces >= params.stop_min_spaces
