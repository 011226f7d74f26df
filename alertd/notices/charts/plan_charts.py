"""Draws all charts of one plan."""

from alertd.notices.charts.axles import axle_chart
from alertd.notices.charts.canvas import Chart, View
from alertd.notices.charts.elevation_profile import draw_profile
from alertd.notices.charts.map import draw_map
from alertd.notices.charts.time_distance import draw_time_distance, window_of
from alertd.notices.text import phrases
from alertd.plan.model.plan import Plan
from alertd.plan.road_ahead.hourly_need import Corridor
from alertd.plan.road_by_hour import road_hours
from alertd.route.jurisdictions import Boundaries
from alertd.route.model import Route
from alertd.rules.rig import Rig


def plan_charts(plan: Plan, route: Route, corridor: Corridor, boundaries: Boundaries, view: View) -> dict[str, Chart]:
    """Return charts by file name: "road" (profile), "hours" (time-distance) and "map".

    route and corridor are those of the whole trip's plan.
    """
    first, last = window_of(plan)
    hours = road_hours(route, corridor, first.timestamp(), last.timestamp())
    return {
        "road": draw_profile(plan, route, view),
        "hours": draw_time_distance(plan, route, hours, view),
        "map": draw_map(plan, route, boundaries, view),
    }


def axle_charts(plan: Plan, rig: Rig, *, bare: bool = False) -> dict[str, Chart]:
    """Return one picture per stretch, "axles-1" and so on: the tires to chain there."""
    return {
        f"axles-{n}": axle_chart(
            rig,
            s.hanging.tires,
            f"{s.place or f'Stretch {n}'}: chains on {plan.rig_name}",
            [
                f"At {phrases.stop_words(s.chain_up)}, {phrases.clock_time(s.chain_up.arrive_at, s.chain_up.zone)}.",
                phrases.SIGNS,
            ],
            bare=bare,
        )
        for n, s in enumerate(plan.stretches, 1)
    }
