"""Renders charts of plans on request: each once, one at a time, with a cache of the latest."""

import asyncio
from collections import OrderedDict
from typing import Final

from alertd.errors import AlertdError
from alertd.plan.model.plan import Plan
from alertd.planning.planner import Planner
from alertd.sources.files.trips import TripRequest

MAX_KEPT: Final = 256  # about 40 kB each
NAMES: Final = ("road", "hours", "map")


class ChartCache:
    """SVG documents by plan, name and width."""

    def __init__(self, planner: Planner) -> None:
        self._planner = planner
        self._kept: OrderedDict[tuple[str, str, bool], str] = OrderedDict()
        self._one_at_a_time = asyncio.Lock()

    async def svg(self, plan: Plan, trip: TripRequest, name: str, *, wide: bool) -> str | None:
        """A chart: "road", "hours", "map", or "axles-1" and so on by stretch. None when it cannot be rendered."""
        key = (plan.id, name, wide)
        async with self._one_at_a_time:
            if key not in self._kept:
                try:
                    drawn = await self._draw(plan, trip, name, wide)
                except AlertdError:  # the route or the rig no longer exists
                    return None
                if drawn is None:
                    return None
                self._kept[key] = drawn
                while len(self._kept) > MAX_KEPT:
                    self._kept.popitem(last=False)
            self._kept.move_to_end(key)
            return self._kept[key]

    async def _draw(self, plan: Plan, trip: TripRequest, name: str, wide: bool) -> str | None:
        planner, where = self._planner, f"trip {trip.id}"
        if name.startswith("axles-"):
            # importing matplotlib takes half a second; a daemon whose charts nobody views does not need it
            from alertd.notices.charts.plan_charts import axle_svgs

            return axle_svgs(plan, planner.reference.rig(trip.rig, where)).get(name)
        if name not in NAMES or not plan.along.distance_m:
            return None
        route = await planner.route(trip.route, where)

        def drawn() -> str | None:
            from alertd.notices.charts.canvas import DESKTOP_PX, PHONE_PX, View
            from alertd.notices.charts.elevation_profile import draw_profile
            from alertd.notices.charts.map import draw_map
            from alertd.notices.charts.time_distance import draw_time_distance, window_of

            view = View(width_px=DESKTOP_PX if wide else PHONE_PX)
            if name == "road":
                return draw_profile(plan, route, view).svg()
            if name == "map":
                return draw_map(plan, route, planner.reference.boundaries, view).svg()
            first, last = window_of(plan)
            hours = planner.latest.road(route, first.timestamp(), last.timestamp())
            return None if hours is None else draw_time_distance(plan, route, hours, view).svg()

        return await asyncio.to_thread(drawn)
