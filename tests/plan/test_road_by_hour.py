"""The field of a picture says what most of the corridor says, and "unknown" beyond its forecast."""

import numpy as np

from alertd.plan.road_by_hour import MAX_HOURS, MAX_PLACES, road_hours
from alertd.road.road_class import RoadClass
from alertd.testing.factories import at_hour, make_route, make_weather


def test_place_and_hour_have_the_class_of_most_members() -> None:
    route = make_route(40e3)
    weather = make_weather(
        route,
        lambda m, d, h: np.where((d >= 20e3) & (m < 6) & (h >= 8), RoadClass.SNOW, RoadClass.WET),
        members=10,
        hours=12,
    )
    hours = road_hours(route, weather.corridor, at_hour(6).timestamp(), at_hour(13).timestamp())
    assert hours.first_epoch_s == at_hour(6).timestamp()
    assert hours.likely.shape == (MAX_PLACES, 8)
    far = hours.edge_m[:-1] >= 20e3
    assert (hours.likely[far, 2:6] == RoadClass.SNOW).all()  # 08:00 to 11:00
    assert (hours.likely[far, :2] == RoadClass.WET).all()
    assert (hours.likely[~far, :6] == RoadClass.WET).all()
    assert (hours.likely[:, 6:] == RoadClass.UNKNOWN).all()  # the field ends with its twelfth hour, 11:00


def test_before_the_forecast_nothing_is_known() -> None:
    route = make_route(10e3)
    weather = make_weather(route, lambda m, d, h: RoadClass.DRY + 0 * h, hours=6)
    hours = road_hours(route, weather.corridor, at_hour(-3).timestamp(), at_hour(2).timestamp())
    assert (hours.likely[:, :3] == RoadClass.UNKNOWN).all()
    assert (hours.likely[:, 3:] == RoadClass.DRY).all()


def test_field_stays_small() -> None:
    route = make_route(300e3)
    weather = make_weather(route, lambda m, d, h: RoadClass.DRY + 0 * h, hours=100, samples_a_column=20)
    hours = road_hours(route, weather.corridor, at_hour(0).timestamp(), at_hour(90).timestamp())
    assert hours.likely.shape == (MAX_PLACES, MAX_HOURS)
