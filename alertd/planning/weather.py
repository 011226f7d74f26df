"""From a route and a window to the corridor's road field: ask every source, keep what came, say what did not."""

import asyncio
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from alertd.errors import OutsideArea, SourceError
from alertd.forecast.ensemble import dress, normal_scores
from alertd.forecast.model import WEATHER_FIELDS, Forecast
from alertd.forecast.nudge import Nudged, nudge
from alertd.forecast.pool import age_weight, member_counts, pool
from alertd.forecast.provider import ForecastAsk, ForecastProvider
from alertd.forecast.quality import Freshness, Limits, Usable, coverage, freshness, together
from alertd.forecast.sampling import choose_cells
from alertd.plan.make_plan import Weather
from alertd.plan.road_ahead.hourly_need import Corridor
from alertd.plan.warnings.zones import Zones
from alertd.planning.road_cache import Fields
from alertd.planning.stations import Observed, Observer
from alertd.planning.warnings import Services, Warned, warnings_along
from alertd.road.corridor import RoadCells, RoadField, member_quantiles, road_cells, run_corridor
from alertd.route.bridges import on_bridges
from alertd.route.model import Route
from alertd.sources.files.road import RoadSettings

SPIN_UP = timedelta(hours=48)  # past hours that let the road forget how it was started
MOST_CELLS = 100  # what one request to a source may carry
SOURCES_IN_FULL = (
    2  # the pool holds as many sources' members; more sources have fewer each, so that a plan costs no more
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """The aware UTC hours that the trips on a route need; `now` is when it is planned."""

    start: datetime
    end: datetime
    now: datetime


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sky:
    """The sources to ask and how to turn them into members.

    alerts: None where warnings are not asked for; observer: None where stations are not. station_correction: whether
    what stations measure corrects the next hours. weights: of sources by their name, 1 where not given; see `_counts`.
    """

    providers: Sequence[ForecastProvider]
    members: int
    seed: int
    stale_h: float
    road: RoadSettings = field(default_factory=RoadSettings)
    fields: Fields = field(default_factory=Fields)
    alerts: Services | None = None
    observer: Observer | None = None
    station_correction: bool = False
    weights: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fetched:
    """What a corridor's plans are made from, and the forecasts behind it as their sources gave them.

    warned: the weather warnings on it, whose notes stand among the weather's.
    """

    weather: Weather
    told: tuple[Forecast, ...]
    warned: Warned


async def weather_along(route: Route, window: Window, sky: Sky, zones: Zones | None = None) -> Fetched:
    """The road field for one corridor. Never fails for a source: with none the road is unknown, and that is said.

    zones: outlines that place weather warnings.
    """
    plan = choose_cells(route.distance_m, route.elevation_m, route.lat_deg, route.lon_deg, max_cells=MOST_CELLS)
    ask = ForecastAsk(
        lat_deg=route.lat_deg[plan.sample_idx],
        lon_deg=route.lon_deg[plan.sample_idx],
        road_elevation_m=route.elevation_m[plan.sample_idx],
        start=min(window.start, window.now) - SPIN_UP,
        end=window.end,
        now_utc=window.now,
    )
    answers, warned = await asyncio.gather(
        asyncio.gather(*(p.fetch(ask) for p in sky.providers), return_exceptions=True),
        _warned(route, sky, zones or {}, window),
    )
    # After the forecasts, so that a station that fails never closes a shared host to them.
    observed = await _observed(route, window, sky)
    forecasts, failed, notes = [], {}, []
    for provider, answer in zip(sky.providers, answers, strict=True):
        if isinstance(answer, OutsideArea):
            notes.append(f"{provider.name}: has no forecasts for this road; planned without it")
        elif isinstance(answer, SourceError):
            failed[provider.name] = answer.problem
        elif isinstance(answer, BaseException):
            raise answer
        else:
            forecasts.append(answer)
    cells = road_cells(
        route.distance_m,
        route.elevation_m,
        plan.cell_of_sample,
        route.lat_deg,
        route.lon_deg,
        on_deck=on_bridges(route.distance_m, route.bridges),
    )
    notes += [
        f"{f.provider}: {len(f.outside)} of {f.lat_deg.size} places asked on this road are outside its area"
        for f in forecasts
        if f.outside
    ]
    weather = await asyncio.to_thread(_corridor, ask, cells, forecasts, failed, observed, window, sky)
    weather = replace(weather, notes=(*warned.notes, *weather.notes, *notes))
    return Fetched(weather=weather, told=tuple(forecasts), warned=warned)


async def _warned(route: Route, sky: Sky, zones: Zones, window: Window) -> Warned:
    return Warned() if sky.alerts is None else await warnings_along(route, sky.alerts, zones, window.now)


async def _observed(route: Route, window: Window, sky: Sky) -> Observed:
    if sky.observer is None or not sky.station_correction:
        return Observed()
    return await sky.observer.along(route, window.now)


def _corridor(
    ask: ForecastAsk,
    cells: RoadCells,
    forecasts: list[Forecast],
    failed: dict[str, str],
    observed: Observed,
    window: Window,
    sky: Sky,
) -> Weather:
    """The numbers part. Seeded anew each time, so that the same answers give the same plan."""
    rng = np.random.default_rng(sky.seed)
    limits = Limits(stale_after_h=sky.stale_h)
    judged = [
        freshness(
            f,
            now_utc=window.now,
            window_start=window.start,
            window_end=window.end,
            limits=limits,
            shared=len(forecasts) > 1,
        )
        for f in forecasts
    ]
    usable = [f for f, j in zip(forecasts, judged, strict=True) if j.state is not Usable.UNUSABLE]
    road = sky.road
    counts = _counts(usable, sky, window.now)
    dressed = [
        dress(f, members=n, spreads=road.spreads, rng=rng, now_utc=window.now)
        for f, n in zip(usable, counts, strict=True)
    ]
    forecast = (
        pool(dressed, counts=counts, failed=failed, elevation_m=ask.road_elevation_m)
        if dressed
        else _nothing(ask, sky.members)
    )
    verdict = together(judged)
    if len(forecasts) > 1 and usable:
        whole = coverage(forecast, window.start, window.end)
        verdict = Freshness(
            state=max(verdict.state, whole.state), reasons=tuple(dict.fromkeys((*verdict.reasons, *whole.reasons)))
        )
    notes = [*(f"{name}: no forecast ({why})" for name, why in failed.items()), *verdict.reasons]
    corrected = nudge(forecast, observed.reports, window.now)
    forecast = corrected.forecast
    if sky.station_correction:
        notes.append(_moved(corrected))
    members = forecast.air_temp_c.shape[0]
    quantiles = member_quantiles(members, rng)

    def run(previous: RoadField | None, changed: NDArray[np.bool_] | None) -> RoadField:
        return run_corridor(
            forecast,
            cells,
            quantiles=quantiles,
            params=road.surface,
            deck=road.deck,
            limits=road.limits,
            air=road.air,
            previous=previous,
            changed=changed,
        )

    road_field = sky.fields.field(forecast, cells, quantiles, run)
    corridor = Corridor(cells=cells, field=road_field, clock_z=rng.permutation(normal_scores(members)))
    return Weather(
        forecast=forecast,
        corridor=corridor,
        notes=tuple(dict.fromkeys((*notes, *(road_field.notes if usable else ())))),
        partial=bool(failed) or verdict.state is not Usable.OK,
    )


def _moved(corrected: Nudged) -> str:
    if not corrected.stations_n:
        return "Air temperature not corrected: no station near the road told a recent one"
    stations = f"{corrected.stations_n} station{'s' if corrected.stations_n > 1 else ''}"
    return (
        f"Air temperature of the next hours moved toward what {stations} near the road measured: "
        f"at most {-corrected.coldest_k:.1f} °C colder, {corrected.warmest_k:.1f} °C warmer"
    )


def _counts(usable: Sequence[Forecast], sky: Sky, now_utc: datetime) -> list[int]:
    """Members of each source: those of the settings for one alone, else by weight, skill times `age_weight`.

    An ensemble larger than the settings' members makes room for itself.
    """
    most = max([sky.members, *(f.air_temp_c.shape[0] for f in usable)])
    if len(usable) < 2:
        return [sky.members for _ in usable]
    weights = [sky.weights.get(f.provider, 1.0) * age_weight(f.credits[0].overdue_h(now_utc)) for f in usable]
    total = max(most * min(len(usable), SOURCES_IN_FULL), len(usable))
    return [int(n) for n in member_counts(weights, total)]


def _nothing(ask: ForecastAsk, members: int) -> Forecast:
    """A forecast that knows nothing: the road stays unknown, and unknown reads as "be ready"."""
    hours = max(int((ask.end - ask.start) / timedelta(hours=1)) + 1, 1)
    unknown = np.full((members, ask.lat_deg.size, hours), np.nan)
    fields: dict[str, Any] = {name: unknown.copy() for name in WEATHER_FIELDS if name != "precip_form"}
    return Forecast(
        provider="",
        licence="",
        issued_at=None,
        fetched_at=ask.now_utc,
        start=ask.start.replace(minute=0, second=0, microsecond=0),
        lat_deg=ask.lat_deg.copy(),
        lon_deg=ask.lon_deg.copy(),
        elevation_m=ask.road_elevation_m.copy(),
        precip_form=np.zeros(unknown.shape, dtype=np.int8),
        served_stale=True,
        **fields,
    )
