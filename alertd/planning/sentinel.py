"""Asks each configured source for one known place, and compares what it gives with what it gave before.

A source that drops a field, shortens its reach or stops running still answers in the right shape: plans only become
less certain, and nobody sees why. Units need no comparison of their own, since a reader refuses one it does not know.
The last good look is kept in the folder of cached answers.
"""

import asyncio
import json
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np

from alertd.errors import AlertdError, ConfigError, InputError, OutsideArea, SourceError
from alertd.forecast.model import HINT_FIELDS, REQUIRED_FIELDS, WEATHER_FIELDS, Forecast
from alertd.forecast.provider import ForecastProvider, ForecastRequest
from alertd.planning.planner import Planner
from alertd.sources.files.zones import write_atomic
from alertd.sources.http.client import HttpClient
from alertd.sources.road_feeds.config import Feed
from alertd.sources.road_feeds.fetch import fetch_feed
from alertd.sources.road_stations.fetch import RoadStationService, fetch_reports

FILE: Final = "source-looks.json"
AHEAD_H: Final = 24
ASKED_H: Final = 96
TIMEOUT_S: Final = 120.0
REACH_LOST_H: Final = 12.0  # [A] a run less at the end of a forecast is common
Level = Literal["ok", "look", "wrong"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A place on a road: latitude, longitude [deg] and height [m]."""

    lat_deg: float
    lon_deg: float
    elevation_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """What a source gave at one place. fields: with any value in the next AHEAD_H hours. reach_h: of its last hour."""

    source: str
    fields: tuple[str, ...]
    members: int
    reach_h: float
    licence: str
    problems: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceFinding:
    """One line on a source. `level` as in `alertd check`."""

    source: str
    level: Level
    text: str


async def ask_all(planner: Planner, place: Place, now_utc: datetime) -> list[SourceFinding]:
    """Ask every source once; findings in the order of the settings. Never fails for a source.

    The looks of sources that answered replace the last ones.
    """
    path = planner.settings.cache / FILE
    observer = planner.weather_sources.road_stations
    before = _read(path)
    asked = [_forecast(p, place, now_utc, before.get(p.name)) for p in planner.weather_sources.providers]
    if planner.feeds is not None:
        asked += [_feed(planner.feeds.client, feed, now_utc) for feed in planner.feeds.feeds]
    if observer is not None:
        asked += [_stations(observer.client, service) for service in observer.services]
    answers = await asyncio.gather(*asked)
    looks = {look.source: look for _, look in answers if look is not None}
    if looks:
        kept = {name: _plain(look) for name, look in looks.items()}
        with suppress(InputError):  # the look is told all the same
            await asyncio.to_thread(write_atomic, path, before | kept)
    return [finding for findings, _ in answers for finding in findings]


async def _forecast(
    provider: ForecastProvider, place: Place, now_utc: datetime, before: dict[str, Any] | None
) -> tuple[list[SourceFinding], Look | None]:
    request = ForecastRequest(
        lat_deg=np.array([place.lat_deg]), lon_deg=np.array([place.lon_deg]),
        road_elevation_m=np.array([place.elevation_m]), start=now_utc, end=now_utc + timedelta(hours=ASKED_H),
        now_utc=now_utc,
    )  # fmt: skip
    name = provider.name
    try:
        async with asyncio.timeout(TIMEOUT_S):
            forecast = await provider.fetch(request)
    except OutsideArea as exc:
        return [SourceFinding(source=name, level="ok", text=f"has no forecasts at this place ({exc.problem})")], None
    except (SourceError, ConfigError) as exc:
        return [SourceFinding(source=name, level="wrong", text=exc.problem)], None
    except TimeoutError:
        return [SourceFinding(source=name, level="wrong", text=f"no answer within {TIMEOUT_S:g} s")], None
    look = look_at(forecast, now_utc)
    return judged(look, forecast, before, now_utc), look


def look_at(forecast: Forecast, now_utc: datetime) -> Look:
    """What a forecast of one place holds from now on."""
    first = max(int((now_utc - forecast.start) / timedelta(hours=1)), 0)
    ahead = slice(first, first + AHEAD_H)
    known = [n for n in WEATHER_FIELDS if n != "precip_form" and np.isfinite(getattr(forecast, n)[..., ahead]).any()]
    known += [n for n in HINT_FIELDS if getattr(forecast, n) is not None]
    hours = np.flatnonzero(np.isfinite(forecast.air_temp_c).any(axis=(0, 1)))
    reach_h = float(hours[-1] + 1 - first) if hours.size else 0.0
    return Look(
        source=forecast.provider, fields=tuple(known), members=int(forecast.air_temp_c.shape[0]), reach_h=reach_h,
        licence=forecast.licence, problems=tuple(gap.reason for gap in forecast.gaps),
    )  # fmt: skip


def judged(look: Look, forecast: Forecast, before: dict[str, Any] | None, now_utc: datetime) -> list[SourceFinding]:
    """What is wrong with a look by itself, and what changed since the last one."""
    name = look.source
    age_h = forecast.credits[0].overdue_h(now_utc)
    out = [SourceFinding(source=name, level="look", text=problem) for problem in look.problems]
    missing = [f for f in REQUIRED_FIELDS if f not in look.fields]
    if missing:
        out.append(SourceFinding(source=name, level="wrong", text=f"gives no {', '.join(missing)}"))
    if age_h > AHEAD_H / 2:
        old = f"its newest run is {forecast.age_h(now_utc):.0f} h old"
        out.append(SourceFinding(source=name, level="look", text=old))
    for text in changes(look, before):
        out.append(SourceFinding(source=name, level="look", text=text))
    run = f"run of {forecast.issued_at:%d %b %H:%M} UTC" if forecast.issued_at else "run time not given"
    good = f"{len(look.fields)} fields, {look.members} members, {look.reach_h:.0f} h ahead, {run}; {look.licence}"
    return [SourceFinding(source=name, level="ok", text=good), *out]


def changes(look: Look, before: dict[str, Any] | None) -> list[str]:
    """What differs from the last look of the same source, in words."""
    if before is None:
        return []
    old = set(before.get("fields", ()))
    lost, new = sorted(old - set(look.fields)), sorted(set(look.fields) - old)
    out = []
    if lost:
        out.append(f"no longer gives {', '.join(lost)}")
    if new:
        out.append(f"now gives {', '.join(new)} too")
    if before.get("members") != look.members:
        out.append(f"has {look.members} members, {before.get('members')} before")
    reach_h = before.get("reach_h", look.reach_h)
    if look.reach_h < reach_h - REACH_LOST_H:
        out.append(f"reaches {look.reach_h:.0f} h ahead, {reach_h:.0f} h before")
    if before.get("licence") != look.licence:
        out.append(f'its licence is now "{look.licence}"')
    return out


async def _feed(client: HttpClient, feed: Feed, now_utc: datetime) -> tuple[list[SourceFinding], Look | None]:
    try:
        answer = await fetch_feed(client, feed, {}, now_utc)
    except (SourceError, ConfigError) as exc:
        return [SourceFinding(source=feed.name, level="wrong", text=exc.problem)], None
    good = f"{len(answer.controls)} entries, good to {answer.confirmed_at:%d %b %H:%M} UTC; {feed.licence}"
    out = [SourceFinding(source=feed.name, level="ok", text=good)]
    if answer.old_because:
        out.append(SourceFinding(source=feed.name, level="look", text=answer.old_because))
    return out, None


async def _stations(client: HttpClient, service: RoadStationService) -> tuple[list[SourceFinding], Look | None]:
    try:
        reports = await fetch_reports(client, service)
    except (SourceError, ConfigError) as exc:
        return [SourceFinding(source=service.name, level="wrong", text=exc.problem)], None
    if not reports:
        why = "no station with a road surface in its answer"
        return [SourceFinding(source=service.name, level="wrong", text=why)], None
    newest = max(r.observed_at for r in reports)
    good = f"{len(reports)} stations, newest of {newest:%d %b %H:%M} UTC; {service.licence}"
    return [SourceFinding(source=service.name, level="ok", text=good)], None


def _plain(look: Look) -> dict[str, Any]:
    return {"fields": list(look.fields), "members": look.members, "reach_h": look.reach_h, "licence": look.licence}


def _read(path: Path) -> dict[str, Any]:
    """The last looks; none where the file is absent or damaged, since it only serves comparison."""
    try:
        content = json.loads(path.read_bytes())
    except (OSError, ValueError):
        return {}
    return content if isinstance(content, dict) and all(isinstance(v, dict) for v in content.values()) else {}


async def known_place(planner: Planner) -> Place | None:
    """The middle of the first route, by name; None without a route that can be read."""
    for path in sorted(planner.settings.places.routes.glob("*.gpx")):
        try:
            route = await planner.route_of(path)
        except AlertdError:
            continue
        middle = route.distance_m.size // 2
        return Place(
            lat_deg=float(route.lat_deg[middle]), lon_deg=float(route.lon_deg[middle]),
            elevation_m=float(route.elevation_m[middle]),
        )  # fmt: skip
    return None
