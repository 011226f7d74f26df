"""Places beside a made road: kinds, direction by carriageway, exits, limits, tunnels and bridges.

Meanings of tags are those of wiki.openstreetmap.org (Key:highway, Key:maxspeed, Key:oneway, Key:hgv).
"""

from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest

from alertd.route.build import Trace
from alertd.route.model import LandmarkKind
from alertd.route.roadside import Roadside
from alertd.route.stops import StopKind
from alertd.sources.openstreetmap.beside import DrivesOn, RouteFile, roadside_of
from alertd.sources.openstreetmap.elements import read_answer
from alertd.testing import overpass_answer as made
from alertd.units import MPH_MPS

AT = datetime(2026, 11, 28, tzinfo=UTC)


def trace(*, eastbound: bool = True) -> Trace:
    lon = np.linspace(made.WEST, made.EAST, 114)
    lon = lon if eastbound else lon[::-1]
    return Trace(
        lat_deg=np.full(lon.shape, made.LAT),
        lon_deg=lon,
        distance_m=np.linspace(0.0, 22_620.0, lon.size),
        bearing_deg=np.full(lon.shape, 90.0 if eastbound else 270.0),
    )


def gathered(content: dict[str, Any] | None = None, *, eastbound: bool = True, on: DrivesOn = "right") -> Roadside:
    route = RouteFile(name="made.gpx", line=trace(eastbound=eastbound), drives_on=on)
    return roadside_of(route, read_answer(content or made.answer()), "made", AT)


def test_stops_have_kind_direction_and_spaces() -> None:
    stops = {s.id: s for s in gathered().stops}
    assert {s.name: s.kind for s in stops.values()} == {
        "Larch Rest Area": StopKind.REST_AREA,
        "Fir Rest Area": StopKind.REST_AREA,
        "Made Fuel": StopKind.TRUCK_STOP,
        "lay-by": StopKind.TURNOUT,
        "Chain-up area": StopKind.CHAIN_UP_AREA,
    }
    larch, fir, fuel = stops["osm-way-60"], stops["osm-way-61"], stops["osm-node-63"]
    assert larch.serves_bearing_deg == pytest.approx(90.0, abs=1.0)
    assert fir.serves_bearing_deg == pytest.approx(270.0, abs=1.0)
    assert (larch.spaces, larch.lit, fir.spaces, fir.lit) == (24, True, None, None)
    assert (fuel.serves_both, fuel.milepost) == (True, "I-90 exit 10")  # 400 m off the road, at an exit
    assert stops["osm-node-64"].milepost == "I-90 MP 17"
    assert stops["osm-node-65"].lit is False


def test_direction_does_not_depend_on_the_direction_of_travel() -> None:
    there = {s.id: s.serves_bearing_deg for s in gathered().stops}
    back = {s.id: s.serves_bearing_deg for s in gathered(eastbound=False).stops}
    assert {k: v and round(v) for k, v in there.items()} == {k: v and round(v) for k, v in back.items()}


def test_exits_of_the_other_carriageway_are_left_out() -> None:
    marks = gathered().landmarks
    assert [(m.kind, m.text) for m in marks] == [
        (LandmarkKind.EXIT, "10"),
        (LandmarkKind.EXIT, "14"),
        (LandmarkKind.MILEPOST, "17"),
    ]
    assert [m.distance_m for m in marks] == pytest.approx([6_000, 12_000, 16_100], abs=30)
    west = gathered(eastbound=False).landmarks
    assert [m.text for m in west if m.kind is LandmarkKind.EXIT] == ["15"]


def test_limits_for_trucks_are_those_of_our_lanes() -> None:
    limits = [(round(s.start_m, -2), round(s.end_m, -2), round(s.speed_mps / MPH_MPS)) for s in gathered().limits]
    assert limits == [
        (0, 6_000, 75),
        (6_000, 12_000, 65),
        (12_000, 13_500, 50),
        (13_500, 22_600, 65),
    ]
    assert {round(s.speed_mps / MPH_MPS) for s in gathered(eastbound=False).limits} == {60}
    assert all(s.source == "OpenStreetMap, data of 2026-11-20" for s in gathered().limits)


def test_tunnels_and_bridges_are_lines_of_our_lanes() -> None:
    found = gathered()
    ((tunnel,), (bridge,)) = found.tunnels, found.bridges  # not the bridge of the road that crosses
    assert (tunnel.name, bridge.name) == ("Made Tunnel", "Made Bridge")
    assert (tunnel.lon_deg[0], tunnel.lon_deg[-1]) == (made.lon_at(12_000), made.lon_at(13_500))
    assert set(tunnel.lat_deg) == {made.SOUTH_LANES}
    (west,) = gathered(eastbound=False).tunnels
    assert (west.lon_deg[0], west.lon_deg[-1]) == (made.lon_at(13_000), made.lon_at(12_200))


def test_roads_passes_and_towns_are_named() -> None:
    found = gathered()
    assert [(r.ref, r.road_class, round(r.start_m), round(r.end_m, -2)) for r in found.roads] == [
        ("I-90", "motorway", 0, 22_600)
    ]
    (summit,) = found.passes
    assert (summit.name, summit.elevation_m, summit.source) == ("Made Pass", 1390.0, "OpenStreetMap")
    assert [t.name for t in found.towns] == ["Madeville"]
    assert found.data_at == "2026-11-20T06:00:00Z"


@pytest.mark.parametrize(("on", "bearing"), [("right", 90.0), ("left", 270.0)])
def test_lay_by_of_a_two_way_road_serves_the_lane_beside_it(on: DrivesOn, bearing: float) -> None:
    content = {
        "elements": [
            made.way(1, 0, 22_620, lat=made.LAT, highway="trunk", ref="US 10", maxspeed__forward="55 mph"),
            made.node(2, 5_000, -15, amenity="parking", parking="layby"),
            made.area(3, 9_000, -60, highway="rest_area"),
        ]
    }
    layby, rest = gathered(content, on=on).stops
    assert layby.serves_bearing_deg == pytest.approx(bearing)
    assert rest.serves_both
    assert gathered(content, eastbound=False, on=on).limits == ()  # stated for the way's direction only


def test_a_road_without_tags_gives_nothing() -> None:
    found = gathered({"elements": [made.way(1, 0, 22_620, highway="track")]})
    assert (found.roads, found.limits, found.stops, found.landmarks) == ((), (), (), ())
