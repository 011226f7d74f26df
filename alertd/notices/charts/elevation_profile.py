"""Draws the elevation profile: height by distance, pavement at arrival, chain-on and chain-off places."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Final

import numpy as np

from alertd.notices.charts import alt_text, primitives
from alertd.notices.charts.axis_units import AxisUnits, even_values
from alertd.notices.charts.canvas import Array, Canvas, Chart, Panel, View, number
from alertd.notices.charts.label_layout import LabelPosition, place_labels
from alertd.notices.charts.markers import marker_rows, markers_of, road_runs
from alertd.notices.charts.palette import ADVICE, BY_LABEL, CLOSED, PLAIN_BAR, QUIET, ROAD, WARNED, Style
from alertd.notices.charts.primitives import LINE, MARGIN
from alertd.notices.charts.text_width import SMALL, text_width
from alertd.notices.text import phrases
from alertd.plan.model.plan import Plan
from alertd.road.road_class import RoadClass
from alertd.route.model import Route
from alertd.route.runs import runs_of

LEFT: Final = 52.0
ROW_PX: Final = 18.0
ROW: Final = 19.0
PROFILE_PX: Final = 150.0
# A hill sign is used from 5 % over 3,000 ft (MUTCD 2009, 2C.16); short easings of the grade do not end a hill.
STEEP_FRAC: Final = 0.05
STEEP_LONG_M: Final = 914.4
STEEP_PAUSE_M: Final = 600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Label:
    distance_m: float
    text: str
    inverse: bool = False


def draw_profile(plan: Plan, route: Route, view: View) -> Chart:
    """Draw one plan on its route."""
    units = AxisUnits(metric=view.metric)
    title = f"{plan.trip_id}: {plan.route_name}"
    along, markers = plan.along, markers_of(plan, units)
    styles = [style for name, style in BY_LABEL.items() if name in along.surface]
    advice = [style for a, style in ADVICE.items() if any(s.advice is a for s in plan.stretches)]
    advice += [
        style for style, posted in ((CLOSED, True), (WARNED, False)) if any(c.posted is posted for c in plan.closures)
    ]
    head = primitives.head_lines(title, alt_text.title_lines(plan), view)
    legend = primitives.legend_rows([*styles, *advice], view)
    key = primitives.key_rows([*marker_rows(markers), *alt_text.deck_rows(plan, units)], view)
    foot = primitives.small_lines(alt_text.profile_footer(plan), view)

    wide = view.width_px - LEFT - MARGIN
    begins_m, ends_m = along.distance_m[0], route.length_m
    px_of = wide / (ends_m - begins_m)
    labels = [_Label(distance_m=m.distance_m, text=m.label, inverse=m.strong) for m in markers]
    labels += [_Label(distance_m=s.distance_m, text=f"▲ {s.name}") for s in route.summits if s.name]
    labels = [x for x in labels if begins_m <= x.distance_m <= ends_m]
    placed = place_labels(
        [(x.distance_m - begins_m) * px_of for x in labels],
        [text_width(x.text, SMALL, bold=True) + 8.0 for x in labels],
        wide,
    )
    rows_px = ROW_PX * (1 + max([p.row for p in placed], default=0)) + 4.0

    top_profile = MARGIN + primitives.lines_height(head) + 4.0 + rows_px
    top_rows = top_profile + PROFILE_PX + 4.0
    bands = ["hills", "road", "odds", "chains", *(["closed"] if plan.closures else []), "land"]
    top_ticks = top_rows + len(bands) * ROW + 2.0
    top_legend = top_ticks + 2 * LINE + 8.0
    top_key = top_legend + len(legend) * (LINE + 2.0) + 6.0
    top_foot = top_key + len(key) * LINE + 6.0
    sheet = Canvas(view, top_foot + primitives.lines_height(foot) + MARGIN, "road")

    primitives.draw_lines(sheet, MARGIN, head)
    profile = _profile(sheet, (LEFT, top_profile, wide, PROFILE_PX), plan, units)
    sheet.text(LEFT - 4.0, top_profile - 20.0, units.high, SMALL, anchor="end")
    _labels(profile, labels, placed)
    _decks(profile, plan, units)
    _rows(sheet, top_rows, bands, wide, plan, route)
    _ticks(sheet, top_ticks, wide, plan, units)
    primitives.draw_legend(sheet, top_legend, legend)
    primitives.draw_key(sheet, top_key, key)
    primitives.draw_lines(sheet, top_foot, foot)
    return Chart(title=title, alt_text=alt_text.profile_alt(plan, route, units), canvas=sheet)


def _profile(sheet: Canvas, area: tuple[float, float, float, float], plan: Plan, units: AxisUnits) -> Panel:
    """Draw the height of the road, filled below by its likely pavement."""
    runs = road_runs(plan)
    d, z = np.asarray(plan.along.distance_m), np.asarray(plan.along.elevation_m) / units.high_m
    low, high = float(np.nanmin(z)), float(np.nanmax(z))
    room = max(high - low, 300.0 / units.high_m)
    floor, top = low - 0.12 * room, low + 1.08 * room
    panel = sheet.panel("profile", area, (plan.along.distance_m[0], plan.route_length_m), (floor, top))

    def under(start: float, end: float) -> Array:
        x = np.concatenate(([start], d[(d > start) & (d < end)], [end]))
        y = np.interp(x, d, z)
        return np.column_stack((np.concatenate((x, [end, start])), np.concatenate((y, [floor, floor]))))

    for value in even_values(floor, top, 4):
        y = panel.y(value)
        sheet.line([(area[0], y), (area[0] + area[2], y)], 0.6, role="line")
        sheet.text(area[0] - 4.0, y - 0.65 * SMALL, f"{value:,.0f}", SMALL, anchor="end")
    for style in dict.fromkeys(style for *_, style in runs):
        panel.fill([under(a, b) for a, b, it in runs if it is style], style, f"under {style.role}")
    sheet.line(panel.xy(d, z), 1.8, kind="height")
    return panel


def _decks(panel: Panel, plan: Plan, units: AxisUnits) -> None:
    """Draw a diamond at each bridge that may be icy alone."""
    d, z = plan.along.distance_m, np.asarray(plan.along.elevation_m) / units.high_m
    for b in plan.bridges:
        x, y = panel.x(b.start_m), panel.y(float(np.interp(b.start_m, d, z)))
        at = f"M{number(x)} {number(y - 5.0)}l5 5l-5 5l-5-5z"
        panel.sheet.add(f'<path class="f-paper s-ink deck" stroke-width="1.4" d="{at}"/>')


def _labels(panel: Panel, labels: Sequence[_Label], placed: Sequence[LabelPosition]) -> None:
    """Draw labels above the profile in their rows, each with a stem down to the road."""
    sheet, tops = panel.sheet, [panel.top - 4.0 - ROW_PX * (p.row + 0.5) for p in placed]
    for label, top in zip(labels, tops, strict=True):
        x = panel.x(label.distance_m)
        role, width, dash = ("ink", 1.2, ()) if label.inverse else ("quiet", 0.8, (3.0, 2.0))
        sheet.line([(x, panel.top + panel.height), (x, top)], width, role=role, dash=dash, kind="stem")
    for label, p, top in zip(labels, placed, tops, strict=True):
        sheet.plate(panel.left + p.left_px + 4.0, top, label.text, inverse=label.inverse, anchor="start")


def _rows(sheet: Canvas, top: float, bands: Sequence[str], wide: float, plan: Plan, route: Route) -> None:
    """Draw one row each below the profile: hills, road, winter odds, chains, closures, jurisdictions."""
    draw = {
        "hills": lambda row: _hills(row, route),
        "road": lambda row: _road(row, plan),
        "odds": lambda row: _odds(row, plan),
        "chains": lambda row: _chains(row, plan),
        "closed": lambda row: _closed(row, plan),
        "land": lambda row: _land(row, route),
    }
    for i, name in enumerate(bands):
        sheet.text(LEFT - 6.0, top + i * ROW + 1.0, name, SMALL, anchor="end")
        area = (LEFT, top + i * ROW, wide, ROW - 3.0)
        draw[name](sheet.panel(name, area, (plan.along.distance_m[0], route.length_m), (0.0, 1.0)))


def _hills(panel: Panel, route: Route) -> None:
    """Draw a wedge per hill; close hills share a label with the steepest grade among them."""
    hills = [h for h in steep_runs(route) if h[1] >= panel.x_from]
    panel.fill(
        [[(start, 0.05), (end, 0.05), (end if steepest > 0 else start, 0.95)] for start, end, steepest in hills], QUIET
    )
    for n, (_, end, steepest) in enumerate(hills):
        following = hills[n + 1 : n + 2]
        if following and panel.x(following[0][0]) - panel.x(end) < 34.0:
            hills[n + 1] = (*following[0][:2], max(following[0][2], steepest, key=abs))
            continue
        panel.sheet.text(panel.x(end) + 3.0, panel.top, f"{abs(steepest):.0%}", SMALL)


def _road(panel: Panel, plan: Plan) -> None:
    runs = road_runs(plan)
    for style in dict.fromkeys(style for *_, style in runs):
        panel.fill([primitives.box(a, b, 0, 1) for a, b, it in runs if it is style], style, f"along {style.role}")
    primitives.letters(panel, runs)
    panel.frame()


def _odds(panel: Panel, plan: Plan) -> None:
    """Draw the share of members with a winter surface (full row = all). Unknown road is shown as unknown."""
    d, share = plan.along.distance_m, plan.along.winter_frac
    panel.fill([np.column_stack((np.append(d, (d[-1], d[0])), np.append(share, (0.0, 0.0))))], QUIET, "odds")
    unknown = [r for r in road_runs(plan) if r[2] is ROAD[RoadClass.UNKNOWN]]
    panel.fill([primitives.box(a, b, 0, 1) for a, b, _ in unknown], ROAD[RoadClass.UNKNOWN], "odds unknown")
    primitives.letters(panel, unknown)
    panel.frame()


def _chains(panel: Panel, plan: Plan) -> None:
    """Draw a thin bar from chain-up to chain-off place, with the stretch on top."""
    for s in plan.stretches:
        worn = primitives.box(
            max(s.chain_up.distance_m, panel.x_from), max(s.chain_off.distance_m, panel.x_from), 0.3, 0.7
        )
        panel.fill([worn], PLAIN_BAR, "worn", edge=True)
        _bar(panel, s.start_m, s.end_m, ADVICE[s.advice])
    panel.frame()


def _closed(panel: Panel, plan: Plan) -> None:
    for c in plan.closures:
        _bar(panel, c.start_m, c.end_m, CLOSED if c.posted else WARNED)
    panel.frame()


def _bar(panel: Panel, start_m: float, end_m: float, style: Style) -> None:
    """Draw a bar with its letter, at least wide enough for the letter."""
    start_m, end_m = max(start_m, panel.x_from), min(end_m, panel.x_to)
    half = max((end_m - start_m) / 2.0, 7.5 * (panel.x_to - panel.x_from) / panel.width)
    middle = (start_m + end_m) / 2.0
    panel.fill([primitives.box(middle - half, middle + half, 0, 1)], style, "bar")
    primitives.letters(panel, [(middle - half, middle + half, style)])


def _land(panel: Panel, route: Route) -> None:
    """Draw jurisdictions by their letters, with a line at each border."""
    for j in (j for j in route.jurisdictions if j.end_m > panel.x_from):
        start, name = max(j.start_m, panel.x_from), j.code.partition("-")[2] or j.code or "?"
        left, right, middle = panel.x(start), panel.x(j.end_m), panel.top + panel.height / 2.0
        if start > panel.x_from:
            panel.sheet.line([(left, panel.top), (left, panel.top + panel.height)], 1.6)
        if right - left > text_width(name, SMALL) + 6.0:
            panel.sheet.plate((left + right) / 2.0, middle, name, edge=False)


def steep_runs(route: Route) -> list[tuple[float, float, float]]:
    """Return hills (from [m], to [m], steepest grade) of 5 % or more over 3,000 ft, uphill and downhill separately."""
    d, out = route.distance_m, []
    for sign in (1.0, -1.0):
        steep = sign * route.grade >= STEEP_FRAC
        runs = runs_of(steep)
        joined: list[tuple[int, int]] = []
        for a, b in runs:
            if joined and d[a] - d[joined[-1][1]] <= STEEP_PAUSE_M:
                joined[-1] = (joined[-1][0], b)
            else:
                joined.append((a, b))
        for a, b in joined:
            if d[b] - d[a] >= STEEP_LONG_M:
                out.append((float(d[a]), float(d[b]), sign * float(np.max(sign * route.grade[a : b + 1]))))
    return sorted(out)


def _ticks(sheet: Canvas, top: float, wide: float, plan: Plan, units: AxisUnits) -> None:
    """Draw the distance, and below it the clock time when the truck is there."""
    begins_m, ends_m = plan.along.distance_m[0], plan.route_length_m
    for m, label in units.even_distances(begins_m, ends_m, int(wide // 60)):
        x = LEFT + (m - begins_m) * wide / (ends_m - begins_m)
        if x + 18.0 > sheet.view.width_px:
            continue
        seconds = float(np.interp(m, plan.along.distance_m, plan.along.reach_s))
        at = phrases.clock_time(plan.along.begins_at + timedelta(seconds=round(seconds)), plan.depart_zone)
        sheet.text(x, top, label, SMALL, anchor="middle")
        sheet.text(x, top + LINE - 1.0, at.split()[0], SMALL, anchor="middle")
    sheet.text(4.0, top, units.far, SMALL)
    sheet.text(4.0, top + LINE - 1.0, phrases.clock_time(plan.along.begins_at, plan.depart_zone).split()[1], SMALL)
