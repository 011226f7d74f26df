"""Weather warnings placed on a made road: by their outline, else by the places that they were told at."""

from dataclasses import replace

import pytest

from alertd.plan.warnings import MOST_PLACES, WeatherAlert, place_warnings, places_to_ask
from alertd.route.line import Climb, Summit
from alertd.testing.made import M_PER_DEG_LON, at_hour, make_route


def alert(event: str = "Blizzard Warning", id_: str = "a", ring: tuple[tuple[float, float], ...] = ()) -> WeatherAlert:
    return WeatherAlert(
        id=id_, event=event, begins_at=at_hour(1), ends_at=at_hour(9), sender="NWS Made", rings=(ring,) if ring else ()
    )


def box(from_m: float, to_m: float, south: float = 47.4, north: float = 47.5) -> tuple[tuple[float, float], ...]:
    west, east = (-116.5 + m / M_PER_DEG_LON for m in (from_m, to_m))
    return (south, west), (south, east), (north, east), (north, west)


def test_summits_and_starts_of_climbs_are_asked_first_then_the_ends() -> None:
    route = make_route(60e3, summits=[Summit(distance_m=22e3, elevation_m=1400.0, prominence_m=300.0)])
    assert [route.distance_m[i] for i in places_to_ask(route)] == [0.0, 22e3, 60e3]
    assert [make_route(10e3).distance_m[i] for i in places_to_ask(make_route(10e3))] == [0.0, 10e3]


def test_a_long_road_is_asked_about_at_ten_places_at_most_and_its_highest_summits_are_among_them() -> None:
    summits = [Summit(distance_m=30e3 * n, elevation_m=1400.0, prominence_m=100.0 + n) for n in range(1, 20)]
    route = make_route(600e3, summits=summits)
    asked = [float(route.distance_m[i]) for i in places_to_ask(route)]
    assert len(asked) == MOST_PLACES
    assert asked[0] == 0.0
    assert asked[-1] == 600e3
    assert {30e3 * n for n in range(12, 20)} <= set(asked)


def test_a_long_flat_road_is_asked_about_in_between() -> None:
    """Halves of the longest gap until none is over 40 km: 160 km in quarters."""
    route = make_route(160e3)
    assert [route.distance_m[i] for i in places_to_ask(route)] == [0.0, 40e3, 80e3, 120e3, 160e3]


def test_a_warning_for_a_zone_covers_the_road_nearest_to_the_places_it_was_told_at() -> None:
    """Asked at km 0, 20 and 60: half ways are km 10 and 40."""
    route = make_route(60e3)
    told = {0: (), 80: (alert(),), 240: (alert(id_="b", event="High Wind Warning"),)}
    found = {c.what: (c.start_m, c.end_m, c.holds) for c in place_warnings(route, told)}
    assert found == {"Blizzard Warning": (10e3, 40e3, True), "High Wind Warning": (40e3, 60e3, False)}
    (both,) = place_warnings(route, {0: (alert(),), 80: (alert(),), 240: ()})
    assert (both.start_m, both.end_m) == (0.0, 40e3)


def test_an_outline_places_it_one_sample_wider_and_one_that_holds_no_road_falls_back_to_the_places() -> None:
    route = make_route(60e3)
    (inside,) = place_warnings(route, {0: (), 80: (alert(ring=box(15.1e3, 29.9e3)),), 240: ()})
    assert (inside.start_m, inside.end_m) == pytest.approx((15e3, 30e3))
    (outside,) = place_warnings(route, {0: (), 80: (alert(ring=box(15e3, 30e3, 48.4, 48.5)),), 240: ()})
    assert (outside.start_m, outside.end_m) == (10e3, 40e3)


def test_events_that_ask_nothing_of_a_truck_are_left_out() -> None:
    assert place_warnings(make_route(60e3), {0: (alert("Flood Watch"),), 240: ()}) == ()


def test_climbs_count_after_summits() -> None:
    climb = Climb(start_m=30e3, end_m=40e3, rise_m=300.0, mean_grade=0.03, max_grade=0.05)
    route = replace(make_route(60e3), climbs=(climb,))
    assert [route.distance_m[i] for i in places_to_ask(route)] == [0.0, 30e3, 60e3]
