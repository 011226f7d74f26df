"""Posted limits on a route: the right stretch, the right way round, and no road beside it."""

import numpy as np
import pytest

from alertd.route.project import Line
from alertd.route.speed_limits import PostedLimit, place_limits
from alertd.testing.factories import M_PER_DEG_LON, make_route

ROAD = make_route(60e3)


def at(along_m: float, north_deg: float = 0.0) -> tuple[float, float]:
    return 47.45 + north_deg, -116.5 + along_m / M_PER_DEG_LON


def limit(start_m: float, end_m: float, *, both_ways: bool = False, north_deg: float = 0.0) -> PostedLimit:
    return PostedLimit(
        start=at(start_m, north_deg), end=at(end_m, north_deg), both_ways=both_ways, speed_mps=15.0, source="made"
    )


def spans(line: Line, *limits: PostedLimit) -> list[tuple[float, float]]:
    return [(round(s.start_m, -1), round(s.end_m, -1)) for s in place_limits(line, limits)]


def test_a_limit_lies_between_its_ends_in_its_direction_only() -> None:
    assert spans(ROAD, limit(10e3, 20e3)) == [(10e3, 20e3)]
    assert spans(ROAD, limit(20e3, 10e3)) == []
    assert spans(ROAD, limit(20e3, 10e3, both_ways=True)) == [(10e3, 20e3)]


def test_route_that_begins_or_ends_in_a_limit_has_its_part() -> None:
    assert spans(ROAD, limit(-20e3, 20e3), limit(50e3, 90e3)) == [(0.0, 20e3), (50e3, 60e3)]
    assert spans(ROAD, limit(20e3, -20e3), limit(90e3, 50e3)) == []


def test_a_road_a_third_of_a_mile_away_is_another_road() -> None:
    """0.005 degrees of latitude are 556 m (111.2 km a degree, WGS 84 at 47 north)."""
    assert spans(ROAD, limit(10e3, 20e3, north_deg=0.005)) == []
    assert spans(ROAD, limit(10e3, 20e3, north_deg=0.001)) == [(10e3, 20e3)]


def test_route_inside_a_longer_limit_without_ends_is_not_matched() -> None:
    assert spans(ROAD, limit(-20e3, 90e3)) == []


@pytest.mark.parametrize(
    ("given", "wanted"),
    [
        (limit(10e3, 20e3), [(10e3, 20e3)]),
        (limit(20e3, 10e3), [(100e3, 110e3)]),
        (limit(10e3, 20e3, both_ways=True), [(10e3, 20e3), (100e3, 110e3)]),
    ],
)
def test_there_and_back_a_limit_holds_on_the_way_that_it_names(
    given: PostedLimit, wanted: list[tuple[float, float]]
) -> None:
    """60 km out and 60 km back on the same road: km 20 to 10 of the road are km 100 to 110 of the trip."""
    d = np.arange(0.0, 120e3 + 1.0, 250.0)

    class Back:
        lat_deg = np.full(d.shape, 47.45)
        lon_deg = -116.5 + np.minimum(d, 120e3 - d) / M_PER_DEG_LON
        distance_m = d
        bearing_deg = np.where(d < 60e3, 90.0, 270.0)

    assert spans(Back(), given) == wanted
