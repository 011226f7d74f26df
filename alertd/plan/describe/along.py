"""Describes the route about every kilometre: the likeliest pavement at the truck's hour, odds and temperatures."""

from collections.abc import Sequence
from datetime import datetime
from typing import Final, TypeAlias
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from alertd.plan.chain_up.solution import Solution
from alertd.plan.describe.medians import median_of_members
from alertd.plan.describe.surfaces import ICY
from alertd.plan.model.plan import Along
from alertd.road.road_class import WINTER_CLASSES, RoadClass
from alertd.route.model import Route

Array: TypeAlias = NDArray[np.float64]

ALONG_SPACING_M: Final = 1_000.0


def along_of(solution: Solution, leave_at: datetime) -> Along:
    """The route thinned to about a kilometre, with the conditions of most members there."""
    route = solution.sections.route
    places = _PLACES.get(route)
    if places is None:
        places = _PLACES[route] = _places(route)
    at_m, distance_m, elevation_m = places
    section = solution.sections.at(at_m)
    classes = solution.road_class
    met = [RoadClass(c - 1) for c in np.flatnonzero(np.bincount((classes + 1).ravel())).tolist()]
    shares = np.stack([(classes == c).sum(axis=0, dtype=np.uint16) for c in met]) / classes.shape[0]
    likeliest = likeliest_class(shares, met)
    names = np.asarray([c.label for c in met])
    winter, ice = (shares[[c in those for c in met]].sum(axis=0) for those in (WINTER_CLASSES, ICY))
    air, pavement = (
        median_of_members(solution.encounter.field_values(name)) for name in ("air_temp_c", "surface_temp_c")
    )

    return Along(
        begins_at=leave_at,
        distance_m=distance_m,
        elevation_m=elevation_m,
        reach_s=column(solution.reach_s(at_m)),
        surface=tuple(names[likeliest][section].tolist()),
        surface_frac=column(np.take_along_axis(shares, likeliest[None], axis=0)[0][section]),
        winter_frac=column(winter[section]),
        need_frac=column(solution.need_frac[section]),
        air_temp_c=column(air[section]),
        surface_temp_c=column(pavement[section]),
        ice_frac=column(ice[section]),
    )


def column(values: Array) -> tuple[float, ...]:
    """The values as a column of a plan."""
    return tuple(values.tolist())


# Where a route is described, and two columns, which are the same objects in all its plans.
_PLACES: Final[WeakKeyDictionary[Route, tuple[Array, tuple[float, ...], tuple[float, ...]]]] = WeakKeyDictionary()


def _places(route: Route) -> tuple[Array, tuple[float, ...], tuple[float, ...]]:
    step = max(1, round(ALONG_SPACING_M / float(np.diff(route.distance_m).mean())))
    at_m = route.distance_m[::step].copy()
    return at_m, column(at_m), column(route.elevation_m[::step])


def likeliest_class(shares: Array, met: Sequence[RoadClass]) -> NDArray[np.intp]:
    """The index into `met` of the likeliest class of each section, (section,), from shares of members (class, section).

    First the likeliest of winter road, unknown and bare road, then the likeliest class of it. Otherwise slush in 3 of
    10 members and packed snow in 3 others read as wet where 4 of 10 are wet. Ties go to winter road.
    """
    kind = np.asarray([0 if c in WINTER_CLASSES else 1 if c is RoadClass.UNKNOWN else 2 for c in met])
    of_kind = np.stack([shares[kind == k].sum(axis=0) for k in range(3)])
    inside = kind[:, None] == of_kind.round(9).argmax(axis=0)  # sums of shares that are equal differ in the last bit
    return np.asarray(np.where(inside, shares, -1.0).argmax(axis=0), dtype=np.intp)
