"""The inputs of one plan as values, from which it can be made again.

A record holds raw inputs, never results: answers as the sources received them, files as bytes, and the operator's
settings. Parameters without a setting come from the code, so a replay shows the result of this code on those inputs.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from pydantic import BaseModel, ConfigDict, Field

from alertd.forecast.past import PastEvidence
from alertd.plan.chain_up.chains_on import TruckReport
from alertd.plan.position.map_match import PositionReport
from alertd.planning.road_reports import NO_ROAD_REPORTS, RoadReports
from alertd.settings.file_model import PlanFile
from alertd.settings.forecast import SECRET_KEYS
from alertd.settings.model import Settings
from alertd.sources.files.trips import TripRequest
from alertd.sources.http.answer import SourceResponse


class StoredModel(BaseModel):
    """A part of a stored record: unknown keys and wrong types are errors."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, defer_build=True)


class ReplaySettings(StoredModel):
    """The operator's settings that a plan depends on. plan: by the names of PlanParams.

    providers: keys of forecast providers. secret_keys: the keys that name a secret; the secret itself is not stored.
    The URLs, alerts_area and geomet_collection are part of the requests to sources.
    """

    sources: tuple[str, ...]
    members: int
    seed: int
    stale_h: float
    alerts: bool = False  # plans kept before warnings were asked for
    metar_url: str = ""  # plans kept before stations were asked
    # Of plans kept while station reports corrected forecasts; see `replay`. Not written any more.
    station_correction: bool = Field(default=False, exclude=True)
    alerts_area: tuple[str, ...] = ()
    geomet_url: str = ""
    geomet_collection: str = ""
    noncommercial: bool
    weights: dict[str, float] = {}  # none in plans kept before sources had them
    providers: dict[str, Any]
    secret_keys: tuple[str, ...] = ()
    plan: dict[str, float | int]


def replay_settings(settings: Settings) -> ReplaySettings:
    f = settings.forecast
    return ReplaySettings(
        sources=f.sources,
        members=f.members,
        seed=f.seed,
        stale_h=f.stale_h,
        alerts=f.alerts,
        metar_url=f.metar_url,
        alerts_area=f.alerts_area,
        geomet_url=f.geomet_url,
        geomet_collection=f.geomet_collection,
        noncommercial=settings.noncommercial,
        weights=dict(f.weights),
        providers={key: value for key, value in f.keys.items() if key not in SECRET_KEYS},
        secret_keys=tuple(f.secrets),
        plan={name: getattr(settings.plan, name) for name in PlanFile().overrides(f.stale_h)},
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReplayRecord:
    """departs: first and last departure of the trips that were planned together, for they share one forecast window.

    files: by name, see `settings.file_snapshot`; route: the name of the route's among them. response: in any order.
    road_reports: as they were read, on this route or not; controls that a feed listed earlier may count among them.
    past: evidence of past hours that the sources lack; the answers behind it are not among the responses.
    """

    now_utc: datetime
    departs: tuple[datetime, datetime]
    settings: ReplaySettings
    files: Mapping[str, bytes]
    route: str
    responses: tuple[SourceResponse, ...]
    road_reports: RoadReports = NO_ROAD_REPORTS
    past: PastEvidence = field(default_factory=PastEvidence)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedTrip:
    """The id of a plan, its trip, and the reports of its truck: positions, chains, arrival."""

    trip: TripRequest
    reports: tuple[PositionReport | TruckReport, ...]
    plan_id: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparisonRecord:
    """The parts of a plan with other routes: ids of archived plans, others as (name, id), missed as (name, reason)."""

    planned: str
    others: tuple[tuple[str, str], ...]
    missed: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ArchivedPlan:
    """A plan as it was made (its JSON, and by which alertd) with its trip and inputs.

    plan: None where a store keeps it.
    """

    alertd: str
    plan: str | None
    trip: TripRequest
    reports: tuple[PositionReport | TruckReport, ...]
    inputs: ReplayRecord


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ArchivedComparison:
    """A plan with other routes, as it was made. plan: None where a store keeps it."""

    alertd: str
    plan: str | None
    made_of: ComparisonRecord
