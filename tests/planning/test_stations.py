"""Stations near a road: asked seldom, kept once, in the way of no plan, and replayed where a plan turned on them."""

import json
import logging
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest
import respx

from alertd.errors import ConfigError
from alertd.forecast.observations import Station, StationReport
from alertd.plan.serialize import plan_json
from alertd.planning.planner import create_planner
from alertd.planning.replays.response_recorder import recording
from alertd.planning.stations import StationObserver, gather_observations
from alertd.records.observations import save_observations
from alertd.route.model import Route
from alertd.service.cycle import run_cycle
from alertd.service.trip_import.save_trip import save_trip
from alertd.settings.model import Settings
from alertd.sources.files.trips import TripRequest
from alertd.sources.http.client import HttpClient
from alertd.sources.http.options import HttpOptions
from alertd.sources.http.retry import RetryPolicy
from alertd.sources.providers.nws.stations import NwsStations
from alertd.store.store import Store
from alertd.testing.clock import ManualClock, no_wait
from alertd.testing.fake_open_meteo import FakeOpenMeteo

AWC, NWS = "https://aviationweather.gov", "https://api.weather.gov"
METAR = f"{AWC}/api/data/metar"
TRIP = TripRequest(id="T-1", route="i90-west", rig="quillback-17", depart="2027-01-14T04:45:00-07:00")
NAN = float("nan")


@pytest.fixture
def api(morning: datetime) -> Iterator[FakeOpenMeteo]:
    with FakeOpenMeteo(now_utc=morning) as server:
        yield server


@pytest.fixture
def web() -> Iterator[respx.MockRouter]:
    """Services by name are mocked; the stand-in on this machine is really asked."""
    with respx.mock(assert_all_called=False) as router:
        router.route(host="127.0.0.1").pass_through()
        yield router


@pytest.fixture
def settings(make_settings: Callable[..., Settings], api: FakeOpenMeteo) -> Settings:
    made = make_settings(forecasts=api.base_url)
    return replace(made, forecast=replace(made.forecast, observations=True, metar_url=AWC))


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "alertd.db") as opened:
        yield opened


def seen_at(lat: float, lon: float, at: datetime, *, id_: str = "KXXX", temp: float = -9.0) -> dict[str, Any]:
    """An airport's report of a made-up station."""
    return {"icaoId": id_, "obsTime": int(at.timestamp()), "lat": lat, "lon": lon, "elev": 1400, "temp": temp}


def on(route: Route, at: datetime, **over: Any) -> dict[str, Any]:
    """The same beside the road, at its height."""
    beside = seen_at(float(route.lat_deg[400]), float(route.lon_deg[400]), at, **over)
    return beside | {"elev": float(route.elevation_m[400])}


async def observer_of(settings: Settings, clock: ManualClock, ask: Callable[[StationObserver], Any]) -> Any:
    async with create_planner(settings, clock) as planning:
        assert planning.weather_sources.observer is not None
        return await ask(planning.weather_sources.observer)


async def test_question_is_asked_once_in_twenty_minutes_and_shared(
    settings: Settings, web: respx.MockRouter, i90_west: Route, morning: datetime
) -> None:
    asked = web.get(METAR).mock(
        httpx.Response(200, json=[on(i90_west, morning)], headers={"cache-control": "max-age=0"})
    )
    clock = ManualClock(morning)

    async def ask(observer: StationObserver) -> None:
        for minutes, calls in ((0, 1), (10, 1), (9, 1), (2, 2)):
            clock.advance(timedelta(minutes=minutes))
            with recording() as responses:
                observed = await observer.along(i90_west, clock())
            assert [r.station.id for r in observed.reports] == ["KXXX"]
            assert len(responses) == 1
            assert asked.call_count == calls

    await observer_of(settings, clock, ask)


async def test_stations_further_than_thirty_kilometres_are_left_out(
    settings: Settings, web: respx.MockRouter, i90_west: Route, morning: datetime
) -> None:
    lat, lon = float(i90_west.lat_deg.max()), float(i90_west.lon_deg[int(i90_west.lat_deg.argmax())])
    near, far = (seen_at(lat + km / 111.2, lon, morning, id_=f"K{km}") for km in (29, 31))
    web.get(METAR).mock(httpx.Response(200, json=[near, far]))
    observed = await observer_of(settings, ManualClock(morning), lambda o: o.along(i90_west, morning))
    assert [r.station.id for r in observed.reports] == ["K29"]


async def test_weather_service_stations_are_found_by_the_route(
    web: respx.MockRouter, i90_west: Route, morning: datetime
) -> None:
    def listed(request: httpx.Request) -> httpx.Response:
        x, y = (int(part) for part in request.url.path.split("/")[3].split(","))
        lat, lon = y / 1e4, -x / 1e4
        features = [
            {
                "geometry": {"type": "Point", "coordinates": [lon, lat + off]},
                "properties": {"stationIdentifier": f"S{round(-lon * 100)}{n}"},
            }
            for n, off in enumerate((0.5, 0.02, 0.1, 0.01))  # of four, two lie nearest
        ]
        return httpx.Response(200, json={"features": features})

    def cell(request: httpx.Request) -> httpx.Response:
        """A cell whose numbers are the place, so that its list can be made."""
        lat, lon = (float(part) for part in request.url.path.split("/")[2].split(","))
        of = {"gridId": "XYZ", "gridX": round(-lon * 1e4), "gridY": round(lat * 1e4)}
        return httpx.Response(200, json={"properties": of})

    def observed(request: httpx.Request) -> httpx.Response:
        id_ = request.url.path.split("/")[2]
        if id_.endswith("1"):
            return httpx.Response(500)
        place = [-float(id_[1:-1]) / 100, 47.4]
        properties = {"station": f"{NWS}/stations/{id_}", "timestamp": morning.isoformat(), "temperature": warm}
        return httpx.Response(
            200, json={"features": [{"geometry": {"type": "Point", "coordinates": place}, "properties": properties}]}
        )

    warm = {"unitCode": "wmoUnit:degC", "value": 1.0, "qualityControl": "V"}
    web.get(url__regex=rf"{NWS}/points/.*").mock(side_effect=cell)
    web.get(url__regex=rf"{NWS}/gridpoints/.*/stations").mock(side_effect=listed)
    web.get(url__regex=rf"{NWS}/stations/.*/observations").mock(side_effect=observed)
    async with HttpClient(HttpOptions(
        contact="ops@fleet.example", cache_dir=None, now_utc=ManualClock(morning), rng=np.random.default_rng(1),
        sleep=no_wait, retry=RetryPolicy(tries=1, give_up_after=99), per_s_per_host=1000.0,
    )) as client:  # fmt: skip
        result = await StationObserver(NwsStations(client, NWS), None).along(i90_west, morning)
    assert {r.station.id[-1] for r in result.reports} == {"3"}
    assert result.problems
    assert all("nws" in trouble for trouble in result.problems)


async def test_failed_station_service_rests_and_never_stops_forecasts(
    web: respx.MockRouter, i90_west: Route, morning: datetime
) -> None:
    asked = web.get(url__regex=rf"{NWS}/.*").mock(httpx.Response(503))
    async with HttpClient(HttpOptions(
        contact="ops@fleet.example", cache_dir=None, now_utc=ManualClock(morning), rng=np.random.default_rng(1),
        sleep=no_wait, retry=RetryPolicy(tries=1), per_s_per_host=1000.0,
    )) as client:  # fmt: skip
        observer = StationObserver(NwsStations(client, NWS), None)
        result = await observer.along(i90_west, morning)
        await observer.along(i90_west, morning)
        assert asked.call_count == 2
        assert result.problems == ("nws: answered HTTP 503 (2 times)",)
        asked.mock(httpx.Response(200, json={"features": []}))
        await client.get_json("nws", f"{NWS}/gridpoints/MSO/36,94", read=lambda body: body)


def report(at: datetime, **over: Any) -> StationReport:
    whole: dict[str, Any] = {
        "station": Station(id="KXXX", lat_deg=47.4, lon_deg=-115.7, elevation_m=NAN), "source": "metar",
        "observed_at": at, "air_temp_c": -9.0, "dew_point_c": NAN, "rh_frac": NAN, "wind_mps": 3.0, "gust_mps": NAN,
        "wind_from_deg": NAN, "visibility_m": NAN, "precip_last_hour_mmwe": 0.0, "weather": None, "raw": "",
    }  # fmt: skip
    return StationReport(**whole | over)


def test_reports_are_kept_once_a_station_and_time_old_ones_too(store: Store, morning: datetime) -> None:
    old = report(morning - timedelta(hours=9))
    assert save_observations(store, [report(morning), old]) == 2
    assert save_observations(store, [report(morning, air_temp_c=5.0)]) == 0
    first, second = store.events("", "observation")
    assert (first.at, second.at) == (morning - timedelta(hours=9), morning)
    assert second.id == "observation_KXXX_20270114T103000Z"
    body = json.loads(second.body)
    assert (body["air_temp_c"], body["dew_point_c"], body["weather"]) == (-9.0, None, None)
    assert body["station"] == {"id": "KXXX", "lat_deg": 47.4, "lon_deg": -115.7, "elevation_m": None}


async def test_a_cycle_keeps_what_stations_say_and_no_plan_changes(
    settings: Settings, web: respx.MockRouter, store: Store, i90_west: Route, morning: datetime, tmp_path: Path
) -> None:
    """The second store has no places sent before, as the first had none."""
    web.get(METAR).mock(httpx.Response(200, json=[on(i90_west, morning, temp=-30.0)]))
    settings, clock = replace(settings, trips=None), ManualClock(morning)
    save_trip(store, TRIP, morning)
    async with create_planner(settings, clock) as planning:
        watched = await run_cycle(planning, store, clock())
    assert [e.id for e in store.events("", "observation")] == ["observation_KXXX_20270114T103000Z"]
    off = replace(settings, forecast=replace(settings.forecast, observations=False))
    asked = len(web.calls)
    with Store(tmp_path / "plain.db") as another:
        save_trip(another, TRIP, morning)
        async with create_planner(off, clock) as planning:
            plain = await run_cycle(planning, another, clock())
    assert not [c for c in list(web.calls)[asked:] if c.request.url.host == "aviationweather.gov"]
    assert [plan_json(p) for p in watched.plans] == [plan_json(p) for p in plain.plans]


@pytest.mark.parametrize(
    "answer",
    [
        httpx.Response(503),
        httpx.Response(200, html="<p>Sign in"),
        httpx.Response(200, json={"error": "x"}),
        httpx.ConnectError("no"),
    ],
)
async def test_a_service_that_fails_is_one_line_in_the_log(
    answer: Any,
    settings: Settings,
    web: respx.MockRouter,
    store: Store,
    i90_west: Route,
    morning: datetime,
    caplog: pytest.LogCaptureFixture,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    mocked = web.get(METAR)
    mocked.mock(side_effect=answer) if isinstance(answer, Exception) else mocked.mock(answer)
    monkeypatch.setattr("alertd.sources.http.retry.RetryPolicy.wait_s", lambda *_, **__: None)

    async def route_of(name: str, where: str) -> Route:
        return i90_west

    def gather(observer: StationObserver) -> Any:
        return gather_observations(observer, route_of, ["i90-west", "i90-west"], store, morning)

    with caplog.at_level(logging.WARNING, logger="alertd.planning.stations"):
        assert await observer_of(settings, ManualClock(morning), gather) == 0
    (line,) = [r.message for r in caplog.records if r.name == "alertd.planning.stations"]
    assert line.startswith("observations near i90-west: metar: ")
    assert "\n" not in line
    assert store.events("", "observation") == []


async def test_a_service_that_fails_costs_no_plan(
    settings: Settings,
    web: respx.MockRouter,
    store: Store,
    morning: datetime,
    caplog: pytest.LogCaptureFixture,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    web.get(METAR).mock(side_effect=httpx.ConnectError("no"))
    monkeypatch.setattr("alertd.sources.http.retry.RetryPolicy.wait_s", lambda *_, **__: None)
    save_trip(store, TRIP, morning)
    clock = ManualClock(morning)
    with caplog.at_level(logging.WARNING, logger="alertd.planning.stations"):
        async with create_planner(replace(settings, trips=None), clock) as planning:
            outcome = await run_cycle(planning, store, clock())
    assert len(outcome.plans) == 1
    assert not outcome.not_planned
    assert len([r for r in caplog.records if r.name == "alertd.planning.stations"]) == 1


async def test_the_service_of_airport_reports_is_told_who_asks(settings: Settings, morning: datetime) -> None:
    silent = replace(settings, contact="")
    with pytest.raises(ConfigError, match="contact"):
        async with create_planner(silent, ManualClock(morning)):
            pass
