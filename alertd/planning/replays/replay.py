"""Makes an archived plan again from its archive alone: no network, no clock, and no file as it is now."""

import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC
from pathlib import Path
from typing import TypeAlias

from alertd.errors import StoreError
from alertd.plan.describe.alternatives import with_alternatives
from alertd.plan.diff import Difference, differences
from alertd.plan.make_plan import make_plan
from alertd.plan.model.plan import Plan
from alertd.plan.params import PlanParams
from alertd.plan.position.map_match import locate
from alertd.plan.serialize import plan_json
from alertd.planning.past import RecordedPast
from alertd.planning.plan_inputs import PlanInputs, build_context, build_plan_inputs, window_of
from alertd.planning.providers import open_weather_sources
from alertd.planning.replays.replay_archive import read_archived
from alertd.planning.replays.replay_record import ArchivedComparison, ArchivedPlan, ReplayRecord, ReplaySettings
from alertd.planning.weather import SourceAnswers, WeatherSources, ask_sources
from alertd.settings.file_snapshot import write_files
from alertd.settings.forecast import ForecastSettings
from alertd.settings.model import PlacePaths
from alertd.settings.reference_data import ReferenceData, load_reference_data, load_route
from alertd.sources.files.road import RoadSettings, read_road
from alertd.sources.http.replay_client import ReplayClient
from alertd.store.archive import Archive


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReplayResult:
    """A plan made again.

    before: JSON of the first plan, made by alertd `made_with`; None where it differs and its text is not kept.
    differences: none when both are the same byte for byte.
    notes: settings of the first plan that this alertd no longer applies.
    """

    before: str | None
    made_with: str
    plan: Plan
    inputs: PlanInputs
    differences: tuple[Difference, ...]
    notes: tuple[str, ...] = ()


TextOfPlan: TypeAlias = Callable[[str], str | None]


async def replay(archive: Archive, plan_id: str, stored: TextOfPlan = lambda plan_id: None) -> ReplayResult:
    """Make a plan again.

    stored: JSON of a plan whose text a store keeps, None where it is gone. It is asked for only where the plan differs,
    since an id is derived from the text.

    Raises StoreError when the archive cannot serve, InputError or ConfigError when this alertd
    refuses a file that was accepted then.
    """
    first = read_archived(archive, plan_id)
    if isinstance(first, ArchivedComparison):
        planned = await replay(archive, first.made_of.planned, stored)
        others = [(name, await replay(archive, id_, stored)) for name, id_ in first.made_of.others]
        inputs, notes = planned.inputs, (*planned.notes, *(note for _, other in others for note in other.notes))
        plans = [(name, other.plan) for name, other in others]
        plan = with_alternatives(planned.plan, plans, first.made_of.missed, inputs.request.params)
    else:
        with tempfile.TemporaryDirectory(prefix="alertd-replay-") as folder:
            inputs = await _plan_inputs(first, Path(folder), f"archive {archive.folder}: {plan_id}")
        plan, notes = make_plan(inputs.request), _notes(first)
    again = plan_json(plan)
    before = first.plan
    if before is None:
        before = again if plan.id == plan_id else stored(plan_id)
    if before is None:
        notes = (*notes, "the text of the first plan is in no store, so only its id is compared")
    return ReplayResult(
        before=before,
        made_with=first.alertd,
        plan=plan,
        inputs=inputs,
        differences=_by_id(plan_id, plan) if before is None else differences(before, again),
        notes=tuple(dict.fromkeys(notes)),
    )


def _by_id(plan_id: str, plan: Plan) -> tuple[Difference, ...]:
    return (Difference(path="id", old=plan_id, new=plan.id),)


def _notes(first: ArchivedPlan) -> tuple[str, ...]:
    if not first.inputs.settings.station_correction:
        return ()
    return (
        "the plan was made with forecast.station_correction on, which is no longer used: air temperatures that "
        f"station reports corrected differ; alertd {first.alertd} makes the same plan again",
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KeptAnswers:
    """What the sources answered for a plan, and what else its inputs rest on."""

    answers: SourceAnswers
    weather_sources: WeatherSources
    reference: ReferenceData
    params: PlanParams


async def answers_kept(first: ArchivedPlan, folder: Path, where: str) -> KeptAnswers:
    """Read the kept answers of a plan again. folder: empty, for its files. Raises StoreError where one is missing."""
    record = first.inputs
    places = write_files(record.files, folder)
    client, reference, params = ReplayClient(record.responses), load_reference_data(places), _params(record, where)
    weather_sources, elevations = open_weather_sources(
        forecast_settings_kept(record.settings, _road(places)), record.settings.noncommercial, where, client
    )
    weather_sources = replace(weather_sources, past=RecordedPast(recorded=record.past))
    route = await load_route(folder / record.route, reference, elevations)
    window = window_of(route, record.departs, record.now_utc, params)
    answers = await ask_sources(route, window, weather_sources, reference.zones)
    if client.missing:
        raise StoreError(
            f"{where}: {len(client.missing)} answers that this alertd asks for were not kept, the first to "
            f"{client.missing[0][:200]}; replay it with alertd {first.alertd}, or from a whole archive"
        )
    return KeptAnswers(answers=answers, weather_sources=weather_sources, reference=reference, params=params)


async def _plan_inputs(first: ArchivedPlan, folder: Path, where: str) -> PlanInputs:
    record, trip = first.inputs, first.trip
    kept = await answers_kept(first, folder, where)
    answers, reference, params = kept.answers, kept.reference, kept.params
    route = answers.route
    positions = {trip.id: locate(route, first.reports, trip.depart_at.astimezone(UTC), record.now_utc, params)}
    context = build_context(answers, positions, record.road_reports, reference, kept.weather_sources, params)
    return build_plan_inputs(trip, context)


def forecast_settings_kept(chosen: ReplaySettings, road: RoadSettings) -> ForecastSettings:
    """The settings of sources as they were; secrets are not kept, and no station is asked."""
    return ForecastSettings(
        sources=chosen.sources,
        members=chosen.members,
        seed=chosen.seed,
        stale_h=chosen.stale_h,
        alerts=chosen.alerts,
        observations=False,
        past_observations=False,
        metar_url=chosen.metar_url,
        alerts_area=chosen.alerts_area,
        geomet_url=chosen.geomet_url,
        geomet_collection=chosen.geomet_collection,
        weights=chosen.weights,
        keys=chosen.providers,
        secrets=dict.fromkeys(chosen.secret_keys, "not kept"),
        road=road,
    )


def _road(places: PlacePaths) -> RoadSettings:
    return read_road(places.road) if places.road else RoadSettings()


def _params(record: ReplayRecord, where: str) -> PlanParams:
    try:
        return PlanParams(**record.settings.plan)  # type: ignore[arg-type]  # some are counts, the rest floats
    except TypeError as exc:
        raise StoreError(f"{where}: a setting kept with it is gone ({exc}); replay it with its own alertd") from exc
