"""`alertd gather`, then a plan on what it gathered, over real HTTP against the stand-in on loopback."""

import json
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path

import pytest
from click.testing import Result

from alertd.testing.fake_open_meteo import FakeOpenMeteo
from alertd.testing.nws.api import FakeNws, make_alert

ZONES = {
    "forecast/MTZ001": (-118.0, 46.0, -114.2, 49.0),
    "forecast/MTZ002": (-114.2, 46.0, -112.0, 49.0),
    "county/MTC063": (-118.0, 46.0, -112.0, 49.0),
}
POINTS = [(46.9 + 0.01 * n, -114.1 - 0.01 * n) for n in range(30)]


@pytest.fixture
def api(morning: datetime) -> Iterator[FakeOpenMeteo]:
    updated = morning.isoformat()
    alerts = [make_alert(["forecast/MTZ001"])]
    with FakeOpenMeteo(now_utc=morning, nws=FakeNws(zones=ZONES, alerts=alerts, updated=updated)) as server:
        yield server


@pytest.fixture
def config(api: FakeOpenMeteo, write_config: Callable[..., Path], demo: Path, tmp_path: Path) -> Path:
    routes = tmp_path / "routes"
    routes.mkdir()
    rows = "".join(f'<trkpt lat="{lat}" lon="{lon}"/>' for lat, lon in POINTS)
    gpx = f'<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1"><trk><trkseg>{rows}</trkseg></trk></gpx>'
    (routes / "short.gpx").write_text(gpx)
    named = f'routes = "{routes}"\nzones = "{tmp_path}/zones.geojson"\nheights = "{tmp_path}/heights.json"'
    changes = {
        f'routes = "{demo}"': named,
        'sources = ["open-meteo"]': f'sources = ["nws", "open-meteo"]\nnws_url = "{api.base_url}"',
    }
    return write_config(forecasts=api.base_url, changes=changes)


def test_zones_and_heights_are_gathered_once_and_then_kept(
    alertd: Callable[..., Result], config: Path, api: FakeOpenMeteo, tmp_path: Path
) -> None:
    result = alertd("gather", "zones", "--config", config)
    assert (result.exit_code, result.stdout) == (0, "3 zones new or renewed, 0 kept as they were\n")
    assert "short.gpx: asking at " in result.stderr
    features = json.loads((tmp_path / "zones.geojson").read_text())["features"]
    assert [f["properties"]["id"] for f in features] == sorted(ZONES)
    again = alertd("gather", "zones", "--config", config, "--json")
    assert json.loads(again.stdout) == {"new": 0, "kept": 3, "missed": []}
    renewed = alertd("gather", "zones", "--config", config, "--json", "--renew")
    assert json.loads(renewed.stdout) == {"new": 3, "kept": 0, "missed": []}
    heights = alertd("gather", "heights", "--config", config, "--json")
    assert json.loads(heights.stdout) == {"new": 1, "kept": 0, "missed": []}
    checked = alertd("check", "--config", config).stdout
    source = "Weather data by Open-Meteo.com, CC BY 4.0"
    assert f"has no heights of its own; those of {source} are used, 0 days old" in checked
    assert "gather zones" not in checked


def test_what_cannot_be_had_is_named_and_the_status_says_so(
    alertd: Callable[..., Result], config: Path, api: FakeOpenMeteo, morning: datetime
) -> None:
    some = {z: box for z, box in ZONES.items() if not z.startswith("county")}
    api.nws = FakeNws(zones=some, alerts=[make_alert(["forecast/MTZ009"])], updated=morning.isoformat())
    result = alertd("gather", "zones", "--config", config)
    assert result.exit_code == 3
    assert "2 zones new or renewed, 0 kept as they were\nnot had: forecast/MTZ009 (" in result.stdout


def test_without_a_file_to_keep_them_in_it_is_one_line(
    mistake: Callable[..., str], write_config: Callable[..., Path]
) -> None:
    line = mistake("gather", "zones", "--config", write_config())
    assert 'places.zones: is empty; name a file, e.g. "../var/zones.geojson"' in line


def test_plan_over_http_names_the_warning_on_its_zones_road(
    alertd: Callable[..., Result], config: Path, soon: datetime, api: FakeOpenMeteo
) -> None:
    """Zone 001 begins at 114.2 W, a third of the way along. There is no forecast for then: the plan is partial."""
    now = soon.isoformat()
    warning = make_alert(["forecast/MTZ001"], onset=now, sent=now, ends=None, parameters={})
    api.nws = FakeNws(zones=ZONES, alerts=[warning], updated=now)
    assert alertd("gather", "zones", "--config", config).exit_code == 0
    asked = len(api.requests)
    trip = ("--rig", "quillback-17", "--depart", now, "--no-compare", "--json", "--config", config)
    plan = json.loads(alertd("plan", config.parent / "routes" / "short.gpx", *trip).stdout)
    (note,) = plan["closures"]
    assert (note["what"], note["met"], note["held"], note["presumed"]) == ("Winter Storm Warning", True, False, True)
    assert note["words"] == ["If you must travel, carry chains."]
    assert note["start_m"] == pytest.approx(plan["route_length_m"] / 2.9, rel=0.05)  # 10 of 29 steps
    assert note["end_m"] == pytest.approx(plan["route_length_m"])
    assert plan["warnings_known"]
    # Gathered a moment ago: the list kept then is still fresh, and no place had to be asked about.
    assert [r.params for r in api.requests[asked:] if r.path == "/alerts/active"] == []
