"""Every picture of one plan."""

from alertd.notices import words
from alertd.notices.pictures.axles import picture_svg
from alertd.notices.pictures.canvas import Picture, View
from alertd.notices.pictures.chart import chart
from alertd.notices.pictures.clock import clock, window_of
from alertd.notices.pictures.strip import strip
from alertd.plan.outlook import Corridor
from alertd.plan.result import Plan
from alertd.plan.road_hours import road_hours
from alertd.route.borders import Boundaries
from alertd.route.line import Route
from alertd.rules.rig import Rig


def plan_pictures(
    plan: Plan, route: Route, corridor: Corridor, boundaries: Boundaries, view: View
) -> dict[str, Picture]:
    """By the name of a file: "road" along the way, "hours" of the road, and "map".

    route and corridor are those the whole trip was planned on.
    """
    first, last = window_of(plan)
    hours = road_hours(route, corridor, first.timestamp(), last.timestamp())
    return {
        "road": strip(plan, route, view),
        "hours": clock(plan, route, hours, view),
        "map": chart(plan, route, boundaries, view),
    }


def axle_svgs(plan: Plan, rig: Rig) -> dict[str, str]:
    """A document a stretch, "axles-1" and so on: which tires to chain there."""
    return {
        f"axles-{n}": picture_svg(
            rig,
            s.hanging.tires,
            f"{s.place or f'Stretch {n}'}: chains on {plan.rig_name}",
            [f"At {words.stop_words(s.chain_up)}, {words.clock(s.chain_up.arrive_at, s.chain_up.zone)}.", words.SIGNS],
        )
        for n, s in enumerate(plan.stretches, 1)
    }
