"""Finds the states, provinces and countries along a route."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from alertd.route.geometry.geodesic import distances_m
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
# The sea within 12 nautical miles of a coast is the coastal state's (UN Convention on the Law of the Sea, articles 2
# and 3). The middle of every strait that a road bridges or tunnels is nearer, and so is each coast of the outlines.
COASTAL_SEA_M: Final = 12.0 * 1852.0
BLOCK_SAMPLES: Final = 256  # of a line that are compared with a land together
OPEN_SEA: Final = "open sea"  # name of a run beyond the coastal sea, as on a ferry
_DEGREE_M: Final = 111_195.0  # of a great circle of 6,371 km radius


@dataclass(frozen=True, kw_only=True, eq=False)
class Land:
    """A state, province or country.

    polygons: each is an outer ring, then its holes; a ring is (vertex, 2) of (lon, lat) [deg].
    """

    code: str  # ISO 3166-2, or ISO 3166-1 for a country without states of its own here
    name: str
    polygons: tuple[tuple[Array, ...], ...]

    @cached_property
    def boxes(self) -> tuple[tuple[float, float, float, float], ...]:
        """West, south, east and north of each polygon [deg]."""
        return tuple((*rings[0].min(axis=0).tolist(), *rings[0].max(axis=0).tolist()) for rings in self.polygons)

    def shape(self, i: int) -> shapely.Geometry:
        """Polygon i, made once. Simplified rings may touch themselves; the valid parts cover the same land."""
        if i not in self._shapes:
            rings = self.polygons[i]
            self._shapes[i] = shapely.make_valid(shapely.Polygon(rings[0], rings[1:]))
        return self._shapes[i]

    @cached_property
    def _shapes(self) -> dict[int, shapely.Geometry]:
        return {}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Boundaries:
    """Lands in order of trust: where two overlap, the first applies.

    complete: the outlines cover all land. A place outside them is then at sea, or between two outlines that do not
        quite meet, and belongs to the nearest land.
    """

    lands: tuple[Land, ...]
    complete: bool = False


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
    where one lies on the route within 3 km. Land that no outline covers has code "", and so has the open sea.
    """
    unknown = OPEN_SEA if boundaries.complete else "unknown land"
    names = {land.code: land.name for land in boundaries.lands} | {"": unknown}
    outlines = _Outlines(line, boundaries)
    runs = _at_fixed_crossings(line, _merge_slivers(_raw_runs(line, outlines)), crossings)
    runs, findings = _without_dips(line, outlines, runs, crossings)
    where = (
        "lies at sea, far from every coast: a ferry, or a fault of the line"
        if boundaries.complete
        else "lies outside the outlines of places.boundaries: its land and its rules are unknown"
    )
    findings += [f"km {run.start_m / 1000:.1f} to {run.end_m / 1000:.1f} {where}" for run in runs if not run.code]
    spans = tuple(
        JurisdictionSpan(code=run.code, name=names[run.code], start_m=run.start_m, end_m=run.end_m) for run in runs
    )
    return spans, tuple(findings)


class _Outlines:
    """The outlines near a line. Those within reach of a coast are made only when a place needs them."""

    def __init__(self, line: Line, boundaries: Boundaries) -> None:
        self._line, self._boundaries = line, boundaries
        self.shapes = _shapes_near(line, boundaries, 0.0)
        self._flat: dict[str, shapely.Geometry] | None = None
        self._cos = float(np.cos(np.radians(np.mean(line.lat_deg))))

    def codes_of_samples(self) -> NDArray[np.str_]:
        """The land at each sample. Blocks of samples wholly inside or outside a land need no test of each sample."""
        lat_deg, lon_deg = self._line.lat_deg, self._line.lon_deg
        starts = np.arange(0, lat_deg.size, BLOCK_SAMPLES)
        ends = [*starts[1:], lat_deg.size]
        (south, west), (north, east) = (
            [bound.reduceat(v, starts) for v in (lat_deg, lon_deg)] for bound in (np.minimum, np.maximum)
        )
        boxes = shapely.box(west, south, east, north)
        codes = np.full(lat_deg.shape, "", dtype="<U8")
        for code, shape in self.shapes.items():
            whole = shapely.contains_properly(shape, boxes)
            for i in np.flatnonzero(whole | shapely.intersects(shape, boxes)):
                samples = np.arange(starts[i], ends[i])
                todo = samples[codes[samples] == ""]
                codes[todo if whole[i] else todo[shapely.contains_xy(shape, lon_deg[todo], lat_deg[todo])]] = code
        return self._with_coasts(codes, lat_deg, lon_deg)

    def codes_at(self, lat_deg: Array, lon_deg: Array) -> NDArray[np.str_]:
        codes = np.full(lat_deg.shape, "", dtype="<U8")
        for code, shape in self.shapes.items():
            todo = np.flatnonzero(codes == "")
            inside = shapely.contains_xy(shape, lon_deg[todo], lat_deg[todo])
            codes[todo[inside]] = code
        return self._with_coasts(codes, lat_deg, lon_deg)

    def _with_coasts(self, codes: NDArray[np.str_], lat_deg: Array, lon_deg: Array) -> NDArray[np.str_]:
        """The codes with the nearest land where there is none, if the outlines are complete."""
        if self._boundaries.complete:
            outside = np.flatnonzero(codes == "")
            if outside.size:
                codes[outside] = self._nearest(lat_deg[outside], lon_deg[outside])
        return codes

    def _nearest(self, lat_deg: Array, lon_deg: Array) -> NDArray[np.str_]:
        """The nearest land within the coastal sea, "" where there is none."""
        if self._flat is None:
            near = _shapes_near(self._line, self._boundaries, COASTAL_SEA_M)
            # A degree of longitude shrinks with latitude; without that the nearest shore would often be the wrong one.
            self._flat = {c: shapely.transform(s, lambda xy: xy * [self._cos, 1.0]) for c, s in near.items()}
        codes = np.full(lat_deg.shape, "", dtype="<U8")
        least = np.full(lat_deg.shape, COASTAL_SEA_M / _DEGREE_M)
        places = shapely.points(lon_deg * self._cos, lat_deg)
        for code, shape in self._flat.items():
            apart = shapely.distance(shape, places)
            closer = apart < least
            codes[closer], least[closer] = code, apart[closer]
        return codes


def _shapes_near(line: Line, boundaries: Boundaries, reach_m: float) -> dict[str, shapely.Geometry]:
    north_deg = reach_m / _DEGREE_M
    south, north = float(line.lat_deg.min()) - north_deg, float(line.lat_deg.max()) + north_deg
    east_deg = north_deg / max(float(np.cos(np.radians(max(abs(south), abs(north))))), 0.01)
    west, east = float(line.lon_deg.min()) - east_deg, float(line.lon_deg.max()) + east_deg
    shapes = {}
    for land in boundaries.lands:
        near = [
            land.shape(i)
            for i, box in enumerate(land.boxes)
            if box[0] <= east and box[2] >= west and box[1] <= north and box[3] >= south
        ]
        if near:
            shapes[land.code] = shapely.union_all(np.array(near))
            shapely.prepare(shapes[land.code])
    return shapes


def _raw_runs(line: Line, outlines: _Outlines) -> list[_Run]:
    codes = outlines.codes_of_samples()
    change = np.flatnonzero(codes[1:] != codes[:-1])
    low, high = line.distance_m[change], line.distance_m[change + 1]
    for _ in range(10):  # 250 m halved ten times
        middle = (low + high) / 2.0
        before = outlines.codes_at(*_at(line, middle)) == codes[change]
        low, high = np.where(before, middle, low), np.where(before, high, middle)
    edges = [0.0, *((low + high) / 2.0).tolist(), float(line.distance_m[-1])]
    return [
        _Run(code=str(code), start_m=start, end_m=end)
        for code, start, end in zip(codes[[0, *(change + 1)]], edges[:-1], edges[1:], strict=True)
    ]


def _at(line: Line, along_m: Array) -> tuple[Array, Array]:
    d = line.distance_m
    i = np.clip(np.searchsorted(d, along_m, side="right") - 1, 0, d.size - 2)
    east_deg = (line.lon_deg[i + 1] - line.lon_deg[i] + 180.0) % 360.0 - 180.0  # the line may cross the date line
    lon = line.lon_deg[i] + east_deg * np.clip((along_m - d[i]) / np.maximum(d[i + 1] - d[i], 1e-9), 0.0, 1.0)
    return np.interp(along_m, d, line.lat_deg), (lon + 180.0) % 360.0 - 180.0


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
    line: Line, outlines: _Outlines, runs: list[_Run], crossings: Sequence[Crossing]
) -> tuple[list[_Run], list[str]]:
    """Undo short, shallow absences from a land, unless fixed crossings in and out confirm them.

    An absence may cross several neighbours: beside the Rhine the outlines of two lands take turns.
    """
    findings: list[str] = []
    result: list[_Run] = []
    i = 0
    while i < len(runs):
        result.append(runs[i])
        back = _return_of(runs, i)
        if back is not None:
            away = replace(runs[i + 1], end_m=runs[back].start_m)
            if _is_dip(line, outlines, runs[i].code, runs[i + 1 : back], crossings):
                result.append(replace(away, code=runs[i].code))
                findings.append(
                    f"km {away.start_m / 1000:.1f} to {away.end_m / 1000:.1f} runs along or just outside the outline "
                    f"of {runs[i].code}; counted as {runs[i].code}"
                )
                i = back
                continue
        i += 1
    return _joined(result), findings


def _return_of(runs: list[_Run], i: int) -> int | None:
    """Index of the run that returns to the land of run i within the length of a dip; None where none does."""
    home = runs[i].code
    for j in range(i + 2, len(runs)):
        if not home or runs[j].start_m - runs[i].end_m > _DIP_LENGTH_M:
            return None
        if runs[j].code == home:
            return j
    return None


def _is_dip(line: Line, outlines: _Outlines, home: str, away: Sequence[_Run], crossings: Sequence[Crossing]) -> bool:
    start_m, end_m = away[0].start_m - SLIVER_M, away[-1].end_m + SLIVER_M
    crossed = [at_m for run in away for c in crossings if c.codes == {home, run.code} for at_m in _passes(line, c)]
    if sum(start_m <= at_m <= end_m for at_m in crossed) > 1:
        return False
    # A bridge over open water is on no land of the outlines, however far from the shore.
    return all(not run.code or _depth_m(line, outlines.shapes.get(home), run) <= _DIP_DEPTH_M for run in away)


def _depth_m(line: Line, home: shapely.Geometry | None, run: _Run) -> float:
    """Largest distance of the run from its home outline [m], by geodesic to the nearest place of the outline.

    Without an outline, as for a road at sea that is the nearest land's, every run counts as deep.
    """
    if home is None:
        return np.inf
    lat_deg, lon_deg = _at(line, np.arange(run.start_m, run.end_m, 250.0))
    # A degree of longitude shrinks with latitude, so the nearest place in degrees is only nearly the nearest one. The
    # depth is then a little too large, which leaves more dips unchanged.
    ways = shapely.get_coordinates(shapely.shortest_line(home, shapely.points(lon_deg, lat_deg))).reshape(-1, 2, 2)
    depth_m = distances_m(ways[:, 0, 0], ways[:, 0, 1], ways[:, 1, 0], ways[:, 1, 1])
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
