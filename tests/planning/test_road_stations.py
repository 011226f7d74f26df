"""Road weather stations in a plan: near and fresh reports are shown with their licence, slick ones raise caution."""

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest

from alertd.errors import ConfigError
from alertd.forecast.observations import Station
from alertd.forecast.past import PastEvidence
from alertd.forecast.road_observations import RoadReport, SurfaceState
from alertd.plan.make_plan import make_plan
from alertd.plan.model.plan import Plan
from alertd.plan.params import PlanParams
from alertd.plan.request import PlanRequest, TripInput
from alertd.planning.past import RecordedPast
from alertd.planning.road_stations import RoadStationObserver, reports_beside, slick_notes, surface_remarks
from alertd.planning.weather import WeatherSources, Window, ask_sources, compute_weather
from alertd.records.past_evidence import evidence_from_plain, evidence_to_plain
from alertd.sources.http.client import HttpClient
from alertd.sources.http.options import HttpOptions
from alertd.sources.road_stations.fetch import read_service, read_services
from alertd.testing.clock import ManualClock, no_wait
from alertd.testing.factories import make_rig, make_route, make_rules
from tests.planning.test_weather import Made

NOW = datetime(2027, 1, 14, 6, tzinfo=UTC)
ROUTE = make_route(6_000.0)
CONFIG = Path(__file__).resolve().parents[2] / "config" / "road_stations"


def report(**changes: Any) -> RoadReport:
    north_m = changes.pop("north_m", 0.0)
    lat_deg = float(ROUTE.lat_deg[4]) + north_m / 111_195.0
    station = Station(id="A1", lat_deg=lat_deg, lon_deg=float(ROUTE.lon_deg[4]), elevation_m=float("nan"))
    whole = RoadReport(
        station=station, name="Made Hill", source="the operator", licence="CC BY 4.0", observed_at=NOW,
        surface_temp_c=-2.1, state=SurfaceState.ICE, friction=0.24,
    )  # fmt: skip
    return replace(whole, **changes)


@pytest.mark.parametrize(
    ("changes", "kept"),
    [
        ({}, 1), ({"north_m": 20_000.0}, 0), ({"observed_at": NOW - timedelta(minutes=119)}, 1),
        ({"observed_at": NOW - timedelta(minutes=121)}, 0), ({"observed_at": NOW + timedelta(minutes=11)}, 0),
    ],
)  # fmt: skip
def test_reports_count_beside_the_road_and_while_fresh(changes: Any, kept: int) -> None:
    assert len(reports_beside(ROUTE, [report(**changes)], NOW)) == kept


def test_a_report_is_shown_with_source_and_licence() -> None:
    (line,) = surface_remarks([report()])
    assert line == (
        "Road station Made Hill, 14 Jan 06:00 UTC: road ice, surface -2.1 °C, friction 0.24 (the operator, CC BY 4.0)"
    )


@pytest.mark.parametrize(
    ("changes", "hours", "warned"),
    [
        ({}, 5.0, True), ({}, 7.0, False), ({"state": SurfaceState.DRY, "friction": 0.8}, 1.0, False),
        ({"state": SurfaceState.UNKNOWN, "friction": 0.29}, 1.0, True),
        ({"state": SurfaceState.WET, "friction": float("nan")}, 1.0, False),
    ],
)  # fmt: skip
def test_a_slick_station_raises_caution_for_trips_that_pass_soon(changes: Any, hours: float, warned: bool) -> None:
    assert bool(slick_notes([report(**changes)], NOW + timedelta(hours=hours), NOW)) == warned


def test_reports_survive_the_archive() -> None:
    evidence = PastEvidence(surfaces=(report(),), surface_problems=("road stations of x: down",))
    kept = json.dumps(evidence_to_plain(evidence), allow_nan=False)
    again = evidence_from_plain(json.loads(kept)).surfaces
    assert repr(again) == repr(evidence.surfaces)
    assert evidence_from_plain(json.loads(kept)).surface_problems == evidence.surface_problems
    assert evidence_from_plain({"reports": [], "kept": [], "problems": []}).surfaces == ()


def test_no_shipped_service_is_asked_before_an_operator_chooses() -> None:
    assert read_services(CONFIG) == ()
    assert read_service(CONFIG / "digitraffic-finland.toml").licence == "CC BY 4.0"


@pytest.mark.parametrize(
    ("old", "new", "problem"),
    [
        ('sites_url = "https', '# sites_url = "https', "missing"),
        ('format = "digitraffic"', 'format = "xml"', "is not one of the words allowed"),
        ("poll_min = 10.0", 'poll_min = 10.0\nkey_in = "basic"', "Basic login"),
    ],
)
def test_a_mistake_in_a_service_file_is_one_line(old: str, new: str, problem: str, tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text((CONFIG / "digitraffic-finland.toml").read_text().replace(old, new))
    with pytest.raises(ConfigError, match=problem):
        read_service(path)


async def test_a_service_that_is_down_is_a_problem_and_no_failure() -> None:
    table = "stationId,latitude,longitude,observationTime,roadTemperature1,roadState1\n" + ",".join(
        ["A", str(ROUTE.lat_deg[3]), str(ROUTE.lon_deg[3]), str(NOW.timestamp()), "270.15", "ice"]
    )

    def serve(request: httpx.Request) -> httpx.Response:
        if request.url.host == "down.example":
            return httpx.Response(404)
        return httpx.Response(200, text=table, headers={"content-type": "text/csv"})

    example = read_service(CONFIG / "madis-example.toml")
    services = [example, replace(example, name="b", source="the other", url="https://down.example/x.csv")]
    options = HttpOptions(
        contact="a@b.example", cache_dir=None, now_utc=ManualClock(NOW), rng=np.random.default_rng(1), sleep=no_wait,
        transport=httpx.MockTransport(serve),
    )  # fmt: skip
    async with HttpClient(options) as client:
        reports, problems = await RoadStationObserver(client=client, services=services).beside(ROUTE, NOW)
    assert [(r.state, round(r.surface_temp_c, 2)) for r in reports] == [(SurfaceState.ICE, -3.0)]
    assert len(problems) == 1
    assert problems[0].startswith("road stations of the other: ")


async def plan_at(air_c: float, *surfaces: RoadReport) -> Plan:
    """A plan under this forecast throughout, for a truck that leaves now, with these stations beside the road."""
    sources = WeatherSources(
        providers=[Made(name="made", temp_c=air_c)], members=6, seed=1, stale_h=6.0,
        past=RecordedPast(recorded=PastEvidence(surfaces=surfaces)),
    )  # fmt: skip
    window = Window(start=NOW, end=NOW + timedelta(hours=8), now=NOW)
    fetched = compute_weather(await ask_sources(ROUTE, window, sources), sources)
    return make_plan(
        PlanRequest(
            TripInput(id="T", depart_at=NOW), ROUTE, make_rig(), {"US-XX": make_rules()}, fetched.weather,
            PlanParams(compare_h=0.0), NOW,
        )
    )  # fmt: skip


def at_height(surface_c: float, above_m: float = 0.0, **changes: Any) -> RoadReport:
    at = report(surface_temp_c=surface_c, state=SurfaceState.UNKNOWN, friction=float("nan"), **changes)
    return replace(at, station=replace(at.station, elevation_m=float(ROUTE.elevation_m[4]) + above_m))


async def test_a_cold_road_sensor_makes_the_plan_colder_near_it() -> None:
    plain, near = await plan_at(2.0), await plan_at(2.0, at_height(-3.0))
    off = np.subtract(plain.along.surface_temp_c, near.along.surface_temp_c)
    assert off.max() > 2.0
    assert near.along.surface_temp_c[1] < 0.0 < plain.along.surface_temp_c[1]
    far = await plan_at(2.0, at_height(-3.0, above_m=200.0))
    assert far.along.surface_temp_c == plain.along.surface_temp_c
    assert (await plan_at(2.0, report())).along.surface_temp_c == plain.along.surface_temp_c  # of unknown height


async def test_a_warm_station_some_way_off_never_thaws_the_plan() -> None:
    """Above freezing only with at least half of the weight; a sensor at the place itself has all of it."""
    cold = await plan_at(-4.0)
    assert max(cold.along.surface_temp_c) < 0.0
    off = await plan_at(-4.0, at_height(4.0, above_m=120.0))
    assert max(off.along.surface_temp_c) <= 0.0
    assert sum(off.along.surface_temp_c) > sum(cold.along.surface_temp_c)
    assert off.advice.rank >= cold.advice.rank
