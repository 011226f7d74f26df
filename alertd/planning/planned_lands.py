"""Finds the lands that the planned trips run through, without a forecast."""

from dataclasses import dataclass

from alertd.errors import AlertdError
from alertd.planning.gather import route_files
from alertd.route.build import trace_line
from alertd.route.geometry.clean import clean_line
from alertd.route.jurisdictions import find_jurisdictions
from alertd.settings.model import Settings
from alertd.settings.route_zones import RouteZones
from alertd.sources.files.boundaries import read_boundaries
from alertd.sources.files.gpx.read import read_gpx
from alertd.sources.files.trips import read_trips_file

STEP_M = 2_000.0  # a land narrower than this on the way is not worth a reading


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedLands:
    """One trip: its rig and the codes of the lands on its way. trip_id: "" for a route that no trip drives yet."""

    trip_id: str
    rig: str
    lands: tuple[str, ...]


def planned_lands(settings: Settings) -> tuple[PlannedLands, ...]:
    """The trips of the trips file; without one, each route of the routes folder, for any rig.

    A file that cannot be read is left out: `alertd check` reports it.
    """
    try:
        boundaries = read_boundaries(*settings.places.boundaries)
        trips = read_trips_file(settings.trips, RouteZones(settings.places.routes)).trips if settings.trips else ()
    except AlertdError:
        return ()
    lands: dict[str, tuple[str, ...]] = {}
    if not settings.places.routes.is_dir():
        return ()
    wanted = {name.removesuffix(".gpx") for t in trips for name in (t.route, *t.routes)}
    for path in route_files(settings):
        if trips and path.stem not in wanted:
            continue
        try:
            spans, _ = find_jurisdictions(trace_line(clean_line(read_gpx(path)), spacing_m=STEP_M), boundaries)
        except AlertdError:
            continue
        lands[path.stem] = tuple(dict.fromkeys(s.code for s in spans if s.code))
    if not trips:
        return tuple(PlannedLands(trip_id="", rig="", lands=codes) for codes in lands.values())
    return tuple(
        PlannedLands(
            trip_id=t.id,
            rig=t.rig,
            lands=tuple(
                dict.fromkeys(
                    code for name in (t.route, *t.routes) for code in lands.get(name.removesuffix(".gpx"), ())
                )
            ),
        )
        for t in trips
    )
