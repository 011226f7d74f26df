"""Which routes and trips a closed road lies on, so that a mistyped place is noticed when it is posted."""

import asyncio
import json
from typing import Any, Final

from alertd.errors import InputError, SourceError
from alertd.plan.controls.closures import PostedClosure, place_closures
from alertd.planning.planner import Planner
from alertd.route.model import Route
from alertd.store.store import Store

READ_WITHIN_S: Final = 5.0  # [A] a new route may wait for its heights; the closure itself must not
NO_ROUTE: Final = "the closure lies on no route of an active trip: read both places off the road itself, latitude first"


async def met_by(planner: Planner, store: Store, closure: PostedClosure) -> dict[str, Any]:
    """The routes of active trips that a closure lies on, their trips, and a warning where there are none.

    `not_checked` names routes that cannot be read. Whether a truck meets the closure in time is in its plan.
    """
    trips: dict[str, list[str]] = {}
    for stored in await asyncio.to_thread(store.trips):
        body = json.loads(stored.body)
        for name in body.get("routes") or [body["route"]]:
            trips.setdefault(name, []).append(stored.id)
    routes: dict[str, Route] = {}
    unread = []
    for name in trips:
        try:
            async with asyncio.timeout(READ_WITHIN_S):
                routes[name] = planner.known_route(name) or await planner.route(name, "request")
        except (InputError, SourceError, OSError, ValueError):  # TimeoutError is an OSError
            unread.append(name)
    met = await asyncio.to_thread(_met, routes, closure)
    about: dict[str, Any] = {"routes": met, "trips": sorted({trip for name in met for trip in trips[name]})}
    return about | ({"not_checked": unread} if unread else {}) | ({} if met else {"warning": NO_ROUTE})


def _met(routes: dict[str, Route], closure: PostedClosure) -> list[str]:
    return sorted(name for name, route in routes.items() if place_closures(route, [closure]))
