"""Plans of the invented morning held against what was reported and observed of it, as stored and over HTTP."""

import json
from collections.abc import AsyncIterator, Callable, Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from math import nan
from pathlib import Path

import httpx
import numpy as np
import pytest

from alertd.forecast.observations import Phenomenon, Station, StationReport
from alertd.planning.planner import Planner
from alertd.records.driver_reports import save_report
from alertd.records.observations import save_observations
from alertd.records.positions import save_position
from alertd.route.model import Route
from alertd.service.cycle import run_cycle
from alertd.service.scoring import newest_by_lead, scores, snapshot_of
from alertd.settings.model import Settings
from alertd.sources.requests.driver_reports import parse_report
from alertd.sources.requests.positions import PositionRequest
from alertd.store.store import Store
from alertd.testing.clock import ManualClock
from alertd.testing.fake_open_meteo import FakeOpenMeteo
from alertd.web.app import make_api

DAY = timedelta(days=1)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "alertd.db") as opened:
        yield opened


@pytest.fixture
async def planned(
    make_settings: Callable[..., Settings], morning: datetime, store: Store, open_planner: Callable
) -> AsyncIterator[Planner]:
    """The four trips of the invented morning, planned at 03:30."""
    clock = ManualClock(morning)
    with FakeOpenMeteo(now_utc=morning) as api:
        async with open_planner(make_settings(forecasts=api.base_url), clock) as planning:
            await run_cycle(planning, store, clock())
            yield planning


def report(store: Store, trip_id: str, what: str, at: datetime) -> None:
    save_report(store, trip_id, parse_report({"what": what, "at": at.isoformat()}, "test"))


async def test_without_evidence_cases_are_excluded_with_no_claim(
    planned: Planner, store: Store, morning: datetime
) -> None:
    chains, weather = await scores(planned, store, morning - DAY, morning + DAY)
    assert (chains.whole.n, sum(n for _, n in chains.left_out)) == (0, 4)
    assert (weather.whole.n, weather.left_out) == (0, ())


async def test_reported_chains_are_a_hit_and_passing_without_is_false(
    planned: Planner, store: Store, morning: datetime, i90_west: Route
) -> None:
    """A truck seen past the place without chains is a false alarm."""
    report(store, "QT-1041", "chains_on", morning + timedelta(hours=3))
    report(store, "QT-1042", "chains_off", morning + timedelta(hours=3))  # spoken, but of no chains hung
    end = {"at": (morning + timedelta(hours=6)).isoformat(), "lat": float(i90_west.lat_deg[-1])}
    save_position(store, "QT-1042", PositionRequest(**end, lon=float(i90_west.lon_deg[-1])))
    chains, _ = await scores(planned, store, morning - DAY, morning + DAY)
    table = chains.whole.table
    assert (table.hits, table.false_alarms, table.misses, table.correct_negatives) == (1, 1, 0, 0)
    assert chains.left_out == (("the truck was not seen past the place", 2),)
    assert not chains.whole.enough


async def test_station_on_the_road_gives_winter_at_the_passing_hour(
    planned: Planner, store: Store, morning: datetime, i90_west: Route
) -> None:
    at = int(np.argmin(np.abs(i90_west.lon_deg + 115.69)))  # the pass
    station = Station(
        id="KXX", lat_deg=float(i90_west.lat_deg[at]), lon_deg=float(i90_west.lon_deg[at]),
        elevation_m=float(i90_west.elevation_m[at]),
    )  # fmt: skip
    stored = store.latest_plan("QT-1041")
    assert stored is not None
    result = snapshot_of(json.loads(stored.body)["plan"])
    there = result.begins_at + timedelta(
        seconds=float(np.interp(i90_west.distance_m[at], result.distance_m, result.reach_s))
    )
    seen = StationReport(
        station=station, source="made", observed_at=there, air_temp_c=-2.0, dew_point_c=nan, rh_frac=nan, wind_mps=nan,
        gust_mps=nan, wind_from_deg=nan, visibility_m=nan, precip_last_hour_mmwe=nan, weather=(Phenomenon.SNOW,),
        raw="",
    )  # fmt: skip
    high = replace(seen, station=replace(station, id="KYY", elevation_m=station.elevation_m + 400.0))
    save_observations(store, [seen, high])
    _, weather = await scores(planned, store, morning - DAY, morning + DAY)
    assert (weather.whole.n, weather.whole.happened_n) == (1, 1)  # QT-1041; the others come hours later
    assert dict(weather.left_out) == {"no station reported at that hour": 3}


async def test_scores_are_json_and_a_page_behind_the_token(planned: Planner, store: Store, morning: datetime) -> None:
    planned.settings = replace(planned.settings, http_token="a-long-token")
    app = make_api(planned, store, ManualClock(morning + DAY), lambda: None)
    transport = httpx.ASGITransport(app=app, raise_app_exceptions=False)
    async with httpx.AsyncClient(transport=transport, base_url="http://localhost") as http:
        for path in ("/v1/score", "/board/score"):
            assert (await http.get(path)).status_code == 401
        http.headers["authorization"] = "Bearer a-long-token"
        found = (await http.get("/v1/score")).json()
        assert [s["cases"] for s in found["scores"]] == [0, 0]
        assert found["scores"][0]["left_out"] == {"the truck was not seen past the place": 4}
        signed = await http.post(
            "/board/sign-in", data={"token": "a-long-token"}, headers={"origin": "http://localhost"}
        )
        assert signed.status_code == 303
        page = await http.get("/board/score", params={"from": "2027-01-14"})
        assert page.headers["content-type"].startswith("text/html")
        assert "Nothing can be said yet" in page.text
        assert (await http.get("/board/score", params={"from": "x"})).status_code == 422


async def test_of_each_lead_time_the_plan_made_last_counts(planned: Planner, store: Store) -> None:
    stored = store.latest_plan("QT-1041")
    assert stored is not None
    result = snapshot_of(json.loads(stored.body)["plan"])
    earlier = [replace(result, made_at=result.made_at - timedelta(hours=h)) for h in (0, 0.5, 5, 30, 90)]
    leads = [t.lead_h for t in earlier]
    assert [t.made_at for t in newest_by_lead(earlier, leads)] == [earlier[i].made_at for i in (0, 2, 3)]
