"""Finds the states and provinces along a route."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from alertd.route.clean import WGS84
from alertd.route.model import Array, JurisdictionSpan
from alertd.route.project import Line, find_passes

# Shorter runs come from outlines that do not quite meet, or from a road that touches a simplified border.
SLIVER_M: Final = 500.0
CROSSING_REACH_M: Final = 3_000.0
# Crossing points are accurate to 1 km. A point farther off the line is the crossing of another road.
CROSSING_OFFSET_M: Final = 1_000.0
# The outlines are simplified: along rivers they are up to 6 km off the true border, elsewhere within 2 km. A road that
# enters a neighbour's outline no deeper than this and returns has most likely not left its own state.
_DIP_DEPTH_M: Final = 2_000.0
_DIP_LENGTH_M: Final = 30_000.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Land:
    """A state or province. Each polygon is an outer ring, then its holes; a ring is (vertex, 2) of (lon, lat) [deg]."""

    code: str  # ISO 3166-2
    name: str
    polygons: tuple[tuple[Array, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Boundaries:
    """Lands in order of trust: where two overlap, the first applies."""

    lands: tuple[Land, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Crossing:
    """A point where a known road crosses from one land into another, more exact than the outlines."""

    lat_deg: float
    lon_deg: float
    road: str
    codes: frozenset[str]
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Run:
    code: str
    start_m: float
    end_m: float


def find_jurisdictions(
    line: Line, boundaries: Boundaries, crossings: Sequence[Crossing] = ()
) -> tuple[tuple[JurisdictionSpan, ...], tuple[str, ...]]:
    """Spans that cover the route from start to end without gap or overlap, and findings for the reader.

    Borders are located to a metre on the given outlines. A border then moves to a fixed crossing of the same two lands
    where one lies on the route within 3 km. Land that no outline covers has code "".
    """
    names = {land.code: land.name for land in boundaries.lands} | {"": "unknown land"}
    shapes = _shapes_near(line, boundaries)
    runs = _at_fixed_crossings(line, _merge_slivers(_raw_runs(line, shapes)), crossings)
    runs, findings = _without_dips(line, shapes, runs, crossings)
    findings += [
        f"km {run.start_m / 1000:.1f} to {run.end_m / 1000:.1f} lies in no state or province that is known here"
        for run in runs
        if not run.code
    ]
    spans = tuple(
        JurisdictionSpan(code=run.code, name=names[run.code], start_m=run.start_m, end_m=run.end_m) for run in runs
    )
    return spans, tuple(findings)


def _shapes_near(line: Line, boundaries: Boundaries) -> dict[str, shapely.Geometry]:
    west, east = float(line.lon_deg.min()), float(line.lon_deg.max())
    south, north = float(line.lat_deg.min()), float(line.lat_deg.max())
    shapes = {}
    for land in boundaries.lands:
        near = [
            shapely.Polygon(rings[0], rings[1:])
            for rings in land.polygons
            if rings[0][:, 0].min() <= east
            and rings[0][:, 0].max() >= west
            and rings[0][:, 1].min() <= north
            and rings[0][:, 1].max() >= south
        ]
        if near:
            # Simplified rings may touch themselves; the union of valid parts covers the same land.
            shapes[land.code] = shapely.union_all(shapely.make_valid(np.array(near)))
            shapely.prepare(shapes[land.code])
    return shapes


def _codes_at(shapes: dict[str, shapely.Geometry], lat_deg: Array, lon_deg: Array) -> NDArray[np.str_]:
    codes = np.full(lat_deg.shape, "", dtype="<U8")
    for code, shape in shapes.items():
        todo = np.flatnonzero(codes == "")
        inside = shapely.contains_xy(shape, lon_deg[todo], lat_deg[todo])
        codes[todo[inside]] = code
    return codes


def _raw_runs(line: Line, shapes: dict[str, shapely.Geometry]) -> list[_Run]:
    codes = _codes_at(shapes, line.lat_deg, line.lon_deg)
    change = np.flatnonzero(codes[1:] != codes[:-1])
    low, high = line.distance_m[change], line.distance_m[change + 1]
    for _ in range(10):  # 250 m halved ten times
        middle = (low + high) / 2.0
        before = _codes_at(shapes, *_at(line, middle)) == codes[change]
        low, high = np.where(before, middle, low), np.where(before, high, middle)
    edges = [0.0, *((low + high) / 2.0).tolist(), float(line.distance_m[-1])]
    return [
        _Run(code=str(code), start_m=start, end_m=end)
        for code, start, end in zip(codes[[0, *(change + 1)]], edges[:-1], edges[1:], strict=True)
    ]


def _at(line: Line, along_m: Array) -> tuple[Array, Array]:
    lon = np.interp(along_m, line.distance_m, np.unwrap(line.lon_deg, period=360.0))
    return np.interp(along_m, line.distance_m, line.lat_deg), (lon + 180.0) % 360.0 - 180.0


def _merge_slivers(runs: list[_Run]) -> list[_Run]:
    """Merge runs shorter than a sliver into their neighbours, half each where these differ."""
    while len(runs) > 1:
        short = min(range(len(runs)), key=lambda i: runs[i].end_m - runs[i].start_m)
        run = runs[short]
        if run.end_m - run.start_m >= SLIVER_M:
            break
        before, after = runs[max(short - 1, 0) : short], runs[short + 1 : short + 2]
        border = (run.start_m + run.end_m) / 2.0
        if not before:
            border = run.start_m
        if not after:
            border = run.end_m
        runs = _joined(
            [
                *runs[: max(short - 1, 0)],
                *(replace(b, end_m=border) for b in before),
                *(replace(a, start_m=border) for a in after),
                *runs[short + 2 :],
            ]
        )
    return runs


def _joined(runs: list[_Run]) -> list[_Run]:
    joined: list[_Run] = []
    for run in runs:
        if joined and joined[-1].code == run.code:
            joined[-1] = replace(joined[-1], end_m=run.end_m)
        else:
            joined.append(run)
    return joined


def _without_dips(
    line: Line, shapes: dict[str, shapely.Geometry], runs: list[_Run], crossings: Sequence[Crossing]
) -> tuple[list[_Run], list[str]]:
    """Undo short, shallow runs into a neighbour, unless fixed crossings in and out confirm them."""
    findings = []
    result = list(runs)
    for i in range(1, len(runs) - 1):
        run, home = runs[i], runs[i - 1].code
        if home != runs[i + 1].code or not home or run.end_m - run.start_m > _DIP_LENGTH_M:
            continue
        pair = [at_m for c in crossings if c.codes == {home, run.code} for at_m in _passes(line, c)]
        if sum(run.start_m - SLIVER_M <= at_m <= run.end_m + SLIVER_M for at_m in pair) > 1:
            continue
        # A bridge over open water is on no land of the outlines, however far from the shore.
        if not run.code or _depth_m(line, shapes[home], run) <= _DIP_DEPTH_M:
            result[i] = replace(run, code=home)
            findings.append(
                f"km {run.start_m / 1000:.1f} to {run.end_m / 1000:.1f} runs along or just outside the outline of "
                f"{home}; counted as {home}"
            )
    return _joined(result), findings


def _depth_m(line: Line, home: shapely.Geometry, run: _Run) -> float:
    """Largest distance of the run from its home outline [m], by geodesic to the nearest place of the outline."""
    lat_deg, lon_deg = _at(line, np.arange(run.start_m, run.end_m, 250.0))
    # A degree of longitude shrinks with latitude, so the nearest place in degrees is only nearly the nearest one. The
    # depth is then a little too large, which leaves more dips unchanged.
    ways = shapely.get_coordinates(shapely.shortest_line(home, shapely.points(lon_deg, lat_deg))).reshape(-1, 2, 2)
    _, _, depth_m = WGS84.inv(ways[:, 0, 0], ways[:, 0, 1], ways[:, 1, 0], ways[:, 1, 1])
    return float(np.max(depth_m))


def _passes(line: Line, crossing: Crossing) -> list[float]:
    passes = find_passes(line, crossing.lat_deg, crossing.lon_deg, max_offset_m=CROSSING_OFFSET_M)
    return [along_m for along_m, _ in passes]


def _at_fixed_crossings(line: Line, runs: list[_Run], crossings: Sequence[Crossing]) -> list[_Run]:
    """Move the border to each fixed crossing within reach of the border of the outlines.

    A simplified outline that weaves over the road has several borders there. An odd number of them is one crossing, an
    even number is none.
    """
    for crossing in crossings:
        for at_m in _passes(line, crossing):
            near = [
                i
                for i in range(1, len(runs))
                if {runs[i - 1].code, runs[i].code} == crossing.codes
                and abs(runs[i].start_m - at_m) <= CROSSING_REACH_M
            ]
            if len(near) % 2 == 0 or near[-1] - near[0] != len(near) - 1:
                continue
            before, after = runs[near[0] - 1], runs[near[-1]]
            if before.start_m < at_m < after.end_m:
                runs = [
                    *runs[: near[0] - 1],
                    replace(before, end_m=at_m),
                    replace(after, start_m=at_m),
                    *runs[near[-1] + 1 :],
                ]
    return runs
