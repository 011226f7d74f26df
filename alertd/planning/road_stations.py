"""Reports of road weather stations beside a route: asked for once for all roads, and what they say of this one."""

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final

import numpy as np

from alertd.errors import ConfigError, SourceError
from alertd.forecast.observations import distances_m
from alertd.forecast.road_observations import RoadReport
from alertd.planning.replays.response_recorder import recording
from alertd.route.model import Route
from alertd.sources.http.client import HttpClient
from alertd.sources.road_stations.fetch import RoadStationService, fetch_reports

BESIDE_M: Final = 1_500.0  # [A] a station of the road itself; positions err by some 100 m, samples lie 250 m apart
FRESH: Final = timedelta(hours=2)  # [A] a road may change within an hour; an older report is no news
# [A] A report says something of trips that pass within so long.
CONCERNS: Final = timedelta(hours=6)
TIMEOUT_S: Final = 60.0


@dataclass(slots=True)
class RoadStationObserver:
    """Asks each service; its client keeps answers for as long as the service's file says.

    The answers are not part of a plan's recorded responses: the reports near the route are recorded.
    """

    client: HttpClient
    services: Sequence[RoadStationService]
    problems: list[str] = field(default_factory=list)

    async def beside(self, route: Route, now_utc: datetime) -> tuple[tuple[RoadReport, ...], tuple[str, ...]]:
        """The fresh reports beside a route, and problems as text. Never fails for a service."""

        async def one(service: RoadStationService) -> tuple[RoadReport, ...] | str:
            try:
                async with asyncio.timeout(TIMEOUT_S):
                    return await fetch_reports(self.client, service)
            except (SourceError, ConfigError) as exc:
                return f"road stations of {service.source}: {exc.problem}"
            except TimeoutError:
                return f"road stations of {service.source}: no answer within {TIMEOUT_S:g} s"

        with recording():
            answers = await asyncio.gather(*(one(service) for service in self.services))
        reports = [r for answer in answers if not isinstance(answer, str) for r in answer]
        return reports_beside(route, reports, now_utc), tuple(a for a in answers if isinstance(a, str))


def reports_beside(route: Route, reports: Sequence[RoadReport], now_utc: datetime) -> tuple[RoadReport, ...]:
    """The reports of the last FRESH of stations within BESIDE_M of a route, in its order."""
    fresh = [r for r in reports if timedelta(minutes=-10) <= now_utc - r.observed_at <= FRESH]
    south, north = float(route.lat_deg.min()) - 0.02, float(route.lat_deg.max()) + 0.02
    fresh = [r for r in fresh if south <= r.station.lat_deg <= north]
    if not fresh:
        return ()
    lat, lon = (np.array([getattr(r.station, name) for r in fresh]) for name in ("lat_deg", "lon_deg"))
    away_m = distances_m(lat, lon, route.lat_deg, route.lon_deg)
    nearest = away_m.argmin(axis=1)
    found = [(int(nearest[i]), r) for i, r in enumerate(fresh) if away_m[i, nearest[i]] <= BESIDE_M]
    return tuple(r for _, r in sorted(found, key=lambda pair: (pair[0], pair[1].station.id)))


def surface_remarks(reports: Sequence[RoadReport]) -> tuple[str, ...]:
    """One line a station, with its source and licence, for the reader of a plan."""
    return tuple(
        f"Road station {r.name}, {r.observed_at:%d %b %H:%M} UTC: {_measured(r)} ({r.source}, {r.licence})"
        for r in reports
    )


def slick_notes(reports: Sequence[RoadReport], starts_at: datetime, now_utc: datetime) -> tuple[str, ...]:
    """Cautions for trips that pass soon: stations that report a wintry or slippery road."""
    if starts_at - now_utc > CONCERNS:
        return ()
    slick = [r for r in reports if r.slick]
    if not slick:
        return ()
    first = f"{slick[0].name} ({_measured(slick[0])})"
    more = f" and {len(slick) - 1} more" if len(slick) > 1 else ""
    return (f"road stations report a winter road now: {first}{more}",)


def _measured(r: RoadReport) -> str:
    parts = [
        f"road {r.state.value}" if r.state else "",
        f"surface {r.surface_temp_c:.1f} °C" if r.surface_temp_c == r.surface_temp_c else "",
        f"friction {r.friction:.2f}" if r.friction == r.friction else "",
        f"sight {r.visibility_m:.0f} m" if r.visibility_m < 1000.0 else "",
        f"gusts {r.gust_mps:.0f} m/s" if r.gust_mps >= 15.0 else "",
    ]
    return ", ".join(filter(None, parts))
