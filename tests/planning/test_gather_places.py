"""`alertd gather places`: kept with source, day and attribution, used by the route builder, and never lost on failure.

The Overpass server is a mock that answers in the form of its JSON output.
"""

import json
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import httpx
import pytest
import respx
from click.testing import CliRunner

from alertd.cli.main import cli
from alertd.errors import ConfigError, InputError
from alertd.planning import gather_places as gathering
from alertd.planning.gather_places import gather_places, place_findings
from alertd.route.model import LandmarkKind
from alertd.route.spot import spot_at
from alertd.settings.model import Settings
from alertd.settings.reference_data import load_reference_data, load_route
from alertd.sources.files.roadside import read_roadside
from alertd.sources.http.client import HttpClient
from alertd.sources.http.options import HttpOptions
from alertd.testing import overpass_answer as made
from alertd.testing.clock import ManualClock
from alertd.units import MPH_MPS

OVERPASS = "https://overpass.example/api/interpreter"


def gpx() -> str:
    """Eastbound on the made road, with heights that rise to a summit at 11 km."""
    rows = "".join(
        f'<trkpt lat="{made.LAT}" lon="{made.lon_at(m)}"><ele>{1390 - abs(m - 11_000) * 0.04:.0f}</ele></trkpt>'
        for m in range(0, 22_601, 200)
    )
    return f'<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1"><trk><trkseg>{rows}</trkseg></trk></gpx>'


@pytest.fixture
def settings(make_settings: Callable[..., Settings], tmp_path: Path) -> Settings:
    routes = tmp_path / "routes"
    routes.mkdir()
    (routes / "made.gpx").write_text(gpx())
    settings = make_settings(contact="ops@fleet.example", overpass_url=OVERPASS)
    places = replace(settings.places, routes=routes, roadside=tmp_path / "roadside.json", stops=())
    return replace(settings, places=places)


@pytest.fixture
def overpass() -> Iterator[respx.Route]:
    with respx.mock(assert_all_called=False) as router:
        yield router.get(url__startswith=OVERPASS).respond(json=made.answer())


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pauses towards a mock cost only time."""

    async def no_wait(_seconds: float) -> None:
        return None

    def unpaced(options: HttpOptions) -> HttpClient:
        return HttpClient(replace(options, per_s_per_host=1e9, sleep=no_wait, cache_dir=None))

    monkeypatch.setattr(gathering, "make_client", unpaced)


async def test_places_are_kept_with_source_day_and_attribution(
    settings: Settings, overpass: respx.Route, morning: datetime
) -> None:
    done = await gather_places(settings, ManualClock(morning), lambda text: None)
    assert (done.new_n, done.kept_n, done.missed) == (1, 0, ())
    path = settings.places.roadside
    assert path is not None
    assert "© OpenStreetMap contributors" in json.loads(path.read_text())["attribution"]
    (found,) = read_roadside(path).values()
    assert (found.name, found.obtained_at, found.data_at) == ("made.gpx", morning, "2026-11-20T06:00:00Z")
    assert "ODbL" in found.source
    again = await gather_places(settings, ManualClock(morning), lambda text: None)
    assert (again.new_n, again.kept_n, overpass.call_count) == (0, 1, 1)


async def test_query_states_limits_and_contact(settings: Settings, overpass: respx.Route, morning: datetime) -> None:
    await gather_places(settings, ManualClock(morning), lambda text: None)
    request = overpass.calls[0].request
    assert "ops@fleet.example" in request.headers["user-agent"]
    (data,) = parse_qs(urlsplit(str(request.url)).query)["data"]
    assert data.startswith("[out:json][timeout:25][maxsize:67108864];way(around:80,47.4000,-115.9000,")
    assert len(str(request.url)) < 8_000  # servers refuse longer request lines


async def test_gathered_places_are_used_by_the_route(
    settings: Settings, overpass: respx.Route, morning: datetime
) -> None:
    await gather_places(settings, ManualClock(morning), lambda text: None)
    reference = load_reference_data(settings.places)
    assert "roadside/roadside.json" in reference.files  # kept for replay
    route = await load_route(settings.places.routes / "made.gpx", reference, [])
    assert [s.stop.name for s in route.stops] == [
        "Larch Rest Area", "Made Fuel", "lay-by", "Chain-up area",
    ]  # the westbound rest area is not for this direction  # fmt: skip
    assert [s.name for s in route.summits] == ["Made Pass"]
    assert [b.name for b in route.bridges] == ["Made Bridge"]
    ((start_m, end_m),) = [(t.start_m, t.end_m) for t in route.tunnels]
    assert (start_m, end_m) == (pytest.approx(12_000, abs=60), pytest.approx(13_500, abs=60))
    assert {round(x.speed_mps / MPH_MPS) for x in route.limits} == {75, 65, 50}
    assert [m.text for m in route.landmarks if m.kind is LandmarkKind.EXIT] == ["10", "14"]
    assert route.credits[-1].startswith("Places: © OpenStreetMap contributors, ODbL 1.0")
    spot = spot_at(route, 10_000.0)
    assert (spot.road, spot.direction, spot.exit, spot.town) == ("I-90", "E", "10", "Madeville")
    assert spot.past_exit_m == pytest.approx(4_000, abs=60)


async def test_own_stop_within_500_m_replaces_a_gathered_one(
    settings: Settings, overpass: respx.Route, morning: datetime, tmp_path: Path
) -> None:
    await gather_places(settings, ManualClock(morning), lambda text: None)
    own = tmp_path / "own.geojson"
    feature = {
        "type": "Feature",
        "properties": {"id": "mine", "name": "Our yard", "kind": "truck stop", "direction": "E"},
        "geometry": {"type": "Point", "coordinates": [made.lon_at(4_300), made.LAT]},
    }
    own.write_text(json.dumps({"type": "FeatureCollection", "features": [feature]}))
    reference = load_reference_data(replace(settings.places, stops=(own,)))
    route = await load_route(settings.places.routes / "made.gpx", reference, [])
    names = [s.stop.name for s in route.stops]
    assert "Our yard" in names
    assert "Larch Rest Area" not in names


@pytest.mark.parametrize(
    ("reply", "words"),
    [
        (httpx.Response(429, text="<html>Too Many Requests</html>"), "answered HTTP 429"),
        (httpx.Response(504, text="<html>busy</html>"), "answered HTTP 504"),
        (httpx.Response(200, text="<html></html>", headers={"content-type": "text/html"}), "answered text/html"),
        (httpx.Response(200, json={"elements": [], "remark": "runtime error: out of memory"}), "it did not finish"),
        (httpx.Response(200, json={"elements": 3}), "no list of elements"),
        (httpx.Response(200, json={"elements": []}), "no numbered road on its line"),
    ],
)
async def test_nothing_stored_is_lost_on_a_bad_answer(
    settings: Settings, overpass: respx.Route, morning: datetime, reply: httpx.Response, words: str
) -> None:
    await gather_places(settings, ManualClock(morning), lambda text: None)
    path = settings.places.roadside
    assert path is not None
    before = path.read_bytes()
    overpass.mock(return_value=reply)
    done = await gather_places(settings, ManualClock(morning), lambda text: None, renew=True)
    assert (done.new_n, done.kept_n, len(done.missed)) == (0, 1, 1)
    assert words in done.missed[0]
    assert "\n" not in done.missed[0]
    assert path.read_bytes() == before


async def test_a_busy_server_is_asked_again_later(settings: Settings, overpass: respx.Route, morning: datetime) -> None:
    busy = httpx.Response(429, headers={"retry-after": "20"})
    overpass.mock(side_effect=[busy, httpx.Response(200, json=made.answer())])
    done = await gather_places(settings, ManualClock(morning), lambda text: None)
    assert (done.new_n, done.missed, overpass.call_count) == (1, (), 2)


async def test_check_tells_what_is_missing_and_how_old(
    settings: Settings, overpass: respx.Route, morning: datetime
) -> None:
    ((path, text),) = place_findings(settings, morning)
    assert (path.name, "run `alertd gather places`" in text) == ("made.gpx", True)
    await gather_places(settings, ManualClock(morning), lambda text: None)
    ((_, text),) = place_findings(settings, morning + timedelta(days=20))
    assert "gathered 20 days ago (5 stops, 3 exits and mileposts, 1 passes, 1 bridges, 1 tunnels, 4 limits)" in text
    ((_, text),) = place_findings(settings, morning + timedelta(days=200))
    assert text.endswith("run `alertd gather places`")
    ((where, text),) = place_findings(replace(settings, places=replace(settings.places, roadside=None)), morning)
    assert (where, "places.roadside is empty" in text) == (settings.where, True)


async def test_a_saved_answer_serves_without_a_network(settings: Settings, morning: datetime, tmp_path: Path) -> None:
    saved = tmp_path / "saved.json"
    saved.write_text(json.dumps(made.answer()))
    done = await gather_places(settings, ManualClock(morning), lambda text: None, extract=saved)
    assert done.new_n == 1
    assert settings.places.roadside is not None
    (found,) = read_roadside(settings.places.roadside).values()
    assert found.source.endswith("from saved.json")
    saved.write_text("{")
    with pytest.raises(InputError, match=r"saved\.json: is no answer of Overpass"):
        await gather_places(settings, ManualClock(morning), lambda text: None, extract=saved, renew=True)


async def test_gathering_needs_a_file_to_write(settings: Settings, morning: datetime) -> None:
    bare = replace(settings, places=replace(settings.places, roadside=None))
    with pytest.raises(ConfigError, match=r"places\.roadside: is empty"):
        await gather_places(bare, ManualClock(morning), lambda text: None)


async def test_a_file_of_another_kind_gives_one_line(
    settings: Settings, overpass: respx.Route, morning: datetime
) -> None:
    path = settings.places.roadside
    assert path is not None
    for content, words in (("[]", "format: is not alertd.roadside/1"), ("{", "is not valid JSON")):
        path.write_text(content)
        with pytest.raises(ConfigError, match=words):
            read_roadside(path)
    await _gathered_into(settings, morning)
    broken = json.loads(path.read_text())
    next(iter(broken["routes"].values()))["length_m"] = "far"
    path.write_text(json.dumps(broken))
    with pytest.raises(ConfigError, match=r"routes\.[0-9a-f]{12}\.length_m: .*alertd gather places"):
        read_roadside(path)


async def _gathered_into(settings: Settings, morning: datetime) -> None:
    assert settings.places.roadside is not None
    settings.places.roadside.unlink()
    await gather_places(settings, ManualClock(morning), lambda text: None)


def test_an_extract_without_pyosmium_tells_the_remedy(
    write_config: Callable[..., Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(__import__("sys").modules, "osmium", None)
    (tmp_path / "x.osm.pbf").write_bytes(b"")
    config = write_config(changes={"[places]": '[places]\nroadside = "roadside.json"'})
    done = CliRunner().invoke(cli, ["gather", "places", "--config", str(config), "--from", str(tmp_path / "x.osm.pbf")])
    assert done.exit_code == 1
    assert "pip install osmium" in done.stderr
    assert "Traceback" not in done.stderr
