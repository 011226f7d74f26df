"""Reads the daemon's archive of plans as forecasts for the summits of their roads, and as what stations reported.

Plans that were made together share their answers, which are read once. A plan holds the hours of its trip alone, so
leads beyond these have no case.
"""

import asyncio
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from alertd.forecast.model import HINT_FIELDS, WEATHER_FIELDS, Forecast
from alertd.forecast.observations import StationReport, distances_m
from alertd.forecast.road_observations import RoadReport
from alertd.planning.recordings.archived_run import Archived, ArchivedRun, Place
from alertd.planning.replays.replay import answers_kept
from alertd.planning.replays.replay_archive import read_archived
from alertd.planning.replays.replay_record import ArchivedPlan
from alertd.planning.weather import SourceAnswers
from alertd.store.archive import Archive


def is_plan_archive(folder: Path) -> bool:
    """Whether the folder is one that plans were kept in."""
    return (folder / "plans").is_dir() and bool(Archive(folder).plans())


def read_plan_archive(folder: Path) -> Archived:
    """All plans of an archive, oldest first. Raises StoreError for a plan that cannot be read."""
    archive = Archive(folder)
    made: dict[tuple[datetime, str], str] = {}
    reports: dict[tuple[str, datetime], StationReport] = {}
    surfaces: dict[tuple[str, datetime], RoadReport] = {}
    for plan_id in archive.plans():
        first = read_archived(archive, plan_id)
        if isinstance(first, ArchivedPlan):  # a comparison is made of plans that are in the archive too
            made.setdefault((first.inputs.now_utc, first.inputs.route), plan_id)
            reports |= {(r.station.id, r.observed_at): r for r in first.inputs.past.reports}
            surfaces |= {(r.station.id, r.observed_at): r for r in first.inputs.past.surfaces}
    order = [made[key] for key in sorted(made)]
    return Archived(
        runs=(run for plan_id in order for run in _runs(archive, plan_id)),
        reports=tuple(sorted(reports.values(), key=lambda r: r.observed_at)),
        surfaces=tuple(sorted(surfaces.values(), key=lambda r: r.observed_at)),
    )


def _runs(archive: Archive, plan_id: str) -> Iterator[ArchivedRun]:
    first = read_archived(archive, plan_id)
    if not isinstance(first, ArchivedPlan):
        return
    with tempfile.TemporaryDirectory(prefix="alertd-score-") as folder:
        kept = asyncio.run(answers_kept(first, Path(folder), f"archive {archive.folder}: {plan_id}"))
    answers = kept.answers
    for place in summits_of(answers):
        request = answers.request
        here = np.array([place.lat_deg]), np.array([place.lon_deg])
        cell = int(distances_m(*here, request.lat_deg, request.lon_deg)[0].argmin())
        yield ArchivedRun(
            place=place,
            made_at=first.inputs.now_utc,
            forecasts=tuple(_at_cell(f, cell) for f in answers.forecasts if cell not in f.outside),
            failed=answers.failed,
        )


def summits_of(answers: SourceAnswers) -> tuple[Place, ...]:
    """The named summits of the road, or its highest point where none is named."""
    route = answers.route
    found = {s.name: s.distance_m for s in route.summits if s.name}
    found = found or {route.name: float(route.distance_m[int(np.nanargmax(route.elevation_m))])}
    return tuple(
        Place(
            name=name,
            lat_deg=float(np.interp(at_m, route.distance_m, route.lat_deg)),
            lon_deg=float(np.interp(at_m, route.distance_m, route.lon_deg)),
            elevation_m=float(np.interp(at_m, route.distance_m, route.elevation_m)),
        )
        for name, at_m in found.items()
    )


def _at_cell(forecast: Forecast, cell: int) -> Forecast:
    """The forecast for one of its cells."""
    part = slice(cell, cell + 1)
    changed: dict[str, Any] = {n: getattr(forecast, n)[part] for n in ("lat_deg", "lon_deg", "elevation_m")}
    changed |= {n: getattr(forecast, n)[:, part] for n in WEATHER_FIELDS}
    changed |= {n: hint[part] for n in HINT_FIELDS if (hint := getattr(forecast, n)) is not None}
    return replace(forecast, outside=(), **changed)
