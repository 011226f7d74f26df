"""Where a place is: road, direction by the road's signs, exit and milepost, and towns of the shipped gazetteer."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from alertd.i18n import ENGLISH
from alertd.notices.text.place_text import where
from alertd.route.model import Landmark, LandmarkKind, RoadSpan, Route, Town
from alertd.route.spot import Gazetteer, Spot, mark_of, spot_at
from alertd.sources.files.towns import read_towns
from alertd.testing.factories import make_route

SHIPPED = Path(__file__).parents[2] / "config" / "towns.csv"


@pytest.fixture(scope="module")
def shipped() -> Gazetteer:
    return read_towns(SHIPPED)


class Placed:
    def __init__(self, spot: Spot | None, place: str = "", start_m: float = 93_000.0) -> None:
        self.spot, self.place, self.start_m = spot, place, start_m


def road(ref: str = "I-90") -> Route:
    route = make_route(60_000.0)
    marks = (
        Landmark(kind=LandmarkKind.EXIT, text="10", distance_m=9_000.0),
        Landmark(kind=LandmarkKind.EXIT, text="22", distance_m=30_000.0),
        Landmark(kind=LandmarkKind.MILEPOST, text="31", distance_m=42_000.0),
    )
    return replace(
        route, landmarks=marks, roads=(RoadSpan(ref=ref, road_class="motorway", start_m=0.0, end_m=60_000.0),)
    )


def test_spot_has_the_last_exit_and_a_near_milepost() -> None:
    spot = spot_at(road(), 42_400.0)
    assert (spot.road, spot.direction, spot.exit, spot.milepost) == ("I-90", "E", "22", "31")
    assert spot.past_exit_m == pytest.approx(12_400.0)
    assert spot_at(road(), 5_000.0).exit == ""  # no exit passed yet
    assert spot_at(road(), 44_000.0).milepost == ""


def test_signed_direction_of_a_us_road_follows_its_number() -> None:
    # Even one and two digit numbers run east to west, odd ones north to south (US numbering, from memory).
    east = road("I-90")
    north = replace(road("I-15"), lat_deg=np.linspace(46.0, 46.1, east.lat_deg.size))
    assert spot_at(north, 30_000.0).direction == "N"  # the road leads mostly east here, and is signed north
    assert spot_at(replace(north, roads=()), 30_000.0).direction == "E"


def test_words_name_town_road_and_exit() -> None:
    spot = Spot(
        road="I-70", direction="W", milepost="", exit="228", past_exit_m=3_300.0, town="Georgetown", town_m=900.0
    )
    assert where(Placed(spot), ENGLISH) == "near Georgetown, I-70 westbound, 2 mi past exit 228"
    assert where(Placed(replace(spot, milepost="226")), ENGLISH) == "near Georgetown, I-70 westbound, MP 226"
    assert (
        where(Placed(replace(spot, past_exit_m=100.0), "Made Pass"), ENGLISH)
        == "Made Pass, I-70 westbound, at exit 228"
    )
    assert mark_of(replace(spot, milepost="226")) == "I-70 W MP 226"
    assert mark_of(spot) == ""  # 2 miles past an exit, which alone would mislead


def test_distance_from_the_start_is_the_last_resort() -> None:
    nothing = Spot(road="", direction="W", milepost="", exit="", past_exit_m=None, town="", town_m=None)
    assert where(Placed(nothing), ENGLISH) == "58 mi from the start, westbound"
    assert where(Placed(None), ENGLISH) == "58 mi from the start"
    assert where(Placed(replace(nothing, town="Mullan")), ENGLISH) == "near Mullan, westbound"


@pytest.mark.parametrize(
    ("lat", "lon", "name"),
    [
        # Positions of towns beside known roads, from public maps, rounded.
        (39.742, -105.515, "Idaho Springs"),
        (39.72, -105.69, "Georgetown"),
        (47.47, -115.80, "Mullan"),
        (39.33, -120.20, "Truckee"),
        (46.53, 8.61, "Airolo"),
        (47.01, 11.51, "Brenner"),
        (62.07, 9.13, "Dombås"),
    ],
)
def test_shipped_towns_name_places_on_known_roads(shipped: Gazetteer, lat: float, lon: float, name: str) -> None:
    route = make_route(10_000.0)
    step = np.linspace(0.0, 0.02, route.lat_deg.size)
    route = replace(route, lat_deg=np.full(step.shape, lat), lon_deg=lon + step)
    named = replace(route, towns=shipped.along(route))
    assert name in spot_at(named, 0.0).town or spot_at(named, 0.0).town in ("Hospental", "Göschenen")
    assert spot_at(named, 0.0).town_m is not None


def test_shipped_towns_are_sound_and_small(shipped: Gazetteer) -> None:
    assert SHIPPED.stat().st_size < 500_000
    text = SHIPPED.read_text(encoding="utf-8")
    assert "GeoNames" in text and "CC BY 4.0" in text  # noqa: PT018
    assert len(shipped.towns) > 10_000
    assert all(t.name and t.land for t in shipped.towns)


def test_a_place_far_from_any_town_has_none() -> None:
    far = Gazetteer(towns=(Town(name="Far", lat_deg=10.0, lon_deg=10.0),))
    route = make_route(10_000.0)
    assert far.along(route) == ()
    assert spot_at(replace(route, towns=far.towns), 0.0).town == ""


def test_places_of_two_routes_are_not_confused() -> None:
    here, there = road(), replace(road(), landmarks=())
    assert spot_at(here, 42_400.0) is spot_at(here, 42_400.0)
    assert (spot_at(here, 42_400.0).milepost, spot_at(there, 42_400.0).milepost) == ("31", "")
