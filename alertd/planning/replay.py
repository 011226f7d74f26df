"""Makes a kept plan again, from its archive alone: no network, no present file, no clock."""

import tempfile
from dataclasses import dataclass
from datetime import UTC
from pathlib import Path

from alertd.errors import StoreError
from alertd.plan.controls.closures import place_closures
from alertd.plan.controls.placement import place_posted, posted_closures
from alertd.plan.describe.alternatives import with_alternatives
from alertd.plan.diff import Difference, differences
from alertd.plan.model import Plan
from alertd.plan.params import PlanParams
from alertd.plan.position.map_match import locate
from alertd.plan.serialize import plan_json
from alertd.planning.plan_inputs import PlanInputs, trip_input, window_of
from alertd.planning.providers import open_weather_sources
from alertd.planning.replay_record import ArchivedComparison, ArchivedPlan, ReplaySettings, read_archived
from alertd.planning.weather import weather_along
from alertd.settings.file_snapshot import write_files
from alertd.settings.forecast import ForecastSettings
from alertd.settings.model import PlacePaths
from alertd.settings.reference_data import ReferenceData, load_reference_data, load_route
from alertd.sources.files.road import RoadSettings, read_road
from alertd.sources.http.replay_client import ReplayClient
from alertd.store.archive import Archive


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReplayResult:
    """A plan made again. `before` is the first one's JSON, made by alertd `made_with`; differences: none when the same
    byte for byte."""

    before: str
    made_with: str
    plan: Plan
    inputs: PlanInputs
    differences: tuple[Difference, ...]


async def replay(archive: Archive, plan_id: str) -> ReplayResult:
    """Make a plan again. Raises StoreError when the archive cannot serve, InputError or ConfigError when the code at
    hand refuses a file that was good once."""
    first = read_archived(archive, plan_id)
    if isinstance(first, ArchivedComparison):
        planned = await replay(archive, first.made_of.planned)
        others = [(name, (await replay(archive, id_)).plan) for name, id_ in first.made_of.others]
        plan, making = (
            with_alternatives(planned.plan, others, first.made_of.missed, planned.inputs.params),
            planned.inputs,
        )
    else:
        with tempfile.TemporaryDirectory(prefix="alertd-replay-") as folder:
            places = write_files(first.inputs.files, Path(folder))
            making = await _plan_inputs(first, places, Path(folder), f"archive {archive.folder}: {plan_id}")
        plan = making.plan()
    return ReplayResult(
        before=first.plan,
        made_with=first.alertd,
        plan=plan,
        inputs=making,
        differences=differences(first.plan, plan_json(plan)),
    )


async def _plan_inputs(first: ArchivedPlan, places: PlacePaths, folder: Path, where: str) -> PlanInputs:
    i = first.inputs
    client = ReplayClient(i.responses)
    reference: ReferenceData = load_reference_data(places)
    weather_sources, elevations = open_weather_sources(
        _forecast(i.settings, places), i.settings.noncommercial, where, client
    )
    params = _params(i.settings, where)
    route = await load_route(folder / i.route, reference, elevations)
    seen = locate(route, first.reports, first.trip.depart_at.astimezone(UTC), i.now_utc, params)
    fetched = await weather_along(
        route, window_of(route, i.departs, i.now_utc, params), weather_sources, reference.zones
    )
    if client.missing:
        raise StoreError(
            f"{where}: {len(client.missing)} answers that this alertd asks for were not kept, the first to "
            f"{client.missing[0][:200]}; replay it with alertd {first.alertd}, or from a whole archive"
        )
    on_route = place_posted(route, i.posted, reference.rulesets, i.now_utc, params)
    closures = (*place_closures(route, i.closures), *posted_closures(on_route))
    return PlanInputs(
        trip=trip_input(first.trip, seen, closures, fetched.warnings, on_route),
        route=route,
        rig=reference.rig(first.trip.rig, where),
        rulesets=reference.rulesets,
        fetched=fetched,
        road=weather_sources.road,
        params=params,
        now_utc=i.now_utc,
    )


def _forecast(chosen: ReplaySettings, places: PlacePaths) -> ForecastSettings:
    return ForecastSettings(
        sources=chosen.sources,
        members=chosen.members,
        seed=chosen.seed,
        stale_h=chosen.stale_h,
        alerts=chosen.alerts,
        observations=chosen.station_correction,
        metar_url=chosen.metar_url,
        station_correction=chosen.station_correction,
        alerts_area=chosen.alerts_area,
        geomet_url=chosen.geomet_url,
        geomet_collection=chosen.geomet_collection,
        weights=chosen.weights,
        keys=chosen.providers,
        secrets=dict.fromkeys(chosen.secret_keys, "not kept"),
        road=read_road(places.road) if places.road else RoadSettings(),
    )


def _params(chosen: ReplaySettings, where: str) -> PlanParams:
    try:
        return PlanParams(**chosen.plan)  # type: ignore[arg-type]  # some are counts, the rest floats
    except TypeError as exc:
        raise StoreError(f"{where}: a setting kept with it is gone ({exc}); replay it with its own alertd") from exc
