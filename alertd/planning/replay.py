"""Makes a kept plan again, from its archive alone: no network, no present file, no clock."""

import tempfile
from dataclasses import dataclass
from datetime import UTC
from pathlib import Path

from alertd.errors import StoreError
from alertd.plan.controls.closures import place_closures
from alertd.plan.controls.placement import closed_by_post, place_posted
from alertd.plan.describe.alternatives import with_other_ways
from alertd.plan.diff import Difference, differences
from alertd.plan.model import Plan
from alertd.plan.params import PlanParams
from alertd.plan.position.map_match import locate
from alertd.plan.serialize import plan_json
from alertd.planning.plan_inputs import Making, trip_input, window_of
from alertd.planning.providers import open_sky
from alertd.planning.replay_record import Chosen, Kept, KeptWays, kept
from alertd.planning.weather import weather_along
from alertd.settings.file_snapshot import lay_out
from alertd.settings.model import ForecastSettings, Places
from alertd.settings.reference_data import Ground, load_route, read_ground
from alertd.sources.files.road import RoadSettings, read_road
from alertd.sources.http.replay_client import Retold
from alertd.store.archive import Archive


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Replayed:
    """A plan made again. `before` is the first one's JSON, made by alertd `made_with`; differences: none when the same
    byte for byte."""

    before: str
    made_with: str
    plan: Plan
    making: Making
    differences: tuple[Difference, ...]


async def replay(archive: Archive, plan_id: str) -> Replayed:
    """Make a plan again. Raises StoreError when the archive cannot serve, InputError or ConfigError when the code at
    hand refuses a file that was good once."""
    first = kept(archive, plan_id)
    if isinstance(first, KeptWays):
        planned = await replay(archive, first.made_of.planned)
        others = [(name, (await replay(archive, id_)).plan) for name, id_ in first.made_of.others]
        plan, making = (
            with_other_ways(planned.plan, others, first.made_of.missed, planned.making.params),
            planned.making,
        )
    else:
        with tempfile.TemporaryDirectory(prefix="alertd-replay-") as folder:
            places = lay_out(first.inputs.files, Path(folder))
            making = await _making(first, places, Path(folder), f"archive {archive.folder}: {plan_id}")
        plan = making.plan()
    return Replayed(
        before=first.plan,
        made_with=first.alertd,
        plan=plan,
        making=making,
        differences=differences(first.plan, plan_json(plan)),
    )


async def _making(first: Kept, places: Places, folder: Path, where: str) -> Making:
    i = first.inputs
    client = Retold(i.heard)
    ground: Ground = read_ground(places)
    sky, elevations = open_sky(_forecast(i.chosen, places), i.chosen.noncommercial, where, client)
    params = _params(i.chosen, where)
    route = await load_route(folder / i.route, ground, elevations)
    seen = locate(route, first.reports, first.trip.depart_at.astimezone(UTC), i.now_utc, params)
    fetched = await weather_along(route, window_of(route, i.departs, i.now_utc, params), sky, ground.zones)
    if client.missing:
        raise StoreError(
            f"{where}: {len(client.missing)} answers that this alertd asks for were not kept, the first to "
            f"{client.missing[0][:200]}; replay it with alertd {first.alertd}, or from a whole archive"
        )
    on_route = place_posted(route, i.posted, ground.rulesets, i.now_utc, params)
    closures = (*place_closures(route, i.closures), *closed_by_post(on_route))
    return Making(
        trip=trip_input(first.trip, seen, closures, fetched.warned, on_route),
        route=route,
        rig=ground.rig(first.trip.rig, where),
        rulesets=ground.rulesets,
        fetched=fetched,
        road=sky.road,
        params=params,
        now_utc=i.now_utc,
    )


def _forecast(chosen: Chosen, places: Places) -> ForecastSettings:
    return ForecastSettings(
        sources=chosen.sources,
        members=chosen.members,
        seed=chosen.seed,
        stale_h=chosen.stale_h,
        nws_url=chosen.nws_url,
        alerts=chosen.alerts,
        observations=chosen.station_correction,
        metar_url=chosen.metar_url,
        station_correction=chosen.station_correction,
        alerts_area=chosen.alerts_area,
        geomet_url=chosen.geomet_url,
        geomet_collection=chosen.geomet_collection,
        open_meteo_url=chosen.open_meteo_url,
        open_meteo_key="not kept" if chosen.open_meteo_keyed else None,
        weights=chosen.weights,
        open_meteo_ensemble_url=chosen.open_meteo_ensemble_url,
        open_meteo_ensemble_model=chosen.open_meteo_ensemble_model,
        open_meteo_elevation_url=chosen.open_meteo_elevation_url,
        met_norway_url=chosen.met_norway_url,
        road=read_road(places.road) if places.road else RoadSettings(),
    )


def _params(chosen: Chosen, where: str) -> PlanParams:
    try:
        return PlanParams(**chosen.plan)  # type: ignore[arg-type]  # some are counts, the rest floats
    except TypeError as exc:
        raise StoreError(f"{where}: a setting kept with it is gone ({exc}); replay it with its own alertd") from exc
