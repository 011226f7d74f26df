"""From a route and a window to the corridor's road field: asks every source, then computes."""

import asyncio
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from alertd.errors import OutsideArea, SourceError
from alertd.forecast.contradictions import with_contradictions
from alertd.forecast.disagreement import snow_disagreements
from alertd.forecast.ensemble import normal_scores, to_ensemble
from alertd.forecast.model import WEATHER_FIELDS, Forecast
from alertd.forecast.past import PastEvidence
from alertd.forecast.pool import age_weight, member_counts, pool
from alertd.forecast.provider import ForecastProvider, ForecastRequest
from alertd.forecast.quality import Freshness, Limits, Usability, combine_quality, coverage, freshness
from alertd.forecast.sampling import choose_cells
from alertd.plan.describe.past import doubt_of, past_remarks, unseen_note
from alertd.plan.request import Weather
from alertd.plan.warnings.zones import Zones
from alertd.planning.past import PastSource
from alertd.planning.road_cache import RoadFieldCache
from alertd.planning.road_stations import RoadStationObserver, slick_notes, surface_remarks
from alertd.planning.stations import StationObserver
from alertd.planning.warnings import AlertServices, RouteWarnings, warnings_along
from alertd.road.corridor import RoadCells, RoadField, member_quantiles, road_cells, run_corridor
from alertd.road.local_error import with_local_error
from alertd.road.nearby import Nearby, PhaseSeen, SurfaceReading, phase_logit, phases_seen
from alertd.road.past_weather import cell_places, with_past
from alertd.route.bridges import on_bridges
from alertd.route.model import Route
from alertd.route.tunnels import in_tunnels
from alertd.sources.files.road import RoadSettings
from alertd.units import HOUR_S

SPIN_UP = timedelta(hours=48)  # past hours after which the start state of the road no longer matters
PAST_STREAM = 48  # distinguishes the random numbers of the past from those of the forecast
MAX_CELLS = 100  # what one request to a source may carry
MAX_SOURCES_IN_FULL = (
    2  # the pool holds as many sources' members; more sources have fewer each, so that a plan costs no more
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """The aware UTC hours that the trips on a route need; `now` is when it is planned."""

    start: datetime
    end: datetime
    now: datetime


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WeatherSources:
    """The sources to ask and how to turn their answers into members.

    alerts: None where warnings are not asked for. observer: None where station reports are not kept. past: None where
    past hours that the sources lack stay unknown. road_stations: None where none are asked. weights: of sources by
    name, 1 where not given; see `_counts`.
    """

    providers: Sequence[ForecastProvider]
    members: int
    seed: int
    stale_h: float
    road: RoadSettings = field(default_factory=RoadSettings)
    road_cache: RoadFieldCache = field(default_factory=RoadFieldCache)
    alerts: AlertServices | None = None
    observer: StationObserver | None = None
    past: PastSource | None = None
    weights: Mapping[str, float] = field(default_factory=dict)
    road_stations: RoadStationObserver | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SourceAnswers:
    """The answers of all sources for one route and window, before anything is computed from them.

    cells: the plan's columns and their forecast cells. failed: reasons by provider. notes: on sources without answers
    for some or all of the road. past: evidence of past hours that they lack.
    """

    route: Route
    window: Window
    request: ForecastRequest
    cells: RoadCells
    forecasts: tuple[Forecast, ...]
    failed: Mapping[str, str]
    notes: tuple[str, ...]
    warnings: RouteWarnings
    past: PastEvidence = field(default_factory=PastEvidence)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FetchedWeather:
    """The weather of a corridor, and the forecasts behind it as their sources gave them.

    warnings: the weather warnings on it; the weather's notes include theirs.
    """

    weather: Weather
    source_forecasts: tuple[Forecast, ...]
    warnings: RouteWarnings


async def ask_sources(
    route: Route, window: Window, weather_sources: WeatherSources, zones: Zones | None = None
) -> SourceAnswers:
    """Ask every source for one corridor. Never fails for a source: a failure is part of the answers.

    zones: outlines that place weather warnings.
    """
    plan = choose_cells(route.distance_m, route.elevation_m, route.lat_deg, route.lon_deg, max_cells=MAX_CELLS)
    request = ForecastRequest(
        lat_deg=route.lat_deg[plan.sample_idx],
        lon_deg=route.lon_deg[plan.sample_idx],
        road_elevation_m=route.elevation_m[plan.sample_idx],
        start=min(window.start, window.now) - SPIN_UP,
        end=window.end,
        now_utc=window.now,
    )
    answers, warnings = await asyncio.gather(
        asyncio.gather(*(p.fetch(request) for p in weather_sources.providers), return_exceptions=True),
        _warnings(route, weather_sources, zones or {}, window),
    )
    forecasts, failed, notes = [], {}, []
    for provider, answer in zip(weather_sources.providers, answers, strict=True):
        if isinstance(answer, OutsideArea):
            notes.append(f"{provider.name}: has no forecasts for this road; planned without it")
        elif isinstance(answer, SourceError):
            failed[provider.name] = answer.problem
        elif isinstance(answer, BaseException):
            raise answer
        else:
            forecasts.append(answer)
    notes += [
        f"{f.provider}: {len(f.outside)} of {f.lat_deg.size} places asked on this road are outside its area"
        for f in forecasts
        if f.outside
    ]
    past = PastEvidence()
    if weather_sources.past is not None and forecasts:
        past = await weather_sources.past.evidence(route, request, forecasts)
    if weather_sources.road_stations is not None:
        surfaces, troubles = await weather_sources.road_stations.beside(route, window.now)
        past = replace(past, surfaces=surfaces, surface_problems=troubles)
    cells = road_cells(
        route.distance_m,
        route.elevation_m,
        plan.cell_of_sample,
        route.lat_deg,
        route.lon_deg,
        on_deck=on_bridges(route.distance_m, route.bridges),
        in_tunnel=in_tunnels(route.distance_m, route.tunnels),
    )
    return SourceAnswers(
        route=route,
        window=window,
        request=request,
        cells=cells,
        forecasts=tuple(forecasts),
        failed=failed,
        notes=tuple(notes),
        warnings=warnings,
        past=past,
    )


async def _warnings(route: Route, weather_sources: WeatherSources, zones: Zones, window: Window) -> RouteWarnings:
    if weather_sources.alerts is None:
        return RouteWarnings()
    return await warnings_along(route, weather_sources.alerts, zones, window.now)


def compute_weather(
    answers: SourceAnswers, weather_sources: WeatherSources, phases: tuple[PhaseSeen, ...] = ()
) -> FetchedWeather:
    """The road field of a corridor from the answers. Without a usable forecast the road is unknown, and notes say so.

    phases: snow that people saw on the road, beside what stations report.

    The random numbers start from the same seed each time, so that the same answers give the same plan.
    """
    rng = np.random.default_rng(weather_sources.seed)
    window, road = answers.window, weather_sources.road
    compared = with_contradictions(answers.forecasts, answers.past.reports, window.now)
    answers = replace(answers, forecasts=compared)
    judged = [_judged(f, answers, weather_sources) for f in answers.forecasts]
    usable = [f for f, j in zip(answers.forecasts, judged, strict=True) if j.state is not Usability.UNUSABLE]
    counts = _counts(usable, weather_sources, window.now)
    request = answers.request
    disagree = snow_disagreements(usable, request.road_elevation_m, window.now, window.end)
    usable, changes = with_local_error(usable, answers.past, answers.request)
    ensembles = [
        to_ensemble(f, members=n, spreads=road.spreads, rng=rng, now_utc=window.now)
        for f, n in zip(usable, counts, strict=True)
    ]
    forecast = (
        pool(ensembles, counts=counts, failed=answers.failed, elevation_m=request.road_elevation_m)
        if ensembles
        else _unknown_forecast(request, weather_sources.members)
    )
    # A generator of its own: a source with past hours gives the same plan with and without stations.
    past_rng = np.random.default_rng((weather_sources.seed, PAST_STREAM))
    forecast, past = with_past(forecast, answers.past, request, road.spreads, past_rng)
    verdict = combine_quality(judged)
    if len(answers.forecasts) > 1 and usable:
        whole = coverage(forecast, window.start, window.end)
        verdict = Freshness(
            state=max(verdict.state, whole.state), reasons=tuple(dict.fromkeys((*verdict.reasons, *whole.reasons)))
        )
    members = forecast.air_temp_c.shape[0]
    quantiles = member_quantiles(members, rng)

    near = _nearby(answers, forecast, phases)
    service = road.services.of(answers.route.name)

    def run(previous: RoadField | None, changed: NDArray[np.bool_] | None) -> RoadField:
        return run_corridor(
            forecast,
            answers.cells,
            quantiles=quantiles,
            params=road.surface,
            deck=road.deck,
            limits=road.limits,
            air=road.air,
            service=service,
            nearby=near,
            previous=previous,
            changed=changed,
        )

    road_field = weather_sources.road_cache.field(
        forecast, answers.cells, quantiles, run, near, repr((road.surface, road.deck, road.limits, road.air, service))
    )
    clock_z = rng.permutation(normal_scores(members))
    corridor = weather_sources.road_cache.corridor(answers.cells, road_field, clock_z)
    no_answer = (f"{name}: no forecast ({why})" for name, why in answers.failed.items())
    notes = dict.fromkeys((*no_answer, *verdict.reasons, *(road_field.notes if usable else ())))
    unseen = unseen_note(past, window.now) if usable else ""
    slick = slick_notes(answers.past.surfaces, window.start, window.now)
    weather = Weather(
        forecast=forecast,
        corridor=corridor,
        notes=(
            *answers.warnings.notes,
            *slick,
            *notes,
            *answers.notes,
            *answers.past.surface_problems,
            *filter(None, (unseen,)),
        ),
        partial=bool(answers.failed) or verdict.state is not Usability.OK or bool(slick),
        remarks=(
            *answers.warnings.remarks,
            *(road_field.remarks if usable else ()),
            *disagree,
            *changes,
            *(past_remarks(past, answers.past.problems, window.now) if usable else ()),
            *surface_remarks(answers.past.surfaces),
        ),
        doubt=doubt_of(past, window.now, road.limits.unseen_snow_mmwe),
        past=past,
    )
    return FetchedWeather(weather=weather, source_forecasts=answers.forecasts, warnings=answers.warnings)


def _nearby(answers: SourceAnswers, forecast: Forecast, phases: tuple[PhaseSeen, ...]) -> Nearby:
    """Rain or snow that stations near the road reported in the last hours, and what sensors in it measured."""
    middles_s = forecast.start.timestamp() + HOUR_S * np.arange(0.5, forecast.hours, 1.0, dtype=np.float64)
    request = answers.request
    return Nearby(
        phase_logit=phase_logit(
            (*phases_seen(answers.past.reports), *phases),
            request.lat_deg,
            request.lon_deg,
            cell_places(forecast, request).elevation_m,
            middles_s,
        ),
        readings=tuple(
            SurfaceReading(
                surface_c=r.surface_temp_c,
                depth_c=r.depth_temp_c,
                epoch_s=r.observed_at.timestamp(),
                lat_deg=r.station.lat_deg,
                lon_deg=r.station.lon_deg,
                elevation_m=r.station.elevation_m,
            )
            for r in answers.past.surfaces
        ),
    )


def _judged(forecast: Forecast, answers: SourceAnswers, weather_sources: WeatherSources) -> Freshness:
    return freshness(
        forecast,
        now_utc=answers.window.now,
        window_start=answers.window.start,
        window_end=answers.window.end,
        limits=Limits(stale_after_h=weather_sources.stale_h),
        shared=len(answers.forecasts) > 1,
    )


def _counts(usable: Sequence[Forecast], weather_sources: WeatherSources, now_utc: datetime) -> list[int]:
    """Members of each source: those of the settings for one alone, else by weight, skill times `age_weight`.

    An ensemble larger than the settings' members raises the total.
    """
    most = max([weather_sources.members, *(f.air_temp_c.shape[0] for f in usable)])
    if len(usable) < 2:
        return [weather_sources.members for _ in usable]
    weights = [
        weather_sources.weights.get(f.provider, 1.0) * age_weight(f.credits[0].overdue_h(now_utc)) for f in usable
    ]
    total = max(most * min(len(usable), MAX_SOURCES_IN_FULL), len(usable))
    return [int(n) for n in member_counts(weights, total)]


def _unknown_forecast(request: ForecastRequest, members: int) -> Forecast:
    """A forecast of unknown values only: the road stays unknown, and unknown means "be ready"."""
    hours = max(int((request.end - request.start) / timedelta(hours=1)) + 1, 1)
    unknown = np.full((members, request.lat_deg.size, hours), np.nan)
    fields: dict[str, Any] = {name: unknown.copy() for name in WEATHER_FIELDS if name != "precip_form"}
    return Forecast(
        provider="",
        licence="",
        issued_at=None,
        fetched_at=request.now_utc,
        start=request.start.replace(minute=0, second=0, microsecond=0),
        lat_deg=request.lat_deg.copy(),
        lon_deg=request.lon_deg.copy(),
        elevation_m=request.road_elevation_m.copy(),
        precip_form=np.zeros(unknown.shape, dtype=np.int8),
        served_stale=True,
        **fields,
    )
