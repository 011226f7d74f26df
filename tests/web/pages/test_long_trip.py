"""The pages of a trip of several days: its nights, its outlook and the times of each place, on a narrow phone too."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from alertd.settings.read import read_settings
from alertd.testing.clock import ManualClock
from alertd.testing.fake_open_meteo import FakeOpenMeteo
from alertd.testing.server import PageServer
from alertd.testing.weather.roads import read_roads
from alertd.testing.weather.sky import read_sky

PROJECT = Path(__file__).resolve().parents[3]
DEMO, FIXTURES = PROJECT / "fixtures" / "demo", PROJECT / "fixtures"
ROAD = read_roads(FIXTURES / "roads" / "long_roads.csv")["us-i80-omaha-sacramento"]
NARROW, DESKTOP = {"width": 320, "height": 640}, {"width": 1280, "height": 900}
MORNING = datetime(2027, 1, 14, 10, 30, tzinfo=UTC)
DEPART = "2027-01-14T07:00:00-06:00"

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def long_trip(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PageServer]:
    """Omaha to Sacramento in a storm, with a delivery window in the zone of the far end."""
    folder = tmp_path_factory.mktemp("long")
    (folder / "west.gpx").write_text(ROAD.gpx(), encoding="utf-8")
    row = f"QT-9,west,quillback-17,Odalys Fenwright,Marit Oddleifson,{DEPART},2027-01-16T14:00:00-08:00"
    (folder / "trips.csv").write_text(f"id,route,rig,driver,dispatcher,depart,deliver_by\n{row}\n", encoding="utf-8")
    now = ManualClock(MORNING)
    sky = read_sky(FIXTURES / "skies" / "storm.toml", MORNING.timestamp(), at_m=ROAD.summit_m)
    settings = read_settings(DEMO / "alertd.toml")
    with FakeOpenMeteo(now_utc=MORNING, storm=sky, ground=ROAD.ground_m) as api:
        settings = replace(
            settings,
            forecast=settings.forecast.with_keys(open_meteo_url=api.base_url),
            places=replace(settings.places, routes=folder),
            trips=folder / "trips.csv",
            store=folder / "alertd.db",
            cache=folder / "http",
            archive=None,
        )
        with PageServer(settings, now) as server:
            yield server


@pytest.mark.parametrize("viewport", [NARROW, DESKTOP], ids=["narrow", "desk"])
@pytest.mark.parametrize("page_of", ["trip", "driver"])
def test_nights_outlook_and_zones_are_on_the_page(
    long_trip: PageServer, open_page: Callable, page_of: str, viewport: dict[str, int]
) -> None:
    url = long_trip.link("QT-9") if page_of == "driver" else long_trip.base_url + "/board/trips/QT-9"
    page = open_page(url, viewport=viewport)
    text = page.locator("main").inner_text()
    plan = long_trip.planner.latest.plans["QT-9"]
    assert plan.days is not None
    assert text.count("SLEEP 10 h") == sum(rest.kind == "rest" for rest in plan.days.rests) == 2
    assert all(phrase in text for phrase in ("Outlook: Donner Summit", "Delivery by Sat 14:00 PST"))
    assert page.locator("svg.alertd-picture").count() >= 2
    assert "PST" in text, "the far end has its own zone"
    assert "MST" in text or "CST" in text
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert page.faults == []
