"""Projects places onto a route: positions, stops, and the ends of chain zones.

Places are projected on the straight chords between samples, in a plane tangent at the place itself. Within 10 km the
plane is accurate to 0.1 %. The chords cut curves by up to (250 m)² / 8 R: 8 m on a curve of 1 km radius and about 100 m
in a hairpin.
"""

from collections.abc import Sequence
from itertools import groupby, pairwise
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from alertd.route.geometry.geodesic import A_M, E2, distances_m
from alertd.route.model import Array
from alertd.route.runs import runs_of
from alertd.route.stops import RouteStop, Stop

# A truck stop at an interchange is often half a mile (800 m) off the line.
STOP_OFFSET_M: Final = 800.0
# Two passes nearer than this along the route are one pass, found twice at a bend.
PASSES_APART_M: Final = 5_000.0
ZONE_OFFSET_M: Final = 3_000.0
BLOCK_CHORDS: Final = 32  # of a line that are looked at together: 8 km
_PAIRS: Final = 4096  # of a point and a block, computed at once: 2 MB an array
# A road leaves the chords between the listed points of its line for at most so far at a stretch [A].
LINE_GAP_M: Final = 15_000.0
# A run follows a line when it goes along it for at least this share of its own length; a road that crosses it does not.
LINE_SHARE: Final = 0.4
# A place is in a zone up to this ratio: the distance from one end over the place to the other end, over the straight
# line. Mountain roads are at most half as long again, over a pass or along a river.
_ZONE_DETOUR: Final = 1.5
_ZONE_DETOUR_WHOLE: Final = 1.15


class Line(Protocol):
    """The part of a Route that projection uses."""

    @property
    def lat_deg(self) -> Array: ...
    @property
    def lon_deg(self) -> Array: ...
    @property
    def distance_m(self) -> Array: ...
    @property
    def bearing_deg(self) -> Array: ...


def project(line: Line, lat_deg: Array, lon_deg: Array) -> tuple[Array, Array]:
    """Nearest place on the line for each point.

    Parameters
    ----------
    lat_deg, lon_deg: (point,) [deg]

    Returns
    -------
    distance_m: (point,) along the line [m]
    offset_m: (point,) distance off the line [m], positive to the right of travel. NaN in gives NaN out.
    """
    lat_deg, lon_deg = np.broadcast_arrays(np.atleast_1d(lat_deg).astype(float), np.atleast_1d(lon_deg).astype(float))
    along_m, offset_m = np.full(lat_deg.shape, np.nan), np.full(lat_deg.shape, np.nan)
    for i in np.flatnonzero(np.isfinite(lat_deg) & np.isfinite(lon_deg)):
        on_chord_m, off_m = _on_chords(line, float(lat_deg[i]), float(lon_deg[i]))
        nearest = int(np.argmin(np.abs(off_m)))
        along_m[i], offset_m[i] = on_chord_m[nearest], off_m[nearest]
    return along_m, offset_m


def _on_chords(line: Line, lat_deg: float, lon_deg: float) -> tuple[Array, Array]:
    """Nearest place on every chord: distance along the line, and signed distance off it [m], shapes (sample - 1,)."""
    east_per_deg, north_per_deg = _metres_per_degree(lat_deg)
    x = ((line.lon_deg - lon_deg + 180.0) % 360.0 - 180.0) * east_per_deg
    y = (line.lat_deg - lat_deg) * north_per_deg
    t, off_m = _on_planes(x, y)
    return line.distance_m[:-1] + t * np.diff(line.distance_m), off_m


def _on_planes(x: Array, y: Array) -> tuple[Array, Array]:
    """Nearest place to the origin on each chord of the lines (..., sample) [m]: share of the chord, signed distance."""
    dx, dy = np.diff(x), np.diff(y)
    length2 = dx * dx + dy * dy
    with np.errstate(invalid="ignore", divide="ignore"):
        t = np.clip(np.where(length2 > 0, -(x[..., :-1] * dx + y[..., :-1] * dy) / length2, 0.0), 0.0, 1.0)
    off_m = np.hypot(x[..., :-1] + t * dx, y[..., :-1] + t * dy)
    left = x[..., :-1] * dy - y[..., :-1] * dx  # travel × vector from chord to point: positive to the left
    return t, np.where(left > 0, -off_m, off_m)


def _metres_per_degree(lat_deg: Array | float) -> tuple[Array, Array]:
    """Metres per degree east and north, from the ellipsoid's radii of curvature at these latitudes."""
    sin_lat = np.sin(np.radians(lat_deg))
    w = 1.0 - E2 * sin_lat**2
    normal_m = A_M / np.sqrt(w)
    meridian_m = A_M * (1.0 - E2) / w**1.5
    return np.radians(normal_m * np.cos(np.radians(lat_deg))), np.radians(meridian_m)


def find_passes(
    line: Line, lat_deg: float, lon_deg: float, *, max_offset_m: float, apart_m: float = PASSES_APART_M
) -> tuple[tuple[float, float], ...]:
    """(distance_m, offset_m) of each time the line comes within `max_offset_m`, in order.

    Of passes closer together than `apart_m` along the line only the nearest one is kept.
    """
    along_m, off_m = _on_chords(line, lat_deg, lon_deg)
    near = np.flatnonzero(np.abs(off_m) <= max_offset_m)
    return _apart(along_m[near], off_m[near], apart_m)


def passes_of_many(
    line: Line, lat_deg: Array, lon_deg: Array, max_offset_m: Array, apart_m: float = PASSES_APART_M
) -> list[tuple[tuple[float, float], ...]]:
    """`find_passes` of each point, (point,), each with its own offset. The line is looked at in blocks near a point."""
    along_m, off_m, whose = _near_chords(line, lat_deg, lon_deg, max_offset_m)
    ends = np.searchsorted(whose, np.arange(lat_deg.size + 1))
    near = np.flatnonzero(ends[1:] > ends[:-1])
    first, last = ends[near], ends[near + 1] - 1
    # Most points have one pass only: its nearest place is the first of the point's in the order of the offset.
    nearest = np.lexsort((np.abs(off_m), whose))[first]
    is_one = along_m[last] - along_m[first] <= apart_m
    found: list[tuple[tuple[float, float], ...]] = [()] * lat_deg.size
    ones = zip(near[is_one].tolist(), along_m[nearest[is_one]].tolist(), off_m[nearest[is_one]].tolist(), strict=True)
    for i, at_m, beside_m in ones:
        found[i] = ((at_m, beside_m),)
    for i, start, end in zip(near[~is_one].tolist(), first[~is_one].tolist(), last[~is_one].tolist(), strict=True):
        found[i] = _apart(along_m[start : end + 1], off_m[start : end + 1], apart_m)
    return found


def _near_chords(line: Line, lat_deg: Array, lon_deg: Array, max_offset_m: Array) -> tuple[Array, Array, Array]:
    """Places on chords within the offset of a point: along and off the line [m], and the point's number, in order."""
    starts = np.arange(0, line.lat_deg.size - 1, BLOCK_CHORDS)
    middle_deg = float(line.lon_deg[line.lon_deg.size // 2])
    line_x = (line.lon_deg - middle_deg + 180.0) % 360.0 - 180.0
    x = (lon_deg - middle_deg + 180.0) % 360.0 - 180.0
    east, north = _metres_per_degree(np.minimum(np.abs(lat_deg) + 1.0, 89.0))  # a degree nearer the pole: never too few
    reach = ((line.lat_deg, lat_deg, max_offset_m / (0.99 * north)), (line_x, x, max_offset_m / east))
    here = np.ones(lat_deg.size, dtype=bool)
    for of_line, of_point, room in reach:
        here &= (of_point >= of_line.min() - room) & (of_point <= of_line.max() + room)
    numbers = np.flatnonzero(here)
    near = np.ones((numbers.size, starts.size), dtype=bool)
    for of_line, of_point, room in reach:
        ends = np.minimum(starts + BLOCK_CHORDS, of_line.size - 1)  # a block's last point is the next one's first
        low = np.minimum(np.minimum.reduceat(of_line, starts), of_line[ends])
        high = np.maximum(np.maximum.reduceat(of_line, starts), of_line[ends])
        at, beside = of_point[numbers, None], room[numbers, None]
        near &= (at >= low - beside) & (at <= high + beside)
    rows, blocks = np.nonzero(near)
    points = numbers[rows]
    found = [
        _of_blocks(line, lat_deg, lon_deg, max_offset_m, points[i : i + _PAIRS], starts[blocks[i : i + _PAIRS]])
        for i in range(0, points.size, _PAIRS)
    ]
    empty = np.zeros(0)
    along_m, off_m, whose = (np.concatenate([empty, *(f[k] for f in found)]) for k in range(3))
    return along_m, off_m, whose


def _of_blocks(
    line: Line, lat_deg: Array, lon_deg: Array, max_offset_m: Array, points: NDArray[np.intp], starts: NDArray[np.intp]
) -> tuple[Array, Array, Array]:
    """`_near_chords` of pairs of a point and a block."""
    chords = starts[:, None] + np.arange(BLOCK_CHORDS + 1)
    is_last = chords >= line.lat_deg.size - 1
    chords = np.minimum(chords, line.lat_deg.size - 1)
    lat, lon = lat_deg[points][:, None], lon_deg[points][:, None]
    east, north = _metres_per_degree(lat)
    x = ((line.lon_deg[chords] - lon + 180.0) % 360.0 - 180.0) * east
    y = (line.lat_deg[chords] - lat) * north
    t, off_m = _on_planes(x, y)
    at = line.distance_m[chords]
    rows, columns = np.nonzero((np.abs(off_m) <= max_offset_m[points][:, None]) & ~is_last[:, :-1])
    along_m = at[rows, columns] + t[rows, columns] * (at[rows, columns + 1] - at[rows, columns])
    return along_m, off_m[rows, columns], points[rows].astype(np.float64)


def _apart(along_m: Array, off_m: Array, apart_m: float) -> tuple[tuple[float, float], ...]:
    """Of places near a point those that are passes, in order: the nearest of each stretch of `apart_m`."""
    if along_m.size and along_m[-1] - along_m[0] <= apart_m:
        i = int(np.argmin(np.abs(off_m)))
        return ((float(along_m[i]), float(off_m[i])),)
    near = np.arange(along_m.size)
    taken: list[int] = []
    for i in near[np.argsort(np.abs(off_m[near]), kind="stable")]:
        if all(abs(along_m[i] - along_m[j]) > apart_m for j in taken):
            taken.append(int(i))
    return tuple((float(along_m[i]), float(off_m[i])) for i in sorted(taken))


def snap_stops(
    line: Line,
    stops: Sequence[Stop],
    *,
    max_offset_m: float = STOP_OFFSET_M,
    left: Sequence[tuple[float, float]] = (),
) -> tuple[RouteStop, ...]:
    """The stops that a truck in this direction can enter, in order along the route, once for each pass.

    A stop is usable when it serves both directions, or a bearing within 90 degrees of the travel there. A stop that
    states neither is usable when it is on the side of traffic. A stop of an uncertain position counts farther off.

    left: the runs (start_m, end_m) of the line where traffic keeps to the left.
    """
    found = []
    lat_deg, lon_deg = (
        np.array([s.lat_deg for s in stops], dtype=float),
        np.array([s.lon_deg for s in stops], dtype=float),
    )
    reach_m = np.array([max(max_offset_m, s.within_m) for s in stops], dtype=float)
    for stop, passes in zip(stops, passes_of_many(line, lat_deg, lon_deg, reach_m), strict=True):
        for distance_m, offset_m in passes:
            keeps_left = any(start_m <= distance_m <= end_m for start_m, end_m in left)
            if _usable(line, stop, distance_m, offset_m, keeps_left=keeps_left):
                found.append(RouteStop(stop=stop, distance_m=distance_m, offset_m=offset_m))
    return tuple(sorted(found, key=lambda at: (at.distance_m, at.stop.id)))


def _usable(line: Line, stop: Stop, distance_m: float, offset_m: float, *, keeps_left: bool) -> bool:
    if stop.serves_both:
        return True
    if stop.serves_bearing_deg is None:
        return offset_m <= 0.0 if keeps_left else offset_m >= 0.0
    nearest = int(np.argmin(np.abs(line.distance_m - distance_m)))
    turn = (stop.serves_bearing_deg - float(line.bearing_deg[nearest]) + 180.0) % 360.0 - 180.0
    return abs(turn) <= 90.0


def interval_between(
    line: Line,
    a: tuple[float, float],
    b: tuple[float, float],
    *,
    max_offset_m: float = ZONE_OFFSET_M,
) -> tuple[float, float] | None:
    """The part (start_m, end_m) of the route between two places on a road, in either order, or None.

    Parameters
    ----------
    a, b: (latitude, longitude) [deg]

    Notes
    -----
    A route that passes both ends within `max_offset_m` gives the part between them. A route that passes one end joins
    or leaves the road between the two. It gives the part on the far end's side. That part continues while the distance
    from end to end over the route is at most 1.5 times the straight line. A route that passes neither end counts as on
    that road when all of it is between them (1.15 times). A wrong "in the zone" requires too many chains, a wrong "not
    in the zone" too few.
    """
    along_m, off_m = project(line, np.array([a[0], b[0]]), np.array([a[1], b[1]]))
    passes_a, passes_b = (np.abs(off_m) <= max_offset_m).tolist()
    if passes_a and passes_b:
        start, end = sorted(along_m.tolist())
        return (start, end) if end > start else None
    to_a, to_b = _distances(line, a), _distances(line, b)
    straight_m = float(distances_m(a[1], a[0], b[1], b[0]))
    if passes_a:
        return _clipped(line, float(along_m[0]), to_b, to_a + to_b <= _ZONE_DETOUR * straight_m + max_offset_m)
    if passes_b:
        return _clipped(line, float(along_m[1]), to_a, to_a + to_b <= _ZONE_DETOUR * straight_m + max_offset_m)
    if (to_a + to_b <= _ZONE_DETOUR_WHOLE * straight_m).all():
        return 0.0, float(line.distance_m[-1])
    return None


def spans_between(
    line: Line, a: tuple[float, float], b: tuple[float, float], *, max_offset_m: float
) -> tuple[tuple[float, float], ...]:
    """Every part (start_m, end_m) of the route between two places on a road, in either order, in order along the route.

    As `interval_between`, but a route that passes both places several times, there and back, has a part for each. Where
    it passes one of them several times in a row, on a switchback, the part is the longer one.
    """
    passes = sorted(
        (along_m, which)
        for which, place in enumerate((a, b))
        for along_m, _ in find_passes(line, *place, max_offset_m=max_offset_m, apart_m=2.0 * max_offset_m)
    )
    rows = [[m for m, _ in row] for _, row in groupby(passes, key=lambda at: at[1])]
    if len(rows) > 1:
        return tuple(
            (
                min(m for m in first_run if first_run[-1] - m <= PASSES_APART_M),
                max(m for m in second_run if m - second_run[0] <= PASSES_APART_M),
            )
            for first_run, second_run in pairwise(rows)
        )
    part = interval_between(line, a, b, max_offset_m=max_offset_m)
    return () if part is None else (part,)


def spans_along(
    line: Line, points: Sequence[tuple[float, float]], *, max_offset_m: float = ZONE_OFFSET_M
) -> tuple[tuple[float, float], ...]:
    """The parts (start_m, end_m) of the route that follow a road given by points, in order along the route.

    Parameters
    ----------
    points: (latitude, longitude) [deg] along the road, in order, two or more

    Notes
    -----
    A place follows the road within `max_offset_m` of the chords between the points. Parts at most LINE_GAP_M apart are
    one, because the chords cut bends. A part that goes along the road for less than LINE_SHARE of its length crosses it
    and is left out.
    """
    off_m, along_m = np.full(line.lat_deg.shape, np.inf), np.zeros(line.lat_deg.shape)
    passed_m = 0.0
    for (lat_a, lon_a), (lat_b, lon_b) in pairwise(points):
        east_m, north_m = _metres_per_degree((lat_a + lat_b) / 2.0)
        dx, dy = ((lon_b - lon_a + 180.0) % 360.0 - 180.0) * east_m, (lat_b - lat_a) * north_m
        x = ((line.lon_deg - lon_a + 180.0) % 360.0 - 180.0) * east_m
        y = (line.lat_deg - lat_a) * north_m
        length_m = float(np.hypot(dx, dy))
        share = np.clip((x * dx + y * dy) / max(length_m**2, 1.0), 0.0, 1.0)
        chord_off_m = np.hypot(x - share * dx, y - share * dy)
        nearer = chord_off_m < off_m
        off_m = np.where(nearer, chord_off_m, off_m)
        along_m = np.where(nearer, passed_m + share * length_m, along_m)
        passed_m += length_m
    runs: list[tuple[int, int]] = []
    for first, last in runs_of(off_m <= max_offset_m):
        if runs and line.distance_m[first] - line.distance_m[runs[-1][1]] <= LINE_GAP_M:
            runs[-1] = (runs[-1][0], last)
        else:
            runs.append((first, last))
    found = []
    for first, last in runs:
        length_m = float(line.distance_m[last] - line.distance_m[first])
        if length_m > 0.0 and float(np.ptp(along_m[first : last + 1])) >= LINE_SHARE * length_m:
            found.append((float(line.distance_m[first]), float(line.distance_m[last])))
    return tuple(found)


def _distances(line: Line, place: tuple[float, float]) -> Array:
    there = np.full(line.lat_deg.shape, place[0]), np.full(line.lat_deg.shape, place[1])
    return distances_m(line.lon_deg, line.lat_deg, there[1], there[0])


def _clipped(line: Line, end_m: float, to_far_m: Array, between: NDArray[np.bool_]) -> tuple[float, float] | None:
    """The run from one end of a zone towards its far end, as far as the samples remain between the two."""
    at = int(np.argmin(np.abs(line.distance_m - end_m)))
    if to_far_m[at:].min() <= to_far_m[: at + 1].min():
        outside = np.flatnonzero(~between[at:])
        last = at + int(outside[0]) - 1 if outside.size else between.size - 1
        start, end = end_m, float(line.distance_m[max(last, at)])
    else:
        outside = np.flatnonzero(~between[at::-1])
        first = at - int(outside[0]) + 1 if outside.size else 0
        start, end = float(line.distance_m[min(first, at)]), end_m
    return (start, end) if end > start else None
