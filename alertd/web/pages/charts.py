"""Pictures inside the pages: drawn once per plan and width, with a cache of the latest."""

import asyncio
import logging
from collections import OrderedDict
from collections.abc import Mapping
from typing import Final

from alertd.errors import AlertdError
from alertd.notices.charts import alt_text
from alertd.notices.charts.canvas import DESKTOP_PX, PHONE_PX, Chart, View
from alertd.notices.charts.elevation_profile import draw_profile
from alertd.notices.charts.map import draw_map
from alertd.notices.charts.plan_charts import axle_charts
from alertd.notices.charts.time_distance import draw_time_distance, window_of
from alertd.plan.model.plan import Plan
from alertd.planning.planner import Planner
from alertd.route.model import Route
from alertd.sources.files.trips import TripRequest

_log = logging.getLogger(__name__)

MAX_KEPT: Final = 128  # about 40 kB each
NARROW: Final = (PHONE_PX,)
BOTH: Final = (DESKTOP_PX, PHONE_PX)


class ChartCache:
    """SVG elements by name, and their sentences, of a plan."""

    def __init__(self, planner: Planner) -> None:
        self._planner = planner
        self._kept: OrderedDict[tuple[str, bool, tuple[int, ...]], PagePictures] = OrderedDict()
        self._one_at_a_time = asyncio.Lock()

    async def of(self, plan: Plan, trip: TripRequest, widths_px: tuple[int, ...]) -> "PagePictures":
        """Return the pictures of a plan at these widths; none of those whose route or rig no longer exists."""
        planner, where = self._planner, f"trip {trip.id}"
        by_hour = plan.trip_id in planner.latest.plans  # the road by the hour is known since the last start only
        key = (plan.id, by_hour, widths_px)
        async with self._one_at_a_time:
            if key not in self._kept:
                try:
                    route = await planner.route(trip.route, where) if plan.along.distance_m else None
                except AlertdError:
                    route = None
                self._kept[key] = await asyncio.to_thread(_drawn_or_none, planner, plan, trip, route, widths_px)
                while len(self._kept) > MAX_KEPT:
                    self._kept.popitem(last=False)
            self._kept.move_to_end(key)
            return self._kept[key]


class PagePictures:
    """The pictures of one plan as SVG elements for a page.

    by_name: "road", "hours", "map", and "axles-1" and so on by stretch, each as elements one per width. words: the
    sentences of each but the axles.
    """

    def __init__(self) -> None:
        self.by_name: dict[str, tuple[str, ...]] = {}
        self.words: dict[str, tuple[str, ...]] = {}

    def add(self, drawn: Mapping[str, Chart], description: tuple[str, ...]) -> None:
        """Add one width of each picture; the page has its sentences, so its description is short."""
        for name, chart in drawn.items():
            self.by_name[name] = (*self.by_name.get(name, ()), chart.inline(description))
            self.words[name] = chart.alt_text


def _drawn_or_none(
    planner: Planner, plan: Plan, trip: TripRequest, route: Route | None, widths_px: tuple[int, ...]
) -> PagePictures:
    """Draw the pictures; a fault in a drawing must not take the orders of the page with it."""
    try:
        return _drawn(planner, plan, trip, route, widths_px)
    except Exception:
        _log.exception("pictures of plan %s: internal error", plan.id)
        return PagePictures()


def _drawn(
    planner: Planner, plan: Plan, trip: TripRequest, route: Route | None, widths_px: tuple[int, ...]
) -> PagePictures:
    out = PagePictures()
    if route is not None:
        first, last = window_of(plan)
        hours = planner.latest.road(route, first.timestamp(), last.timestamp())
        for width_px in widths_px:
            view = View(width_px=width_px, bare=True)
            drawn = {"road": draw_profile(plan, route, view)}
            if hours is not None:
                drawn["hours"] = draw_time_distance(plan, route, hours, view)
            drawn["map"] = draw_map(plan, route, planner.reference.boundaries, view)
            out.add(drawn, tuple(alt_text.title_lines(plan)))
    try:
        rig = planner.reference.rig(trip.rig, f"trip {trip.id}")
    except AlertdError:
        return out
    for name, chart in axle_charts(plan, rig, bare=True).items():
        out.by_name[name] = (chart.inline(),)
    return out
