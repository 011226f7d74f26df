"""Records one round: forecasts, station reports and posted controls of a list of passes, as a plan would ask for them.

The sources are asked by the daemon's own client, with its cache, its limits for each host and its contact. A source
that does not answer is recorded as failed; the round goes on.
"""

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Final

import numpy as np
from pydantic import TypeAdapter

import alertd
from alertd.errors import ConfigError, StoreError
from alertd.forecast.model import Forecast
from alertd.forecast.observations import StationReport
from alertd.forecast.past import PastEvidence
from alertd.forecast.road_observations import RoadReport
from alertd.plan.controls.placement import PostedConditions
from alertd.planning.planner import Planner
from alertd.planning.recordings.archived_run import Place, ask_all_sources, request_at, route_at
from alertd.planning.recordings.folder import FORMAT, OBSERVATIONS, POSTED, ROUNDS, RecordingFolder
from alertd.planning.replays.replay_archive import pack_response
from alertd.planning.replays.replay_record import replay_settings
from alertd.planning.replays.response_recorder import recording
from alertd.records.past_evidence import evidence_to_plain
from alertd.records.posted_controls import collect_posted
from alertd.route.elevation import NamedSummit
from alertd.units import HOUR_S

WINTER_DAYS: Final = 180  # the first of November to the end of April
MEGABYTE: Final = 1_000_000
MOST_PLACES: Final = 100  # [A] as many as one plan asks for
_POSTED: Final = TypeAdapter(PostedConditions)


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundResult:
    """What one round kept. bytes_new: growth of the folder. licences: by source. failed: "source at place: reason"."""

    places_n: int
    reports_n: int
    controls_n: int
    bytes_new: int
    bytes_total: int
    licences: dict[str, str]
    failed: tuple[str, ...]

    def winter_bytes(self, every_h: float) -> float:
        """The size of a whole winter at this growth; the first round is larger than later ones."""
        return self.bytes_new * 24.0 / every_h * WINTER_DAYS


def passes_named(names: Sequence[str], summits: Sequence[NamedSummit], where: str, field: str) -> tuple[Place, ...]:
    """The passes of the summits file by name, also without its bracket. Raises ConfigError for an unknown name or one
    that several passes have."""
    out = []
    for name in dict.fromkeys(names):
        wanted = name.strip().casefold()
        found = [s for s in summits if wanted in (s.name.casefold(), s.name.partition(" (")[0].casefold())]
        exact = [s for s in found if s.name.casefold() == wanted]
        found = exact if len(exact) == 1 else found
        if len(found) > 1:
            problem = f'"{name}" names {len(found)} passes'
            raise ConfigError(where, field, problem, "write one of " + ", ".join(s.name for s in found))
        if not found or found[0].elevation_m is None:
            hint = "write the name of a pass in the summits file"
            raise ConfigError(where, field, f'"{name}" is not known, or its height is not', hint)
        s = found[0]
        out.append(Place(name=s.name, lat_deg=s.lat_deg, lon_deg=s.lon_deg, elevation_m=float(s.elevation_m or 0.0)))
    if len(out) > MOST_PLACES:
        raise ConfigError(where, field, f"names {len(out)} passes", f"name {MOST_PLACES} or fewer")
    return tuple(out)


async def record_round(
    planner: Planner, places: Sequence[Place], folder: RecordingFolder, now_utc: datetime, most_mb: float
) -> RoundResult:
    """Ask for all places and keep the answers. Raises StoreError when the folder is full or the disk fails."""
    before = await asyncio.to_thread(_make_room, folder, most_mb * MEGABYTE)
    sources = planner.weather_sources
    licences: dict[str, str] = {}
    failed: list[str] = []
    if sources.observer is None:
        failed.append("station reports: forecast.observations is off, so there is nothing to score against")
    reports_n = 0
    settings = await asyncio.to_thread(
        folder.contents.put, replay_settings(planner.settings).model_dump_json().encode(), now_utc
    )
    rounds: list[dict[str, Any]] = []
    for place in places:
        request, route = request_at(place, now_utc), route_at(place)
        with recording() as heard:
            forecasts, silent = await ask_all_sources(sources, request)
        reports: list[StationReport] = []
        surfaces: tuple[RoadReport, ...] = ()
        if sources.past is not None and forecasts:
            past = await sources.past.evidence(route, request, [_without_past(forecasts[0], now_utc)])
            reports += past.reports
            failed += [f"past hours at {place.name}: {problem}" for problem in past.problems]
        if sources.road_stations is not None:
            surfaces, problems = await sources.road_stations.beside(route, now_utc)
            failed += problems
        if sources.observer is not None:
            with recording():
                observed = await sources.observer.along(route, now_utc)
            reports += observed.reports
            failed += [f"stations at {place.name}: {problem}" for problem in observed.problems]
        licences |= {f.provider: f.licence for f in forecasts}
        licences |= {r.source: r.licence for r in surfaces}
        failed += [f"{source} at {place.name}: {why}" for source, why in silent.items()]
        line = _round_line(place, forecasts, settings, now_utc)
        line["heard"] = [await asyncio.to_thread(pack_response, folder.contents, h, now_utc) for h in heard]
        rounds.append(line)
        reports_n += await asyncio.to_thread(_add_observations, folder, reports, surfaces)
    await asyncio.to_thread(folder.create)
    await asyncio.to_thread(folder.add, ROUNDS, now_utc, rounds)
    controls_n = 0
    if planner.feeds is not None and planner.feeds.feeds:
        posted = await collect_posted(planner.feeds, planner.reference, None, now_utc, record=False)
        controls_n = len(posted.controls)
        failed += [note.text for note in posted.missing]
        value = {"at": now_utc.isoformat(), "posted": _POSTED.dump_python(posted, mode="json")}
        await asyncio.to_thread(folder.add, POSTED, now_utc, [value])
    total = await asyncio.to_thread(folder.size_bytes)
    return RoundResult(
        places_n=len(places),
        reports_n=reports_n,
        controls_n=controls_n,
        bytes_new=total - before,
        bytes_total=total,
        licences=licences,
        failed=tuple(failed),
    )


def _without_past(forecast: Forecast, now_utc: datetime) -> Forecast:
    """The forecast as if its source gave no past hours: stations are then asked for all of them, since the recording
    needs what they saw between two rounds."""
    begun = forecast.start.timestamp() + HOUR_S * np.arange(forecast.hours) <= now_utc.timestamp()
    return replace(forecast, air_temp_c=np.where(begun, np.nan, forecast.air_temp_c))


def _round_line(place: Place, forecasts: Sequence[Forecast], settings: str, now_utc: datetime) -> dict[str, Any]:
    return {
        "format": FORMAT,
        "alertd": alertd.__version__,
        "made_at": now_utc.isoformat(),
        "place": {n: getattr(place, n) for n in ("name", "lat_deg", "lon_deg", "elevation_m")},
        "settings": settings,
        "licences": {f.provider: f.licence for f in forecasts},
    }


def _add_observations(folder: RecordingFolder, reports: Sequence[StationReport], surfaces: Sequence[RoadReport]) -> int:
    """Add reports to the files of their days, without their coded text; returns how many are new."""
    plain = evidence_to_plain(
        PastEvidence(reports=tuple(replace(r, raw="") for r in reports), surfaces=tuple(surfaces))
    )
    rows = [("report", r) for r in plain["reports"]] + [("surface", r) for r in plain.get("surfaces", ())]
    by_day: dict[datetime, list[dict[str, Any]]] = {}
    for kind, row in rows:
        at = datetime.fromisoformat(row["observed_at"])
        day = at.replace(hour=0, minute=0, second=0, microsecond=0)
        by_day.setdefault(day, []).append({kind: {k: v for k, v in row.items() if v is not None or k == "weather"}})
    return sum(folder.add(OBSERVATIONS, day, values) for day, values in sorted(by_day.items()))


def _make_room(folder: RecordingFolder, most_bytes: float) -> int:
    """Thin the oldest days to one round a place while the folder is over its limit; returns its size.

    Raises StoreError when it stays over. Station reports and posted controls are never thinned.
    """
    size = folder.size_bytes() if folder.exists else 0
    if size < most_bytes:
        return size
    for path in folder.days(ROUNDS):
        lines = [line.value for line in folder.lines_of(path)]
        first = {line["place"]["name"]: line for line in reversed(lines)}
        if len(first) == len(lines):
            continue
        folder.rewrite(path, reversed(first.values()))
        folder.drop_unused()
        size = folder.size_bytes()
        if size < most_bytes:
            return size
    raise StoreError(
        f"recording {folder.folder}: holds {size / MEGABYTE:.0f} MB, the limit is {most_bytes / MEGABYTE:.0f} MB; "
        "move it away, raise record.most_mb, or record fewer passes"
    )
