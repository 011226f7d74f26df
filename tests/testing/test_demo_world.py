"""The demo's road, stops, trips and storm are what they say they are.

Summit heights and places: a published list of mountain passes after the US GNIS (Lookout 4,710 ft at 47.4550,
-115.6950; Fourth of July 3,081 ft at 47.6217, -116.5247). What the storm does where and when is demo design.
"""

import csv
import functools
import importlib.util
import json
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import psychrolib
import pytest
from pyproj import Geod

from alertd.route.build import build_route
from alertd.route.geometry.clean import clean_line
from alertd.route.stops import StopKind
from alertd.sources.files.gpx.read import read_gpx
from alertd.sources.files.places import read_stops
from alertd.testing.weather.storm import Storm, weather

REPO = Path(__file__).resolve().parents[2]
DEMO = REPO / "fixtures" / "demo"
XSD = REPO.parent / "shared" / "gpx" / "schema" / "gpx-1.1.xsd"
GPX = "{http://www.topografix.com/GPX/1/1}"
WGS84 = Geod(ellps="WGS84")
FOOT_M = 0.3048
SUMMITS = {"Lookout": (47.4550, -115.6950, 4710), "Fourth of July": (47.6217, -116.5247, 3081)}
# Heights in metres: the summits as above, the valley towns' from memory.
LOOKOUT, FOURTH = (47.4550, -115.6950, 1435.6), (47.6217, -116.5247, 939.1)
KELLOGG, WALLACE, MISSOULA = (47.538, -116.12, 704.0), (47.474, -115.93, 832.0), (46.913, -114.034, 975.0)


def script(name):
    """One of the demo's drawing scripts, as a module."""
    spec = importlib.util.spec_from_file_location(name, DEMO / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


@functools.cache
def track(name):
    """Latitude, longitude, elevation and distance along a track of the demo."""
    points = ElementTree.parse(DEMO / f"{name}.gpx").getroot().findall(f".//{GPX}trkpt")
    lat, lon = (np.array([float(p.get(k)) for p in points]) for k in ("lat", "lon"))
    ele = np.array([float(p.find(f"{GPX}ele").text) for p in points])
    legs = WGS84.inv(lon[:-1], lat[:-1], lon[1:], lat[1:])[2]
    return lat, lon, ele, np.concatenate([[0.0], np.cumsum(legs)])


@functools.cache
def stops():
    return json.loads((DEMO / "stops.geojson").read_text(encoding="utf-8"))["features"]


def place_on(name, feature):
    """Index of the nearest track point, offset to the right [m] and bearing of travel there."""
    lat, lon, _, _ = track(name)
    x, y = feature["geometry"]["coordinates"]
    i = int(np.clip(np.argmin(WGS84.inv(np.full_like(lon, x), np.full_like(lat, y), lon, lat)[2]), 1, lon.size - 2))
    bearing_deg = WGS84.inv(lon[i - 1], lat[i - 1], lon[i + 1], lat[i + 1])[0] % 360
    to_deg, _, far_m = WGS84.inv(lon[i], lat[i], x, y)
    return i, far_m * np.sin(np.radians(to_deg - bearing_deg)), bearing_deg


def at(place, hour, day=14):
    """The storm's weather at a place at an hour of January 2027, UTC."""
    epoch = (datetime(2027, 1, day, tzinfo=UTC) + timedelta(hours=hour)).timestamp()
    return weather(*place, epoch)


@pytest.mark.parametrize("name", ["i90-west", "i90-east"])
def test_track_has_the_structure_of_gpx_1_1(name):
    """Element order and required attributes after the GPX 1.1 schema."""
    root = ElementTree.parse(DEMO / f"{name}.gpx").getroot()
    assert (root.tag, root.get("version")) == (f"{GPX}gpx", "1.1")
    assert root.get("creator")
    assert [child.tag for child in root] == [f"{GPX}metadata", f"{GPX}trk"]
    trk = root.find(f"{GPX}trk")
    assert [child.tag for child in trk] == [f"{GPX}name", f"{GPX}desc", f"{GPX}trkseg"]
    assert "not for navigation" in trk.find(f"{GPX}desc").text
    assert all([c.tag for c in p] == [f"{GPX}ele"] for p in root.iter(f"{GPX}trkpt"))


@pytest.mark.needs_shared
@pytest.mark.skipif(not XSD.is_file(), reason="the reference folder is not beside the checkout")
@pytest.mark.parametrize("name", ["i90-west", "i90-east"])
def test_track_passes_the_gpx_1_1_schema(name):
    etree = pytest.importorskip("lxml.etree", reason="lxml is not installed")
    assert etree.XMLSchema(etree.parse(XSD)).validate(etree.parse(DEMO / f"{name}.gpx"))


def test_drawing_scripts_draw_the_stored_files(tmp_path):
    """What is stored is what the tables say."""
    route, marks = script("make_route"), script("make_stops")
    for module in (route, marks):
        module.__file__ = str(tmp_path / "elsewhere.py")
        module.main()
    for name in ("i90-west.gpx", "i90-east.gpx", "stops.geojson"):
        assert (tmp_path / name).read_bytes() == (DEMO / name).read_bytes()


def test_east_is_west_backwards():
    west, east = track("i90-west"), track("i90-east")
    assert all(np.array_equal(w, e[::-1]) for w, e in zip(west[:3], east[:3], strict=True))


def test_track_length_is_within_a_twentieth_of_its_mileposts():
    """Mileposts: Montana 101 to 0, Idaho 74 to 0, Washington 299 to 281; a centre line through chords is shorter."""
    length_m = track("i90-west")[3][-1]
    assert length_m == pytest.approx((101 + 74 + 18) * 1609.344, rel=0.05)


def test_points_are_evenly_close_and_the_line_never_doubles_back():
    lat, lon, _, along_m = track("i90-west")
    assert np.diff(along_m).max() < 160.0
    bearing = WGS84.inv(lon[:-1], lat[:-1], lon[1:], lat[1:])[0]
    turn = np.abs((np.diff(bearing) + 180) % 360 - 180)
    assert turn.max() < 35.0


@pytest.mark.parametrize("summit", SUMMITS)
def test_summit_stands_at_its_published_height_and_place(summit):
    lat, lon, ele, _ = track("i90-west")
    summit_lat, summit_lon, feet = SUMMITS[summit]
    off_m = WGS84.inv(np.full_like(lon, summit_lon), np.full_like(lat, summit_lat), lon, lat)[2]
    near = off_m < 3000
    assert ele[near].max() == pytest.approx(feet * FOOT_M, abs=5.0)
    assert off_m[near][ele[near].argmax()] < 500.0


@pytest.mark.parametrize(
    ("name", "foot_km", "top_km", "lowest", "highest"),
    [
        ("Lookout from Montana", -6.5, -0.5, 0.04, 0.05),
        ("Lookout from Idaho", 7.0, 0.5, 0.05, 0.06),
        ("Fourth of July from the east", -5.8, -0.5, 0.04, 0.05),
        ("Fourth of July from the west", 5.8, 0.5, 0.04, 0.05),
    ],
)
def test_grades_of_the_passes_are_the_usual_ones(name, foot_km, top_km, lowest, highest):
    """Grades of some 4 to 6 per cent over 6 to 8 km: common practice, no source."""
    lat, lon, ele, along_m = track("i90-west")
    summit_lat, summit_lon, _ = SUMMITS["Lookout" if "Lookout" in name else "Fourth of July"]
    top_m = along_m[np.argmin(np.hypot(lat - summit_lat, lon - summit_lon))]
    foot, top = np.interp([top_m + 1000 * foot_km, top_m + 1000 * top_km], along_m, ele)
    assert lowest <= (top - foot) / (1000 * abs(foot_km - top_km)) <= highest


def test_no_grade_is_steeper_than_6p5_per_cent():
    _, _, ele, along_m = track("i90-west")
    assert np.abs(np.diff(ele) / np.diff(along_m)).max() <= 0.065


def test_stops_are_marked_invented_with_the_packages_words():
    properties = [f["properties"] for f in stops()]
    assert len(properties) >= 10
    assert len({p["id"] for p in properties}) == len(properties)
    assert all(p["invented"] is True for p in properties)
    assert {p["kind"] for p in properties} <= {kind.value for kind in StopKind}
    assert {p["direction"] for p in properties} == {"W", "E", "both"}
    assert all(type(p["spaces"]) is int and type(p["lit"]) is bool and p["milepost"] for p in properties)


@pytest.mark.parametrize("feature", stops(), ids=lambda f: f["properties"]["id"])
def test_stop_is_beside_the_road_on_the_side_of_its_traffic(feature):
    """US traffic keeps right, so the ramp of a one-way stop leaves to the right."""
    direction = feature["properties"]["direction"]
    _, right_m, bearing_deg = place_on("i90-east" if direction == "E" else "i90-west", feature)
    if direction == "both":
        assert abs(right_m) <= 100.0
    else:
        assert 20.0 <= right_m <= 100.0
        assert abs((bearing_deg - {"W": 270.0, "E": 90.0}[direction] + 180) % 360 - 180) < 75.0


@pytest.mark.parametrize(
    ("name", "direction", "summit"),
    [(f"i90-{w}", w[0].upper(), summit) for w in ("west", "east") for summit in SUMMITS],
)
def test_a_chain_up_area_lies_low_and_ahead_of_every_climb(name, direction, summit):
    """Common practice, no source: drivers hang iron at the foot, on ground that is nearly level."""
    lat, lon, ele, along_m = track(name)
    summit_lat, summit_lon, feet = SUMMITS[summit]
    top_m = along_m[np.argmin(np.hypot(lat - summit_lat, lon - summit_lon))]
    areas = [
        f for f in stops() if f["properties"]["kind"] == "chain-up area" and f["properties"]["direction"] == direction
    ]
    ahead = [i for i, _, _ in (place_on(name, f) for f in areas) if 0 < top_m - along_m[i] < 15_000]
    assert len(ahead) == 1
    assert ele[ahead[0]] < feet * FOOT_M - 250.0
    assert abs(np.gradient(ele, along_m)[ahead[0]]) < 0.02


@pytest.mark.parametrize(("name", "stop_id"), [("i90-west", "pika-w"), ("i90-east", "sluice-e")])
def test_turnout_in_the_climb_is_small_steep_and_after_a_better(name, stop_id):
    _, _, ele, along_m = track(name)
    by_id = {f["properties"]["id"]: f for f in stops()}
    here = place_on(name, by_id[stop_id])[0]
    better = [
        place_on(name, f)[0]
        for f in by_id.values()
        if f["properties"]["kind"] == "chain-up area" and f["properties"]["direction"] == stop_id[-1].upper()
    ]
    assert by_id[stop_id]["properties"]["spaces"] <= 3
    assert np.gradient(ele, along_m)[here] > 0.04
    assert any(along_m[i] < along_m[here] and ele[i] < ele[here] for i in better)


@pytest.mark.parametrize(("name", "served"), [("i90-west", {"W", "both"}), ("i90-east", {"E", "both"})])
def test_our_readers_see_two_climbs_summits_and_this_sides_stops(name, served):
    """The demo's files go through the readers an operator's files go through, without a finding."""
    route = build_route(clean_line(read_gpx(DEMO / f"{name}.gpx")), stops=read_stops(DEMO / "stops.geojson"))
    assert route.findings == ()
    assert len(route.climbs) == len(route.summits) == 2
    directions = {f["properties"]["id"]: f["properties"]["direction"] for f in stops()}
    assert {s.stop.id for s in route.stops} == {i for i, direction in directions.items() if direction in served}


def test_trips_name_the_demos_routes_and_leave_on_the_storms_day():
    with (DEMO / "trips.csv").open(encoding="utf-8", newline="") as file:
        trips = list(csv.DictReader(file))
    assert list(trips[0]) == ["id", "route", "rig", "driver", "dispatcher", "depart", "drive_hours_used"]
    assert {t["route"] for t in trips} == {"i90-west", "i90-east"}
    assert len({t["id"] for t in trips}) == len({t["rig"] for t in trips}) == len(trips)
    readme = (DEMO / "README.md").read_text(encoding="utf-8")
    for trip in trips:
        depart = datetime.fromisoformat(trip["depart"])
        assert depart.date().isoformat() == "2027-01-14"
        assert depart.utcoffset() == timedelta(hours=-7 if trip["route"] == "i90-west" else -8)
        assert 0.0 <= float(trip["drive_hours_used"]) < 11.0
        assert all(trip[key] in readme for key in ("id", "rig", "driver", "dispatcher"))


@pytest.mark.parametrize("hour", [13.0, 14.0, 15.0, 16.0])
def test_it_snows_on_lookout_when_the_morning_trucks_arrive(hour):
    """Demo design. 05:00-06:00 Mountain plus two hours, and the truck from the west."""
    there = at(LOOKOUT, hour)
    assert there["temperature_2m"] < -1.5
    assert there["snowfall_water_equivalent"] == there["precipitation"] > 0.8


@pytest.mark.parametrize("hour", [14.0, 15.0, 16.0, 17.0])
def test_it_snows_on_fourth_of_july_when_morning_trucks_arrive(hour):
    """Demo design."""
    there = at(FOURTH, hour)
    assert there["temperature_2m"] < 0.5
    assert there["snowfall_water_equivalent"] > 0.9 * there["precipitation"] > 0.4


@pytest.mark.parametrize("hour", [12.0, 13.0, 14.0, 15.0])
def test_rain_falls_in_the_valley_while_the_passes_have_snow(hour):
    """Demo design: Kellogg wet at +1 to +3 °C with no snow, Wallace mostly rain."""
    assert 1.0 <= at(KELLOGG, hour)["temperature_2m"] <= 3.0
    assert at(KELLOGG, hour)["snowfall_water_equivalent"] == 0.0
    assert at(KELLOGG, hour)["rain"] > 0.3
    assert at(WALLACE, hour)["rain"] > 0.5 * at(WALLACE, hour)["precipitation"] > 0.1


def test_montana_is_cold_and_dry_before_the_front():
    """Demo design: nothing falls on Missoula in the two days before the morning trucks leave."""
    hours = np.arange(-36.0, 13.0)
    there = [at(MISSOULA, h) for h in hours]
    assert max(w["precipitation"] for w in there) == 0.0
    assert max(w["temperature_2m"] for w in there) < -2.0


def test_only_the_passes_saw_snow_the_day_before():
    """Demo design: a weak wave on the 13th."""
    hours = np.arange(-24.0, 0.0)
    assert max(at(LOOKOUT, h)["snowfall_water_equivalent"] for h in hours) > 0.2
    assert max(at(KELLOGG, h)["precipitation"] for h in hours) == 0.0


@pytest.mark.parametrize("place", [LOOKOUT, FOURTH])
def test_snowfall_has_ended_for_the_afternoon_truck(place):
    """Demo design: 13:30 Mountain plus two hours is 22:30 UTC."""
    assert [float(at(place, h)["precipitation"]) for h in (22.0, 24.0, 30.0)] == [0.0, 0.0, 0.0]


def grid():
    """Weather on the whole road, all heights, 48 h before to 48 h after the storm's day."""
    lat, lon, ele, _ = (a[::40] for a in track("i90-west"))
    epoch = datetime(2027, 1, 12, tzinfo=UTC).timestamp() + 3600 * np.arange(120)
    return lat[:, None], lon[:, None], ele[:, None], epoch[None, :]


def test_storm_is_whole_within_bounds_and_deterministic():
    first, second = weather(*grid()), weather(*grid())
    for name, values in first.items():
        assert np.isfinite(values).all(), name
        assert np.array_equal(values, second[name]), name
    for name in ("relative_humidity_2m", "precipitation_probability", "cloud_cover"):
        assert 0.0 <= first[name].min() <= first[name].max() <= 100.0
    assert (first["dew_point_2m"] < first["temperature_2m"]).all()
    assert first["precipitation"] == pytest.approx(first["rain"] + first["snowfall_water_equivalent"])
    falls = first["weather_code"] >= 51
    assert np.array_equal(falls, first["precipitation"] > 0)
    assert np.array_equal(
        first["weather_code"] >= 71, falls & (first["snowfall_water_equivalent"] >= first["precipitation"] / 2)
    )


def test_storm_over_arrays_is_the_storm_place_by_place():
    lat, lon, ele, epoch = grid()
    whole = weather(lat, lon, ele, epoch)
    for i, j in ((0, 0), (7, 60), (20, 119)):
        one = weather(lat[i, 0], lon[i, 0], ele[i, 0], epoch[0, j])
        assert {k: float(v) for k, v in one.items()} == pytest.approx({k: v[i, j] for k, v in whole.items()})


def test_storm_gives_nan_for_nan():
    for i in range(4):
        arguments = [47.45, -115.7, 1400.0, 1.8e9]
        arguments[i] = float("nan")
        there = weather(*arguments)
        assert np.isnan(there["shortwave_radiation" if i == 0 else "temperature_2m"])
        assert np.isnan(there["weather_code"]) == (i != 0)


def test_dew_point_agrees_with_a_psychrometric_library():
    """PsychroLib (ASHRAE Fundamentals 2017); above 0 °C only, below it reckons over ice."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    there = weather(*grid())
    warm = there["dew_point_2m"] > 0.0
    temp, rh, dew = (there[k][warm] for k in ("temperature_2m", "relative_humidity_2m", "dew_point_2m"))
    theirs = [psychrolib.GetTDewPointFromRelHum(t, r / 100) for t, r in zip(temp, rh, strict=True)]
    assert len(theirs) > 100
    assert dew == pytest.approx(theirs, abs=0.1)


def test_pressure_falls_as_in_the_standard_atmosphere():
    """ICAO standard atmosphere, ISO 2533: p/p0 = (1 - 2.25577e-5 h)^5.25588, within 2 % for air this cold."""
    there = at((47.4, -115.7, np.array([0.0, 700.0, 1436.0])), 0.0)
    ratio = there["surface_pressure"] / there["pressure_msl"]
    assert ratio == pytest.approx((1 - 2.25577e-5 * np.array([0.0, 700.0, 1436.0])) ** 5.25588, rel=0.02)


def test_freezing_level_is_where_the_air_is_at_zero():
    level_m = at(KELLOGG, 13.0)["freezing_level_height"]
    assert at((*KELLOGG[:2], level_m), 13.0)["temperature_2m"] == pytest.approx(0.0, abs=1e-9)


def test_snow_level_falls_as_the_front_passes():
    """Ahead of the front snow lies above some 900 m, behind it the valley floor has it too."""
    heights = np.arange(500.0, 1500.0, 10.0)
    lowest = [
        heights[np.argmax(there["snowfall_water_equivalent"] > there["precipitation"] / 2)]
        for there in (at((47.54, -116.12, heights), h) for h in (12.0, 18.0))
    ]
    assert 850.0 < lowest[0] < 1000.0
    assert lowest[1] < 720.0


def test_sun_is_up_as_long_as_the_season_says():
    """Missoula, 14 January: about 8 h 50 min from sunrise to sunset (almanac, from memory; refraction included)."""
    minutes = datetime(2027, 1, 14, 7, tzinfo=UTC).timestamp() + 60 * np.arange(1440)
    light = weather(*MISSOULA, minutes)["shortwave_radiation"]
    assert np.count_nonzero(light > 0) / 60 == pytest.approx(8.8, abs=0.3)
    assert light.min() == 0.0
    assert 200.0 < light.max() < 450.0


def test_members_are_one_storm_earlier_colder_or_wetter():
    assert Storm().member(0) == Storm()
    assert Storm().member(7) == Storm().member(7) != Storm().member(8)
    late = np.array([Storm().member(i).front_late_h for i in range(1, 31)])
    assert 0.8 < late.std() < 2.2
    assert all(Storm().member(i).wetter > 0 for i in range(1, 31))
