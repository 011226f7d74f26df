"""Reads a recording back: every round's raw answers through the readers of this version, and all reports once."""

import asyncio
import json
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from alertd.errors import AlertdError, InputError
from alertd.forecast.observations import StationReport
from alertd.forecast.road_observations import RoadReport
from alertd.planning.providers import open_weather_sources
from alertd.planning.recordings.archived_run import Archived, ArchivedRun, Place, ask_all_sources, request_at
from alertd.planning.recordings.csv_form import is_csv_form, read_csv_form
from alertd.planning.recordings.folder import OBSERVATIONS, ROUNDS, RecordingFolder, parsed
from alertd.planning.recordings.plan_archive import is_plan_archive, read_plan_archive
from alertd.planning.replays.replay import forecast_settings_kept
from alertd.planning.replays.replay_archive import StoredResponse, unpack_response
from alertd.planning.replays.replay_record import ReplaySettings
from alertd.records.past_evidence import evidence_from_plain
from alertd.sources.files.road import RoadSettings
from alertd.sources.http.replay_client import ReplayClient


def read_archive(folder: Path) -> Archived:
    """A recording, the CSV form, or an archive of plans. Raises InputError or StoreError for the first mistake."""
    recording = RecordingFolder(folder)
    if recording.exists:
        recording.check()
        reports, surfaces = _observations(recording)
        return Archived(runs=_runs(recording), reports=reports, surfaces=surfaces)
    if is_csv_form(folder):
        return read_csv_form(folder)
    if is_plan_archive(folder):
        return read_plan_archive(folder)
    if not folder.is_dir():
        raise InputError(str(folder), "", "no such folder", "name a recording, or a folder with forecasts.csv")
    raise InputError(
        str(folder), "", "is no archive", 'name a folder that "alertd record" wrote, a daemon\'s archive, or a CSV form'
    )


def _observations(recording: RecordingFolder) -> tuple[tuple[StationReport, ...], tuple[RoadReport, ...]]:
    reports: list[StationReport] = []
    surfaces: list[RoadReport] = []
    for line in recording.lines(OBSERVATIONS):
        found = parsed(line, _evidence)
        reports += found.reports
        surfaces += found.surfaces
    return (
        tuple(sorted(reports, key=lambda r: r.observed_at)),
        tuple(sorted(surfaces, key=lambda r: r.observed_at)),
    )


def _evidence(value: dict[str, Any]) -> Any:
    if not value.keys() <= {"report", "surface"}:
        raise ValueError(f"unknown part {sorted(value)}")
    reports = [_with_unknown(value["report"])] if "report" in value else []
    surfaces = [value["surface"]] if "surface" in value else []
    return evidence_from_plain({"reports": reports, "kept": [], "problems": [], "surfaces": surfaces})


_LEFT_OUT = (
    "air_temp_c", "dew_point_c", "rh_frac", "wind_mps", "gust_mps", "wind_from_deg", "visibility_m",
    "precip_last_hour_mmwe",
)  # fmt: skip


def _with_unknown(report: dict[str, Any]) -> dict[str, Any]:
    """Required fields that the recorder left out because they were not known."""
    return dict.fromkeys(_LEFT_OUT) | report


def _runs(recording: RecordingFolder) -> Iterator[ArchivedRun]:
    for line in recording.lines(ROUNDS):
        try:
            yield parsed(line, lambda value: _run(recording, value))
        except InputError:
            raise
        except AlertdError as exc:
            raise InputError(line.where, "", str(exc), "use an unaltered copy of the recording") from exc


def _run(recording: RecordingFolder, value: dict[str, Any]) -> ArchivedRun:
    made_at = datetime.fromisoformat(value["made_at"]).astimezone(UTC)
    place = Place(**value["place"])
    chosen = ReplaySettings.model_validate_json(recording.contents.get(value["settings"]))
    responses = [
        unpack_response(recording.contents, StoredResponse.model_validate_json(json.dumps(r))) for r in value["heard"]
    ]
    # None of these settings matters for what a source answers.
    kept = forecast_settings_kept(chosen, RoadSettings())
    sources, _ = open_weather_sources(kept, chosen.noncommercial, str(recording.folder), ReplayClient(responses))
    forecasts, failed = asyncio.run(ask_all_sources(sources, request_at(place, made_at)))
    return ArchivedRun(place=place, made_at=made_at, forecasts=forecasts, failed=failed)
