"""Draws the elevation profile: height by distance, pavement at arrival, chain-on and chain-off places."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Final, TypeAlias

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator
from numpy.typing import ArrayLike, NDArray

from alertd.notices.charts import alt_text, primitives
from alertd.notices.charts.axis_units import AxisUnits
from alertd.notices.charts.canvas import SMALL, Canvas, Chart, View, text_width
from alertd.notices.charts.label_layout import LabelPosition, place_labels
from alertd.notices.charts.markers import marker_rows, markers_of, road_runs
from alertd.notices.charts.palette import ADVICE, BY_LABEL, CLOSED, PLAIN_BAR, QUIET, ROAD, WARNED, Style
from alertd.notices.charts.primitives import LINE, MARGIN
from alertd.notices.text import phrases
from alertd.plan.model.plan import Plan
from alertd.road.road_class import RoadClass
from alertd.route.model import Route
from alertd.route.runs import runs_of

Array: TypeAlias = NDArray[np.float64]

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
    sheet = Canvas(view, top_foot + primitives.lines_height(foot) + MARGIN)

    primitives.draw_lines(sheet, MARGIN, head)
    ax = sheet.axes(LEFT, top_profile, wide, PROFILE_PX)
    ax.set_xlim(begins_m, ends_m)
    _profile(ax, plan, units, view)
    sheet.text(LEFT - 4.0, top_profile - 20.0, units.high, SMALL, ha="right")
    _labels(ax, labels, placed, begins_m, px_of, view)
    _rows(sheet, top_rows, bands, wide, plan, route)
    _ticks(sheet, top_ticks, wide, plan, units)
    primitives.draw_legend(sheet, top_legend, legend)
    primitives.draw_key(sheet, top_key, key)
    primitives.draw_lines(sheet, top_foot, foot)
    return Chart(title=title, alt_text=alt_text.profile_alt(plan, route, units), canvas=sheet)


def _profile(ax: Axes, plan: Plan, units: AxisUnits, view: View) -> None:
    runs = road_runs(plan)
    d, z = _thinned(plan.along.distance_m, np.asarray(plan.along.elevation_m) / units.high_m, view)
    low, high = float(np.nanmin(z)), float(np.nanmax(z))
    room = max(high - low, 300.0 / units.high_m)
    ax.set_ylim(low - 0.12 * room, low + 1.08 * room)
    floor = ax.get_ylim()[0]

    def under(start: float, end: float) -> Array:
        x = np.concatenate(([start], d[(d > start) & (d < end)], [end]))
        y = np.interp(x, d, z)
        return np.column_stack((np.concatenate((x, [end, start])), np.concatenate((y, [floor, floor]))))

    for style in dict.fromkeys(style for *_, style in runs):
        primitives.fill(ax, [under(a, b) for a, b, it in runs if it is style], style, view)
    ax.plot(d, z, color=view.color("ink"), linewidth=1.8, zorder=4.0)
    decks = [b.start_m for b in plan.bridges]
    ax.plot(
        decks, np.interp(decks, d, z), linestyle="none", marker="D", markersize=6.0, zorder=6.0,
        markerfacecolor=view.color("paper"), markeredgecolor=view.color("ink"), markeredgewidth=1.4,
    )  # fmt: skip
    ax.yaxis.set_major_locator(MaxNLocator(nbins=4, integer=True, steps=[1, 2, 5, 10]))
    ax.yaxis.set_major_formatter(lambda v, _: f"{v:,.0f}")
    ax.grid(axis="y", color=view.color("line"), linewidth=0.6, zorder=0.5)


def _thinned(distance_m: Sequence[float], values: ArrayLike, view: View) -> tuple[Array, Array]:
    """Return places and values about 1.5 pixels apart, including the last one."""
    step = max(1, int(1.5 * len(distance_m) // (view.width_px - LEFT - MARGIN)))
    at = np.unique(np.append(np.arange(0, len(distance_m), step), len(distance_m) - 1))
    return np.asarray(distance_m)[at], np.asarray(values)[at]


def _labels(
    ax: Axes, labels: Sequence[_Label], placed: Sequence[LabelPosition], begins_m: float, px_of: float, view: View
) -> None:
    """Draw labels above the profile in their rows, each with a stem down to the road."""
    low, high = ax.get_ylim()
    unit = (high - low) / PROFILE_PX
    for x, p in zip(labels, placed, strict=True):
        y = high + (4.0 + ROW_PX * (p.row + 0.5)) * unit
        ax.plot(
            [x.distance_m] * 2, [low, y], color=view.color("ink" if x.inverse else "quiet"), zorder=5.0, clip_on=False,
            linewidth=1.2 if x.inverse else 0.8, linestyle="-" if x.inverse else (0, (3, 2)),
        )  # fmt: skip
        left = begins_m + (p.left_px + 4.0) / px_of
        primitives.plate(ax, left, y, x.text, view, inverse=x.inverse, ha="left")


def _rows(sheet: Canvas, top: float, bands: Sequence[str], wide: float, plan: Plan, route: Route) -> None:
    """Draw one row each below the profile: hills, road, winter odds, chains, closures, jurisdictions."""
    view, begins_m = sheet.view, plan.along.distance_m[0]
    px_of = wide / (route.length_m - begins_m)
    draw = {
        "hills": lambda ax: _hills(ax, route, px_of, begins_m, view),
        "road": lambda ax: _road(ax, plan, px_of, view),
        "odds": lambda ax: _odds(ax, plan, px_of, view),
        "chains": lambda ax: _chains(ax, plan, px_of, view),
        "closed": lambda ax: _closed(ax, plan, px_of, view),
        "land": lambda ax: _land(ax, route, px_of, begins_m, view),
    }
    for i, name in enumerate(bands):
        sheet.text(LEFT - 6.0, top + i * ROW + 1.0, name, SMALL, ha="right")
        ax = sheet.axes(LEFT, top + i * ROW, wide, ROW - 3.0)
        ax.set_xlim(begins_m, route.length_m)
        ax.set_ylim(0, 1)
        draw[name](ax)


def _hills(ax: Axes, route: Route, px_of: float, begins_m: float, view: View) -> None:
    """Draw a wedge per hill; close hills share a label with the steepest grade among them."""
    hills = [h for h in steep_runs(route) if h[1] >= begins_m]
    for start, end, steepest in hills:
        high = end if steepest > 0 else start
        primitives.fill(ax, [[(start, 0.05), (end, 0.05), (high, 0.95)]], QUIET, view)
    for n, (_, end, steepest) in enumerate(hills):
        following = hills[n + 1 : n + 2]
        if following and (following[0][0] - end) * px_of < 34.0:
            hills[n + 1] = (*following[0][:2], max(following[0][2], steepest, key=abs))
            continue
        ax.annotate(
            f"{abs(steepest):.0%}", (end, 0.5), xytext=(3.0, -0.36 * SMALL), textcoords="offset points",
            fontsize=SMALL, color=view.color("ink"),
        )  # fmt: skip


def _road(ax: Axes, plan: Plan, px_of: float, view: View) -> None:
    runs = road_runs(plan)
    for style in dict.fromkeys(style for *_, style in runs):
        primitives.fill(ax, [primitives.box(a, b, 0, 1) for a, b, it in runs if it is style], style, view)
    primitives.letters(ax, runs, 0.5, view, px_of)
    primitives.frame(ax, view)


def _odds(ax: Axes, plan: Plan, px_of: float, view: View) -> None:
    """Draw the share of members with a winter surface (full row = all). Unknown road is shown as unknown."""
    d, share = _thinned(plan.along.distance_m, plan.along.winter_frac, view)
    primitives.fill(ax, [np.column_stack((np.append(d, (d[-1], d[0])), np.append(share, (0.0, 0.0))))], QUIET, view)
    unknown = [r for r in road_runs(plan) if r[2] is ROAD[RoadClass.UNKNOWN]]
    primitives.fill(ax, [primitives.box(a, b, 0, 1) for a, b, _ in unknown], ROAD[RoadClass.UNKNOWN], view, zorder=2.0)
    primitives.letters(ax, unknown, 0.5, view, px_of)
    primitives.frame(ax, view)


def _chains(ax: Axes, plan: Plan, px_of: float, view: View) -> None:
    """Draw a thin bar from chain-up to chain-off place, with the stretch on top."""
    for s in plan.stretches:
        worn = primitives.box(s.chain_up.distance_m, s.chain_off.distance_m, 0.3, 0.7)
        primitives.fill(ax, [worn], PLAIN_BAR, view, edgecolor=view.color("ink"), linewidth=1.0)
        _bar(ax, s.start_m, s.end_m, ADVICE[s.advice], px_of, view)
    primitives.frame(ax, view)


def _closed(ax: Axes, plan: Plan, px_of: float, view: View) -> None:
    for c in plan.closures:
        _bar(ax, c.start_m, c.end_m, CLOSED if c.posted else WARNED, px_of, view)
    primitives.frame(ax, view)


def _bar(ax: Axes, start_m: float, end_m: float, style: Style, px_of: float, view: View) -> None:
    """Draw a bar with its letter, at least wide enough for the letter."""
    start_m, end_m = max(start_m, ax.get_xlim()[0]), min(end_m, ax.get_xlim()[1])
    half = max((end_m - start_m) / 2.0, 7.5 / px_of)
    middle = (start_m + end_m) / 2.0
    primitives.fill(ax, [primitives.box(middle - half, middle + half, 0, 1)], style, view, zorder=2.0)
    primitives.letters(ax, [(middle - half, middle + half, style)], 0.5, view, px_of)


def _land(ax: Axes, route: Route, px_of: float, begins_m: float, view: View) -> None:
    """Draw jurisdictions by their letters, with a line at each border."""
    for j in (j for j in route.jurisdictions if j.end_m > begins_m):
        start, name = max(j.start_m, begins_m), j.code.partition("-")[2] or j.code or "?"
        if start > begins_m:
            ax.axvline(start, color=view.color("ink"), linewidth=1.6)
        if (j.end_m - start) * px_of > text_width(name, SMALL) + 6.0:
            primitives.plate(ax, (start + j.end_m) / 2.0, 0.5, name, view, edge=0.0, pad=0.05)


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
        sheet.text(x, top, label, SMALL, ha="center")
        sheet.text(x, top + LINE - 1.0, at.split()[0], SMALL, ha="center")
    sheet.text(4.0, top, units.far, SMALL)
    sheet.text(4.0, top + LINE - 1.0, phrases.clock_time(plan.along.begins_at, plan.depart_zone).split()[1], SMALL)
