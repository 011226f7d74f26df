"""Places an operator configures: what is read, and what is refused in one line."""

import json
from pathlib import Path
from typing import Any

import pytest

from alertd.errors import ConfigError
from alertd.route.stops import StopKind
from alertd.sources.files.boundaries import read_boundaries
from alertd.sources.files.places import read_bridges, read_crossings, read_named_summits, read_stops

CONFIG = Path(__file__).parents[3] / "config"


def feature(**changes: Any) -> dict[str, Any]:
    properties = {"id": "a", "name": "Invented area", "kind": "chain-up area", "direction": "E", **changes}
    return {
        "type": "Feature",
        "properties": {key: value for key, value in properties.items() if value is not None},
        "geometry": {"type": "Point", "coordinates": [-115.7, 47.4]},
    }


def stops_file(folder: Path, *features: Any) -> Path:
    path = folder / "stops.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": list(features)}))
    return path


def test_stop_is_read_with_direction_as_bearing(tmp_path: Path) -> None:
    path = stops_file(
        tmp_path,
        feature(spaces=12, lit=False, milepost="I-90 MP 5", invented=True),
        feature(id="b", direction="both", kind="truck stop"),
        feature(id="c", direction=None),
    )
    east, both, unstated = read_stops(path)
    assert (east.kind, east.serves_bearing_deg, east.serves_both) == (StopKind.CHAIN_UP_AREA, 90.0, False)
    assert (east.lat_deg, east.lon_deg, east.spaces, east.lit, east.invented) == (47.4, -115.7, 12, False, True)
    assert (both.serves_bearing_deg, both.serves_both, both.spaces, both.lit) == (None, True, None, None)
    assert (unstated.serves_bearing_deg, unstated.serves_both) == (None, False)


def moved(*coordinates: float) -> dict[str, Any]:
    return feature() | {"geometry": {"type": "Point", "coordinates": list(coordinates)}}


@pytest.mark.parametrize(
    ("features", "field", "expected"),
    [
        ([feature(lights=True)], "features[0].properties.lights", "is not a key known here"),
        ([feature(name=None)], "features[0].properties.name", "is missing"),
        ([feature(kind="car park")], "features[0].properties.kind", "'chain-up area'"),
        ([feature(direction="east")], "features[0].properties.direction", "'both'"),
        ([feature(spaces=-1)], "features[0].properties.spaces", "greater than or equal to 0"),
        ([feature(lit="yes")], "features[0].properties.lit", "boolean"),
        ([feature(), feature()], "features[1].properties.id", "is also the id of features[0]"),
        ([moved(47.4, -115.7)], "features[0].geometry.coordinates", "write [-115.7, 47.4]"),
        ([moved(-215.7, 47.4)], "features[0].geometry.coordinates", "nowhere on Earth"),
        ([moved(float("nan"), 47.4)], "features[0].geometry.coordinates", "not a number"),
        ([moved(47.4)], "features[0].geometry.coordinates", "at least 2"),
        ([feature() | {"geometry": {"type": "LineString", "coordinates": []}}], "features[0].geometry.type", "'Point'"),
    ],
)
def test_bad_stop_is_refused_with_file_key_and_mend(
    tmp_path: Path, features: list[Any], field: str, expected: str
) -> None:
    with pytest.raises(ConfigError) as caught:
        read_stops(stops_file(tmp_path, *features))
    assert (caught.value.where, caught.value.field) == ("stops.geojson", field)
    assert expected in str(caught.value)
    assert caught.value.hint
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(("text", "expected"), [("{", "is not valid JSON"), ("[]", "does not fit")])
def test_stop_file_of_another_shape_is_refused(tmp_path: Path, text: str, expected: str) -> None:
    path = tmp_path / "stops.geojson"
    path.write_text(text)
    with pytest.raises(ConfigError, match=expected):
        read_stops(path)


def test_absent_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="No such file"):
        read_stops(tmp_path / "none.geojson")


def span(coordinates: Any = ((-115.7, 47.4), (-115.699, 47.4)), **tags: Any) -> dict[str, Any]:
    geometry = {"type": "LineString", "coordinates": [list(place) for place in coordinates]}
    return {"type": "Feature", "id": "way/1", "properties": tags, "geometry": geometry}


def test_bridges_of_a_map_export_with_unknown_tags_are_read(tmp_path: Path) -> None:
    """Tags as the OpenStreetMap wiki explains them: name is the road's, bridge:name the bridge's own."""
    way = {"@id": "way/1", "bridge": "yes", "highway": "motorway", "layer": "1", "oneway": "yes"}
    path = stops_file(
        tmp_path,
        span(**way, name="Invented Highway", **{"bridge:name": "Invented Creek  Bridge"}),
        span(**way, name="Invented Viaduct"),
        span([(-115.7, 47.4, 900.0), (-115.69, 47.4, 905.5), (-115.68, 47.41, 907)], **way, name=None),
        span() | {"properties": None},
    )
    creek, viaduct, unnamed, bare = read_bridges(path)
    assert (creek.name, viaduct.name, unnamed.name, bare.name) == ("Invented Creek Bridge", "Invented Viaduct", "", "")
    assert (creek.lat_deg, creek.lon_deg) == ((47.4, 47.4), (-115.7, -115.699))
    assert unnamed.lat_deg == (47.4, 47.4, 47.41)


@pytest.mark.parametrize(
    ("features", "field", "expected"),
    [
        ([feature()], "features[0].geometry.type", "'LineString'"),
        ([span([(-115.7, 47.4)])], "features[0].geometry.coordinates", "at least 2"),
        (
            [span([(-115.7, 47.4), (-115.7, 47.4)])],
            "features[0].geometry.coordinates",
            "has only one distinct position",
        ),
        ([span(), span([(47.4, -115.7), (47.4, -115.6)])], "features[1].geometry.coordinates[0]", "look swapped"),
        ([span([(-115.7, 47.4), (-115.7, float("inf"))])], "features[0].geometry.coordinates[1]", "not a number"),
        ([span([(-115.7, 47.4), (-115.7,)])], "features[0].geometry.coordinates[1]", "at least 2"),
        ([span([(-115.7, 47.4), ("-115.7", 47.5)])], "features[0].geometry.coordinates[1][0]", "valid number"),
        ([span(name=7)], "features[0].properties.name", "valid string"),
        ([span() | {"geometry": None}], "features[0].geometry", "does not fit"),
    ],
)
def test_bad_bridge_is_refused_with_file_key_and_mend(
    tmp_path: Path, features: list[Any], field: str, expected: str
) -> None:
    with pytest.raises(ConfigError) as caught:
        read_bridges(stops_file(tmp_path, *features))
    assert (caught.value.where, caught.value.field) == ("stops.geojson", field)
    assert expected in str(caught.value)
    assert caught.value.hint
    assert "\n" not in str(caught.value)


def test_configured_crossings_lie_between_two_known_lands() -> None:
    boundaries = read_boundaries(CONFIG / "boundaries" / "us_states.topo.json")
    known = {land.code for land in boundaries.lands}
    crossings = read_crossings(CONFIG / "crossings.toml")
    assert len(crossings) == 11
    assert all(crossing.codes <= known and len(crossing.codes) == 2 for crossing in crossings)


def test_crossing_of_a_land_with_itself_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "crossings.toml"
    path.write_text(
        'source = "x"\n[[crossing]]\nroad = "I-90"\nbetween = ["US-MT", "US-MT"]\nlat = 47.0\nlon = -115.0\n'
    )
    with pytest.raises(ConfigError, match=r"crossing\[0\].between: names the same land twice"):
        read_crossings(path)


def test_configured_summits_carry_published_heights_in_metres() -> None:
    summits = {summit.name: summit for summit in read_named_summits(CONFIG / "summits.toml")}
    # 4,710 ft, a list of mountain passes based on GNIS.
    assert summits["Lookout Pass"].elevation_m == pytest.approx(1435.6, abs=0.05)
    assert all(summit.source for summit in summits.values())
