"""A day of requests under a script of faults, in virtual time: by hand, from the checkout's root.

    python tests/benchmarks/day_of_requests.py

Forty invented roads of eight places each are asked for every half hour through the real client and every source; the
servers are stand-ins that count for themselves, as the real ones do. Prints a table a host: requests, calls as the
server weighs them, the most in any second and any minute, the most at once, the stated limit, the share of 304,
failures, and the longest time without a good answer. Time is that of the event loop, which jumps to whatever is due
next; a day takes some minutes. `tests/sources/http/test_day_of_requests.py` runs a few hours of it.
"""

import asyncio
import json
import selectors
import sys
import tempfile
from collections import Counter, deque
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from urllib.parse import parse_qs, urlsplit

import httpx
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from alertd.errors import SourceError
from alertd.forecast.model import Forecast
from alertd.forecast.provider import ForecastProvider, ForecastRequest
from alertd.planning.past import PastObserver
from alertd.sources.http.client import HttpClient
from alertd.sources.http.options import HttpOptions
from alertd.sources.kept_forecasts import KeptForecasts
from alertd.sources.providers.eccc.alerts import GeometAlerts, box_around
from alertd.sources.providers.met_norway.forecast import MetNorway
from alertd.sources.providers.metar.reports import Metars
from alertd.sources.providers.nws.alerts import NwsAlerts
from alertd.sources.providers.nws.forecast import Nws
from alertd.sources.providers.nws.stations import NwsStations
from alertd.sources.providers.open_meteo.forecast import OpenMeteo
from alertd.sources.providers.open_meteo.parse import CODE, CODE_UNIT, VARIABLES
from alertd.testing.open_meteo_format import run_metadata

MIDNIGHT = datetime(2026, 1, 12, tzinfo=UTC)
CELL_LAT_DEG, CELL_LON_DEG = 0.0225, 0.033  # about 2.5 km
WEST_DEG, SOUTH_DEG = -121.0, 46.0
OFFICES = ("AAA", "BBB", "CCC")
NWS, FREE, MET, METAR, GEOMET = (
    "api.weather.gov", "api.open-meteo.com", "api.met.no", "aviationweather.gov", "api.weather.gc.ca"
)  # fmt: skip
# Calls a second, at once, and weighted calls by minute, hour and day; None where no number is stated.
STATED: dict[str, tuple[float | None, int | None, dict[str, int]]] = {
    NWS: (5, 4, {}),
    FREE: (None, 1, {"minute": 600, "hour": 5_000, "day": 10_000}),
    MET: (5, None, {}),
    METAR: (None, None, {"minute": 100}),
    GEOMET: (1, None, {}),
}


class VirtualLoop(asyncio.SelectorEventLoop):
    """An event loop whose clock jumps to the next thing due; threads are run in place, so that nothing else waits."""

    def __init__(self) -> None:
        super().__init__(_Jumping(self))
        self.now_s = 0.0

    def time(self) -> float:
        return self.now_s

    def run_in_executor(self, executor: object, func: Callable[..., Any], *args: Any) -> Any:
        future = self.create_future()
        try:
            future.set_result(func(*args))
        except Exception as exc:
            future.set_exception(exc)
        return future


class _Jumping(selectors.SelectSelector):
    def __init__(self, loop: VirtualLoop) -> None:
        super().__init__()
        self._loop = loop

    def select(self, timeout: float | None = None) -> Any:
        if timeout is None:
            raise RuntimeError("everything waits and nothing is due")
        self._loop.now_s += max(timeout, 0.0)
        return super().select(0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """What goes wrong at a host between two hours of the day. where: only for URLs that hold it; share: of requests."""

    host: str
    kind: str
    from_h: float
    to_h: float
    where: str = ""
    share: float = 1.0


DAY: tuple[Fault, ...] = (
    Fault(host=NWS, kind="500", from_h=0.0, to_h=24.0, where="/gridpoints/AAA/12,"),
    Fault(host=NWS, kind="503", from_h=2.0, to_h=2.6, share=0.4),
    Fault(host=NWS, kind="expired", from_h=4.0, to_h=10.0, where="/gridpoints/BBB"),
    Fault(host=NWS, kind="hung", from_h=6.0, to_h=6.2),
    Fault(host=NWS, kind="html", from_h=8.0, to_h=8.4),
    Fault(host=NWS, kind="stale", from_h=12.0, to_h=14.0),
    Fault(host=NWS, kind="429", from_h=15.0, to_h=15.1),
    Fault(host=NWS, kind="refused", from_h=17.0, to_h=17.3),
    Fault(host=NWS, kind="truncated", from_h=19.0, to_h=19.2, share=0.5),
    Fault(host=FREE, kind="trailing", from_h=3.0, to_h=3.2),
    Fault(host=FREE, kind="503", from_h=5.0, to_h=5.2, share=0.5),
    Fault(host=FREE, kind="daily", from_h=16.0, to_h=24.0),
    Fault(host=MET, kind="403", from_h=10.0, to_h=10.3),
)


@dataclass(slots=True)
class Seen:
    """What one host counted. at_s: starts of requests; weighted: as it weighs them; good_s: of good answers."""

    at_s: list[float] = field(default_factory=list)
    weighted: list[float] = field(default_factory=list)
    good_s: list[float] = field(default_factory=list)
    statuses: Counter[str] = field(default_factory=Counter)
    good_urls: Counter[str] = field(default_factory=Counter)
    running: int = 0
    most_at_once: int = 0

    def most_within(self, window_s: float) -> int:
        """Requests in the busiest span of this length, wherever it begins."""
        inside: deque[float] = deque()
        most = 0
        for at in self.at_s:
            inside.append(at)
            while inside[0] <= at - window_s + 1e-6:
                inside.popleft()
            most = max(most, len(inside))
        return most

    def most_weighted(self, window_s: float) -> float:
        """Weighted calls in the busiest window of the server's clock."""
        sums: dict[int, float] = {}
        for at, weight in zip(self.at_s, self.weighted, strict=True):
            sums[int(at // window_s)] = sums.get(int(at // window_s), 0.0) + weight
        return max(sums.values(), default=0.0)

    def longest_silence_s(self, end_s: float) -> float:
        return float(max(np.diff([self.at_s[0], *self.good_s, end_s])))


class Servers:
    """Stand-ins for all hosts behind one transport."""

    def __init__(self, faults: Sequence[Fault], rng: np.random.Generator) -> None:
        self._faults, self._rng = faults, rng
        self.seen: dict[str, Seen] = {}

    async def answer(self, request: httpx.Request) -> httpx.Response:
        host, at_s = request.url.host, asyncio.get_running_loop().time()
        seen = self.seen.setdefault(host, Seen())
        seen.at_s.append(at_s)
        seen.weighted.append(weighed(str(request.url)))
        seen.running += 1
        seen.most_at_once = max(seen.most_at_once, seen.running)
        try:
            await asyncio.sleep(0.05 + 0.4 * float(self._rng.random()))
            response = await self._answered(request, at_s)
        finally:
            seen.running -= 1
        good = response.status_code in (200, 304) and "x-fault" not in response.headers
        seen.statuses[str(response.status_code) if good or response.status_code != 200 else "200 bad"] += 1
        if good:
            seen.good_urls[str(request.url)] += 1
            seen.good_s.append(asyncio.get_running_loop().time())
        elif host == FREE:
            seen.weighted[-1] += 1.0  # a failed call is counted once more
        return response

    async def _answered(self, request: httpx.Request, at_s: float) -> httpx.Response:
        url, hour = str(request.url), at_s / 3600.0
        for fault in self._faults:
            uncounted = fault.kind == "daily" and "/data/" in url
            if (
                fault.host == request.url.host and fault.from_h <= hour < fault.to_h and fault.where in url
                and not uncounted and self._rng.random() < fault.share
            ):  # fmt: skip
                return await _failed(fault.kind, request, at_s)
        return _good(request, at_s)


def weighed(url: str) -> float:
    """Open-Meteo's weight of a forecast question of at most fourteen days: a tenth a variable and place, at least 1."""
    if urlsplit(url).path.startswith("/data/"):
        return 0.0  # metadata are not counted
    asked = parse_qs(urlsplit(url).query)
    places, variables = (len(asked.get(name, [""])[0].split(",")) for name in ("latitude", "hourly"))
    return places * max(1.0, variables / 10.0)


async def _failed(kind: str, request: httpx.Request, at_s: float) -> httpx.Response:
    bad = {"x-fault": kind, "content-type": "application/json"}
    match kind:
        case "hung":
            await asyncio.sleep(7 * 3600.0)
        case "expired":
            result = "The requested forecast grid was issued 2021-03-29T08:20:45+00:00 and has expired."
            return httpx.Response(
                503, json={"type": "https://api.weather.gov/problems/ForecastGridExpired", "detail": result}
            )
        case "html":
            return httpx.Response(200, html="<h1>Access denied</h1>", headers={"x-fault": kind})
        case "stale":
            return _good(request, at_s, issued_back_h=88)
        case "429":
            return httpx.Response(429, headers={"retry-after": "120"})
        case "refused":
            raise httpx.ConnectError("refused")
        case "truncated":
            return httpx.Response(200, content=_good(request, at_s).content[:300], headers=bad)
        case "trailing":
            text = _good(request, at_s).content + b"Unexpected error while streaming data: timeoutReached"
            return httpx.Response(200, content=text, headers=bad)
        case "daily":
            reason = "Daily API request limit exceeded. Please try again tomorrow."
            return httpx.Response(429, json={"error": True, "reason": reason})
    return httpx.Response(int(kind) if kind.isdigit() else 500, html="<h1>error</h1>")


def _good(request: httpx.Request, at_s: float, issued_back_h: int = 0) -> httpx.Response:
    host, path = request.url.host, request.url.path
    if host == FREE and path.startswith("/data/"):
        return httpx.Response(200, json=run_metadata(MIDNIGHT + timedelta(seconds=at_s)))
    if host == FREE:
        body = open_meteo_body(str(request.url), at_s)
        return httpx.Response(200, content=body, headers={"content-type": "application/json"})
    if host == MET:
        return _met_norway(request, at_s)
    if host == METAR:
        return httpx.Response(200, json=[metar_body(at_s)])
    if host == GEOMET:
        return httpx.Response(200, json={"type": "FeatureCollection", "features": [], "numberMatched": 0, "links": []})
    if path == "/alerts/active":
        headers = {"cache-control": "max-age=60", "last-modified": format_datetime(MIDNIGHT, usegmt=True)}
        return httpx.Response(200, json=alerts_body(at_s), headers=headers)
    if path.endswith("/stations"):
        x, y = (int(part) for part in path.split("/")[3].split(","))
        lat, lon = SOUTH_DEG + (y + 0.5) * CELL_LAT_DEG, WEST_DEG + (x + 0.5) * CELL_LON_DEG
        return httpx.Response(200, json=stations_body(lat, lon), headers={"cache-control": "max-age=86400"})
    if path.startswith("/stations/"):
        asked = {name: values[0] for name, values in parse_qs(request.url.query.decode()).items()}
        return httpx.Response(200, json=observations_body(path.split("/")[2], asked, at_s))
    if path.startswith("/points/"):
        lat, _, lon = path.removeprefix("/points/").partition(",")
        return httpx.Response(200, json=point_body(float(lat), float(lon)), headers={"cache-control": "max-age=86400"})
    issued = MIDNIGHT + timedelta(hours=at_s // 3600 - issued_back_h)  # every office once an hour
    modified = format_datetime(issued, usegmt=True)
    headers = {"last-modified": modified, "cache-control": f"max-age={1100 + int(at_s) % 600}"}
    if request.headers.get("if-modified-since") == modified:
        return httpx.Response(304, headers=headers)
    return httpx.Response(200, json=grid_body(path.removeprefix("/gridpoints/"), issued), headers=headers)


def _met_norway(request: httpx.Request, at_s: float) -> httpx.Response:
    """A new run each six hours; an answer stays fresh for about half an hour, as recorded headers have it."""
    updated = MIDNIGHT + timedelta(hours=at_s // 21_600 * 6)
    now = MIDNIGHT + timedelta(seconds=at_s)
    headers = {
        "last-modified": format_datetime(updated, usegmt=True),
        "expires": format_datetime(now + timedelta(seconds=1700), usegmt=True),
        "date": format_datetime(now, usegmt=True),
    }
    if request.headers.get("if-modified-since") == headers["last-modified"]:
        return httpx.Response(304, headers=headers)
    asked = {name: values[0] for name, values in parse_qs(request.url.query.decode()).items()}
    return httpx.Response(200, json=met_norway_body(asked, now, updated), headers=headers)


def met_norway_body(asked: dict[str, str], now: datetime, updated: datetime) -> dict[str, Any]:
    instant = {
        "air_temperature": -2.0, "relative_humidity": 95.0, "cloud_area_fraction": 100.0, "wind_speed": 5.0,
    }  # fmt: skip
    hour = {"summary": {"symbol_code": "snow"}, "details": {"precipitation_amount": 0.4}}
    first = now.replace(minute=0, second=0, microsecond=0)
    series = [
        {
            "time": f"{first + timedelta(hours=h):%Y-%m-%dT%H:%M:%SZ}",
            "data": {"instant": {"details": instant | {"air_temperature": -2.0 - h % 2}}, "next_1_hours": hour},
        }
        for h in range(54)
    ]
    units = {
        "air_temperature": "celsius", "relative_humidity": "%", "cloud_area_fraction": "%", "wind_speed": "m/s",
        "precipitation_amount": "mm",
    }  # fmt: skip
    where = [float(asked["lon"]), float(asked["lat"]), int(asked["altitude"])]
    meta = {"updated_at": f"{updated:%Y-%m-%dT%H:%M:%SZ}", "units": units}
    return {
        "type": "Feature", "geometry": {"type": "Point", "coordinates": where},
        "properties": {"meta": meta, "timeseries": series},
    }  # fmt: skip


def metar_body(at_s: float) -> dict[str, Any]:
    hour = int(MIDNIGHT.timestamp() + at_s // 3600 * 3600)
    return {"icaoId": "KXXX", "obsTime": hour, "lat": 46.1, "lon": -120.9, "elev": 1200, "temp": -2, "dewp": -3}


def alerts_body(at_s: float) -> dict[str, Any]:
    return {
        "type": "FeatureCollection", "features": [],
        "updated": (MIDNIGHT + timedelta(seconds=at_s)).isoformat(),
    }  # fmt: skip


def point_body(lat: float, lon: float) -> dict[str, Any]:
    x, y = int((lon - WEST_DEG) / CELL_LON_DEG), int((lat - SOUTH_DEG) / CELL_LAT_DEG)
    return {"properties": {"gridId": OFFICES[x // 60 % len(OFFICES)], "gridX": x, "gridY": y}}


def stations_body(lat: float, lon: float) -> dict[str, Any]:
    """Four airports around a place, on a lattice of half degrees."""
    south, west = np.floor(lat * 2.0) / 2.0, np.floor(lon * 2.0) / 2.0
    corners = [(south + a, west + b) for a in (0.0, 0.5) for b in (0.0, 0.5)]
    return {"type": "FeatureCollection", "features": [station_feature(a, b) for a, b in corners]}


def station_feature(lat: float, lon: float) -> dict[str, Any]:
    row, column = round((lat - 40.0) * 2.0), round((lon + 130.0) * 2.0)
    name = "K" + chr(65 + column // 26 % 26) + chr(65 + column % 26) + chr(65 + row % 26)
    return {
        "type": "Feature", "geometry": {"type": "Point", "coordinates": [lon, lat]},
        "properties": {"stationIdentifier": name, "elevation": {"unitCode": "wmoUnit:m", "value": 1200.0}},
    }  # fmt: skip


def observations_body(name: str, asked: dict[str, str], at_s: float) -> dict[str, Any]:
    """Hourly reports of snow between the times asked for, none of the future."""
    now = MIDNIGHT + timedelta(seconds=at_s)
    start, end = (datetime.fromisoformat(asked[key]) for key in ("start", "end"))
    first = start.replace(minute=53, second=0)
    times = [first + timedelta(hours=h) for h in range(int((end - start) / timedelta(hours=1)) + 1)]
    features = [
        {
            "type": "Feature", "geometry": {"type": "Point", "coordinates": [-120.9, 46.1]},
            "properties": {
                "station": f"https://{NWS}/stations/{name}", "timestamp": at.isoformat(),
                "rawMessage": f"{name} {at:%d%H%M}Z 24010KT 3SM -SN OVC020 M02/M03 A2990 RMK AO2 P0002",
                "elevation": {"unitCode": "wmoUnit:m", "value": 1200.0},
            },
        }
        for at in times[::-1]
        if at <= now
    ]  # fmt: skip
    return {"type": "FeatureCollection", "features": features}


def grid_body(cell: str, issued: datetime) -> dict[str, Any]:
    office, _, place = cell.partition("/")
    x, y = (int(v) for v in place.split(","))
    west, south = WEST_DEG + x * CELL_LON_DEG, SOUTH_DEG + y * CELL_LAT_DEG
    east, north = west + CELL_LON_DEG, south + CELL_LAT_DEG
    ring = [[west, south], [east, south], [east, north], [west, north], [west, south]]
    begin = issued - timedelta(hours=3)

    def layer(uom: str, value: float) -> dict[str, Any]:
        return {"uom": uom, "values": [{"validTime": f"{begin.isoformat()}/P7D", "value": value}]}

    # Two values in turn: one value for all hours is not believed.
    degrees = [
        {"validTime": f"{(begin + timedelta(hours=3 * n)).isoformat()}/PT3H", "value": -2.0 - n % 2} for n in range(56)
    ]
    return {
        "geometry": {"type": "Polygon", "coordinates": [ring]},
        "properties": {
            "updateTime": issued.isoformat(), "gridId": office, "gridX": str(x), "gridY": str(y),
            "elevation": {"unitCode": "wmoUnit:m", "value": 1200.0},
            "temperature": {"uom": "wmoUnit:degC", "values": degrees}, "relativeHumidity": layer("wmoUnit:percent", 95),
            "windSpeed": layer("wmoUnit:km_h-1", 18), "skyCover": layer("wmoUnit:percent", 100),
            "quantitativePrecipitation": layer("wmoUnit:mm", 100.0), "snowfallAmount": layer("wmoUnit:mm", 1000.0),
        },
    }  # fmt: skip


def open_meteo_body(url: str, at_s: float) -> bytes:
    asked = {name: values[0].split(",") for name, values in parse_qs(urlsplit(url).query).items()}
    past, ahead = (int(asked[name][0]) for name in ("past_days", "forecast_days"))
    today = MIDNIGHT + timedelta(days=at_s // 86_400)
    first = int((today - timedelta(days=past)).timestamp())
    hours = 24 * (past + ahead)
    value = {"temperature_2m": -2.0, "relative_humidity_2m": 95, "surface_pressure": 870.0, "wind_speed_10m": 5.0}
    units = {"time": "unixtime", CODE: CODE_UNIT} | {name: next(iter(v.units)) for name, v in VARIABLES.items()}
    hourly: dict[str, list[float]] = {"time": [first + 3600 * h for h in range(hours)]}
    hourly |= {name: [value.get(name, 0)] * hours for name in asked["hourly"]}
    hourly["temperature_2m"] = [-2.0 - h % 2 for h in range(hours)]
    tail = json.dumps({"utc_offset_seconds": 0, "hourly_units": units, "hourly": hourly})[1:]
    places = [
        f'{{"latitude": {a}, "longitude": {b}, {tail}'
        for a, b in zip(asked["latitude"], asked["longitude"], strict=True)
    ]
    return (places[0] if len(places) == 1 else f"[{','.join(places)}]").encode()


def roads(count: int, places: int) -> list[tuple[np.ndarray, np.ndarray]]:
    """Straight roads east, some of them sharing their cells with the road before."""
    step = np.arange(places) * CELL_LON_DEG * 2.0 + CELL_LON_DEG / 2.0
    return [
        (np.full(places, SOUTH_DEG + (i // 2 * 2 + 0.5) * CELL_LAT_DEG), WEST_DEG + step + i % 10 * CELL_LON_DEG * 12)
        for i in range(count)
    ]


@dataclass(slots=True)
class Outcome:
    """What planning was handed: forecasts by source and how they were (good, stale, gaps, none)."""

    end_s: float
    servers: Servers
    forecasts: Counter[tuple[str, str]] = field(default_factory=Counter)
    evidence: Counter[str] = field(default_factory=Counter)  # of past hours, one for each forecast of the NWS
    reasons: Counter[str] = field(default_factory=Counter)
    troubles: list[str] = field(default_factory=list)


def _line(ask: ForecastRequest) -> Any:
    """What the observer of past hours uses of a route."""
    distance_m = np.arange(ask.lat_deg.size) * 5_000.0
    return SimpleNamespace(
        lat_deg=ask.lat_deg, lon_deg=ask.lon_deg, distance_m=distance_m, summits=(), climbs=()
    )  # fmt: skip


async def _ask_stations(observer: PastObserver, ask: ForecastRequest, forecast: Forecast, outcome: Outcome) -> None:
    """Ask for past hours; a source that has them itself causes no question."""
    evidence = await observer.evidence(_line(ask), ask, [forecast])
    outcome.evidence[f"{forecast.provider}: {'stations' if evidence.reports else 'none'}"] += 1
    outcome.reasons.update(evidence.problems)


async def _day(
    hours: float, count: int, places: int, faults: Sequence[Fault], cache: Path, from_h: float, only: str
) -> Outcome:
    loop = asyncio.get_running_loop()
    await asyncio.sleep(from_h * 3600.0)
    servers = Servers(faults, np.random.default_rng(7))
    outcome = Outcome(end_s=(from_h + hours) * 3600.0, servers=servers)

    def now_utc() -> datetime:
        return MIDNIGHT + timedelta(seconds=loop.time())

    async with HttpClient(HttpOptions(
        contact="ops@fleet.example", cache_dir=cache, now_utc=now_utc, rng=np.random.default_rng(1),
        transport=httpx.MockTransport(servers.answer), on_error=outcome.troubles.append,
    )) as client:  # fmt: skip
        sources: list[ForecastProvider] = [OpenMeteo(client, f"https://{FREE}", noncommercial=True)]
        if not only:
            sources += [Nws(client), MetNorway(client)]
        alerts, airports = NwsAlerts(client, f"https://{NWS}"), Metars(client, f"https://{METAR}")
        canada = GeometAlerts(client, f"https://{GEOMET}", "weather-alerts")
        # Every other road is one of a land without stations of the weather service.
        observers = [
            PastObserver(NwsStations(client, f"https://{NWS}"), None, KeptForecasts(None)),
            PastObserver(None, airports, KeptForecasts(None)),
        ]

        async def fetch(source: ForecastProvider, ask: ForecastRequest, number: int) -> None:
            try:
                forecast = await source.fetch(ask)
            except SourceError as exc:
                outcome.forecasts[source.name, "none"] += 1
                outcome.reasons[exc.problem] += 1
                return
            how = "stale" if forecast.served_stale else "gaps" if forecast.gaps else "good"
            outcome.forecasts[source.name, how] += 1
            outcome.reasons.update(gap.reason for gap in forecast.gaps)
            await _ask_stations(observers[number % 2], ask, forecast, outcome)

        async def received(asked: Awaitable[object]) -> None:
            try:
                await asked
            except SourceError as exc:
                outcome.reasons[f"{exc.source}: {exc.problem}"] += 1

        while loop.time() < outcome.end_s:
            began = loop.time()
            async with asyncio.TaskGroup() as group:
                for number, (lat, lon) in enumerate(roads(count, places)):
                    now = now_utc()
                    ask = ForecastRequest(
                        lat_deg=lat, lon_deg=lon, road_elevation_m=np.full(lat.size, 1250.0), now_utc=now,
                        start=now - timedelta(hours=48), end=now + timedelta(hours=40),
                    )  # fmt: skip
                    for source in sources:
                        group.create_task(fetch(source, ask, number))
                    if not only:
                        west, south, east, north = box_around(lat.tolist(), lon.tolist(), 0.3)
                        group.create_task(received(airports.inside(south, west, north, east)))
                        group.create_task(received(canada.within((west, south, east, north))))
                if not only:
                    group.create_task(received(alerts.active()))
            await asyncio.sleep(max(0.0, began + 1800.0 - loop.time()))
    return outcome


def run(
    *, hours: float, count: int, places: int, cache: Path, faults: Sequence[Fault] = DAY, from_h: float = 0.0,
    only: str = "",
) -> Outcome:  # fmt: skip
    """So many hours of cycles, half an hour apart, from `from_h` UTC; `only`: of that host alone, Open-Meteo's."""
    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        return runner.run(_day(hours, count, places, faults, cache, from_h, only))


def main() -> None:
    memory = Path("/dev/shm")  # the cache writes through to the disk, which would be most of the run
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as folder:
        outcome = run(hours=24.0, count=40, places=8, cache=Path(folder))
    print(f"{'host':22}{'requests':>9}{'weighted':>9}{'/s':>4}{'/min':>6}{'at once':>8}  {'stated':34}{'304':>5}"
          f"{'failed':>8}{'longest silence':>17}")  # fmt: skip
    for host, seen in outcome.servers.seen.items():
        per_s, at_once, windows = STATED[host]
        stated = [f"{per_s:g}/s"] if per_s else []
        stated += [f"{at_once} at once"] if at_once else []
        stated += [f"{limit:,}/{window[0]}" for window, limit in windows.items()]
        total = len(seen.at_s)
        failed = total - seen.statuses["200"] - seen.statuses["304"]
        print(f"{host:22}{total:9d}{sum(seen.weighted):9.0f}{seen.most_within(1.0):4d}{seen.most_within(60.0):6d}"
              f"{seen.most_at_once:8d}  {', '.join(stated):34}{seen.statuses['304'] / total:5.0%}{failed:8d}"
              f"{seen.longest_silence_s(outcome.end_s) / 60.0:13.0f} min")  # fmt: skip
    free = outcome.servers.seen[FREE]
    most = {name: free.most_weighted(s) for name, s in (("minute", 60.0), ("hour", 3600.0), ("day", 86_400.0))}
    print(f"\n{FREE}, most weighted calls: " + ", ".join(f"{n:.0f} in a {name}" for name, n in most.items()))
    print("\nforecasts handed to planning:")
    for (source, how), n in sorted(outcome.forecasts.items()):
        print(f"  {source:12}{how:7}{n:6d}")
    print(f"evidence of past hours: {dict(outcome.evidence)}")
    print("\nwhat was said most often:")
    for reason, n in outcome.reasons.most_common(25):
        print(f"{n:8d}  {reason[:150]}")
    print("\n".join(outcome.troubles))


if __name__ == "__main__":
    main()
