"""Finds the states, provinces and countries along a route."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import groupby
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from alertd.route.geometry.geodesic import distances_m
from alertd.route.geometry.ring_crossings import edges_of, ring_crossings
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
            shapely.prepare(self._shapes[i])
        return self._shapes[i]

    def edges(self, i: int) -> Array:
        """Edges of the rings of polygon i, (edge, 4): longitude and latitude of both ends [deg], made once."""
        if i not in self._edges:
            self._edges[i] = edges_of(self.polygons[i])
        return self._edges[i]

    @cached_property
    def _edges(self) -> dict[int, Array]:
        return {}

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
    """The outlines near a line, and the land at each place of it.

    The land changes only where the line crosses an edge of an outline, so one place between two crossings shows it.
    What lies within reach of a coast is made only when a place needs it.
    """

    def __init__(self, line: Line, boundaries: Boundaries) -> None:
        self._line, self._boundaries = line, boundaries
        self._near = _polygons_near(line, boundaries, 0.0)
        self._shapes: dict[str, shapely.Geometry] = {}
        self._flat: dict[str, shapely.Geometry] | None = None
        self._cos = float(np.cos(np.radians(np.mean(line.lat_deg))))
        self._crossed_m = self._crossings_m()
        ends_m = np.concatenate(([0.0], self._crossed_m, line.distance_m[-1:]))
        self._codes = self._codes_within(*_at(line, (ends_m[:-1] + ends_m[1:]) / 2.0))

    def _crossings_m(self) -> Array:
        """Where the line crosses an outline, in order."""
        lon_deg, lat_deg = self._line.lon_deg, self._line.lat_deg
        edges = np.concatenate(
            [np.zeros((0, 4)), *(land.edges(i) for land, which in self._near.values() for i in which)]
        )
        if np.ptp(lon_deg) > 180.0:  # the line crosses the date line
            lon_deg = np.unwrap(lon_deg, period=360.0)
            edges = np.concatenate([edges + np.array((turn, 0.0, turn, 0.0)) for turn in (-360.0, 0.0, 360.0)])
        places = np.sort(ring_crossings(lon_deg, lat_deg, edges))
        return np.interp(places, np.arange(lon_deg.size), self._line.distance_m)

    def codes_at(self, along_m: Array) -> NDArray[np.str_]:
        """The land at each distance along the line, with the nearest land where there is none, as far as complete."""
        codes = self._codes[np.searchsorted(self._crossed_m, along_m)]
        if self._boundaries.complete:
            outside = np.flatnonzero(codes == "")
            if outside.size:
                codes[outside] = self._nearest(*_at(self._line, along_m[outside]))
        return codes

    def shape(self, code: str) -> shapely.Geometry | None:
        """The parts of a land near the line, None where there are none."""
        if code not in self._shapes and code in self._near:
            land, which = self._near[code]
            self._shapes[code] = _joined_shape(land, which)
        return self._shapes.get(code)

    def _codes_within(self, lat_deg: Array, lon_deg: Array) -> NDArray[np.str_]:
        """The land whose outline contains each place, "" where none does."""
        codes = np.full(lat_deg.shape, "", dtype="<U8")
        todo = np.arange(lat_deg.size)
        for code, (land, which) in self._near.items():
            for i in which:
                inside = shapely.contains_xy(land.shape(i), lon_deg[todo], lat_deg[todo])
                codes[todo[inside]] = code
                todo = todo[~inside]
        return codes

    def _nearest(self, lat_deg: Array, lon_deg: Array) -> NDArray[np.str_]:
        """The nearest land within the coastal sea, "" where there is none."""
        if self._flat is None:
            near = _polygons_near(self._line, self._boundaries, COASTAL_SEA_M)
            shapes = {code: _joined_shape(land, which) for code, (land, which) in near.items()}
            # A degree of longitude shrinks with latitude; without that the nearest shore would often be the wrong one.
            self._flat = {c: shapely.transform(s, lambda xy: xy * [self._cos, 1.0]) for c, s in shapes.items()}
        codes = np.full(lat_deg.shape, "", dtype="<U8")
        least = np.full(lat_deg.shape, COASTAL_SEA_M / _DEGREE_M)
        places = shapely.points(lon_deg * self._cos, lat_deg)
        for code, shape in self._flat.items():
            apart = shapely.distance(shape, places)
            closer = apart < least
            codes[closer], least[closer] = code, apart[closer]
        return codes


def _polygons_near(line: Line, boundaries: Boundaries, reach_m: float) -> dict[str, tuple[Land, list[int]]]:
    """By code the lands of which polygons lie within reach of the line's box, and the numbers of these."""
    north_deg = reach_m / _DEGREE_M
    south, north = float(line.lat_deg.min()) - north_deg, float(line.lat_deg.max()) + north_deg
    east_deg = north_deg / max(float(np.cos(np.radians(max(abs(south), abs(north))))), 0.01)
    west, east = float(line.lon_deg.min()) - east_deg, float(line.lon_deg.max()) + east_deg
    near = {}
    for land in boundaries.lands:
        which = [
            i
            for i, box in enumerate(land.boxes)
            if box[0] <= east and box[2] >= west and box[1] <= north and box[3] >= south
        ]
        if which:
            near[land.code] = land, which
    return near


def _joined_shape(land: Land, which: list[int]) -> shapely.Geometry:
    return shapely.union_all(np.array([land.shape(i) for i in which]))


def _raw_runs(line: Line, outlines: _Outlines) -> list[_Run]:
    codes = outlines.codes_at(line.distance_m)
    change = np.flatnonzero(codes[1:] != codes[:-1])
    low, high = line.distance_m[change], line.distance_m[change + 1]
    for _ in range(10):  # 250 m halved ten times
        middle = (low + high) / 2.0
        before = outlines.codes_at(middle) == codes[change]
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
    together = [list(group) for _, group in groupby(runs, key=lambda run: run.code)]
    return [replace(group[0], end_m=group[-1].end_m) for group in together]


def _without_dips(
    line: Line, outlines: _Outlines, runs: list[_Run], crossings: Sequence[Crossing]
) -> tuple[list[_Run], list[str]]:
    """Undo short, shallow absences from a land, unless fixed crossings in and out confirm them.

    An absence may cross several neighbours: beside the Rhine the outlines of two lands take turns.
    """
    findings: list[str] = []
    result: list[_Run] = []
    backs = [_return_of(runs, i) for i in range(len(runs))]
    # All at once for a land, which costs little more than one.
    far: dict[str, set[_Run]] = {}
    i = 0
    while i < len(runs):
        result.append(runs[i])
        back, home = backs[i], runs[i].code
        if back is not None:
            away = replace(runs[i + 1], end_m=runs[back].start_m)
            if home not in far:
                dips = [runs[j + 1 : end] for j, end in enumerate(backs) if j >= i and end and runs[j].code == home]
                far[home] = _deep(line, outlines.shape(home), [run for dip in dips for run in dip if run.code])
            if far[home].isdisjoint(runs[i + 1 : back]) and not _is_confirmed(
                line, home, runs[i + 1 : back], crossings
            ):
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


def _is_confirmed(line: Line, home: str, away: Sequence[_Run], crossings: Sequence[Crossing]) -> bool:
    """True where fixed crossings lead out and in."""
    start_m, end_m = away[0].start_m - SLIVER_M, away[-1].end_m + SLIVER_M
    crossed = [at_m for run in away for c in crossings if c.codes == {home, run.code} for at_m in _passes(line, c)]
    return sum(start_m <= at_m <= end_m for at_m in crossed) > 1


def _deep(line: Line, home: shapely.Geometry | None, away: Sequence[_Run]) -> set[_Run]:
    """The runs that are anywhere farther from their home outline than a dip, by geodesic to its nearest place.

    Without an outline, as for a road at sea that is the nearest land's, every run counts as deep.
    """
    if home is None or not away:
        return set(away)
    along_m = [np.arange(run.start_m, run.end_m, 250.0) for run in away]
    lat_deg, lon_deg = _at(line, np.concatenate(along_m))
    # What of the outline is farther than a dip decides nothing: the fewer vertices, the faster.
    room_deg = 2.0 * _DIP_DEPTH_M / _DEGREE_M / max(float(np.cos(np.radians(np.abs(lat_deg).max()))), 0.01)
    low, high = ((bound(lon_deg), bound(lat_deg)) for bound in (np.min, np.max))
    home = shapely.clip_by_rect(home, low[0] - room_deg, low[1] - room_deg, high[0] + room_deg, high[1] + room_deg)
    if home.is_empty:
        return set(away)
    # A degree of longitude shrinks with latitude, so the nearest place in degrees is only nearly the nearest one. The
    # depth is then a little too large, which leaves more dips unchanged.
    ways = shapely.get_coordinates(shapely.shortest_line(home, shapely.points(lon_deg, lat_deg))).reshape(-1, 2, 2)
    depth_m = distances_m(ways[:, 0, 0], ways[:, 0, 1], ways[:, 1, 0], ways[:, 1, 1])
    most_m = np.maximum.reduceat(depth_m, np.cumsum([0, *(len(m) for m in along_m[:-1])]))
    return {run for run, m in zip(away, most_m.tolist(), strict=True) if m > _DIP_DEPTH_M}


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
