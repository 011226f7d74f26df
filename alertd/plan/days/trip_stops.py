"""Places the stops of a trip on its road, in the orders that this road can hold: no road is invented."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from typing import Final, NamedTuple

import numpy as np

from alertd.plan.model.days import TripStop
from alertd.route.model import Route

NEAR_M: Final = 3_000.0  # [A] a dock lies at most so far off the road that serves it
APART_M: Final = 5_000.0  # two passes of the road at one stop are farther apart than this
AT_END_M: Final = 3_000.0  # a stop so near the end of the road is the delivery
MOST_ORDERS: Final = 64
_M_PER_DEG: Final = 111_195.0


class PlacedStop(NamedTuple):
    """A stop and its distance from the start of the route."""

    stop: TripStop
    distance_m: float


Order = tuple[PlacedStop, ...]  # by distance


@dataclass(frozen=True, slots=True, kw_only=True)
class StopOrders:
    """The stops in the planned order, in other orders of the same road, and those that the road does not pass."""

    planned: Order = ()
    others: tuple[Order, ...] = ()
    missing: tuple[TripStop, ...] = ()

    def ahead_of(self, here_m: float) -> "StopOrders":
        """Without what lies behind the truck, and without other orders where a stop is behind."""
        ahead = tuple(x for x in self.planned if x.distance_m >= here_m)
        return StopOrders(
            planned=ahead, others=self.others if len(ahead) == len(self.planned) else (), missing=self.missing
        )


def orders_on(route: Route, stops: Sequence[TripStop]) -> StopOrders:
    """The stops on a route. Planned is the given order where the road allows it, else the order of the road."""
    passes = {stop: passes_at(route, stop) for stop in stops}
    known = [stop for stop in stops if passes[stop]]
    planned = _in_given_order(known, [passes[s] for s in known])
    if planned is None:
        planned = _by_road([PlacedStop(s, passes[s][0]) for s in known])
    names, others = {_names(planned)}, []
    ways = int(np.prod([len(passes[s]) for s in known])) if known else 0
    for at in product(*(passes[s] for s in known)) if 1 < ways <= MOST_ORDERS else ():
        order = _by_road([PlacedStop(s, m) for s, m in zip(known, at, strict=True)])
        if _names(order) not in names:
            names.add(_names(order))
            others.append(order)
    return StopOrders(planned=planned, others=tuple(others), missing=tuple(s for s in stops if not passes[s]))


def passes_at(route: Route, stop: TripStop) -> tuple[float, ...]:
    """Distances at which the route passes a stop, the nearest point of each pass; empty where it does not."""
    east = ((route.lon_deg - stop.lon_deg + 180.0) % 360.0 - 180.0) * np.cos(np.radians(stop.lat_deg))
    off_m = _M_PER_DEG * np.hypot(route.lat_deg - stop.lat_deg, east)
    near = np.flatnonzero(off_m <= NEAR_M)
    if not near.size:
        return ()
    runs = np.split(near, np.flatnonzero(np.diff(route.distance_m[near]) > APART_M) + 1)
    return tuple(float(route.distance_m[run[off_m[run].argmin()]]) for run in runs)


def _in_given_order(stops: Sequence[TripStop], passes: Sequence[Sequence[float]]) -> Order | None:
    """Each stop at the first pass behind the one before; None where the road has none."""
    placed, last_m = [], -np.inf
    for stop, at in zip(stops, passes, strict=True):
        later = [m for m in at if m >= last_m]
        if not later:
            return None
        placed.append(PlacedStop(stop, later[0]))
        last_m = later[0]
    return tuple(placed)


def _by_road(placed: Sequence[PlacedStop]) -> Order:
    return tuple(sorted(placed, key=lambda x: x.distance_m))


def _names(order: Order) -> tuple[str, ...]:
    return tuple(x.stop.name for x in order)


def stop_cautions(route: Route, stops: Sequence[TripStop], *, planned: bool) -> tuple[str, ...]:
    """A caution for each stop that is not in the plan."""
    orders = orders_on(route, stops)
    found = [
        f"Stop {x.name} is not in the plan: the route passes it nowhere within {NEAR_M / 1000.0:.0f} km"
        for x in orders.missing
    ]
    if orders.planned and not planned:
        found.append("The stops of the trip are not in the plan: no legal way with them was found")
    in_order = [x.stop for x in orders.planned] == [s for s in stops if s not in orders.missing]
    if orders.planned and planned and not in_order:
        found.append("The road does not allow the order of the stops as given: they are in the order of the road")
    return tuple(found)
