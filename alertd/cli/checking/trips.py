"""Checks the trips file and the routes: each row against the rigs and GPX files that it names."""

from collections import defaultdict
from difflib import get_close_matches
from pathlib import Path

from alertd.cli.checking.finding import Finding, counted, mistakes_of, read_each, whole_name
from alertd.errors import AlertdError
from alertd.route.geometry.clean import clean_line
from alertd.settings.model import PlacePaths, Settings
from alertd.settings.route_zones import RouteZones
from alertd.sources.files.gpx.read import read_gpx
from alertd.sources.files.tables.local_times import foreign_offset
from alertd.sources.files.trips import TripRequest, TripsFile, read_trips_file

KIND = "trip"


def route_findings(places: PlacePaths) -> list[Finding]:
    """The GPX files, read as a plan reads them: a line with a gap of hundreds of kilometres is a mistake here too."""

    def one(path: Path) -> str:
        line = clean_line(read_gpx(path))
        return f"{line.lat_deg.size} points" + "".join(f"; {text}" for text in line.findings)

    folder = places.routes
    out = read_each("route", sorted(folder.glob("*.gpx")), one)
    for path in sorted(folder.glob("*")) if folder.is_dir() else ():
        if path.suffix != ".gpx" and path.suffix.lower() == ".gpx":
            text = f"{path}: is not used, because its name ends in {path.suffix}; rename it to {path.stem}.gpx"
            out.append(Finding(file=str(path), level="look", text=text, kind="route"))
    return out


def trip_findings(settings: Settings) -> list[Finding]:
    """The trips file: every row that is no trip, and every rig or route that no file has."""
    path = settings.trips
    if path is None:
        return []
    try:
        zones = RouteZones(settings.places.routes)
        file = read_trips_file(path, zones)
    except AlertdError as exc:
        return mistakes_of(exc, path, KIND)
    out = [Finding(file=str(path), level="ok", text=f"{path}: {counted(len(file.trips), KIND)}", kind=KIND)]
    if file.ignored:
        text = f"{path}: columns that are not known are ignored: {file.ignored_words}"
        out.append(Finding(file=str(path), level="look", text=text, kind=KIND))
    out += [
        Finding(file=str(path), level="wrong", text=whole_name(str(bad.mistake), path), kind=KIND) for bad in file.bad
    ]
    return out + _unknown_names(path, file, settings.places) + _foreign_times(path, file, zones)


def _foreign_times(path: Path, file: TripsFile, zones: RouteZones) -> list[Finding]:
    """Departures with another offset than that of the start: right if meant so, an hour wrong if not."""
    out = []
    for trip in file.trips:
        zone = zones(trip.route, at_end=False)
        local = foreign_offset(trip.depart_at, zone) if zone else ""
        if zone and local:
            here = trip.depart_at.astimezone(zone).isoformat(timespec="minutes")
            time = f"{trip.depart} of {trip.id} is {here} at the start ({zone.key})"
            text = f"{path}: depart: {time}; correct the offset, or leave it out"
            out.append(Finding(file=str(path), level="look", text=text, kind="foreign offset"))
    return out


def _unknown_names(path: Path, file: TripsFile, places: PlacePaths) -> list[Finding]:
    rigs = {p.stem for p in places.rigs.glob("*.toml")}
    routes = {name for p in places.routes.rglob("*.gpx") for name in _route_names(p.relative_to(places.routes))}
    out: list[Finding] = []
    for field, known, folder in (("rig", rigs, places.rigs), ("route", routes, places.routes)):
        missing: dict[str, list[str]] = defaultdict(list)
        for trip in file.trips:
            for name in _named(trip, field):
                if name not in known:
                    missing[name].append(trip.id)
        for name, ids in missing.items():
            near = get_close_matches(name, sorted(known), 1)
            mend = f"write {near[0]}" if near else "add its file, or correct the name"
            who = ", ".join(ids[:3]) + (f" and {len(ids) - 3} more" if ids[3:] else "")
            text = f'{path}: {field}: "{name}" of {who} is not in {folder}; {mend}'
            out.append(Finding(file=str(path), level="wrong", text=text, kind=KIND))
    return out


def _named(trip: TripRequest, field: str) -> tuple[str, ...]:
    return (trip.rig,) if field == "rig" else (trip.route, *trip.other_routes)


def _route_names(path: Path) -> tuple[str, str]:
    """A trip names a GPX file with or without its ending."""
    return path.as_posix(), path.with_suffix("").as_posix()
