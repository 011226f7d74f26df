"""Data read once and shared by every trip: rules, rigs, what lies along roads, and routes from GPX."""

import logging
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from alertd.errors import ConfigError, InputError, SourceError
from alertd.forecast.provider import ElevationProvider
from alertd.plan.warnings.zones import Zones
from alertd.route.bridges import Bridge
from alertd.route.build import build_route, missing_elevation, sample_line, with_elevations
from alertd.route.elevation import NamedSummit
from alertd.route.geometry.clean import CleanLine, clean_line
from alertd.route.jurisdictions import Boundaries, Crossing
from alertd.route.model import Route
from alertd.route.roadside import Roadside, add_roadside, unlisted_by
from alertd.route.speed_limits import PostedLimit, TruckSpeed, lawful_speeds, place_limits
from alertd.route.spot import Gazetteer
from alertd.route.stops import Stop
from alertd.route.tunnels import Tunnel
from alertd.rules.practice import Practice
from alertd.rules.rig import Rig
from alertd.rules.ruleset import RuleSet
from alertd.settings import file_snapshot
from alertd.settings.model import PlacePaths
from alertd.sources.files.boundaries import read_boundaries
from alertd.sources.files.elevations import Heights, heights_for, read_heights
from alertd.sources.files.gpx.read import read_gpx
from alertd.sources.files.laws.practice import read_practices
from alertd.sources.files.laws.ruleset import read_rulesets
from alertd.sources.files.places import read_bridges, read_crossings, read_named_summits, read_stops, read_tunnels
from alertd.sources.files.rig import read_rigs
from alertd.sources.files.roadside import read_roadside
from alertd.sources.files.speed_limits import read_limits, read_truck_speeds
from alertd.sources.files.towns import read_towns
from alertd.sources.files.zones import read_zones

log = logging.getLogger(__name__)

FILL_SPACING_M = 500.0  # heights asked of an elevation service: one every half kilometre


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReferenceData:
    """files: what the rest was read from, as bytes, by the name that `settings.file_snapshot` gives it."""

    rulesets: dict[str, RuleSet]
    rigs: dict[str, Rig]
    stops: tuple[Stop, ...]
    bridges: tuple[Bridge, ...]
    tunnels: tuple[Tunnel, ...]
    truck_speeds: tuple[TruckSpeed, ...]
    boundaries: Boundaries
    crossings: tuple[Crossing, ...]
    summits: tuple[NamedSummit, ...]
    limits: tuple[PostedLimit, ...]
    routes: Path
    files: Mapping[str, bytes]
    zones: Zones = field(default_factory=dict)
    heights: Heights = field(default_factory=dict)
    roadside: Mapping[str, Roadside] = field(default_factory=dict)
    towns: Gazetteer = field(default_factory=Gazetteer)
    practices: tuple[Practice, ...] = ()

    def rig(self, name: str, where: str) -> Rig:
        """A rig of the rigs folder by id; never a path, since a trip may come over the network. Raises InputError."""
        if name in self.rigs:
            return self.rigs[name]
        known = ", ".join(sorted(self.rigs)) or "none"
        raise InputError(where, "rig", f'"{name}" is not known', f"name one of: {known}")

    def with_rig(self, rig: Rig, path: Path) -> "ReferenceData":
        """The same ground with one more rig, known by its id, and the file it was read from."""
        return replace(self, rigs={**self.rigs, rig.id: rig}, files={**self.files, **file_snapshot.of_rig(path)})

    def reload_gathered(self, places: PlacePaths) -> "ReferenceData":
        """The same ground with what `alertd gather` has written since; a file that broke since is told in the log."""
        try:
            now = file_snapshot.read_gathered(places)
            if all(self.files.get(name) == content for name, content in now.items()):
                return self
            return replace(self, files={**self.files, **now}, **_gathered(places))
        except ConfigError as exc:
            log.error("%s; what was read of it before holds", exc)
            return self

    def gpx(self, name: str, where: str) -> Path:
        """The GPX file that a trip names, with or without its ending.

        Inside the routes folder only, since a trip may come over the network. Raises InputError.
        """
        path = route_path(self.routes, name)
        if path is None:
            problem = f'"{name}" is not in {self.routes.resolve()}'
            raise InputError(where, "route", problem, "put the GPX file there or correct the name")
        return path


def route_path(routes: Path, name: str) -> Path | None:
    """Return the GPX file of a route's name, with or without its ending; None where the folder has none."""
    with suppress(OSError, ValueError):  # a name that no file can have, such as one too long
        folder = routes.resolve()
        for path in ((folder / name).resolve(), (folder / f"{name}.gpx").resolve()):
            if path.is_relative_to(folder) and path.is_file():
                return path
    return None


def load_reference_data(places: PlacePaths) -> ReferenceData:
    """Read everything the settings name. Raises ConfigError for the first mistake."""
    own = tuple(stop for path in places.stops for stop in read_stops(path))
    rulesets = read_rulesets(places.rules)
    published = read_stops(places.chain_areas) if places.chain_areas else ()
    return ReferenceData(
        rulesets=rulesets,
        practices=read_practices(places.practice, rulesets) if places.practice else (),
        rigs=read_rigs(places.rigs) if places.rigs.is_dir() else {},
        stops=(*own, *unlisted_by(published, own)),
        bridges=read_bridges(places.bridges) if places.bridges else (),
        tunnels=read_tunnels(places.tunnels) if places.tunnels else (),
        truck_speeds=read_truck_speeds(places.truck_speeds) if places.truck_speeds else (),
        boundaries=read_boundaries(*places.boundaries),
        crossings=read_crossings(places.crossings) if places.crossings else (),
        summits=read_named_summits(places.summits) if places.summits else (),
        limits=read_limits(places.limits) if places.limits else (),
        routes=places.routes,
        towns=read_towns(places.towns) if places.towns else Gazetteer(),
        files=file_snapshot.read_files(places),
        **_gathered(places),
    )


def _gathered(places: PlacePaths) -> dict[str, Any]:
    """What `alertd gather` wrote, as far as it is there."""
    zones, heights, roadside = places.zones, places.heights, places.roadside
    return {
        "zones": read_zones(zones) if zones and zones.is_file() else {},
        "heights": read_heights(heights) if heights and heights.is_file() else {},
        "roadside": read_roadside(roadside) if roadside and roadside.is_file() else {},
    }


async def load_route(path: Path, reference: ReferenceData, elevations: Sequence[ElevationProvider]) -> Route:
    """The route of a GPX file, with heights from an elevation service where the file has none.

    Raises InputError when heights are missing and no service is configured, SourceError when it fails.
    """
    line = clean_line(read_gpx(path))
    if missing_elevation(line):
        line = await _with_heights(line, reference, elevations)
    roadside = reference.roadside.get(line.sha256)
    route = build_route(
        line,
        jurisdictions=reference.boundaries,
        crossings=reference.crossings,
        stops=reference.stops,
        bridges=(*reference.bridges, *(roadside.bridges if roadside is not None else ())),
        tunnels=(*reference.tunnels, *(roadside.tunnels if roadside is not None else ())),
        named_summits=(*reference.summits, *(roadside.passes if roadside is not None else ())),
        sparse=True,
    )
    towns = reference.towns.along(route)
    route = replace(
        route,
        limits=place_limits(route, reference.limits),
        towns=towns,
        credits=("Towns: GeoNames (geonames.org), CC BY 4.0",) if towns else (),
    )
    if roadside is not None and roadside.fits(route.length_m):
        route = add_roadside(route, roadside)
    return replace(route, limits=(*route.limits, *lawful_speeds(route.jurisdictions, reference.truck_speeds)))


async def _with_heights(
    line: CleanLine, reference: ReferenceData, elevations: Sequence[ElevationProvider]
) -> CleanLine:
    """The line with heights gathered for it before, else asked for now; as it is where there are neither."""
    places = sample_line(line, spacing_m=FILL_SPACING_M)
    on_file = heights_for(reference.heights, line.sha256, places.lat_deg, places.lon_deg)
    if on_file is not None:
        filled = with_elevations(line, np.asarray(on_file.elevation_m), along_m=places.distance_m)
        return replace(filled, findings=(*filled.findings, on_file.describe))
    if not elevations:
        return line
    try:
        heights = await elevations[0].elevations_m(places.lat_deg, places.lon_deg)
    except SourceError as exc:
        if not np.isfinite(line.elevation_m).any():
            raise
        finding = f"ground heights were not to be had ({exc.problem}); those of the GPX file are used"
        return replace(line, findings=(*line.findings, finding))
    return with_elevations(line, np.asarray(heights), along_m=places.distance_m)
