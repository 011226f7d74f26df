"""Weather warnings placed on a made road: by outline, by zones, by counties, else by the places they were told at."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

import numpy as np
import pytest

from alertd.plan.warnings.placement import (
    MAX_PLACES,
    PlacedWarnings,
    WeatherAlert,
    closure_of,
    merge_alerts,
    place_warnings,
    query_samples,
)
from alertd.plan.warnings.severity import Severity
from alertd.plan.warnings.zones import ForecastZone, Zones, covers
from alertd.route.geometry.polygons import Area
from alertd.route.model import Climb, Route, Summit
from alertd.testing.factories import M_PER_DEG_LON, at_hour, make_route

NOW = at_hour(2)
HOLDS, ADVISORY = Severity(holds=True, rank=0), Severity(holds=False, rank=1)
# The made road lies in "US-XX", so that is the state of its zones.
ROUTE = make_route(60e3)


def alert(key: str = "KXXX.BZ.W.0001.2027", **changes: Any) -> WeatherAlert:
    made = WeatherAlert(
        key=key,
        id=f"urn:{key}",
        event="Blizzard Warning",
        severity=HOLDS,
        begins_at=at_hour(1),
        ends_at=at_hour(9),
        sender="NWS Made",
        sent_at=at_hour(0),
    )
    return replace(made, **changes)


def area(from_m: float, to_m: float, south: float = 47.4, north: float = 47.5) -> Area:
    west, east = (-116.5 + m / M_PER_DEG_LON for m in (from_m, to_m))
    ring = np.array([[west, south], [east, south], [east, north], [west, north], [west, south]])
    return Area(polygons=((ring,),))


def zones(*named: tuple[str, float, float], obtained_at: datetime = NOW) -> Zones:
    return {id_: ForecastZone(id=id_, name=id_, area=area(a, b), obtained_at=obtained_at) for id_, a, b in named}


def runs(placed: PlacedWarnings) -> list[tuple[float, float]]:
    return [(c.start_m, c.end_m) for c in placed.closures]


def test_summits_and_climb_starts_are_asked_first_then_the_ends() -> None:
    route = make_route(60e3, summits=[Summit(distance_m=22e3, elevation_m=1400.0, prominence_m=300.0)])
    assert [route.distance_m[i] for i in query_samples(route)] == [0.0, 22e3, 60e3]
    assert [make_route(10e3).distance_m[i] for i in query_samples(make_route(10e3))] == [0.0, 10e3]


def test_long_road_has_ten_places_with_its_highest_summits() -> None:
    """A road is asked about at ten places at most."""
    summits = [Summit(distance_m=30e3 * n, elevation_m=1400.0, prominence_m=100.0 + n) for n in range(1, 20)]
    route = make_route(600e3, summits=summits)
    asked = [float(route.distance_m[i]) for i in query_samples(route)]
    assert len(asked) == MAX_PLACES
    assert asked[0] == 0.0
    assert asked[-1] == 600e3
    assert {30e3 * n for n in range(12, 20)} <= set(asked)


def test_a_long_flat_road_is_asked_about_in_between() -> None:
    """Halves of the longest gap until none is over 40 km: 160 km in quarters."""
    route = make_route(160e3)
    assert [route.distance_m[i] for i in query_samples(route)] == [0.0, 40e3, 80e3, 120e3, 160e3]


def test_climbs_count_after_summits() -> None:
    climb = Climb(start_m=30e3, end_m=40e3, rise_m=300.0, mean_grade=0.03, max_grade=0.05)
    route = replace(make_route(60e3), climbs=(climb,))
    assert [route.distance_m[i] for i in query_samples(route)] == [0.0, 30e3, 60e3]


def test_an_outline_of_its_own_places_it_and_its_zones_do_not() -> None:
    placed = place_warnings(
        ROUTE, [alert(area=area(15.1e3, 29.9e3), zones=("county/XXC001",))], zones(("county/XXC001", -1, 61e3)), NOW
    )
    assert (runs(placed), placed.unplaced) == ([(15e3, 30e3)], ())


def test_zones_on_file_place_it_and_other_states_do_not_matter() -> None:
    on_file = zones(
        ("forecast/XXZ001", 5.1e3, 19.9e3), ("forecast/XXZ002", 19.9e3, 29.9e3), ("forecast/XXZ003", 70e3, 90e3)
    )
    placed = place_warnings(
        ROUTE, [alert(zones=("forecast/XXZ001", "forecast/XXZ002", "forecast/XXZ003", "forecast/YYZ009"))], on_file, NOW
    )
    assert (runs(placed), placed.unplaced) == ([(5e3, 30e3)], ())


def test_codes_of_two_kinds_are_two_zones() -> None:
    on_file = zones(("fire/XXZ001", 5.1e3, 9.9e3), ("forecast/XXZ001", 40.1e3, 49.9e3))
    assert runs(place_warnings(ROUTE, [alert(zones=("fire/XXZ001",))], on_file, NOW)) == [(5e3, 10e3)]


def test_missing_zones_are_placed_by_counties_beside_known_zones() -> None:
    on_file = zones(("forecast/XXZ001", 5.1e3, 9.9e3), ("county/XXC003", 20.1e3, 39.9e3))
    result = alert(zones=("forecast/XXZ001", "forecast/XXZ002"), counties=("county/XXC003", "county/YYC003"))
    placed = place_warnings(ROUTE, [result], on_file, NOW)
    assert (runs(placed), placed.unplaced) == ([(5e3, 10e3), (20e3, 40e3)], ())


def test_partly_placed_warning_is_named_and_never_dropped() -> None:
    result = alert(zones=("forecast/XXZ001", "forecast/XXZ002"), counties=("county/XXC003",))
    placed = place_warnings(ROUTE, [result], zones(("forecast/XXZ001", 5.1e3, 9.9e3)), NOW)
    assert (runs(placed), placed.unplaced) == ([(5e3, 10e3)], (result,))
    nowhere = alert(zones=(), counties=())
    assert place_warnings(ROUTE, [nowhere], zones(("forecast/XXZ001", 0, 1e3)), NOW).unplaced == (nowhere,)


def test_partly_read_zones_place_it_and_mark_it_as_not_placed() -> None:
    result = alert(zones=("forecast/XXZ001",), zones_whole=False)
    placed = place_warnings(ROUTE, [result], zones(("forecast/XXZ001", 5.1e3, 9.9e3)), NOW)
    assert (runs(placed), placed.unplaced) == ([(5e3, 10e3)], (result,))
    elsewhere = alert(zones=("forecast/YYZ001",), zones_whole=False)
    assert place_warnings(ROUTE, [elsewhere], {}, NOW).unplaced == (elsewhere,)


def test_warning_without_a_known_area_covers_the_nearest_road() -> None:
    """Asked at km 0, 20 and 60: half ways are km 10 and 40."""
    far = alert(zones=("forecast/XXZ001",))
    windy = alert("KXXX.HW.W.0002.2027", event="High Wind Warning", severity=ADVISORY, zones=("forecast/XXZ002",))
    result: dict[int, Sequence[WeatherAlert]] = {0: (), 80: (far,), 240: (windy,)}
    placed = place_warnings(ROUTE, [far, windy], {}, NOW, result)
    found = {c.what: (c.start_m, c.end_m, c.holds) for c in placed.closures}
    assert found == {"Blizzard Warning": (10e3, 40e3, True), "High Wind Warning": (40e3, 60e3, False)}
    assert placed.unplaced == ()


def test_place_answer_counts_though_the_list_left_it_out() -> None:
    result: dict[int, Sequence[WeatherAlert]] = {0: (), 80: (alert(zones=("forecast/XXZ001",)),), 240: ()}
    assert runs(place_warnings(ROUTE, [], {}, NOW, result)) == [(10e3, 40e3)]


def test_event_parts_join_where_they_touch_and_split_by_time() -> None:
    on_file = zones(("forecast/XXZ001", -1.0, 20e3), ("forecast/XXZ002", 20e3, 61e3))
    one, two = alert(zones=("forecast/XXZ001",)), alert(id="urn:2", zones=("forecast/XXZ002",))
    assert runs(place_warnings(ROUTE, [one, two], on_file, NOW)) == [(0.0, 60e3)]
    longer = replace(two, ends_at=at_hour(12))
    assert runs(place_warnings(ROUTE, [one, longer], on_file, NOW)) == [(0.0, 20.25e3), (19.75e3, 60e3)]


def test_messages_of_one_event_and_zone_merge_begin_and_end() -> None:
    """The earliest begin and the latest end apply."""
    first = alert(zones=("forecast/XXZ001",), begins_at=at_hour(1), ends_at=at_hour(9), sent_at=at_hour(0))
    later = alert(
        id="urn:2",
        zones=("forecast/XXZ001",),
        begins_at=at_hour(4),
        ends_at=at_hour(8),
        sent_at=at_hour(4),
        words=("new",),
    )
    other = alert("KXXX.BZ.W.0002.2027", zones=("forecast/XXZ001",))
    for order in ([first, later, other], [other, later, first]):
        merged = {a.key: a for a in merge_alerts(order)}
        assert len(merged) == 2
        both = merged[first.key]
        assert (both.begins_at, both.ends_at, both.words) == (at_hour(1), at_hour(9), ("new",))
    assert len(merge_alerts([first, replace(later, zones=("forecast/XXZ002",))])) == 2
    open_end = merge_alerts([first, replace(later, ends_at=None)])
    assert [a.ends_at for a in open_end] == [None]


@pytest.mark.parametrize(
    ("now_h", "until_h"),
    [(2, 24), (11.9, 24), (12.1, 48), (35.9, 48), (60.1, 96)],
)
def test_without_an_end_it_lasts_a_day_from_sending_while_listed(now_h: float, until_h: float) -> None:
    result = alert(event="Flood Warning", severity=ADVISORY, begins_at=at_hour(-1), ends_at=None, sent_at=at_hour(0))
    made = closure_of(result, (0.0, 1.0), at_hour(now_h))
    assert (made.ends_at, made.presumed) == (at_hour(until_h), True)


def test_wait_out_warning_gets_no_end_its_office_did_not_give() -> None:
    made = closure_of(alert(ends_at=None), (0.0, 1.0), NOW)
    assert (made.ends_at, made.presumed) == (None, False)


def test_no_other_zone_has_road_where_known_zones_cover_it_all() -> None:
    parts = zones(("forecast/XXZ001", -1.0, 20e3), ("forecast/XXZ002", 20e3, 61e3))

    def covered(on_file: Zones, route: Route = ROUTE) -> bool:
        return covers(on_file.values(), frozenset(("XX",)), route)

    assert covered(parts)
    assert not covered(zones(("forecast/XXZ001", -1.0, 20e3), ("forecast/XXZ002", 21e3, 61e3)))
    assert not covered({})
    assert not covers(parts.values(), frozenset(), ROUTE)
