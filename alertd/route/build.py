"""Builds a Route from a cleaned line: even samples, bearings, heights, and features along it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from alertd.errors import InputError
from alertd.route.bridges import Bridge, place_bridges
from alertd.route.elevation import (
    NAME_REACH_M,
    NamedSummit,
    find_climbs,
    find_summits,
    grade_of,
    name_summits,
    smooth_elevation,
)
from alertd.route.geometry.clean import CleanLine, clean_line
from alertd.route.geometry.curves import across_noise_m, curve_speed_mps, plane_m
from alertd.route.geometry.geodesic import distances_m
from alertd.route.geometry.ground_heights import FineLine, between_portals, without_cliffs
from alertd.route.geometry.known_heights import (
    height_findings,
    height_problem,
    known_heights,
    sparse_problem,
    wide_gaps,
    without_steps,
)
from alertd.route.geometry.polyline import Polyline, Samples, bearings, even, wrapped
from alertd.route.jurisdictions import Boundaries, Crossing, find_jurisdictions
from alertd.route.lands import left_spans
from alertd.route.model import Array, JurisdictionSpan, Route
from alertd.route.project import snap_stops
from alertd.route.stops import Stop
from alertd.route.tunnels import TunnelLine, place_tunnels

SPACING_M: Final = 250.0
# Heights are averaged over fine steps before sampling, so that a single noisy point does not set a sample's height.
_FINE: Final = 10
# Steeper than truck routes: more likely a tunnel below, or a bridge above, the ground that the heights describe.
_DOUBTED_GRADE: Final = 0.15


def sample_line(line: CleanLine, *, spacing_m: float = SPACING_M) -> Samples:
    """Evenly spaced places on the line, ends included. The spacing is the one nearest to `spacing_m`.

    An elevation service gives the heights at these places (see with_elevations).
    """
    path = Polyline(line)
    return path.at(even(path.length_m, spacing_m))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trace:
    """A line as samples with bearings, without heights; shapes (sample,). Places can be projected onto it."""

    lat_deg: Array
    lon_deg: Array
    distance_m: Array
    bearing_deg: Array


def trace_line(line: CleanLine, *, spacing_m: float) -> Trace:
    """Evenly spaced samples of the line, ends included. Distances are those of its Route."""
    path = Polyline(line)
    at = path.at(even(path.length_m, spacing_m))
    return Trace(
        lat_deg=at.lat_deg,
        lon_deg=at.lon_deg,
        distance_m=at.distance_m,
        bearing_deg=bearings(path, at.distance_m),
    )


def missing_elevation(line: CleanLine) -> bool:
    """True when the line's own heights are too few for a route (none, placeholders, or gaps over 2 km)."""
    path = Polyline(line)
    return height_problem(path, known_heights(path)) != ""


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
    path = Polyline(line)
    distance_m, first = np.unique(np.concatenate((path.distance_m, along_m)), return_index=True)
    places = path.at(distance_m)
    # A vertex keeps its exact coordinates, so that the line does not change.
    vertex = first < path.distance_m.size
    lat_deg, lon_deg = places.lat_deg.copy(), places.lon_deg.copy()
    lat_deg[vertex], lon_deg[vertex] = path.lat_deg[first[vertex]], wrapped(path.lon_deg[first[vertex]])
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
    tunnels: Sequence[TunnelLine] = (),
    named_summits: Sequence[NamedSummit] = (),
    spacing_m: float = SPACING_M,
    sparse: bool = False,
) -> Route:
    """Build the route that all later stages use.

    sparse: there are no other heights to be had, so those of the file may lie farther apart (`known_heights.SPARSE`).
    Stretches without heights are then named in the findings, and one with a published pass in it is refused.

    Distances are geodesics on WGS 84 along the given line, not along the samples, which cut corners. Between near
    points the line runs straight in latitude and longitude, between distant points on the geodesic. The two differ by
    less than a metre.

    Raises
    ------
    InputError: when heights are missing, because none is assumed. The caller can then get heights from an elevation
        service at sample_line(line), and build from with_elevations(...).
    """
    path = Polyline(line)
    distance_m = even(path.length_m, spacing_m)
    places, bearing_deg = path.at(distance_m), bearings(path, distance_m)
    flat = _Placed(lat_deg=places.lat_deg, lon_deg=places.lon_deg, distance_m=distance_m, bearing_deg=bearing_deg)
    on_bridges, in_tunnels = place_bridges(flat, bridges), place_tunnels(flat, tunnels)
    known_m = known_heights(path)
    problem = height_problem(path, known_m, in_tunnels)
    if problem and sparse:
        problem = sparse_problem(path, known_m, in_tunnels) or _hidden_pass(path, known_m, named_summits)
    if problem:
        raise InputError(
            line.where,
            "ele",
            problem,
            "export it with elevations, or run `alertd gather heights`; its option --tiles reads tiles of your own",
        )
    fine = _fine_line(path, without_steps(path, known_m), distance_m)
    fine = replace(fine, elevation_m=between_portals(fine.distance_m, fine.elevation_m, in_tunnels, on_bridges))
    raw_m, ground = without_cliffs(fine)
    elevation_m = np.ascontiguousarray(smooth_elevation(raw_m, spacing_m=fine.step_m)[::_FINE])
    grade = grade_of(elevation_m, distance_m)
    findings = [*line.findings, *height_findings(path, known_m), *ground, *_grade_findings(distance_m, grade)]
    route = Route(
        name=line.name,
        lat_deg=places.lat_deg,
        lon_deg=places.lon_deg,
        distance_m=distance_m,
        elevation_m=elevation_m,
        grade=grade,
        bearing_deg=bearing_deg,
        curve_mps=_curve_speeds(line, path, fine),
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
        stops=snap_stops(route, stops, left=left_spans(spans)),
        bridges=on_bridges,
        tunnels=in_tunnels,
        findings=tuple(dict.fromkeys((*findings, *border_findings))),
    )


_PASS_OVER_M: Final = 60.0  # [A] a published pass this far above both ends of a stretch is not seen by its heights


def _hidden_pass(path: Polyline, known_m: Array, named_summits: Sequence[NamedSummit]) -> str:
    """The published pass that a stretch without heights would hide, as a problem; "" where there is none."""
    known = np.isfinite(known_m)
    for start_m, end_m in wide_gaps(path, known_m):
        along = path.at(np.linspace(start_m, end_m, 40))
        ends_m = np.interp([start_m, end_m], path.distance_m[known], known_m[known])
        for named in named_summits:
            if named.elevation_m is None or named.elevation_m < max(ends_m) + _PASS_OVER_M:
                continue
            apart_m = distances_m(along.lon_deg, along.lat_deg, [named.lon_deg] * 40, [named.lat_deg] * 40)
            if apart_m.min() <= NAME_REACH_M + named.within_m:
                stretch = f"no heights from km {start_m / 1000:.1f} to km {end_m / 1000:.1f}"
                return f"{stretch}, where {named.name} is {named.elevation_m:.0f} m high"
    return ""


def lands_along(
    line: CleanLine, boundaries: Boundaries, crossings: Sequence[Crossing] = ()
) -> tuple[JurisdictionSpan, ...]:
    """Return the jurisdictions of a line that may have no heights, from start to end."""
    path = Polyline(line)
    distance_m = even(path.length_m, SPACING_M)
    places = path.at(distance_m)
    placed = _Placed(
        lat_deg=places.lat_deg, lon_deg=places.lon_deg, distance_m=distance_m, bearing_deg=bearings(path, distance_m)
    )
    return find_jurisdictions(placed, boundaries, crossings)[0]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Placed:
    """The samples as a line to place things on, before it has heights."""

    lat_deg: Array
    lon_deg: Array
    distance_m: Array
    bearing_deg: Array


def _grade_findings(distance_m: Array, grade: Array) -> list[str]:
    steep = np.abs(grade) > _DOUBTED_GRADE
    if not steep.any():
        return []
    worst = int(np.argmax(np.abs(grade)))
    return [
        f"grade of {grade[worst] * 100:+.0f} % at km {distance_m[worst] / 1000:.1f}, {int(steep.sum())} samples over "
        f"{_DOUBTED_GRADE * 100:.0f} %: a tunnel or bridge, or wrong heights"
    ]


def _curve_speeds(line: CleanLine, path: Polyline, fine: FineLine) -> Array:
    noise_m, apart_m = across_noise_m(line.lat_deg, np.unwrap(line.lon_deg, period=360.0))
    ends_m = path.distance_m[path.index_of(np.arange(path.points_n))]
    leg = np.clip(np.searchsorted(ends_m, fine.distance_m, side="right") - 1, 0, ends_m.size - 2)
    return curve_speed_mps(
        fine.x_m,
        fine.y_m,
        step_m=fine.step_m,
        per_sample=_FINE,
        leg_m=np.diff(ends_m)[leg],
        noise_m=noise_m,
        points_apart_m=apart_m,
    )


def _fine_line(path: Polyline, known_m: Array, distance_m: Array) -> FineLine:
    known = np.isfinite(known_m)
    fine_m = np.linspace(0.0, path.length_m, _FINE * (distance_m.size - 1) + 1)
    x_m, y_m = plane_m(path.lat_deg, path.lon_deg)
    return FineLine(
        x_m=np.interp(fine_m, path.distance_m, x_m),
        y_m=np.interp(fine_m, path.distance_m, y_m),
        distance_m=fine_m,
        elevation_m=np.interp(fine_m, path.distance_m[known], known_m[known]),
    )
