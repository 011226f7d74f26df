import numpy as np

from alertd.rules.ruleset_zones import spans_inside

SQUARE = ((45.0, -115.0), (46.0, -115.0), (46.0, -114.0), (45.0, -114.0))


def _eastward(lon: np.ndarray, lat: float = 45.5) -> list[tuple[float, float]]:
    return spans_inside(SQUARE, np.full(lon.shape, lat), lon, np.arange(lon.size) * 1000.0)


def test_route_across_an_outline_is_inside_plus_one_sample() -> None:
    assert _eastward(np.linspace(-115.45, -113.55, 20)) == [(4000.0, 15000.0)]


def test_route_that_leaves_and_comes_back_has_two_spans() -> None:
    lon = np.array([-114.5, -113.5, -113.5, -113.5, -114.5])
    assert _eastward(lon) == [(0.0, 1000.0), (3000.0, 4000.0)]


def test_route_past_an_outline_has_none() -> None:
    assert _eastward(np.linspace(-115.45, -113.55, 20), lat=46.5) == []


def test_outline_is_equal_from_any_corner_and_in_both_directions() -> None:
    rng = np.random.default_rng(4)
    lat, lon = rng.uniform(44, 47, 200), rng.uniform(-116, -113, 200)
    distance_m = np.arange(200) * 100.0
    found = [spans_inside(s, lat, lon, distance_m) for s in (SQUARE, SQUARE[2:] + SQUARE[:2], SQUARE[::-1])]
    assert found[0] == found[1] == found[2] != []
