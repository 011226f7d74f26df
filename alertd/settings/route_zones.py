"""The time zones of a route's start and end, by which local times in a trips file are read."""

from functools import lru_cache
from pathlib import Path
from zoneinfo import ZoneInfo

from alertd.errors import AlertdError
from alertd.local_time import zone_or_none
from alertd.route.model import zone_at
from alertd.settings.reference_data import route_path
from alertd.sources.files.gpx.read import read_gpx


class RouteZones:
    """Looks up zones by the route names of trips. routes: the folder of the GPX files."""

    def __init__(self, routes: Path) -> None:
        self._routes = routes

    def __call__(self, route: str, at_end: bool) -> ZoneInfo | None:
        """The zone of a route's start or end; None where there is no such file, or it cannot be read."""
        path = route_path(self._routes, route)
        try:
            return None if path is None else _ends(path, path.stat().st_mtime_ns)[at_end]
        except (AlertdError, OSError):
            return None


@lru_cache(maxsize=4096)
def _ends(path: Path, changed_ns: int) -> tuple[ZoneInfo | None, ZoneInfo | None]:
    line = read_gpx(path)
    start, end = (zone_or_none(zone_at(float(line.lat_deg[i]), float(line.lon_deg[i]))) for i in (0, -1))
    return start, end
