"""Computes the likely pavement by place and hour, for a picture of the effect of departure time.

No decision uses it. It is computed from the corridor on request and is not part of a plan: the bytes and id of a plan
do not change, a webhook does not grow, and a replay makes the same field from the same inputs.
"""

from dataclasses import dataclass
from math import ceil, floor
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.plan.road_ahead.hourly_need import Corridor
from alertd.road.road_class import RoadClass
from alertd.route.model import Route
from alertd.units import HOUR_S

Array: TypeAlias = NDArray[np.float64]

MAX_PLACES: Final = 100
MAX_HOURS: Final = 48


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoadHours:
    """Likely pavement by place and hour. Hour h is the state at first_epoch_s + h * 3600.

    likely: (place, hour), the most frequent RoadClass over members and road; UNKNOWN beyond the forecast.
    edge_m: (place + 1,); a place is the road between two edges.
    """

    edge_m: Array
    first_epoch_s: float
    likely: NDArray[np.int8]


def road_hours(route: Route, corridor: Corridor, from_epoch_s: float, to_epoch_s: float) -> RoadHours:
    """The pavement of a route at every whole hour around two moments, at most 100 places by 48 hours."""
    field, d = corridor.field, route.distance_m
    places_n = min(MAX_PLACES, d.size - 1)
    edge_m = np.linspace(d[0], d[-1], places_n + 1)
    first_of_place = np.searchsorted(d, edge_m[:-1])
    samples_n = np.diff(np.append(first_of_place, d.size))
    first_h = floor((from_epoch_s - field.first_epoch_s) / HOUR_S)
    hours = first_h + np.arange(min(ceil((to_epoch_s - field.first_epoch_s) / HOUR_S) - first_h + 1, MAX_HOURS))
    known = (hours >= 0) & (hours < field.road_class.shape[2])

    def share_of(road_class: RoadClass) -> Array:
        of_column = (field.road_class[:, :, hours[known]] == road_class).mean(axis=0)
        along = of_column[corridor.cells.column_of_sample]
        return np.asarray(np.add.reduceat(along, first_of_place, axis=0) / samples_n[:, None])

    classes = list(RoadClass)
    shares = np.stack([share_of(c) for c in classes])
    likely = np.full((places_n, hours.size), RoadClass.UNKNOWN, dtype=np.int8)
    likely[:, known] = np.asarray(classes, dtype=np.int8)[shares.argmax(axis=0)]
    return RoadHours(edge_m=edge_m, first_epoch_s=field.first_epoch_s + first_h * HOUR_S, likely=likely)
