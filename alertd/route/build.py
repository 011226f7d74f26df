"""Builds a Route from a cleaned line: even samples, bearings, heights, and features along it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from alertd.errors import InputError
from alertd.route.bridges import Bridge, place_bridges
from alertd.route.clean import WGS84, CleanLine, clean_line, leg_lengths_m
from alertd.route.elevation import NamedSummit, find_climbs, find_summits, grade_of, name_summits, smooth_elevation
from alertd.route.jurisdictions import Boundaries, Crossing, find_jurisdictions
from alertd.route.model import Array, JurisdictionSpan, Route
from alertd.route.project import snap_stops
from alertd.route.runs import runs_of
from alertd.route.stops import Stop

SPACING_M: Final = 250.0
# Heights up to this far apart are joined by a constant grade. Over 2 km a road can climb and drop 100 m unnoticed.
HEIGHT_GAP_M: Final = 2_000.0
# A single leg without points between, as through a tunnel, may be longer. Beyond this the line itself is doubtful.
HEIGHT_LEG_M: Final = 5_000.0
# Before the first and after the last known height there is only one height to extrapolate from.
HEIGHT_END_M: Final = 500.0
# Longer legs get points on the geodesic. At 60 degrees north a straight line in latitude and longitude departs from
# the geodesic by 0.8 m in 4 km, and by 120 m in 50 km.
_MAX_STRAIGHT_M: Final = 4_000.0
# A 0 beside a height that a road cannot drop from is a placeholder: 30 % is steeper than any public road sustains.
_ZERO_STEP_M, _ZERO_GRADE = 10.0, 0.30
# Heights are averaged over fine steps before sampling, so that a single noisy point does not set a sample's height.
_FINE: Final = 10
# Steeper than truck routes: more likely a tunnel below, or a bridge above, the ground that the heights describe.
_DOUBTED_GRADE: Final = 0.15


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Samples:
    """Places along a cleaned line, shapes (sample,)."""

    lat_deg: Array
    lon_deg: Array
    distance_m: Array


def sample_line(line: CleanLine, *, spacing_m: float = SPACING_M) -> Samples:
    """Evenly spaced places on the line, ends included. The spacing is the one nearest to `spacing_m`.

    An elevation service gives the heights at these places (see with_elevations).
    """
    path = _Polyline(line)
    return path.at(_even(path.length_m, spacing_m))


def missing_elevation(line: CleanLine) -> bool:
    """True when the line's own heights are too few for a route (none, placeholders, or gaps over 2 km)."""
    path = _Polyline(line)
    return _height_problem(path, _known_heights(path)) != ""


def with_elevations(line: CleanLine, elevation_m: Array, *, along_m: Array | None = None) -> CleanLine:
    """The line with its heights replaced.

    Parameters
    ----------
    elevation_m: heights [m], NaN where unknown; (point,) of `line` when along_m is None.
    along_m: distances [m] along the line (those of sample_line), of the shape of elevation_m. The line gets
        points there.

    Raises ValueError when the shapes do not match.
    """
    if along_m is None:
        if elevation_m.shape != line.lat_deg.shape:
            raise ValueError(f"{elevation_m.shape} heights for {line.lat_deg.shape} points")
        return replace(line, elevation_m=np.array(elevation_m, dtype=np.float64))
    if elevation_m.shape != along_m.shape:
        raise ValueError(f"{elevation_m.shape} heights at {along_m.shape} places")
    path = _Polyline(line)
    distance_m, first = np.unique(np.concatenate((path.distance_m, along_m)), return_index=True)
    places = path.at(distance_m)
    # A vertex keeps its exact coordinates, so that the line does not change.
    vertex = first < path.distance_m.size
    lat_deg, lon_deg = places.lat_deg.copy(), places.lon_deg.copy()
    lat_deg[vertex], lon_deg[vertex] = path.lat_deg[first[vertex]], _wrapped(path.lon_deg[first[vertex]])
    starts = np.searchsorted(distance_m, path.distance_m[path.index_of(line.segment_starts)])
    filled = replace(
        line,
        lat_deg=lat_deg,
        lon_deg=lon_deg,
        elevation_m=np.interp(distance_m, along_m, elevation_m, left=np.nan, right=np.nan),
        segment_starts=starts.astype(np.intp),
    )
    return clean_line(filled)  # a new point may repeat a vertex


def build_route(
    line: CleanLine,
    *,
    jurisdictions: Boundaries | None = None,
    crossings: Sequence[Crossing] = (),
    stops: Sequence[Stop] = (),
    bridges: Sequence[Bridge] = (),
    named_summits: Sequence[NamedSummit] = (),
    spacing_m: float = SPACING_M,
) -> Route:
    """Build the route that all later stages use.

    Distances are geodesics on WGS 84 along the given line, not along the samples, which cut corners. Between near
    points the line runs straight in latitude and longitude, between distant points on the geodesic. The two differ by
    less than a metre.

    Raises
    ------
    InputError: when heights are missing, because none is assumed. The caller can then get heights from an elevation
        service at sample_line(line), and build from with_elevations(...).
    """
    path = _Polyline(line)
    known_m = _known_heights(path)
    problem = _height_problem(path, known_m)
    if problem:
        raise InputError(line.where, "ele", problem, "give a line with heights, or let the elevation service fill them")
    distance_m = _even(path.length_m, spacing_m)
    places = path.at(distance_m)
    elevation_m = _sampled_heights(path, known_m, distance_m)
    grade = grade_of(elevation_m, distance_m)
    findings = [*line.findings, *_height_findings(path, known_m), *_grade_findings(distance_m, grade)]
    route = Route(
        name=line.name,
        lat_deg=places.lat_deg,
        lon_deg=places.lon_deg,
        distance_m=distance_m,
        elevation_m=elevation_m,
        grade=grade,
        bearing_deg=_bearings(path, distance_m),
        climbs=find_climbs(distance_m, elevation_m, grade),
        summits=name_summits(
            find_summits(distance_m, elevation_m),
            lat_deg=places.lat_deg,
            lon_deg=places.lon_deg,
            distance_m=distance_m,
            elevation_m=elevation_m,
            named=named_summits,
        ),
    )
    spans: tuple[JurisdictionSpan, ...] = ()
    border_findings: tuple[str, ...] = ()
    if jurisdictions is not None:
        spans, border_findings = find_jurisdictions(route, jurisdictions, crossings)
    return replace(
        route,
        jurisdictions=spans,
        stops=snap_stops(route, stops),
        bridges=place_bridges(route, bridges),
        findings=tuple(dict.fromkeys((*findings, *border_findings))),
    )


class _Polyline:
    """A polyline with its distances. Longitudes continue past 180; long legs get points on their geodesic."""

    def __init__(self, line: CleanLine) -> None:
        legs = leg_lengths_m(line.lat_deg, line.lon_deg)
        lat, lon, ele = line.lat_deg, line.lon_deg, line.elevation_m
        places: NDArray[np.intp] = np.arange(lat.size)
        for i in np.flatnonzero(legs > _MAX_STRAIGHT_M)[::-1]:
            n = int(legs[i] // _MAX_STRAIGHT_M)
            between = np.array(WGS84.npts(lon[i], lat[i], lon[i + 1], lat[i + 1], n))
            lon = np.insert(lon, i + 1, between[:, 0])
            lat = np.insert(lat, i + 1, between[:, 1])
            ele = np.insert(ele, i + 1, np.full(n, np.nan))
            places[i + 1 :] += n
        self._places = places
        self.points_n = places.size
        self.lat_deg = lat
        self.lon_deg = np.unwrap(lon, period=360.0)
        self.elevation_m = ele
        self.distance_m = np.concatenate(([0.0], np.cumsum(leg_lengths_m(lat, lon))))

    @property
    def length_m(self) -> float:
        return float(self.distance_m[-1])

    def index_of(self, point: NDArray[np.intp]) -> NDArray[np.intp]:
        """Indices of the line's own points in this path."""
        return self._places[point]

    def at(self, distance_m: Array) -> Samples:
        return Samples(
            lat_deg=np.interp(distance_m, self.distance_m, self.lat_deg),
            lon_deg=_wrapped(np.interp(distance_m, self.distance_m, self.lon_deg)),
            distance_m=distance_m,
        )


def _wrapped(lon_deg: Array) -> Array:
    return np.where(np.abs(lon_deg) > 180.0, (lon_deg + 180.0) % 360.0 - 180.0, lon_deg)


def _even(length_m: float, spacing_m: float) -> Array:
    return np.linspace(0.0, length_m, max(1, round(length_m / spacing_m)) + 1)


def _bearings(path: _Polyline, distance_m: Array) -> Array:
    """Azimuth of the chord from half a step before each sample to half a step after."""
    half = (distance_m[1] - distance_m[0]) / 2.0
    back, ahead = path.at(np.maximum(distance_m - half, 0.0)), path.at(np.minimum(distance_m + half, path.length_m))
    azimuth, _, _ = WGS84.inv(back.lon_deg, back.lat_deg, ahead.lon_deg, ahead.lat_deg)
    return np.asarray(azimuth, dtype=np.float64) % 360.0


def _known_heights(path: _Polyline) -> Array:
    """The line's heights, with NaN in place of placeholder zeros, (point,)."""
    elevation_m = path.elevation_m.copy()
    known = np.flatnonzero(np.isfinite(elevation_m))
    heights, distance_m = elevation_m[known], path.distance_m[known]
    zero = heights == 0.0
    if zero.all():
        elevation_m[known] = np.nan
        return elevation_m
    if not zero.any():
        return elevation_m
    for first, last in runs_of(zero):
        for inside, neighbour in ((first, first - 1), (last, last + 1)):
            if 0 <= neighbour < heights.size:
                gap_m = abs(distance_m[inside] - distance_m[neighbour])
                if abs(heights[neighbour]) > _ZERO_STEP_M + _ZERO_GRADE * gap_m:
                    elevation_m[known[first : last + 1]] = np.nan
    return elevation_m


def _height_problem(path: _Polyline, known_m: Array) -> str:
    at_m = path.distance_m[np.isfinite(known_m)]
    if not at_m.size:
        given = np.isfinite(path.elevation_m).any()
        return "the only heights are 0, a placeholder" if given else "there are no heights"
    if at_m[0] > HEIGHT_END_M:
        return f"heights start only at km {at_m[0] / 1000:.1f}"
    if path.length_m - at_m[-1] > HEIGHT_END_M:
        return f"heights end at km {at_m[-1] / 1000:.1f} of {path.length_m / 1000:.1f}"
    start_m, end_m, bare = _height_gaps(path, known_m)
    wide = np.flatnonzero(end_m - start_m > np.where(bare, HEIGHT_LEG_M, HEIGHT_GAP_M))
    if wide.size:
        i = wide[np.argmax(end_m[wide] - start_m[wide])]
        return f"no heights from km {start_m[i] / 1000:.1f} to km {end_m[i] / 1000:.1f}"
    return ""


def _height_gaps(path: _Polyline, known_m: Array) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Start and end [m] of each step from one known height to the next, and whether no given point lies in it."""
    known = np.flatnonzero(np.isfinite(known_m))
    given = np.searchsorted(path.index_of(np.arange(path.points_n)), known)
    return path.distance_m[known[:-1]], path.distance_m[known[1:]], np.diff(given) == 1


def _height_findings(path: _Polyline, known_m: Array) -> list[str]:
    findings = []
    zeros = int(np.count_nonzero(np.isfinite(path.elevation_m) & np.isnan(known_m)))
    if zeros:
        findings.append(f"heights of exactly 0 beside higher ground count as missing: {zeros}")
    start_m, end_m, bare = _height_gaps(path, known_m)
    filled = ~bare | (end_m - start_m > HEIGHT_GAP_M)
    if filled.any():
        longest = int(np.argmax(np.where(filled, end_m - start_m, 0.0)))
        findings.append(
            f"stretches without heights: {int(filled.sum())}, the longest from km {start_m[longest] / 1000:.1f} "
            f"to km {end_m[longest] / 1000:.1f}: filled with a constant grade"
        )
    return findings


def _sampled_heights(path: _Polyline, known_m: Array, distance_m: Array) -> Array:
    known = np.isfinite(known_m)
    fine_m = np.linspace(0.0, path.length_m, _FINE * (distance_m.size - 1) + 1)
    raw = np.interp(fine_m, path.distance_m[known], known_m[known])
    smooth = smooth_elevation(raw, spacing_m=float(fine_m[1] - fine_m[0]))
    return np.ascontiguousarray(smooth[::_FINE])


def _grade_findings(distance_m: Array, grade: Array) -> list[str]:
    steep = np.abs(grade) > _DOUBTED_GRADE
    if not steep.any():
        return []
    worst = int(np.argmax(np.abs(grade)))
    return [
        f"grade of {grade[worst] * 100:+.0f} % at km {distance_m[worst] / 1000:.1f}, {int(steep.sum())} samples over "
        f"{_DOUBTED_GRADE * 100:.0f} %: a tunnel or bridge, or wrong heights"
    ]
