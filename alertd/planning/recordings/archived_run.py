"""The forecasts of one place as they were when made, run through the present chain from source to road class."""

import asyncio
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final

import numpy as np

from alertd.errors import SourceError
from alertd.forecast.model import Forecast
from alertd.forecast.observations import StationReport, distances_m
from alertd.forecast.past import PastEvidence
from alertd.forecast.provider import ForecastRequest
from alertd.forecast.road_observations import RoadReport
from alertd.planning.past import HISTORY
from alertd.planning.warnings import RouteWarnings
from alertd.planning.weather import SPIN_UP, SourceAnswers, WeatherSources, Window, compute_weather
from alertd.road.corridor import RoadCells, RoadField
from alertd.road.past_stations import REACH_M
from alertd.route.model import Route

AHEAD: Final = timedelta(hours=78)  # the longest scored lead time and the hours around it
_SPAN_DEG: Final = 0.001  # a route needs two samples; they are 111 m apart


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A pass, or another place of a road. elevation_m: of the road."""

    name: str
    lat_deg: float
    lon_deg: float
    elevation_m: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ArchivedRun:
    """The forecasts for one place that were at hand at `made_at`. failed: reasons by source."""

    place: Place
    made_at: datetime
    forecasts: tuple[Forecast, ...]
    failed: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Archived:
    """All of a folder. runs: read one after the other. reports, surfaces: each once, in order of time."""

    runs: Iterator[ArchivedRun]
    reports: tuple[StationReport, ...]
    surfaces: tuple[RoadReport, ...] = ()


def route_at(place: Place) -> Route:
    """A line of 111 m at the place, for what asks along a route."""
    flat = np.full(2, place.elevation_m)
    return Route(
        name=place.name,
        lat_deg=place.lat_deg + np.array([-0.5, 0.5]) * _SPAN_DEG,
        lon_deg=np.full(2, place.lon_deg),
        distance_m=np.array([0.0, 111.0]),
        elevation_m=flat,
        grade=np.zeros(2),
        bearing_deg=np.zeros(2),
    )


def window_at(made_at: datetime) -> Window:
    """The hours that a recording keeps."""
    return Window(start=made_at, end=made_at + AHEAD, now=made_at)


def request_at(place: Place, made_at: datetime) -> ForecastRequest:
    """The request for one place, with the past hours that spin the road up."""
    return ForecastRequest(
        lat_deg=np.array([place.lat_deg]),
        lon_deg=np.array([place.lon_deg]),
        road_elevation_m=np.array([place.elevation_m]),
        start=made_at - SPIN_UP,
        end=made_at + AHEAD,
        now_utc=made_at,
    )


async def ask_all_sources(
    sources: WeatherSources, request: ForecastRequest
) -> tuple[tuple[Forecast, ...], dict[str, str]]:
    """The forecasts of all sources, and the reasons of those without one by name. Never fails for a source."""
    answers = await asyncio.gather(*(p.fetch(request) for p in sources.providers), return_exceptions=True)
    forecasts, failed = [], {}
    for provider, answer in zip(sources.providers, answers, strict=True):
        if isinstance(answer, SourceError):
            failed[provider.name] = answer.problem
        elif isinstance(answer, BaseException):
            raise answer
        else:
            forecasts.append(answer)
    return tuple(forecasts), failed


def near_place(place: Place, reports: Sequence[StationReport]) -> tuple[StationReport, ...]:
    """The reports of stations that may be witnesses of the place's past."""
    if not reports:
        return ()
    lat, lon = (np.array([getattr(r.station, n) for r in reports]) for n in ("lat_deg", "lon_deg"))
    far_m = distances_m(np.array([place.lat_deg]), np.array([place.lon_deg]), lat, lon)[0]
    return tuple(r for r, m in zip(reports, far_m, strict=True) if m <= REACH_M)


def road_of(run: ArchivedRun, reports: Sequence[StationReport], sources: WeatherSources) -> RoadField:
    """The road at the place as a plan of that time would have had it, by this version's chain.

    reports: of stations near the place, at any time; those of later than `made_at` are not used.
    """
    window = window_at(run.made_at)
    known = tuple(r for r in reports if timedelta(0) <= run.made_at - r.observed_at <= HISTORY)
    one = np.zeros(1, dtype=np.int64)
    cells = RoadCells(
        cell_idx=one,
        lat_deg=np.array([run.place.lat_deg]),
        lon_deg=np.array([run.place.lon_deg]),
        elevation_m=np.array([run.place.elevation_m]),
        is_deck=np.zeros(1, dtype=np.bool_),
        column_of_sample=one.copy(),
        beside_of_sample=one.copy(),
    )
    answers = SourceAnswers(
        route=route_at(run.place),
        window=window,
        request=request_at(run.place, run.made_at),
        cells=cells,
        forecasts=run.forecasts,
        failed=run.failed,
        notes=(),
        warnings=RouteWarnings(),
        past=PastEvidence(reports=known),
    )
    return compute_weather(answers, sources).weather.corridor.field
