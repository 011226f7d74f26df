"""The brief's lines on ploughed and unploughed roads: one for each pass and direction, where the two differ much."""

from collections.abc import Sequence

from alertd.notices.lane_words import lane_line, winter_share
from alertd.notices.reports.truck_lines import place_group
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Stretch, SurfaceStretch


def lane_lines(plans: Sequence[Plan]) -> list[str]:
    """Return e.g. "Lookout Pass WB, 3 trucks: Ploughed road: packed snow 6 in 10; ...".

    Of the trucks that come there, the line is that of the one whose unploughed road is likeliest to be white or icy.
    """
    found: dict[str, list[tuple[str, Stretch | SurfaceStretch]]] = {}
    for plan in plans:
        runs: tuple[Stretch | SurfaceStretch, ...] = (*plan.stretches, *plan.surfaces)
        for run in runs if plan.arrived_at is None else ():
            if lane_line(run):
                found.setdefault(place_group(run), []).append((plan.trip_id, run))
    out = []
    for place, runs_there in found.items():
        trucks_n = len({trip_id for trip_id, _ in runs_there})
        worst = max((run for _, run in runs_there), key=winter_share)
        out.append(f"{place}, {trucks_n} truck{'s' if trucks_n != 1 else ''}: {lane_line(worst)}")
    return out
