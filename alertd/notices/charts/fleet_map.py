"""Draws the fleet's map as SVG: roads by their worst likely state, passes with trucks, trucks, signs and closures.

It has the look of a trip's map and needs no map server: borders and roads come from the route package.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape
from math import hypot
from typing import Final

import numpy as np
from numpy.typing import NDArray

from alertd.notices.charts import primitives
from alertd.notices.charts.canvas import Canvas, Chart, Panel, View
from alertd.notices.charts.map import draw_lands, lon_lat_at
from alertd.notices.charts.palette import BY_LABEL, ROAD
from alertd.notices.charts.text_width import PLAIN, text_width
from alertd.notices.reports.truck_lines import place_group
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.road.road_class import RoadClass
from alertd.route.jurisdictions import Boundaries
from alertd.route.map_window import box_around_points
from alertd.route.model import Route

WIDE_PX, NARROW_PX = 1000, 360
_ASPECT: Final = {WIDE_PX: (0.22, 0.3), NARROW_PX: (0.7, 1.2)}  # height over width
_CELL_PX: Final = 26.0  # trucks closer than this are drawn as one mark with their number
_STEP_M: Final = 2000.0
_ROAD_PX: Final = 5.0
_LETTER: Final = {Advice.HOLD: "H", Advice.CHAIN: "C", Advice.READY: "R", Advice.SLOW: "S", Advice.CLEAR: "–"}
_CLASSES: Final = tuple(ROAD)
# A road that is not known is worse than a wet one and no excuse to hide a known winter road.
_WORSE: Final = {
    c: n
    for n, c in enumerate(
        (
            RoadClass.DRY, RoadClass.MOIST, RoadClass.WET, RoadClass.UNKNOWN, RoadClass.RIME, RoadClass.SLUSH,
            RoadClass.SNOW, RoadClass.PACKED_SNOW, RoadClass.ICE, RoadClass.GLAZE,
        )
    )
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class OnMap:
    """A plan with its route. at_m: where the truck is now, by its position or its plan."""

    plan: Plan
    route: Route
    at_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A posted sign or a closed road. letter: "X" for closed, "!" for a sign."""

    lat_deg: float
    lon_deg: float
    letter: str
    words: str


def fleet_map(fleet: Sequence[OnMap], marks: Sequence[Mark], boundaries: Boundaries, width_px: int = WIDE_PX) -> str:
    """Return the picture as an SVG element with a title and a description; "" without a route."""
    routes = list({id(x.route): x.route for x in fleet}.values())
    if not routes:
        return ""
    lon, lat = (np.concatenate([getattr(r, name) for r in routes]) for name in ("lon_deg", "lat_deg"))
    box = box_around_points(lon, lat, _ASPECT[width_px])
    high = (box.north - box.south) / ((box.east - box.west) * box.cos_lat) * width_px
    sheet = Canvas(View(width_px=width_px, bare=True), high, "fleet")
    field = sheet.panel("map", (0.0, 0.0, width_px, high), (box.west, box.east), (box.south, box.north))
    labels = _Labels(field)
    sheet.add(f'<rect class="f-land" width="{width_px}" height="{high:.0f}"/>')
    draw_lands(field, boundaries, box)
    _roads(fleet, field)
    sheet.add(*_trucks(fleet, field), *_passes(fleet, field, labels), *_marks(marks, field, labels))
    return Chart(title=f"Map of {len(fleet)} trips", alt_text=tuple(_words(fleet, marks)), canvas=sheet).inline()


def legend(fleet: Sequence[OnMap]) -> list[tuple[str, str]]:
    """Return (role, name) of the road states on the map, worst first."""
    found = {name for x in fleet for name in x.plan.along.surface}
    styles = sorted((c for c in ROAD if ROAD[c] in [BY_LABEL[n] for n in found]), key=lambda c: -_WORSE[c])
    return [(ROAD[c].role, ROAD[c].name) for c in styles]


def _roads(fleet: Sequence[OnMap], field: Panel) -> None:
    """Every road once, each part in the worst state that a truck is likely to meet there; the worst on top."""
    by_route: dict[int, list[OnMap]] = defaultdict(list)
    for x in fleet:
        by_route[id(x.route)].append(x)
    runs: list[tuple[int, NDArray[np.float64]]] = []
    whole = []
    for same in by_route.values():
        route = same[0].route
        at = np.append(np.arange(0.0, route.length_m, _STEP_M), route.length_m)
        xy = _on_road(field, route, at)
        whole.append(xy)
        worst = np.full(at.size - 1, -1)
        middle = 0.5 * (at[1:] + at[:-1])
        for x in {x.plan.id: x for x in same}.values():
            along = x.plan.along
            d = np.asarray(along.distance_m)
            if not d.size or x.plan.arrived_at is not None:
                continue
            rank = np.array([_WORSE[_class_of(name)] for name in along.surface])
            here = rank[np.clip(np.searchsorted(d, middle), 0, d.size - 1)]
            worst = np.where(middle >= d[0], np.maximum(worst, here), worst)
        edges = np.flatnonzero(np.append(True, worst[1:] != worst[:-1]))
        for a, b in zip(edges, np.append(edges[1:], worst.size), strict=True):
            if worst[a] >= 0:
                runs.append((int(worst[a]), xy[a : b + 1]))
    primitives.road_outline(field.sheet, whole, _ROAD_PX, hollow=True)
    of_rank = {n: c for c, n in _WORSE.items()}
    for state in sorted({state for state, _ in runs}):
        lines = [line for found, line in runs if found == state]
        primitives.road_state(field.sheet, lines, ROAD[of_rank[state]], _ROAD_PX)


def _passes(fleet: Sequence[OnMap], field: Panel, labels: "_Labels") -> Iterable[str]:
    """A plate a pass and direction: the gravest advice there, how many trucks, and how many are short of chains."""
    found: dict[str, list[tuple[OnMap, Advice, float]]] = defaultdict(list)
    for x in fleet:
        for s in x.plan.stretches:
            if s.end_m >= x.at_m and s.advice.rank >= Advice.READY.rank and x.plan.arrived_at is None:
                found[place_group(s)].append((x, s.advice, 0.5 * (s.start_m + s.end_m)))
    for name, trucks in sorted(found.items(), key=lambda item: -len(item[1])):
        advice = max((a for _, a, _ in trucks), key=lambda a: a.rank)
        first, _, at_m = trucks[0]
        at = _on_road(field, first.route, np.array([at_m]))[0]
        short_n = sum(x.plan.singles_short > 0 for x, _, _ in trucks)
        words = f"{_LETTER[advice]} {len(trucks)}"
        label = f"{name}{f', {short_n} short' if short_n else ''}"
        yield labels.plate(at, words, label, advice.value)


def _marks(marks: Sequence[Mark], field: Panel, labels: "_Labels") -> Iterable[str]:
    for m in marks:
        at = field.xy(np.array([m.lon_deg]), np.array([m.lat_deg]))[0]
        yield labels.plate(at, m.letter, "", "hold" if m.letter == "X" else "ready", m.words)


def _trucks(fleet: Sequence[OnMap], field: Panel) -> Iterable[str]:
    """Dots, or one dot with a number where trucks are close together; the gravest advice among them."""
    cells: dict[tuple[int, int], list[tuple[OnMap, NDArray[np.float64]]]] = defaultdict(list)
    for x in fleet:
        if x.plan.arrived_at is None:
            at = _on_road(field, x.route, np.array([x.at_m]))[0]
            cells[int(at[0] // _CELL_PX), int(at[1] // _CELL_PX)].append((x, at))
    for trucks in cells.values():
        advice = max((x.plan.advice for x, _ in trucks), key=lambda a: a.rank)
        x, y = np.mean([at for _, at in trucks], axis=0)
        names = ", ".join(x.plan.trip_id for x, _ in trucks[:6]) + (" …" if len(trucks) > 6 else "")
        number = str(len(trucks)) if len(trucks) > 1 else _LETTER[advice]
        radius = 7.0 if len(number) == 1 else 9.0 if len(number) == 2 else 12.0
        yield (
            f'<g><title>{escape(names)}</title><circle class="f-paper s-ink" stroke-width="2" cx="{x:.0f}" '
            f'cy="{y:.0f}" r="{radius:.0f}"/><text class="f-ink" font-size="10" font-weight="bold" '
            f'text-anchor="middle" x="{x:.0f}" y="{y + 3.5:.0f}">{number}</text></g>'
        )


class _Labels:
    """Puts plates beside their places so that they do not cover one another."""

    def __init__(self, field: Panel) -> None:
        self._field = field
        self._taken: list[tuple[float, float, float, float]] = []

    def plate(self, at: NDArray[np.float64], letters: str, name: str, tone: str, words: str = "") -> str:
        """Return a plate with letters in the color of an advice and a name on paper, and a line to its place."""
        first = text_width(letters, PLAIN, bold=True) + 8.0
        wide = first + (text_width(name, PLAIN, bold=True) + 8.0 if name else 0.0)
        left, top = self._spot(float(at[0]), float(at[1]), wide, 18.0)
        title = f"<title>{escape(words)}</title>" if words else ""
        stem = f"M{at[0]:.0f} {at[1]:.0f}L{left + wide / 2.0:.0f} {top + 9.0:.0f}"
        paper = _box("paper", left + first, top, wide - first) + _bold("f-ink", left + first, top, name) if name else ""
        return (
            f'<g>{title}<path class="s-ink" stroke-width="1.2" d="{stem}"/>{_box(tone, left, top, first)}'
            f"{_bold(f'on-{tone}', left, top, letters)}{paper}</g>"
        )

    def _spot(self, x: float, y: float, wide: float, high: float) -> tuple[float, float]:
        """The nearest free place around a point; the least covered one where none is free."""
        best, cost = (x, y), float("inf")
        for up in (-30.0, 14.0, -54.0, 38.0, -78.0, 62.0, -102.0, 86.0, -126.0, 110.0):
            for side in (-wide / 2.0, 8.0, -wide - 8.0):
                left = min(max(x + side, 2.0), self._field.width - wide - 2.0)
                top = min(max(y + up, 2.0), self._field.height - high - 2.0)
                covered = sum(_overlap((left, top, wide, high), other) for other in self._taken)
                here = 40.0 * covered + hypot(left + wide / 2.0 - x, top + high / 2.0 - y)
                if here < cost:
                    best, cost = (left, top), here
        self._taken.append((*best, wide, high))
        return best


def _box(role: str, left: float, top: float, wide: float) -> str:
    return f'<rect class="f-{role} s-ink" x="{left:.0f}" y="{top:.0f}" width="{wide:.0f}" height="18"/>'


def _bold(style: str, left: float, top: float, text: str) -> str:
    at = f'x="{left + 4.0:.0f}" y="{top + 13.0:.0f}"'
    return f'<text class="{style}" font-weight="bold" {at}>{escape(text)}</text>'


def _overlap(a: tuple[float, float, float, float], b: tuple[float, float, float, float]) -> float:
    wide = min(a[0] + a[2], b[0] + b[2]) - max(a[0], b[0])
    high = min(a[1] + a[3], b[1] + b[3]) - max(a[1], b[1])
    return max(wide, 0.0) * max(high, 0.0)


def _words(fleet: Sequence[OnMap], marks: Sequence[Mark]) -> Iterable[str]:
    """The picture in sentences."""
    passes = Counter(
        place_group(s)
        for x in fleet
        for s in x.plan.stretches
        if s.end_m >= x.at_m and s.advice.rank >= Advice.READY.rank and x.plan.arrived_at is None
    )
    yield from (f"{name}: {n} truck{'s' if n != 1 else ''} may chain." for name, n in passes.most_common())
    yield from (f"{m.words}." for m in marks)
    states = Counter(name for x in fleet for name in set(x.plan.along.surface))
    yield from (f"Road likely {BY_LABEL[name].name} on {n} trips." for name, n in states.most_common())


def _class_of(label: str) -> RoadClass:
    return next(c for c in _CLASSES if c.label == label)


def _on_road(field: Panel, route: Route, at_m: NDArray[np.float64]) -> NDArray[np.float64]:
    return field.xy(*lon_lat_at(route, at_m))
