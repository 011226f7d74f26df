"""Data that seldom change, gathered beforehand: outlines of zones on routes, and ground heights."""

import asyncio
from collections.abc import AsyncIterator, Callable, Iterable, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

import numpy as np

from alertd.clock import Clock
from alertd.errors import AlertdError, ConfigError, InputError, SourceError
from alertd.forecast.provider import ElevationProvider
from alertd.plan.warnings.placement import WeatherAlert
from alertd.plan.warnings.zones import ForecastZone, state_of
from alertd.planning.providers import provider_hosts
from alertd.route.build import missing_elevation, sample_line
from alertd.route.geometry.clean import clean_line
from alertd.route.geometry.polyline import Samples
from alertd.route.model import Array
from alertd.settings.model import Settings
from alertd.settings.reference_data import FILL_SPACING_M
from alertd.sources.files.elevations import Heights, RouteHeights, heights_for, read_heights, write_heights
from alertd.sources.files.gpx.read import read_gpx
from alertd.sources.files.hgt import HgtTiles
from alertd.sources.files.zones import read_zones, write_zones
from alertd.sources.http.client import HttpClient
from alertd.sources.http.options import HttpOptions
from alertd.sources.providers.nws.alerts import NwsAlerts
from alertd.sources.providers.nws.forecast import NotCovered, NwsKeys
from alertd.sources.providers.nws.zones import NwsZones
from alertd.sources.providers.open_meteo.forecast import KEY_FILE, LICENCE, OpenMeteo, OpenMeteoKeys

# A zone of the mountains is some 30 km wide, a county more: places this far apart meet all but the corner of one.
PLACES_APART_M: Final = 5_000.0
RENEW_AFTER: Final = timedelta(days=120)  # the service redraws zones twice a year or so

Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class GatherResult:
    """Counts of new or renewed ones and of those unchanged, and a line for each that is missing."""

    new_n: int
    kept_n: int
    missed: tuple[str, ...]


@asynccontextmanager
async def _client(settings: Settings, clock: Clock, progress: Progress) -> AsyncIterator[HttpClient]:
    async with HttpClient(
        HttpOptions(
            contact=settings.contact,
            cache_dir=settings.cache,
            now_utc=clock,
            rng=np.random.default_rng(),
            on_error=progress,
            host_limits=provider_hosts(),
            trust_env=settings.environment_proxy,
        )
    ) as client:
        yield client


def route_files(settings: Settings) -> list[Path]:
    """The GPX files of the routes folder, by name."""
    return sorted(settings.places.routes.glob("*.gpx"))


async def gather_zones(settings: Settings, clock: Clock, progress: Progress, *, renew: bool = False) -> GatherResult:
    """Get outlines of the zones that the routes touch, and of those that warnings now name in the same states.

    An outline on file stays until it is RENEW_AFTER old, or with `renew`; one without an answer stays too. Raises
    ConfigError where no file is named for them, InputError for a route that cannot be read.
    """
    path = settings.places.zones
    if path is None:
        raise ConfigError(str(settings.where), "places.zones", "is empty", 'name a file, e.g. "../var/zones.geojson"')
    on_file = dict(read_zones(path)) if path.is_file() else {}
    missed: list[str] = []
    async with _client(settings, clock, progress) as client:
        service = NwsZones(client, settings.forecast.of(NwsKeys).nws_url)
        wanted = await _touched(settings, service, missed, progress)
        states = {state_of(zone) for zone in wanted}
        if states:
            wanted |= await _warned_of(NwsAlerts(client, settings.forecast.of(NwsKeys).nws_url), states, missed)
        due = sorted(z for z in wanted if renew or _is_due(on_file.get(z), clock()))
        progress(f"{len(wanted)} zones in {', '.join(sorted(states)) or 'no state'}; {len(due)} to ask for")
        fresh = await asyncio.gather(*(_outline(service, zone_id, missed) for zone_id in due))
    new = {zone.id: zone for zone in fresh if zone is not None}
    if new:
        write_zones(path, (on_file | new).values())
    return GatherResult(new_n=len(new), kept_n=len(on_file.keys() - new.keys()), missed=tuple(missed))


def _is_due(zone: ForecastZone | None, now_utc: datetime) -> bool:
    return zone is None or now_utc - zone.obtained_at > RENEW_AFTER


async def _touched(settings: Settings, service: NwsZones, missed: list[str], progress: Progress) -> set[str]:
    """The zones of places along every route; places that the service does not cover have none."""
    zones: set[str] = set()
    for path in route_files(settings):
        places = sample_line(clean_line(read_gpx(path)), spacing_m=PLACES_APART_M)
        progress(f"{path.name}: asking at {places.lat_deg.size} places which zones they lie in")
        answers = await asyncio.gather(
            *(service.at(float(a), float(b)) for a, b in zip(places.lat_deg, places.lon_deg, strict=True)),
            return_exceptions=True,
        )
        failed = []
        for answer in answers:
            if isinstance(answer, tuple):
                zones.update(answer)
            elif isinstance(answer, SourceError):
                failed += [] if isinstance(answer, NotCovered) else [answer.problem]
            else:
                raise answer
        if failed:
            missed.append(f"{path.name}: {len(failed)} of its places not answered ({failed[0]})")
    return zones


async def _warned_of(alerts: NwsAlerts, states: set[str], missed: list[str]) -> set[str]:
    """The zones that the alerts in force name in these states."""
    try:
        alert_list = (await alerts.active()).value.alerts
    except SourceError as exc:
        missed.append(f"the zones of the warnings now in force ({exc.problem})")
        return set()
    return {zone for alert in alert_list for zone in _named(alert) if state_of(zone) in states}


def _named(alert: WeatherAlert) -> Iterable[str]:
    return () if alert.area is not None else alert.zones


async def _outline(service: NwsZones, zone_id: str, missed: list[str]) -> ForecastZone | None:
    try:
        return await service.outline(zone_id)
    except SourceError as exc:
        missed.append(f"{zone_id} ({exc.problem})")
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class TileFolder:
    """Elevation tiles of one's own. credit: their source and terms, as plans show them."""

    folder: Path
    credit: str


class _LocalHeights:
    """Heights of local tiles. Raises InputError where any place has none."""

    def __init__(self, tiles: HgtTiles) -> None:
        self._tiles = tiles

    async def elevations_m(self, lat_deg: Array, lon_deg: Array) -> Array:
        heights = await asyncio.to_thread(self._tiles.elevations_m, lat_deg, lon_deg)
        lacking = np.count_nonzero(np.isnan(heights))
        if lacking:
            absent = self._tiles.missing(lat_deg, lon_deg)
            why = f"no tile {', '.join(absent)}" if absent else "voids in the tiles"
            raise InputError("elevation tiles", "", f"{lacking} of {heights.size} places: {why}", "add these tiles")
        return heights


async def gather_heights(
    settings: Settings, clock: Clock, progress: Progress, *, renew: bool = False, tiles: TileFolder | None = None
) -> GatherResult:
    """Get ground heights for the routes whose files have none.

    tiles: read them from these files, and ask no service.

    Raises ConfigError where no file is named for them or the height service may not be used, InputError for a route
    that cannot be read.
    """
    path, f = settings.places.heights, settings.forecast
    if path is None:
        raise ConfigError(str(settings.where), "places.heights", "is empty", 'name a file, e.g. "../var/heights.json"')
    on_file = dict(read_heights(path)) if path.is_file() else {}
    new: dict[str, RouteHeights] = {}
    due, missed = _without_heights(route_files(settings), {} if renew else on_file)
    if not due:  # a service that may not be used is no matter then
        return GatherResult(new_n=0, kept_n=len(on_file), missed=tuple(missed))
    async with _client(settings, clock, progress) as client:
        source: ElevationProvider
        if tiles is not None:
            source, credit = _LocalHeights(HgtTiles(tiles.folder)), tiles.credit
        else:
            try:
                source, credit = (
                    OpenMeteo(
                        client,
                        f.of(OpenMeteoKeys).open_meteo_url,
                        api_key=f.secrets.get(KEY_FILE),
                        noncommercial=settings.noncommercial,
                    ),
                    LICENCE,
                )
            except ConfigError as exc:
                hint = f"{exc.hint}, or read tiles by `alertd gather heights --tiles DIR`"
                raise ConfigError(exc.where, exc.field, exc.problem, hint) from exc
        for gpx, sha256, places in due:
            try:
                heights = await source.elevations_m(places.lat_deg, places.lon_deg)
            except AlertdError as exc:
                missed.append(f"{gpx.name} ({exc})")
                continue
            progress(f"{gpx.name}: {places.lat_deg.size} heights")
            new[sha256] = RouteHeights(
                name=gpx.name,
                source=credit,
                obtained_at=clock(),
                lat_deg=_column(places.lat_deg),
                lon_deg=_column(places.lon_deg),
                elevation_m=_column(np.asarray(heights)),
            )
    if new:
        write_heights(path, on_file | new)
    return GatherResult(new_n=len(new), kept_n=len(on_file.keys() - new.keys()), missed=tuple(missed))


def _without_heights(files: Iterable[Path], on_file: Heights) -> tuple[list[tuple[Path, str, Samples]], list[str]]:
    """The files without heights of their own or on file, each with its hash and places; a line for each unreadable."""
    due, missed = [], []
    for gpx in files:
        try:
            line = clean_line(read_gpx(gpx))
            if not missing_elevation(line):
                continue
            places = sample_line(line, spacing_m=FILL_SPACING_M)
        except AlertdError as exc:
            missed.append(f"{gpx.name} ({exc})")
            continue
        if heights_for(on_file, line.sha256, places.lat_deg, places.lon_deg) is None:
            due.append((gpx, line.sha256, places))
    return due, missed


def _column(values: "np.ndarray[tuple[int, ...], np.dtype[np.float64]]") -> tuple[float, ...]:
    return tuple(round(float(v), 6) for v in values)


def findings(settings: Settings, now_utc: datetime) -> Sequence[tuple[Path, str]]:
    """Findings for `alertd check`: missing gathered data, and the age of the rest. Raises ConfigError."""
    return (*_zone_findings(settings, now_utc), *_height_findings(settings, now_utc))


def _zone_findings(settings: Settings, now_utc: datetime) -> list[tuple[Path, str]]:
    path = settings.places.zones
    if not settings.forecast.alerts or "nws" not in settings.forecast.sources:
        return []
    if path is None:
        return [(settings.where, "places.zones is empty: weather warnings are placed by ten places of a route at most")]
    if not path.is_file():
        return [(path, "is not there: weather warnings are placed by ten places of a route; run `alertd gather zones`")]
    ages = sorted(now_utc - zone.obtained_at for zone in read_zones(path).values())
    if ages and ages[-1] > RENEW_AFTER:
        return [(path, f"holds outlines up to {ages[-1].days} days old: run `alertd gather zones`")]
    return []


def _height_findings(settings: Settings, now_utc: datetime) -> list[tuple[Path, str]]:
    path, out = settings.places.heights, []
    on_file = read_heights(path) if path is not None and path.is_file() else {}
    for gpx in route_files(settings):
        try:
            line = clean_line(read_gpx(gpx))
            if not missing_elevation(line):
                continue
        except AlertdError:
            continue  # said of the file itself
        places = sample_line(line, spacing_m=FILL_SPACING_M)
        found = heights_for(on_file, line.sha256, places.lat_deg, places.lon_deg)
        if found is None:
            mend = "run `alertd gather heights`, with --tiles DIR for tiles of your own"
            out.append((gpx, f"has no heights of its own and none are on file: {mend}"))
        else:
            age = (now_utc - found.obtained_at).days
            out.append((gpx, f"has no heights of its own; those of {found.source} are used, {age} days old"))
    return out
