"""Long trips on real roads under described skies: where they sleep, and that every second of them is legal.

Roads are points with heights from memory (`fixtures/roads/long_roads.csv`), skies are descriptions: neither is an
observation. The law is checked on the spells of the solution by `plan.hours.legal`, whose worked examples are in
`tests/plan/hours/test_legal.py`.
"""

import asyncio
import re
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from alertd.plan.days.place_rests import laws_of, spells_of
from alertd.plan.drive import plan_drive
from alertd.plan.hours.legal import daily_rests, violations
from alertd.plan.make_plan import make_plan
from alertd.plan.request import PlanRequest
from alertd.planning.plan_inputs import build_context, build_plan_inputs
from alertd.planning.planner import create_planner
from alertd.settings.read import read_settings
from alertd.sources.files.trips import TripRequest
from alertd.testing.fake_open_meteo import FakeOpenMeteo
from alertd.testing.weather.roads import Road, read_roads
from alertd.testing.weather.sky import read_sky

PROJECT = Path(__file__).resolve().parents[2]
ROADS = read_roads(PROJECT / "fixtures" / "roads" / "long_roads.csv")
NOW = datetime(2027, 1, 14, 12, 0, tzinfo=UTC)
SKIES = ("dry", "light-snow", "storm")
# Nights that a dry road needs, by hand: driving hours on the road at 62 mph over the hours of a day, less one. US 11 h,
# Canada 13 h, EU 9 h, each with 15 min in hand.
NIGHTS = {
    "us-i90-sioux-falls-seattle": 2,
    "us-i80-omaha-sacramento": 2,
    "us-i70-kansas-city-las-vegas": 1,
    "ca-calgary-vancouver": 0,
    "eu-rotterdam-milan": 1,
}


def request_of(road: Road, sky: str, folder: Path) -> PlanRequest:
    """The inputs of a plan with the shipped settings, from the stand-in server, without a stops file."""
    shutil.copytree(PROJECT / "config", folder / "config")
    weather = read_sky(PROJECT / "fixtures" / "skies" / f"{sky}.toml", NOW.timestamp(), at_m=road.summit_m)
    path = folder / "config" / "alertd.toml"
    with FakeOpenMeteo(now_utc=NOW, storm=weather, ground=road.ground_m) as api:
        text = path.read_text(encoding="utf-8")
        for key, value in {
            "contact": '"ops@example.org"',
            "noncommercial_use": "true",
            "sources": '["open-meteo"]',
            "alerts": "false",
            "observations": "false",
            "metar_url": '""',
            "open_meteo_url": f'"{api.base_url}"',
        }.items():
            text = re.sub(rf"(?m)^{key} = \S.*?(?=\s*(#|$))", f"{key} = {value}", text, count=1)
        path.write_text(text, encoding="utf-8")
        gpx = folder / "road.gpx"
        gpx.write_text(road.gpx(), encoding="utf-8")
        return asyncio.run(_request(path, gpx))


async def _request(config: Path, gpx: Path) -> PlanRequest:
    settings = read_settings(config)
    depart = (NOW + timedelta(hours=2)).isoformat()
    trip = TripRequest(id="QT-1", route=gpx.name, rig="tractor-6x4-van-53", depart=depart)
    async with create_planner(settings, lambda: NOW) as planner:
        job = await planner.prepare(await planner.route_of(gpx), [trip], NOW)
        context = build_context(
            job.answers, job.positions, job.road_reports, planner.reference, planner.weather_sources, settings.plan
        )
        return build_plan_inputs(trip, context).request


@pytest.mark.slow
@pytest.mark.parametrize("sky", SKIES)
@pytest.mark.parametrize("name", ROADS)
def test_long_trip_is_legal_and_no_worse_than_naive(name: str, sky: str, tmp_path: Path) -> None:
    request = request_of(ROADS[name], sky, tmp_path)
    plan, went = make_plan(request), plan_drive(request)
    spells = spells_of(went.solution, went.remaining.before)
    laws = laws_of(went.solution)
    for law in laws:
        assert violations(spells, request.trip.used, law, went.remaining.depart_at) == ()
    rests, _ = daily_rests(spells, request.trip.used, laws[0])
    assert len(rests) >= NIGHTS[name]
    if sky == "dry":
        assert len(rests) == NIGHTS[name]
    if plan.days is None:
        assert NIGHTS[name] == 0
        return
    assert plan.days.legal
    assert went.days is not None
    end_s = float(went.solution.reach_s(request.route.length_m))
    assert abs(60.0 * went.days.rests.minutes - end_s) <= 0.05 * end_s  # the search sees the road that the plan drives
    assert not any(x.held for x in went.solution.legs)  # each of these storms can be waited out, or passed before
    naive = next(x for x in plan.days.choices if x.kind == "naive")
    assert not naive.legal or naive.cost_s >= -60.0  # minutes of the tables are whole
    limit = plan.made_at + timedelta(hours=48, minutes=1)
    assert all(s.enter_at <= limit for s in plan.stretches)
    assert all(s.enter_at <= limit for s in plan.surfaces)
    assert all(x.earliest_at < x.latest_at for x in plan.days.outlook)
