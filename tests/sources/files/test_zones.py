"""Zone outlines on disk and from the service: kept with source and day, whole or not at all."""

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from alertd.errors import ConfigError, InputError, SourceChanged
from alertd.plan.warnings.zones import ForecastZone
from alertd.route.geometry.polygons import Area
from alertd.sources.files.zones import read_zones, write_zones
from alertd.sources.providers.nws.zones import county_of, read_outline, read_point_zones

WHEN = datetime(2027, 1, 2, 3, 4, 5, tzinfo=UTC)
RING = np.array([[-116.0, 47.0], [-115.0, 47.0], [-115.0, 48.0], [-116.0, 47.0]])
HOLE = RING * 0.01 + np.array([-114.3, 46.9])
ZONE = ForecastZone(
    id="forecast/MTZ001", name="Made", area=Area(polygons=((RING, HOLE), (RING + 2.0,))), obtained_at=WHEN
)


def test_outlines_come_back_as_they_were_written(tmp_path: Path) -> None:
    path = tmp_path / "far" / "zones.geojson"
    write_zones(path, [ZONE])
    back = read_zones(path)["forecast/MTZ001"]
    assert (back.id, back.name, back.obtained_at) == (ZONE.id, ZONE.name, WHEN)
    for before, after in zip(ZONE.area.polygons, back.area.polygons, strict=True):
        assert all(np.array_equal(a, b) for a, b in zip(before, after, strict=True))
    (feature,) = json.loads(path.read_text())["features"]
    assert feature["properties"]["source"] == "US National Weather Service, api.weather.gov, public domain"
    assert feature["properties"]["obtained_at"] == "2027-01-02T03:04:05+00:00"


@pytest.mark.parametrize(
    "content",
    [
        "",
        "[]",
        "{}",
        '{"features": [{}]}',
        '{"features": [{"properties": {"id": "a/b", "name": "", "obtained_at": "2027-01-02"}, "geometry": null}]}',
    ],
)
def test_a_broken_file_is_one_line_with_the_mend(content: str, tmp_path: Path) -> None:
    path = tmp_path / "zones.geojson"
    path.write_text(content)
    with pytest.raises(ConfigError, match=r"zones\.geojson.*gather zones"):
        read_zones(path)
    with pytest.raises(ConfigError, match="cannot be read"):
        read_zones(tmp_path / "absent")


def test_a_file_that_cannot_be_written_leaves_the_old_one(tmp_path: Path) -> None:
    (tmp_path / "plain").write_text("x")
    with pytest.raises(InputError, match="cannot be written"):
        write_zones(tmp_path / "plain" / "zones.geojson", [ZONE])


def test_place_has_a_forecast_zone_a_county_and_a_fire_zone() -> None:
    base = "https://api.weather.gov/zones"
    raw = {
        "forecastZone": f"{base}/forecast/MTZ003",
        "county": f"{base}/county/MTC063",
        "fireWeatherZone": f"{base}/fire/MTZ103",
    }
    assert read_point_zones({"properties": raw}) == ("forecast/MTZ003", "county/MTC063", "fire/MTZ103")
    assert read_point_zones({"properties": raw | {"county": None}}) == ("forecast/MTZ003", "fire/MTZ103")
    with pytest.raises(SourceChanged):
        read_point_zones({})


GEOMETRY = {"type": "Polygon", "coordinates": [RING.tolist()]}


def test_an_outline_is_of_the_zone_that_was_asked() -> None:
    body: dict[str, Any] = {"properties": {"id": "MTZ001", "name": "Made", "type": "public"}, "geometry": GEOMETRY}
    name, area = read_outline(body, "forecast/MTZ001")
    assert name == "Made"
    assert np.array_equal(area.polygons[0][0], RING)
    for broken in (body | {"geometry": None}, body | {"properties": {"id": "MTZ002"}}, {"geometry": GEOMETRY}):
        with pytest.raises(SourceChanged):
            read_outline(broken, "forecast/MTZ001")


@pytest.mark.parametrize(
    ("same", "county"),
    [
        ("053033", "county/WAC033"),  # King County, Washington, in the recorded Flash Flood Warning of 2025-12-15
        ("002105", "county/AKC105"),
        ("153033", "county/WAC033"),  # a part of it
        ("053000", None),  # all of the state
        ("057332", None),  # a stretch of sea
        ("5303", None),
        ("05303x", None),
    ],
)
def test_same_codes_name_counties_by_fips_state_numbers(same: str, county: str | None) -> None:
    assert county_of(same) == county
