"""Draws a map of the trip: states, road state at arrival, chain places, summits, closures.

Needs no map server: borders and road come from the route package. Degrees of latitude and longitude are scaled as at
the window's middle.
"""

from collections.abc import Sequence
from typing import Final, TypeAlias

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from alertd.notices.charts import alt_text, primitives
from alertd.notices.charts.axis_units import AxisUnits
from alertd.notices.charts.canvas import SMALL, Canvas, Chart, View, text_width
from alertd.notices.charts.label_layout import place_around
from alertd.notices.charts.markers import marker_rows, markers_of, road_runs
from alertd.notices.charts.palette import BY_LABEL, CLOSED, WARNED, Style
from alertd.notices.charts.primitives import LINE, MARGIN
from alertd.plan.model.plan import Plan
from alertd.route.jurisdictions import Boundaries
from alertd.route.map_window import Box, box_around, lands_in
from alertd.route.model import Route

Array: TypeAlias = NDArray[np.float64]

DEGREE_M: Final = 111_195.0  # of a great circle, on a sphere of 6,371 km
ASPECT_RATIOS: Final = {False: (0.75, 1.25), True: (0.36, 0.6)}  # height over width, on a phone and on a desk
ROAD_PX: Final = 6.0
LABEL_PX: Final = 17.0


def draw_map(plan: Plan, route: Route, boundaries: Boundaries, view: View) -> Chart:
    """Draw one plan on its route."""
    units = AxisUnits(metric=view.metric)
    title = f"{plan.trip_id}: map of {plan.route_name}"
    markers = markers_of(plan, units)
    box = box_around(route, ASPECT_RATIOS[view.wide])
    wide = view.width_px - 2 * MARGIN
    px_deg = wide / (box.east - box.west)
    high = (box.north - box.south) * px_deg / box.cos_lat
    styles = [style for name, style in BY_LABEL.items() if name in plan.along.surface]
    styles += [
        style for style, posted in ((CLOSED, True), (WARNED, False)) if any(c.posted is posted for c in plan.closures)
    ]
    head = primitives.head_lines(title, alt_text.title_lines(plan), view)
    legend = primitives.legend_rows(styles, view)
    key = primitives.key_rows(marker_rows(markers), view)
    foot = primitives.small_lines(alt_text.map_footer(plan), view)
    top_map = MARGIN + primitives.lines_height(head) + 6.0
    top_legend = top_map + high + LINE + 10.0
    top_key = top_legend + len(legend) * (LINE + 2.0) + 6.0
    top_foot = top_key + len(key) * LINE + 6.0
    sheet = Canvas(view, top_foot + primitives.lines_height(foot) + MARGIN)

    primitives.draw_lines(sheet, MARGIN, head)
    ax = sheet.axes(MARGIN, top_map, wide, high)
    ax.set_xlim(box.west, box.east)
    ax.set_ylim(box.south, box.north)
    ax.set_facecolor(view.color("land"))
    primitives.frame(ax, view)
    _lands(ax, boundaries, box, wide, view)
    _road(ax, plan, route, view, (box.east - box.west) / 400.0)
    _stops(ax, route, view)
    labels = [(m.distance_m, m.label, m.strong) for m in markers if m.label != "HOURS"]
    needed_n = len(labels)
    labels += [(0.0, "START", False), (route.length_m, "END", False)]
    labels += [(s.distance_m, f"▲ {s.name}", False) for s in route.summits if s.name]
    labels += [((c.start_m + c.end_m) / 2.0, (CLOSED if c.posted else WARNED).letter, True) for c in plan.closures]
    marked_m = [m for m, *_ in labels] + [s.distance_m for s in route.stops]
    left = _letters(ax, plan, route, marked_m, (box.east - box.west) * box.cos_lat * DEGREE_M / wide, view)
    labels += [((start + end) / 2.0, style.letter, False) for start, end, style in left]
    _labels(ax, labels, needed_n, route, box, (wide, high), view)
    _scale(sheet, top_map + high + 4.0, box, wide, units)
    primitives.draw_legend(sheet, top_legend, legend)
    primitives.draw_key(sheet, top_key, key)
    primitives.draw_lines(sheet, top_foot, foot)
    return Chart(title=title, alt_text=alt_text.map_alt(plan, route, units), canvas=sheet)


def lon_lat_at(route: Route, distance_m: float | Array) -> tuple[Array, Array]:
    """Return longitude and latitude of places along the route."""
    lon = np.interp(distance_m, route.distance_m, route.lon_deg)
    return np.asarray(lon), np.asarray(np.interp(distance_m, route.distance_m, route.lat_deg))


def _lands(ax: Axes, boundaries: Boundaries, box: Box, wide: float, view: View) -> None:
    """Draw borders as one line, and each state's name, or its letters where the name has no room."""
    deg_px = (box.east - box.west) / wide
    lands = lands_in(boundaries, box)
    gap = np.full((1, 2), np.nan)
    lines = [part for land in lands for line in land.borders for part in (line, gap)]
    if lines:
        x, y = np.concatenate(lines).T
        ax.plot(x, y, color=view.color("quiet"), linewidth=1.2, zorder=1.0)
    for land in lands:
        if land.middle is not None:
            fits = text_width(land.name, SMALL + 1.0) * deg_px < 2.0 * land.room_deg
            ax.text(
                *land.middle,
                land.name if fits else land.code.partition("-")[2],
                fontsize=SMALL + 1.0,
                color=view.color("quiet"),
                ha="center",
                va="center",
                style="italic",
                zorder=1.5,
            )


def _road(ax: Axes, plan: Plan, route: Route, view: View, detail_deg: float) -> None:
    """Draw the road behind as a thin line; ahead with an outline, filled by class, with each class's own dashes."""
    behind = lon_lat_at(route, route.distance_m[route.distance_m <= plan.along.distance_m[0]])
    ax.plot(*behind, color=view.color("ink"), linewidth=1.5, zorder=3.0)
    runs = road_runs(plan)
    ahead = _thinned(route, plan.along.distance_m[0], route.length_m, detail_deg)
    ax.plot(*ahead, color=view.color("ink"), linewidth=ROAD_PX + 3.0, zorder=3.0, solid_capstyle="round")
    for style in dict.fromkeys(style for *_, style in runs):
        line = _broken([_thinned(route, a, b, detail_deg) for a, b, it in runs if it is style])
        ax.plot(*line, color=view.color(style.role), linewidth=ROAD_PX, zorder=4.0, solid_capstyle="butt")
        if style.dash:
            ax.plot(*line, color=view.color("hatch"), linewidth=ROAD_PX, linestyle=(0, style.dash), zorder=4.1)
    for c in plan.closures:
        style = CLOSED if c.posted else WARNED
        line = _thinned(route, c.start_m, c.end_m, detail_deg)
        ax.plot(*line, color=view.color(style.role), linewidth=3.0 * ROAD_PX, zorder=2.5)


def _thinned(route: Route, start_m: float, end_m: float, detail_deg: float) -> tuple[Array, Array]:
    """Return a part of the route with points at least a pixel apart, including its ends."""
    d = route.distance_m
    at = np.concatenate(([start_m], d[(d > start_m) & (d < end_m)], [end_m]))
    lon, lat = lon_lat_at(route, at)
    keep, last = [0], 0
    for i in range(1, at.size - 1):
        if abs(lon[i] - lon[last]) + abs(lat[i] - lat[last]) >= detail_deg:
            keep.append(i)
            last = i
    keep.append(at.size - 1)
    return lon[keep], lat[keep]


def _broken(lines: Sequence[tuple[Array, Array]]) -> tuple[Array, Array]:
    """Join several lines into one with gaps."""
    x = np.concatenate([np.append(lon, np.nan) for lon, _ in lines])
    return x, np.concatenate([np.append(lat, np.nan) for _, lat in lines])


def _letters(
    ax: Axes, plan: Plan, route: Route, marked_m: Sequence[float], m_px: float, view: View
) -> list[tuple[float, float, Style]]:
    """Draw the letter of each run on the road, as near to its middle as markers allow.

    Returns the longest run of each class for which no run had room.
    """
    near_m, runs, lettered = 13.0 * m_px, road_runs(plan), set()
    for start, end, style in runs:
        free = np.arange(start + near_m, end - near_m, 0.3 * near_m)
        free = free[np.all([np.abs(free - m) > near_m for m in marked_m], axis=0)] if marked_m else free
        if free.size:
            lon, lat = lon_lat_at(route, float(free[np.abs(free - (start + end) / 2.0).argmin()]))
            primitives.plate(ax, float(lon), float(lat), style.letter, view, edge=0.0, pad=0.08, zorder=5.5)
            lettered.add(style)
    left = [style for style in dict.fromkeys(style for *_, style in runs) if style not in lettered]
    return [max((r for r in runs if r[2] is style), key=lambda r: r[1] - r[0]) for style in left]


def _stops(ax: Axes, route: Route, view: View) -> None:
    """Draw every listed stop as a small square, used by the plan or not."""
    x, y = lon_lat_at(route, np.asarray([s.distance_m for s in route.stops]))
    ax.plot(
        x, y, linestyle="none", marker="s", markersize=5.0, zorder=5.0, markerfacecolor=view.color("paper"),
        markeredgecolor=view.color("ink"), markeredgewidth=1.2,
    )  # fmt: skip


def _labels(
    ax: Axes,
    labels: Sequence[tuple[float, str, bool]],
    needed_n: int,
    route: Route,
    box: Box,
    room: tuple[float, float],
    view: View,
) -> None:
    """Draw names beside their places, off the road if there is room, with a thin line between.

    The first `needed_n` are always drawn. Other labels are drawn if they find room; summits without room get their sign
    alone.
    """

    def pixels(lon: Array, lat: Array) -> list[tuple[float, float]]:
        x = (lon - box.west) / (box.east - box.west) * room[0]
        return list(zip(x.tolist(), ((lat - box.south) / (box.north - box.south) * room[1]).tolist(), strict=True))

    at = lon_lat_at(route, np.asarray([m for m, *_ in labels]))
    road = pixels(*_thinned(route, 0.0, route.length_m, (box.east - box.west) / 120.0))
    sizes = [(text_width(text, SMALL, bold=True) + 8.0, LABEL_PX) for _, text, _ in labels]
    needed = [n < needed_n for n in range(len(labels))]
    spots = place_around(pixels(*at), sizes, room, road, needed)
    for (_, text, strong), lon, lat, spot in zip(labels, *at, spots, strict=True):
        if spot is None:
            if text.startswith("▲"):
                primitives.plate(ax, lon, lat, "▲", view, edge=0.0, pad=0.05, zorder=6.0)
            continue
        x, y = spot
        to = (box.west + x / room[0] * (box.east - box.west), box.south + y / room[1] * (box.north - box.south))
        ax.plot([lon, to[0]], [lat, to[1]], color=view.color("ink"), linewidth=1.0, zorder=6.0)
        ax.plot(
            [lon], [lat], marker="o", markersize=5.0, zorder=7.0, markeredgecolor=view.color("ink"),
            markerfacecolor=view.color("ink" if strong else "paper"),
        )  # fmt: skip
        primitives.plate(ax, *to, text, view, inverse=strong)


def _scale(sheet: Canvas, top: float, box: Box, wide: float, units: AxisUnits) -> None:
    """Draw a scale bar of a round length at the middle latitude below the map, and a north arrow."""
    m_px = (box.east - box.west) * box.cos_lat * DEGREE_M / wide
    length_m, label = units.even_distances(0.0, 0.4 * wide * m_px, 2)[-1]
    length_px = length_m / m_px
    bar = sheet.axes(MARGIN, top, length_px, LINE)
    bar.set_xlim(0.0, 1.0)
    bar.set_ylim(0.0, 1.0)
    bar.plot([0, 0, 1, 1], [0.8, 0.5, 0.5, 0.8], color=sheet.view.color("ink"), linewidth=1.6, clip_on=False)
    sheet.text(MARGIN + length_px + 6.0, top, f"{label} {units.far}", SMALL)
    sheet.text(MARGIN + wide, top, "N ↑", SMALL, ha="right", weight="bold")
