"""Draws a time-distance chart: pavement state by place and hour, with the truck's path over it.

Other departures are drawn over the same field, which shows what an earlier or later departure would meet. Their paths
have an even pace from departure to arrival, the only two times that the plan has of them.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import groupby
from typing import Final

import numpy as np
from numpy.typing import NDArray

from alertd.notices.charts import alt_text, primitives
from alertd.notices.charts.axis_units import AxisUnits, even_hours
from alertd.notices.charts.canvas import Array, Canvas, Chart, Panel, View
from alertd.notices.charts.label_layout import place_labels
from alertd.notices.charts.markers import marker_rows, markers_of
from alertd.notices.charts.palette import ADVICE, ROAD
from alertd.notices.charts.primitives import LINE, MARGIN
from alertd.notices.charts.text_width import SMALL, text_width
from alertd.notices.text.departures import departure_advice, departure_lines
from alertd.plan.model.alternatives import Departure
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.road_by_hour import RoadHours
from alertd.route.model import Route
from alertd.units import HOUR_S

LEFT: Final = 72.0
COLUMN: Final = 18.0
ROW_PX: Final = 18.0
HIGH_PX: Final = 330.0
MIN_SPAN_H: Final = 12.0
MAX_SPAN_H: Final = 36.0
_EARLIER_H: Final = 2.0
_NO_END_H: Final = 6.0  # [A] shown of a hold whose end is not known, to see that it does not end soon
_LINES_APART_H: Final = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _TruckPath:
    """A path over the field: places [m] and when the truck is there [epoch s]."""

    label: str
    at_m: Array
    epoch_s: Array


def window_of(plan: Plan) -> tuple[datetime, datetime]:
    """Return the period to draw: the truck's, that of every reason for the advice, and the suggested departures'.

    At least 12 hours, at most 36: other departures give way to the hours that the advice depends on.
    """
    needed = [(plan.along.begins_at, max(plan.arrive_at, plan.arrive_late)), *_reasons(plan)]
    shown = [*needed, *((p.departure.depart_at, p.departure.arrive_at) for p in plan.picks)]
    first = min(a for a, _ in shown)
    if plan.departures:
        first = max(first - timedelta(hours=_EARLIER_H), min(plan.departures[0].depart_at, first))
    hour, most = timedelta(hours=1.0), timedelta(hours=MAX_SPAN_H)
    last_needed = max(b for _, b in needed) + hour
    first = min(max(first, last_needed - most), plan.along.begins_at)
    last = max(max(b for _, b in shown) + hour, first + timedelta(hours=MIN_SPAN_H))
    return first, max(min(last, first + most), min(last_needed, plan.along.begins_at + most))


def _reasons(plan: Plan) -> list[tuple[datetime, datetime]]:
    """The hours of each stretch, hold and closure that the advice depends on, with the end of a hold."""
    spans = [(s.enter_at, s.hold_until or s.leave_at) for s in plan.stretches]
    if plan.hold is not None:
        spans.append((plan.hold.enter_at, plan.hold.until or plan.hold.enter_at + timedelta(hours=_NO_END_H)))
    spans += [(c.enter_at, c.ends_at or c.enter_at) for c in plan.closures if c.held]
    return spans


def draw_time_distance(plan: Plan, route: Route, hours: RoadHours, view: View) -> Chart:
    """Draw one plan; `hours` cover `window_of` the plan."""
    units, hours = AxisUnits(metric=view.metric), _ahead(hours, plan.along.distance_m[0])
    title = f"{plan.trip_id}: the road by the hour"
    first, last = window_of(plan)
    paths, lines = _paths(plan), departure_lines(plan)
    picked = [(p.label, line) for p, line in zip(paths[1:], lines, strict=False)] if plan.picks else []
    departure_rows = picked or [("", line) for line in lines]
    markers = [m for m in markers_of(plan, units) if m.label.startswith(("ON", "OFF", "SEEN"))]
    shown_classes = [ROAD[c] for c in ROAD if (hours.likely == c).any()]
    advice = [style for a, style in ADVICE.items() if any(departure_advice(plan, d) is a for d in plan.departures)]
    head = primitives.head_lines(title, alt_text.title_lines(plan), view)
    legend = primitives.legend_rows([*shown_classes, *advice], view)
    places = [] if view.bare else marker_rows(markers)
    key = primitives.key_rows([("line", "thick: this plan"), *departure_rows, *places], view)
    foot = primitives.small_lines(alt_text.time_distance_footer(plan), view)

    left = LEFT + (COLUMN + 4.0 if plan.departures else 0.0)
    wide, begins_m, ends_m = view.width_px - left - MARGIN, plan.along.distance_m[0], route.length_m
    px_of = wide / (ends_m - begins_m)
    tags = [(m.distance_m, m.label, m.strong) for m in markers]
    tags += [(s.distance_m, f"▲ {s.name}", False) for s in route.summits if s.name and s.distance_m >= begins_m]
    placed = place_labels(
        [(at - begins_m) * px_of for at, *_ in tags], [text_width(t, SMALL, bold=True) + 8.0 for _, t, _ in tags], wide
    )
    rows_px = ROW_PX * (1 + max([p.row for p in placed], default=0)) + 4.0
    top_field = MARGIN + primitives.lines_height(head) + 4.0 + rows_px
    top_legend = top_field + HIGH_PX + LINE + 14.0
    top_key = top_legend + len(legend) * (LINE + 2.0) + 6.0
    top_foot = top_key + len(key) * LINE + 6.0
    sheet = Canvas(view, top_foot + primitives.lines_height(foot) + MARGIN, "hours")

    primitives.draw_lines(sheet, MARGIN, head)
    area = (left, top_field, wide, HIGH_PX)
    field = sheet.panel("field", area, (begins_m, ends_m), (first.timestamp(), last.timestamp()))
    field.clip()
    _field(field, hours, _occupied(hours, paths, [at for at, *_ in tags], 12.0 / px_of))
    field.unclip()
    field.frame()
    tops = [top_field - 4.0 - ROW_PX * (p.row + 0.5) for p in placed]
    for (at, _, strong), top in zip(tags, tops, strict=True):
        x, dash = field.x(at), () if strong else (3.0, 2.0)
        sheet.line([(x, top_field + HIGH_PX), (x, top)], 1.0 if strong else 0.8, dash=dash, kind="stem")
    field.clip()
    others = [
        field.xy([begins_m, ends_m], [d.depart_at.timestamp(), d.arrive_at.timestamp()])
        for d in _thin(plan, first, last)
    ]
    if others:
        sheet.lines(others, 0.7, dash=(1.0, 3.0), kind="others")
    for n, way in enumerate(paths):
        _path(field, way, planned=n == 0)
    field.unclip()
    for way in paths[1:]:
        _path_label(field, way)
    for (_, text, strong), p, top in zip(tags, placed, tops, strict=True):
        sheet.plate(left + p.left_px + 4.0, top, text, inverse=strong, anchor="start")
    if plan.departures:
        _departures(sheet, top_field, plan, first, last)
    _hours(sheet, top_field, first, last, plan.depart_zone)
    for m, label in units.even_distances(begins_m, ends_m, int(wide // 60)):
        sheet.text(left + (m - begins_m) * px_of, top_field + HIGH_PX + 7.0, label, SMALL, anchor="middle")
    sheet.text(4.0, top_field + HIGH_PX + 7.0, units.far, SMALL)
    primitives.draw_legend(sheet, top_legend, legend)
    primitives.draw_key(sheet, top_key, key)
    primitives.draw_lines(sheet, top_foot, foot)
    return Chart(title=title, alt_text=alt_text.time_distance_alt(plan, route, hours, units), canvas=sheet)


def _ahead(hours: RoadHours, begins_m: float) -> RoadHours:
    """Return the field from where the plan begins."""
    first = max(0, int(np.searchsorted(hours.edge_m, begins_m, side="right")) - 1)
    return replace(hours, edge_m=hours.edge_m[first:], likely=hours.likely[first:])


def _paths(plan: Plan) -> list[_TruckPath]:
    """Return the plan's own path, then those of the suggested departures: "A", "B"."""
    at, reach = np.asarray(plan.along.distance_m), np.asarray(plan.along.reach_s)
    own = _TruckPath(label="", at_m=at, epoch_s=plan.along.begins_at.timestamp() + reach)
    ends = np.asarray([at[0], plan.route_length_m])
    return [own] + [
        _TruckPath(
            label="ABC"[n],
            at_m=ends,
            epoch_s=np.asarray([p.departure.depart_at.timestamp(), p.departure.arrive_at.timestamp()]),
        )
        for n, p in enumerate(plan.picks[:3])
    ]


def _thin(plan: Plan, first: datetime, last: datetime) -> list[Departure]:
    """Return departures two hours apart, so that their paths do not cover the field."""
    out: list[Departure] = []
    for d in plan.departures:
        inside = first <= d.depart_at <= last
        if inside and (not out or d.depart_at - out[-1].depart_at >= timedelta(hours=_LINES_APART_H)):
            out.append(d)
    return out


def _field(field: Panel, hours: RoadHours, taken: NDArray[np.bool_]) -> None:
    """Draw each class as one element, one box per run of places and hours, with its letter in the two widest places."""
    for road_class, style in ROAD.items():
        here = hours.likely == road_class
        field.fill([_box_of(hours, run) for run in _boxes(here)], style, f"state {style.role}")
    for road_class, style in ROAD.items():
        for place, h in _roomiest(hours.likely == road_class, taken):
            x = 0.5 * (hours.edge_m[place] + hours.edge_m[place + 1])
            y = hours.first_epoch_s + h * HOUR_S
            field.sheet.plate(field.x(x), field.y(y), style.letter, edge=False)


def _boxes(here: NDArray[np.bool_]) -> list[tuple[int, int, int, int]]:
    """Return boxes (first place, place after the last, first hour, hour after the last) that cover the cells."""
    out: list[tuple[int, int, int, int]] = []
    growing: dict[tuple[int, int], int] = {}
    for h in range(here.shape[1] + 1):
        cells = here[:, h] if h < here.shape[1] else np.zeros(here.shape[0], dtype=np.bool_)
        change = np.flatnonzero(np.diff(np.concatenate(([False], cells, [False])).astype(np.int8)))
        runs = {(int(a), int(b)) for a, b in change.reshape(-1, 2)}
        out += [(*run, since, h) for run, since in growing.items() if run not in runs]
        growing = {run: growing.get(run, h) for run in sorted(runs)}
    return out


def _box_of(hours: RoadHours, run: tuple[int, int, int, int]) -> list[tuple[float, float]]:
    """The corners in metres and seconds: a state is drawn half an hour around its time."""
    low, high = (hours.first_epoch_s + (h - 0.5) * HOUR_S for h in run[2:])
    return primitives.box(float(hours.edge_m[run[0]]), float(hours.edge_m[run[1]]), low, high)


def _occupied(hours: RoadHours, paths: Sequence[_TruckPath], at_m: Sequence[float], near_m: float) -> NDArray[np.bool_]:
    """Return the cells (place, hour) under a path or a marker's line, where no letter may be."""
    middle = 0.5 * (hours.edge_m[1:] + hours.edge_m[:-1])
    hour = hours.first_epoch_s + np.arange(hours.likely.shape[1]) * HOUR_S
    taken = np.zeros(hours.likely.shape, dtype=np.bool_)
    for x in at_m:
        taken |= (np.abs(middle - x) < near_m)[:, None]
    for p in paths:
        early, late = (np.interp(middle + side * near_m, p.at_m, p.epoch_s)[:, None] for side in (-1.0, 1.0))
        taken |= (hour >= early - 0.6 * HOUR_S) & (hour <= late + 0.6 * HOUR_S)
    return taken


def _roomiest(here: NDArray[np.bool_], taken: NDArray[np.bool_], most: int = 2) -> list[tuple[int, int]]:
    """Return the cells (place, hour) with most room for a letter: deep inside the field, far from each other."""
    depth, inside = np.zeros(here.shape), np.pad(here, ((0, 0), (1, 1)))
    while inside.any():
        depth += inside[:, 1:-1]
        shrunk = np.pad(inside, ((2, 2), (1, 1)))
        inside = shrunk[:-4, 1:-1] & shrunk[4:, 1:-1] & shrunk[2:-2, :-2] & shrunk[2:-2, 2:] & inside
    depth[taken] = 0.0
    out: list[tuple[int, int]] = []
    for _ in range(most):
        if depth.max(initial=0.0) < 2.0:
            break
        place, hour = (int(v) for v in np.unravel_index(int(depth.argmax()), depth.shape))
        out.append((place, hour))
        apart = (np.abs(np.arange(here.shape[0]) - place) / 25.0)[:, None] + np.abs(
            np.arange(here.shape[1]) - hour
        ) / 8.0
        depth[apart < 1.0] = 0.0
    return out


def _path(field: Panel, way: _TruckPath, *, planned: bool) -> None:
    width, dash = (3.0, ()) if planned else (1.8, (9.0, 4.0))
    xy = field.xy(way.at_m, way.epoch_s)
    field.sheet.line(xy, width + 3.0, role="paper")
    field.sheet.line(xy, width, dash=dash, kind="plan" if planned else "pick")


def _path_label(field: Panel, way: _TruckPath) -> None:
    """Draw the letter of a suggested departure near its beginning, inside the field."""
    x = float(way.at_m[0] + 0.06 * (way.at_m[-1] - way.at_m[0]))
    y = field.y(float(np.interp(x, way.at_m, way.epoch_s)))
    low, high = field.top + ROW_PX / 2.0, field.top + field.height - ROW_PX / 2.0
    field.sheet.plate(field.x(x), min(max(y, low), high), way.label, inverse=True)


def _departures(sheet: Canvas, top: float, plan: Plan, first: datetime, last: datetime) -> None:
    """Draw a column beside the field: the advice for each departure time."""
    span = (first.timestamp(), last.timestamp())
    column = sheet.panel("departures", (LEFT, top, COLUMN, HIGH_PX), (0.0, 1.0), span)
    runs = [(a, list(same)) for a, same in groupby(plan.departures, key=lambda d: departure_advice(plan, d))]
    for advice in Advice:
        spans = [_span(same, first, last) for a, same in runs if a is advice]
        spans = [(low, high) for low, high in spans if low < high]
        column.fill([primitives.box(0, 1, low, high) for low, high in spans], ADVICE[advice], f"asks {advice.value}")
        for low, high in spans:
            if ADVICE[advice].letter and column.y(low) - column.y(high) >= 14.0:
                sheet.plate(LEFT + COLUMN / 2.0, column.y(0.5 * (low + high)), ADVICE[advice].letter, edge=False)
    column.frame()


def _span(same: Sequence[Departure], first: datetime, last: datetime) -> tuple[float, float]:
    """Period from 7.5 min (half a step) before the first to 7.5 min after the last departure, inside the window."""
    low, high = same[0].depart_at.timestamp() - 450.0, same[-1].depart_at.timestamp() + 450.0
    return max(low, first.timestamp()), min(high, last.timestamp())


def _hours(sheet: Canvas, top: float, first: datetime, last: datetime, zone: str) -> None:
    """Draw the clock on the left, with the day at the first hour and where it changes."""
    ticks = even_hours(first, last, zone, 9)
    span_s = (last - first).total_seconds()
    for n, at in enumerate(ticks):
        y = top + HIGH_PX * (1.0 - (at - first).total_seconds() / span_s)
        day = f"{at:%a} " if n == 0 or at.date() != ticks[n - 1].date() else ""
        sheet.text(LEFT - 5.0, y - 0.65 * SMALL, f"{day}{at:%H:%M}", SMALL, anchor="end")
    sheet.text(4.0, top - LINE - 2.0, f"{first.astimezone(ticks[0].tzinfo):%Z}" if ticks else "", SMALL)
