"""Draws a map of the trip: states, road state at arrival, chain places, summits, closures.

Needs no map server: borders and road come from the route package. Degrees of latitude and longitude are scaled as at
the window's middle.
"""

from collections.abc import Sequence
from typing import Final

import numpy as np

from alertd.notices.charts import alt_text, primitives
from alertd.notices.charts.axis_units import AxisUnits
from alertd.notices.charts.canvas import Array, Canvas, Chart, Panel, View, number
from alertd.notices.charts.label_layout import place_around
from alertd.notices.charts.markers import marker_rows, markers_of, road_runs
from alertd.notices.charts.palette import BY_LABEL, CLOSED, WARNED, Style
from alertd.notices.charts.primitives import LINE, MARGIN
from alertd.notices.charts.text_width import PLAIN, SMALL, text_width
from alertd.plan.model.plan import Plan
from alertd.route.jurisdictions import Boundaries
from alertd.route.map_window import Box, box_around, lands_in
from alertd.route.model import Route

DEGREE_M: Final = 111_195.0  # of a great circle, on a sphere of 6,371 km
ASPECT_RATIOS: Final = {False: (0.75, 1.25), True: (0.36, 0.6)}  # height over width, on a phone and on a desk
ROAD_PX: Final = 6.0
LABEL_PX: Final = 17.0
_AVOIDED_N: Final = 150  # places of the road that labels avoid


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
    key = [] if view.bare else primitives.key_rows(marker_rows(markers), view)
    foot = primitives.small_lines(alt_text.map_footer(plan), view)
    top_map = MARGIN + primitives.lines_height(head) + 6.0
    top_legend = top_map + high + LINE + 10.0
    top_key = top_legend + len(legend) * (LINE + 2.0) + 6.0
    top_foot = top_key + len(key) * LINE + 6.0
    sheet = Canvas(view, top_foot + primitives.lines_height(foot) + MARGIN, "map")

    primitives.draw_lines(sheet, MARGIN, head)
    field = sheet.panel("map", (MARGIN, top_map, wide, high), (box.west, box.east), (box.south, box.north))
    area = f'x="{number(MARGIN)}" y="{number(top_map)}" width="{number(wide)}" height="{number(high)}"'
    sheet.add(f'<rect class="f-land" {area}/>')
    draw_lands(field, boundaries, box)
    _road(field, plan, route)
    _stops(field, route)
    labels = [(m.distance_m, m.label, m.strong) for m in markers if m.label != "HOURS"]
    needed_n = len(labels)
    labels += [(0.0, "START", False), (route.length_m, "END", False)]
    labels += [(s.distance_m, f"▲ {s.name}", False) for s in route.summits if s.name]
    labels += [((c.start_m + c.end_m) / 2.0, (CLOSED if c.posted else WARNED).letter, True) for c in plan.closures]
    marked_m = [m for m, *_ in labels] + [s.distance_m for s in route.stops]
    left = _letters(field, plan, route, marked_m, (box.east - box.west) * box.cos_lat * DEGREE_M / wide)
    labels += [((start + end) / 2.0, style.letter, False) for start, end, style in left]
    _labels(field, labels, needed_n, route)
    field.frame()
    _scale(sheet, top_map + high + 4.0, box, wide, units)
    primitives.draw_legend(sheet, top_legend, legend)
    primitives.draw_key(sheet, top_key, key)
    primitives.draw_lines(sheet, top_foot, foot)
    return Chart(title=title, alt_text=alt_text.map_alt(plan, route, units), canvas=sheet)


def lon_lat_at(route: Route, distance_m: float | Array) -> tuple[Array, Array]:
    """Return longitude and latitude of places along the route."""
    lon = np.interp(distance_m, route.distance_m, route.lon_deg)
    return np.asarray(lon), np.asarray(np.interp(distance_m, route.distance_m, route.lat_deg))


def draw_lands(field: Panel, boundaries: Boundaries, box: Box) -> None:
    """Draw borders as one line, and each state's name, or its letters where the name has no room."""
    lands = lands_in(boundaries, box)
    borders = [field.xy(*line.T) for land in lands for line in land.borders]
    if borders:
        field.sheet.lines(borders, 1.2, role="quiet", kind="border")
    px_deg = field.width / (box.east - box.west)
    for land in lands:
        if land.middle is not None:
            fits = text_width(land.name) < 2.0 * land.room_deg * px_deg
            x, y = field.x(land.middle[0]), field.y(land.middle[1])
            name = land.name if fits else land.code.partition("-")[2]
            field.sheet.text(x, y - 0.7 * PLAIN, name, anchor="middle", role="quiet")


def _road(field: Panel, plan: Plan, route: Route) -> None:
    """Draw the road behind as a thin line; ahead with an outline, filled by class, with each class's own dashes."""
    for c in plan.closures:
        style = CLOSED if c.posted else WARNED
        field.sheet.line(on_road(field, route, c.start_m, c.end_m), 3.0 * ROAD_PX, role=style.role, kind="closed")
    begins_m = plan.along.distance_m[0]
    if begins_m > 0.0:
        field.sheet.line(on_road(field, route, 0.0, begins_m), 1.5, kind="behind")
    primitives.road_outline(field.sheet, [on_road(field, route, begins_m, route.length_m)], ROAD_PX, hollow=False)
    runs = road_runs(plan)
    for style in dict.fromkeys(style for *_, style in runs):
        parts = [on_road(field, route, a, b) for a, b, it in runs if it is style]
        primitives.road_state(field.sheet, parts, style, ROAD_PX)


def on_road(field: Panel, route: Route, start_m: float, end_m: float) -> Array:
    """Return a part of the route as points (n, 2) [px], including its ends."""
    d = route.distance_m
    at = np.concatenate(([start_m], d[(d > start_m) & (d < end_m)], [end_m]))
    return field.xy(*lon_lat_at(route, at))


def _letters(
    field: Panel, plan: Plan, route: Route, marked_m: Sequence[float], m_px: float
) -> list[tuple[float, float, Style]]:
    """Draw the letter of each run on the road, as near to its middle as markers allow.

    Returns the longest run of each class for which no run had room.
    """
    near_m, runs, lettered = 13.0 * m_px, road_runs(plan), set()
    for start, end, style in runs:
        free = np.arange(start + near_m, end - near_m, 0.3 * near_m)
        free = free[np.all([np.abs(free - m) > near_m for m in marked_m], axis=0)] if marked_m else free
        if free.size:
            ((x, y),) = field.xy(*lon_lat_at(route, float(free[np.abs(free - (start + end) / 2.0).argmin()])))
            field.sheet.plate(float(x), float(y), style.letter, edge=False)
            lettered.add(style)
    left = [style for style in dict.fromkeys(style for *_, style in runs) if style not in lettered]
    return [max((r for r in runs if r[2] is style), key=lambda r: r[1] - r[0]) for style in left]


def _stops(field: Panel, route: Route) -> None:
    """Draw every listed stop as a small square, used by the plan or not."""
    at = field.xy(*lon_lat_at(route, np.asarray([s.distance_m for s in route.stops], dtype=np.float64)))
    squares = "".join(f"M{number(x - 2.5)} {number(y - 2.5)}h5v5h-5z" for x, y in at.tolist())
    if squares:
        field.sheet.add(f'<path class="f-paper s-ink stops" stroke-width="1.2" d="{squares}"/>')


def _labels(field: Panel, labels: Sequence[tuple[float, str, bool]], needed_n: int, route: Route) -> None:
    """Draw names beside their places, off the road if there is room, with a thin line between.

    The first `needed_n` are always drawn. Other labels are drawn if they find room; summits without room get their sign
    alone.
    """
    sheet, corner = field.sheet, np.array([field.left, field.top])
    places = field.xy(*lon_lat_at(route, np.asarray([m for m, *_ in labels])))
    road = field.xy(*lon_lat_at(route, np.linspace(0.0, route.length_m, _AVOIDED_N)))
    sizes = [(text_width(text, SMALL, bold=True) + 8.0, LABEL_PX) for _, text, _ in labels]
    needed = [n < needed_n for n in range(len(labels))]
    room = (field.width, field.height)
    spots = place_around(_pairs(places - corner), sizes, room, _pairs(road - corner), needed)
    plates = []
    for (_, text, strong), (x, y), spot in zip(labels, places.tolist(), spots, strict=True):
        if spot is None:
            if text.startswith("▲"):
                sheet.plate(x, y, "▲", edge=False)
            continue
        to = (spot[0] + field.left, spot[1] + field.top)
        sheet.line([(x, y), to], 1.0, kind="tie")
        sheet.dot(x, y, 2.5, role="ink" if strong else "paper")
        plates.append((*to, text, strong))
    for x, y, text, strong in plates:
        sheet.plate(x, y, text, inverse=strong)


def _pairs(xy: Array) -> list[tuple[float, float]]:
    return [(float(x), float(y)) for x, y in xy]


def _scale(sheet: Canvas, top: float, box: Box, wide: float, units: AxisUnits) -> None:
    """Draw a scale bar of a round length at the middle latitude below the map, and a north arrow."""
    m_px = (box.east - box.west) * box.cos_lat * DEGREE_M / wide
    length_m, label = units.even_distances(0.0, 0.4 * wide * m_px, 2)[-1]
    length_px = length_m / m_px
    ends = [(0.0, 2.0), (0.0, 8.0), (length_px, 8.0), (length_px, 2.0)]
    sheet.line([(MARGIN + x, top + y) for x, y in ends], 1.6, kind="scale")
    sheet.text(MARGIN + length_px + 6.0, top, f"{label} {units.far}", SMALL)
    sheet.text(MARGIN + wide, top, "N ↑", SMALL, anchor="end", bold=True)
