"""`alertd gather`: zones that routes touch and heights that routes lack, kept with their day, and said when absent.

The weather service is a mock: every place west of 115.7 W lies in the made zones 001, the others in 002.
"""

import json
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest
import respx

from alertd.errors import ConfigError, InputError
from alertd.planning.gather import TileFolder, findings, gather_heights, gather_zones
from alertd.settings.model import Settings
from alertd.settings.reference_data import load_reference_data, load_route
from alertd.sources.files.elevations import read_heights
from alertd.sources.files.zones import read_zones
from alertd.sources.http.client import HttpClient
from alertd.sources.http.options import HttpOptions
from alertd.testing.clock import ManualClock
from alertd.testing.fake_open_meteo import FakeOpenMeteo

NWS = "https://api.weather.gov"
RING = [[-117.0, 46.0], [-113.0, 46.0], [-113.0, 48.0], [-117.0, 48.0], [-117.0, 46.0]]
POINTS = [(46.9 + 0.01 * n, -114.1 - 0.01 * n) for n in range(30)]


def gpx(*, heights: bool) -> str:
    ele = "<ele>1000</ele>" if heights else ""
    rows = "".join(f'<trkpt lat="{lat}" lon="{lon}">{ele}</trkpt>' for lat, lon in POINTS)
    return '<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1"><trk><trkseg>' + rows + "</trkseg></trk></gpx>"


@pytest.fixture
def settings(make_settings: Callable[..., Settings], tmp_path: Path) -> Settings:
    routes = tmp_path / "routes"
    routes.mkdir()
    (routes / "bare.gpx").write_text(gpx(heights=False))
    made = make_settings(contact="ops@fleet.example")
    places = replace(made.places, routes=routes, zones=tmp_path / "zones.geojson", heights=tmp_path / "heights.json")
    return replace(made, places=places, forecast=replace(made.forecast, sources=("nws",)))


def place(request: httpx.Request) -> httpx.Response:
    lon = float(request.url.path.rpartition(",")[2])
    n = 1 if lon < -114.2 else 2
    zones = {"forecastZone": f"{NWS}/zones/forecast/MTZ00{n}", "county": f"{NWS}/zones/county/MTC063"}
    return httpx.Response(200, json={"properties": zones})


def outline(request: httpx.Request) -> httpx.Response:
    code = request.url.path.rpartition("/")[2]
    geometry = None if code == "MTZ009" else {"type": "Polygon", "coordinates": [RING]}
    return httpx.Response(200, json={"properties": {"id": code, "name": f"Made {code}"}, "geometry": geometry})


@pytest.fixture
def nws() -> Iterator[respx.MockRouter]:
    with respx.mock(assert_all_called=False) as router:
        router.get(url__startswith=f"{NWS}/points/").mock(side_effect=place)
        router.get(url__startswith=f"{NWS}/zones/").mock(side_effect=outline)
        yield router


def alerts(*zones: str) -> dict[str, Any]:
    p = {
        "id": "urn:made",
        "event": "Winter Storm Warning",
        "status": "Actual",
        "sent": "2027-01-14T02:00:00-07:00",
        "onset": "2027-01-14T03:00:00-07:00",
        "affectedZones": [f"{NWS}/zones/{z}" for z in zones],
    }
    return {"features": [{"geometry": None, "properties": p}]}


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """The client's pace towards a mock costs only time."""
    from alertd.planning import gather as gathering

    def unpaced(options: HttpOptions) -> HttpClient:
        return client(replace(options, per_s_per_host=1e9))

    client = gathering.HttpClient
    monkeypatch.setattr(gathering, "HttpClient", unpaced)


async def test_zones_of_routes_and_warnings_are_kept_with_their_day(
    settings: Settings, nws: respx.MockRouter, morning: datetime
) -> None:
    nws.get(f"{NWS}/alerts/active?status=actual").respond(
        json=alerts("forecast/MTZ001", "forecast/MTZ005", "forecast/FLZ001", "forecast/MTZ009")
    )
    output: list[str] = []
    done = await gather_zones(settings, ManualClock(morning), output.append)
    path = settings.places.zones
    assert path is not None
    on_file = read_zones(path)
    assert sorted(on_file) == ["county/MTC063", "forecast/MTZ001", "forecast/MTZ002", "forecast/MTZ005"]
    assert {z.obtained_at for z in on_file.values()} == {morning}
    assert on_file["forecast/MTZ001"].name == "Made MTZ001"
    assert (done.new_n, done.kept_n) == (4, 0)
    assert done.missed == ("forecast/MTZ009 (zone forecast/MTZ009 comes without a readable outline)",)
    assert "5 zones in MT; 5 to ask for" in output


async def test_zones_on_file_are_renewed_when_old_and_kept_on_failure(
    settings: Settings, nws: respx.MockRouter, morning: datetime
) -> None:
    listed = nws.get(f"{NWS}/alerts/active?status=actual").respond(json=alerts())
    await gather_zones(settings, ManualClock(morning), lambda text: None)
    again = await gather_zones(settings, ManualClock(morning + timedelta(days=119)), lambda text: None)
    assert (again.new_n, again.kept_n) == (0, 3)
    later = ManualClock(morning + timedelta(days=121))
    nws.get(url__startswith=f"{NWS}/zones/").respond(404)
    listed.respond(404)
    gone = await gather_zones(settings, later, lambda text: None)
    assert (gone.new_n, gone.kept_n, len(gone.missed)) == (0, 3, 4)
    assert "the zones of the warnings now in force (answered HTTP 404)" in gone.missed
    nws.get(url__startswith=f"{NWS}/zones/").mock(side_effect=outline)
    renewed = await gather_zones(settings, later, lambda text: None)
    assert (renewed.new_n, renewed.kept_n) == (3, 0)
    assert settings.places.zones is not None
    assert {z.obtained_at for z in read_zones(settings.places.zones).values()} == {later()}


async def test_heights_are_kept_used_and_said(settings: Settings, morning: datetime, tmp_path: Path) -> None:
    with FakeOpenMeteo(now_utc=morning) as api:
        settings = replace(
            settings, noncommercial=True, forecast=settings.forecast.with_keys(open_meteo_url=api.base_url)
        )
        (settings.places.routes / "whole.gpx").write_text(gpx(heights=True))
        done = await gather_heights(settings, ManualClock(morning), lambda text: None)
        again = await gather_heights(settings, ManualClock(morning), lambda text: None)
        asked = len(api.requests)
    assert (done.new_n, done.missed, again.new_n, again.kept_n) == (1, (), 0, 1)
    assert settings.places.heights is not None
    (on_file,) = read_heights(settings.places.heights).values()
    assert (on_file.name, on_file.obtained_at) == ("bare.gpx", morning)
    ground = load_reference_data(settings.places)
    assert ground.files["heights/heights.json"] == settings.places.heights.read_bytes()
    route = await load_route(settings.places.routes / "bare.gpx", ground, [])  # no service is asked
    assert route.elevation_m.min() > 0.0
    assert np.isfinite(route.elevation_m).all()
    assert any("heights are of a ground model" in f and "gathered 2027-01-14" in f for f in route.findings)
    assert asked == len(api.requests)


async def test_heights_gathered_for_other_places_are_not_used(settings: Settings, morning: datetime) -> None:
    with FakeOpenMeteo(now_utc=morning) as api:
        settings = replace(
            settings, noncommercial=True, forecast=settings.forecast.with_keys(open_meteo_url=api.base_url)
        )
        await gather_heights(settings, ManualClock(morning), lambda text: None)
    path = settings.places.heights
    assert path is not None
    content = json.loads(path.read_text())
    for about in content["routes"].values():
        about["lat_deg"] = [lat + 0.01 for lat in about["lat_deg"]]
    path.write_text(json.dumps(content))
    with pytest.raises(InputError, match=r"bare\.gpx"):
        await load_route(settings.places.routes / "bare.gpx", load_reference_data(settings.places), [])


@pytest.mark.parametrize("content", ["{", "[]", '{"format": "x", "routes": {}}', '{"format": "alertd.heights/1"}'])
def test_a_broken_file_of_heights_is_one_line_with_the_mend(content: str, tmp_path: Path) -> None:
    path = tmp_path / "heights.json"
    path.write_text(content)
    with pytest.raises(ConfigError, match=r"heights\.json.*gather heights"):
        read_heights(path)


async def test_without_a_file_to_keep_them_in_nothing_is_asked(settings: Settings, morning: datetime) -> None:
    none = replace(settings, places=replace(settings.places, zones=None, heights=None))
    for gather, key in ((gather_zones, "zones"), (gather_heights, "heights")):
        with pytest.raises(ConfigError, match=f"places.{key}: is empty"):
            await gather(none, ManualClock(morning), lambda text: None)


async def test_check_says_what_is_absent_and_how_old_the_rest_is(
    settings: Settings, nws: respx.MockRouter, morning: datetime
) -> None:
    def output(at: datetime) -> str:
        return "\n".join(text for _, text in findings(settings, at))

    assert "run `alertd gather zones`" in output(morning)
    assert "none are on file: run `alertd gather heights`" in output(morning)
    nws.get(f"{NWS}/alerts/active?status=actual").respond(json=alerts())
    await gather_zones(settings, ManualClock(morning), lambda text: None)
    assert "zones" not in output(morning)
    assert "holds outlines up to 121 days old" in output(morning + timedelta(days=121))


async def test_heights_of_local_tiles_ask_no_service(settings: Settings, morning: datetime, tmp_path: Path) -> None:
    """A business on shipped settings may not use the free height service. A tile that lacks is named."""
    business = replace(settings, noncommercial=False)
    folder = tmp_path / "tiles"
    folder.mkdir()
    (folder / "N00E000.hgt").write_bytes(np.zeros((3, 3), dtype=">i2").tobytes())
    own = TileFolder(folder=folder, credit="Made tiles, public domain")
    first = await gather_heights(business, ManualClock(morning), lambda text: None, tiles=own)
    assert first.new_n == 0
    assert "no tile N4" in first.missed[0]
    for south in (46, 47):
        for west in range(110, 120):
            name = f"N{south}W{west:03d}.hgt"
            (folder / name).write_bytes(np.full((3, 3), 900, dtype=">i2").tobytes())
    done = await gather_heights(business, ManualClock(morning), lambda text: None, tiles=own)
    assert (done.new_n, done.missed) == (1, ())
    assert settings.places.heights is not None
    (on_file,) = read_heights(settings.places.heights).values()
    assert on_file.source == "Made tiles, public domain"
    assert set(on_file.elevation_m) == {900.0}


def not_for_free(settings: Settings) -> Settings:
    keys = settings.forecast.with_keys(open_meteo_url="https://api.open-meteo.com")
    return replace(settings, noncommercial=False, forecast=keys)


async def test_routes_with_heights_need_no_height_service(settings: Settings, morning: datetime) -> None:
    """A business that may not ask the free service is not bothered with it where every file has its own heights."""
    business = not_for_free(settings)
    (settings.places.routes / "bare.gpx").write_text(gpx(heights=True))
    done = await gather_heights(business, ManualClock(morning), lambda text: None)
    assert (done.new_n, done.missed) == (0, ())


async def test_a_business_hears_of_tiles_for_bare_routes(settings: Settings, morning: datetime) -> None:
    with pytest.raises(ConfigError, match="gather heights --tiles DIR"):
        await gather_heights(not_for_free(settings), ManualClock(morning), lambda text: None)
