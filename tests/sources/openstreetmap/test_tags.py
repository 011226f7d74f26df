"""Tags of roads as the wiki of OpenStreetMap documents them: Key:ref, Key:oneway, Key:maxspeed, Tag:amenity=parking."""

import pytest

from alertd.route.stops import StopKind
from alertd.sources.openstreetmap import tags
from alertd.units import KMH_MPS, MPH_MPS


@pytest.mark.parametrize(
    ("ref", "words"),
    [
        ("I 70;US 6", "I-70"),
        ("US 40;I 70", "I-70"),
        ("US 6", "US-6"),
        ("CO 9", "CO-9"),
        ("A 13", "A13"),
        ("E 6", "E6"),
        ("B 178", "B178"),
        ("5", "5"),
        ("", ""),
    ],
)
def test_road_numbers_are_written_for_a_reader(ref: str, words: str) -> None:
    assert tags.road_ref({"ref": ref}) == words


@pytest.mark.parametrize(
    ("given", "forward", "backward"),
    [
        ({"maxspeed": "65 mph"}, 65 * MPH_MPS, 65 * MPH_MPS),
        ({"maxspeed": "130", "maxspeed:hgv": "80"}, 80 * KMH_MPS, 80 * KMH_MPS),
        ({"maxspeed": "75 mph", "maxspeed:hgv:backward": "45 mph"}, 75 * MPH_MPS, 45 * MPH_MPS),
        ({"maxspeed": "none"}, None, None),
        ({"maxspeed": "RO:urban"}, None, None),
        ({"maxspeed": "700"}, None, None),
        ({"maxspeed:conditional": "80 @ (wet)"}, None, None),
        ({}, None, None),
    ],
)
def test_limits_are_those_for_trucks(given: dict[str, str], forward: float | None, backward: float | None) -> None:
    assert tags.truck_limit_mps(given, forward=True) == pytest.approx(forward)
    assert tags.truck_limit_mps(given, forward=False) == pytest.approx(backward)


def test_motorways_are_one_way_unless_stated() -> None:
    assert tags.one_way({"highway": "motorway"}) == 1
    assert tags.one_way({"highway": "motorway", "oneway": "no"}) == 0
    assert tags.one_way({"highway": "trunk"}) == 0
    assert tags.one_way({"highway": "trunk", "oneway": "-1"}) == -1


@pytest.mark.parametrize(
    ("given", "kind"),
    [
        ({"highway": "rest_area"}, StopKind.REST_AREA),
        ({"highway": "rest_area", "hgv": "no"}, None),
        ({"highway": "services"}, StopKind.TRUCK_STOP),
        ({"amenity": "fuel"}, None),
        ({"amenity": "fuel", "fuel:HGV_diesel": "yes"}, StopKind.TRUCK_STOP),
        ({"amenity": "parking"}, None),
        ({"amenity": "parking", "hgv": "designated"}, StopKind.REST_AREA),
        ({"amenity": "parking", "access": "private"}, None),
        ({"amenity": "parking", "access": "no", "hgv": "yes"}, StopKind.REST_AREA),
        ({"amenity": "parking", "parking": "layby"}, StopKind.TURNOUT),
        ({"amenity": "parking", "name": "Aire de chaînage du Lautaret"}, StopKind.CHAIN_UP_AREA),
        ({"highway": "rest_area", "name": "Kettenanlegeplatz Nord"}, StopKind.CHAIN_UP_AREA),
        ({"amenity": "parking", "name": "Chain Up Area"}, StopKind.CHAIN_UP_AREA),
        ({"shop": "supermarket", "name": "Chain station"}, None),
    ],
)
def test_kinds_of_stops(given: dict[str, str], kind: StopKind | None) -> None:
    assert tags.stop_kind(given) is kind


def test_snow_sheds_are_no_tunnels() -> None:
    assert tags.is_tunnel({"tunnel": "yes"})
    assert not tags.is_tunnel({"tunnel": "avalanche_protector"})
    assert tags.is_bridge({"bridge": "viaduct"})
    assert not tags.is_bridge({"bridge": "no"})
