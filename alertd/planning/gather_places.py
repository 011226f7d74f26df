"""Gathers places along the operator's routes from OpenStreetMap, and says what is missing or old."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

import numpy as np

from alertd.clock import Clock
from alertd.errors import AlertdError, ConfigError
from alertd.planning.gather import GatherResult, Progress, route_files
from alertd.planning.providers import provider_hosts
from alertd.route.build import trace_line
from alertd.route.geometry.clean import clean_line
from alertd.route.jurisdictions import find_jurisdictions
from alertd.route.lands import left_spans
from alertd.route.roadside import Roadside
from alertd.settings.model import Settings
from alertd.sources.files.boundaries import read_boundaries
from alertd.sources.files.gpx.read import read_gpx
from alertd.sources.files.roadside import ATTRIBUTION, read_roadside, write_roadside
from alertd.sources.http.client import HttpClient
from alertd.sources.http.options import HttpOptions
from alertd.sources.http.retry import RetryPolicy
from alertd.sources.openstreetmap.beside import DrivesOn, RouteFile, roadside_of
from alertd.sources.openstreetmap.elements import OsmAnswer, merge
from alertd.sources.openstreetmap.extract import read_extract
from alertd.sources.openstreetmap.overpass import STEP_M, Overpass, chunks

# [A] Roads change slowly: a new limit, rest area or number a year on some road of a fleet.
RENEW_AFTER: Final = timedelta(days=180)
# A busy server answers 429 or 504 and asks to come back later; its slots free within a minute or two.
_RETRY: Final = RetryPolicy(tries=4, waits_s=(10.0, 30.0, 60.0), max_wait_s=120.0)
_DEADLINE_S: Final = 400.0


def make_client(options: HttpOptions) -> HttpClient:
    """The client, as a seam for tests."""
    return HttpClient(options)


async def gather_places(
    settings: Settings, clock: Clock, progress: Progress, *, renew: bool = False, extract: Path | None = None
) -> GatherResult:
    """Get the places along each route that has none on file, or old ones; all with `renew`.

    extract: a local file instead of the server. A route without a complete answer keeps what is on file. Raises
    ConfigError where no file is named for them or no contact is set, InputError for an extract that cannot be read.
    """
    path = settings.places.roadside
    if path is None:
        raise ConfigError(
            str(settings.where), "places.roadside", "is empty", 'name a file, e.g. "../var/roadside.json"'
        )
    on_file = dict(read_roadside(path)) if path.is_file() else {}
    routes, missed = _routes(settings)
    due = {sha: r for sha, r in routes.items() if renew or _is_due(on_file.get(sha), clock())}
    progress(f"{len(routes)} route{'' if len(routes) == 1 else 's'}; {len(due)} to gather places for")
    new: dict[str, Roadside] = {}

    def keep(sha: str, answer: OsmAnswer, source: str) -> None:
        found = roadside_of(due[sha], answer, source, clock())
        if not found.roads and not found.limits:
            missed.append(f"{due[sha].name} (the answer has no numbered road on its line)")
            return
        progress(f"{found.name}: {_counts(found)}")
        new[sha] = found
        write_roadside(path, on_file | new)  # after each route: a long run may be stopped

    if extract is not None:
        answer = read_extract(extract, [(r.line.lat_deg, r.line.lon_deg) for r in due.values()])
        for sha in due:
            keep(sha, answer, f"{ATTRIBUTION}, from {extract.name}")
    elif due:
        async with make_client(_options(settings, clock, progress)) as client:
            service = Overpass(client, settings.overpass_url)
            for sha, route in due.items():
                try:
                    keep(sha, await _ask(service, route, progress), ATTRIBUTION)
                except AlertdError as exc:
                    missed.append(f"{route.name} ({exc})")
    return GatherResult(new_n=len(new), kept_n=len(on_file.keys() - new.keys()), missed=tuple(missed))


def _options(settings: Settings, clock: Clock, progress: Progress) -> HttpOptions:
    return HttpOptions(
        contact=settings.contact,
        cache_dir=settings.cache,
        now_utc=clock,
        rng=np.random.default_rng(),
        on_error=progress,
        deadline_s=_DEADLINE_S,
        retry=_RETRY,
        at_once_per_host=1,
        per_s_per_host=0.5,
        host_limits=provider_hosts(),
        trust_env=settings.environment_proxy,
    )


async def _ask(service: Overpass, route: RouteFile, progress: Progress) -> OsmAnswer:
    """The answers for all parts of a route, one request at a time."""
    parts = list(chunks(route.line.distance_m))
    answers = []
    for n, part in enumerate(parts, start=1):
        progress(f"{route.name}: part {n} of {len(parts)}")
        answers.append(await service.along(route.line.lat_deg[part], route.line.lon_deg[part]))
    return merge(answers)


def _routes(settings: Settings) -> tuple[dict[str, RouteFile], list[str]]:
    """The routes by the hash of their file, and a line for each that cannot be read."""
    boundaries = read_boundaries(*settings.places.boundaries)
    found: dict[str, RouteFile] = {}
    missed = []
    for path in route_files(settings):
        try:
            line = clean_line(read_gpx(path))
            trace = trace_line(line, spacing_m=STEP_M)
        except AlertdError as exc:
            missed.append(f"{path.name} ({exc})")
            continue
        spans, _ = find_jurisdictions(trace, boundaries)
        left_m = sum(end_m - start_m for start_m, end_m in left_spans(spans))
        side: DrivesOn = "left" if left_m > 0.5 * float(trace.distance_m[-1]) else "right"
        found[line.sha256] = RouteFile(name=path.name, line=trace, drives_on=side)
    return found, missed


def _is_due(found: Roadside | None, now_utc: datetime) -> bool:
    return found is None or now_utc - found.obtained_at > RENEW_AFTER


def _counts(found: Roadside) -> str:
    numbers = {
        "stops": found.stops,
        "exits and mileposts": found.landmarks,
        "passes": found.passes,
        "bridges": found.bridges,
        "tunnels": found.tunnels,
        "limits": found.limits,
    }
    return ", ".join(f"{len(values)} {name}" for name, values in numbers.items())


def place_findings(settings: Settings, now_utc: datetime) -> Sequence[tuple[Path, str]]:
    """Findings for `alertd check`: routes without gathered places, what the others lack, and old ones."""
    path = settings.places.roadside
    if path is None:
        return [(settings.where, "places.roadside is empty: routes have only the stops and names of your own files")]
    on_file = read_roadside(path) if path.is_file() else {}
    out = []
    for gpx in route_files(settings):
        try:
            sha = clean_line(read_gpx(gpx)).sha256
        except AlertdError:
            continue  # reported with the file itself
        found = on_file.get(sha)
        if found is None:
            out.append((gpx, "has no gathered places (stops, exits, limits, tunnels): run `alertd gather places`"))
            continue
        age = now_utc - found.obtained_at
        kinds = (("stops", found.stops), ("exits", found.landmarks), ("limits", found.limits))
        lacks = [name for name, values in kinds if not values]
        text = f"has places gathered {age.days} days ago ({_counts(found)})"
        if lacks:
            text += f"; OpenStreetMap has no {' and no '.join(lacks)} here"
        out.append((gpx, text + ("; run `alertd gather places`" if age > RENEW_AFTER else "")))
    return out
