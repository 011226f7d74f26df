"""Roads of departures are shared between trips, and what is looked up for them equals what is computed alone."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from alertd.plan.chain_up import departure_road
from alertd.plan.chain_up.darkness import NIGHT_ZENITH_DEG, is_dark
from alertd.plan.chain_up.departure_road import DepartureRoads, departure_roads
from alertd.plan.chain_up.departure_view import DepartureViews, see_all, view_of
from alertd.plan.chain_up.priced_view import PricedView, SearchTerms
from alertd.plan.chain_up.stop_candidates import stop_candidates
from alertd.plan.chain_up.unlisted_places import all_places, places_with_search
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.hourly_need import HourlyNeed, hourly_need_for
from alertd.plan.road_ahead.timing import unchained_timing
from alertd.road.radiation import solar_position
from alertd.road.road_class import RoadClass
from alertd.testing.factories import at_hour, make_rig, make_route, make_rules, make_stop, make_weather

PARAMS = PlanParams()
ROUTE = make_route(120e3, stops=[make_stop(n, m) for n, m in (("a", 20e3), ("b", 40e3), ("c", 90e3))])


def storm(m: Any, d: Any, h: Any) -> Any:
    """Snow that half of the members have, some an hour later, and ice behind it."""
    snow = (d >= 60e3) & (d <= 80e3) & (h >= 6 + m % 3) & (m < 7)
    return np.where(snow, RoadClass.SNOW, np.where((d > 100e3) & (m % 4 == 0), RoadClass.ICE, RoadClass.DRY))


@pytest.fixture(scope="module")
def need() -> HourlyNeed:
    weather = make_weather(ROUTE, storm, clock_z=np.linspace(-1.0, 1.0, 10))
    rules = {"US-XX": make_rules(chance=1.0)}
    return hourly_need_for(ROUTE, make_rig(), rules, weather.corridor, PARAMS, at_hour(0).timestamp())


@pytest.mark.parametrize("name", ["code", "need", "other_need", "grip_shortfall", "closed", "descent"])
def test_no_lookup_copies_a_whole_array(need: HourlyNeed, name: str) -> None:
    """Each departure looks up a few hours in these arrays; out of the order of memory, each look copies all of one."""
    assert getattr(need, name).flags.c_contiguous


def test_many_departures_at_once_equal_each_alone(need: HourlyNeed, monkeypatch: pytest.MonkeyPatch) -> None:
    departs = at_hour(2).timestamp() + 900.0 * np.arange(13)
    monkeypatch.setattr("alertd.plan.road_ahead.timing.BLOCK_CELLS", 4 * need.members * need.sections.count)
    together = unchained_timing(need, departs, PARAMS)  # three blocks, and a part of one
    for n, depart in enumerate(departs):
        alone, row = unchained_timing(need, departs[n : n + 1], PARAMS), together.row(n)
        assert depart == row.depart_epoch_s[0]
        for name in ("reach_s", "moving_s", "hour", "code", "need"):
            assert np.array_equal(getattr(alone, name), getattr(row, name))
        assert all(np.array_equal(a, b) for a, b in zip(alone.on, row.on, strict=True))


def test_a_departure_is_computed_once_for_all_trips(need: HourlyNeed, monkeypatch: pytest.MonkeyPatch) -> None:
    computed: list[float] = []

    def counted(hourly_need: HourlyNeed, departs: Any, params: PlanParams) -> Any:
        computed.extend(departs.tolist())
        return unchained_timing(hourly_need, departs, params)

    monkeypatch.setattr(departure_road, "unchained_timing", counted)
    need.corridor.answers.forget("roads")
    places, first = stop_candidates(need.sections, PARAMS), at_hour(3).timestamp()
    for at, sent in ((first, frozenset[str]()), (first + 900.0, frozenset({"a"}))):
        views = DepartureViews(hourly_need=need, depart_epoch_s=at, params=PARAMS, places=places, sent_stops=sent)
        assert all(views.view(n).stretches for n in range(3))
    assert computed == [first + 900.0 * n for n in range(4)]


def test_departures_seen_together_equal_each_alone(need: HourlyNeed) -> None:
    """At places without light, so that darkness at each departure counts too."""
    whole = all_places(need.sections, PARAMS)
    whole = replace(whole, unlit=np.ones(whole.at_m.size, dtype=np.bool_))
    departs = [at_hour(h).timestamp() for h in range(0, 24, 2)]
    together, alone = (DepartureRoads(need, PARAMS).at_all(departs) for _ in range(2))
    see_all(together, whole)
    prices = []
    for many, one in zip(together, alone, strict=True):
        seen, expected = view_of(many, whole), view_of(one, whole)
        for name in ("reach_s", "bare_m", "price_s"):
            assert np.array_equal(getattr(seen, name), getattr(expected, name))
        assert all(np.array_equal(seen.drawbacks[name], has) for name, has in expected.drawbacks.items())
        prices.append(seen.price_s)
    assert np.unique(np.asarray(prices)[:, 1]).size > 1  # day and night differ


def test_places_of_a_trip_are_seen_as_all_places(need: HourlyNeed) -> None:
    """What a truck meets at a place does not depend on which other places a trip may use."""
    first = at_hour(5).timestamp()
    places = places_with_search(need, first, PARAMS)
    whole, number = places.whole, places.number
    assert places.stops[1:-1] == tuple(whole.stops[n] for n in number.tolist())[1:-1]
    assert 3 < places.at_m.size < whole.at_m.size
    assert places.unlisted.any()
    road = DepartureRoads(need, PARAMS).at(first)
    part, of_all = view_of(road, places), view_of(road, whole)
    assert part.stretches == of_all.stretches
    for name in ("reach_s", "bare_m", "price_s"):
        assert np.array_equal(getattr(part, name), getattr(of_all, name)[number])
    assert np.array_equal(part.chained_s(None), of_all.chained_s(None)[number])


def test_the_oldest_roads_are_dropped(need: HourlyNeed, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(departure_road, "MOST_ROADS", 3)
    roads, first = DepartureRoads(need, PARAMS), at_hour(3).timestamp()
    many = roads.at_all([first + 900.0 * n for n in range(5)])
    assert len(many) == 5
    assert roads.at(first + 3600.0) is many[4]
    assert roads.at(first) is not many[0]
    assert departure_roads(need, PARAMS) is departure_roads(need, PARAMS)


def test_a_road_that_trips_use_is_kept(need: HourlyNeed, monkeypatch: pytest.MonkeyPatch) -> None:
    """The departures of many trips do not push out the quarters that they share."""
    monkeypatch.setattr(departure_road, "MOST_ROADS", 3)
    roads, quarter = DepartureRoads(need, PARAMS), at_hour(3).timestamp()
    shared = roads.at(quarter)
    for n in range(1, 9):
        roads.at(quarter - 100.0 * n)
        assert roads.at(quarter) is shared


def test_excluding_stops_equals_prices_for_such_a_search(need: HourlyNeed) -> None:
    places = stop_candidates(need.sections, PARAMS)
    views = DepartureViews(hourly_need=need, depart_epoch_s=at_hour(6).timestamp(), params=PARAMS, places=places)
    view, plain = views.view(0), SearchTerms(PARAMS.chain_probability)
    for without in ({1}, {2}, {1, 2}, {0, 3}):
        stops = frozenset(without)
        alone = PricedView(view, places.at_m, PARAMS, plain._replace(excluded_stops=stops))
        shared = PricedView(view, places.at_m, PARAMS, plain).excluding(stops)
        assert shared.may_hang == alone.may_hang
        assert not any(shared.may_hang[p] for p in stops)
        for place in range(places.at_m.size):
            found = [[(c.first, c.last, c.offs) for c in x.choices(place)] for x in (shared, alone)]
            assert found[0] == found[1]


@pytest.mark.parametrize("lat_deg", [0.0, 47.0, 66.0, 71.0])
def test_darkness_is_that_of_the_sun_itself(need: HourlyNeed, lat_deg: float) -> None:
    """Against the position of the sun at each moment, over a year, with polar night and midnight sun."""
    places = stop_candidates(need.sections, PARAMS)
    n = places.at_m.size
    places = replace(places, lat_deg=np.full(n, lat_deg), lon_deg=np.linspace(-120.0, 170.0, n))
    at = np.arange(n)
    for day in range(0, 366, 7):
        for hour in np.arange(0.0, 24.0, 1.7):
            when = at_hour(24.0 * day + hour).timestamp() + np.linspace(0.0, 9e4, n)
            zenith, _ = solar_position(places.lat_deg, places.lon_deg, when)
            assert np.array_equal(is_dark(places, at, when), zenith > NIGHT_ZENITH_DEG)
