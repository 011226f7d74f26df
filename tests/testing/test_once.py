"""What is kept between tests is keyed by all that it was computed from."""

from collections.abc import Callable
from dataclasses import fields, replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from alertd.forecast.model import Forecast
from alertd.road.corridor import MemberQuantiles, RoadCells, member_quantiles, road_cells, run_corridor
from alertd.road.parameters import ROAD
from alertd.testing.factories import make_route, make_weather
from alertd.testing.once import corridor_key, file_key, files_key, folder_key, once


@pytest.fixture(scope="module")
def inputs() -> tuple[Forecast, RoadCells, MemberQuantiles]:
    weather = make_weather(make_route(20e3), lambda m, d, h: 0)
    forecast = weather.forecast
    along = np.arange(0.0, 20e3, 1000.0)
    flat = np.zeros(along.size)
    cells = road_cells(along, flat + 900.0, flat.astype(int), flat + 47.0, flat - 115.0)
    return forecast, cells, member_quantiles(forecast.air_temp_c.shape[0], np.random.default_rng(1))


def altered(value: Any) -> Any:
    """Another value of the same kind."""
    if isinstance(value, np.ndarray):
        other = value.copy()
        other.flat[-1] = not other.flat[-1] if other.dtype == bool else other.flat[-1] + 1
        if np.array_equal(other, value, equal_nan=other.dtype.kind == "f"):  # the last one is not a number
            other.flat[-1] = 1
        return other
    if isinstance(value, str):
        return f"{value}x"
    if isinstance(value, tuple):
        return (*value, "x")
    if isinstance(value, bool):
        return not value
    return value + timedelta(hours=1) if hasattr(value, "year") else "x"


def with_field(value: Any, name: str) -> Any:
    """The value with one field altered, past the checks of its class."""
    other = replace(value)
    object.__setattr__(other, name, altered(getattr(value, name)))
    return other


@pytest.mark.parametrize(
    ("which", "name"),
    [(n, f.name) for n, kind in enumerate((Forecast, RoadCells, MemberQuantiles)) for f in fields(kind)],
)
def test_every_field_of_the_inputs_of_a_road_is_in_its_key(inputs: Any, which: int, name: str) -> None:
    def key(forecast: Forecast, cells: RoadCells, quantiles: MemberQuantiles) -> object:
        return corridor_key(forecast, cells, quantiles=quantiles, params=ROAD)

    assert key(*inputs) == key(*(replace(value) for value in inputs))
    others = list(inputs)
    others[which] = with_field(inputs[which], name)
    assert key(*others) != key(*inputs)


def test_options_are_in_the_key_and_a_rerun_has_none(inputs: Any) -> None:
    forecast, cells, quantiles = inputs
    plain = corridor_key(forecast, cells, quantiles=quantiles)
    assert corridor_key(forecast, cells, quantiles=quantiles, params=ROAD) != plain
    assert corridor_key(forecast, cells, quantiles=quantiles, dt_s=450.0) != plain
    assert corridor_key(forecast, cells, rng=np.random.default_rng(1)) is None
    field = run_corridor(forecast, cells, quantiles=quantiles)
    assert corridor_key(forecast, cells, quantiles=quantiles, previous=field, changed=np.zeros(1, bool)) is None


@pytest.mark.parametrize("key", [file_key, files_key, lambda path: folder_key(path.parent)])
def test_a_changed_file_has_another_key_and_a_missing_one_none(key: Callable[[Path], object], tmp_path: Path) -> None:
    path = tmp_path / "a.toml"
    path.write_bytes(b"a = 1")
    first = key(path)
    assert first == key(path) is not None
    path.write_bytes(b"a = 2")
    assert key(path) not in (first, None)
    path.unlink()
    assert key(path) is None


def test_results_are_kept_by_key_the_last_ones_only() -> None:
    asked: list[int] = []

    def double(n: int) -> int:
        asked.append(n)
        return 2 * n

    kept = once(double, lambda n: n or None, kept_n=2)
    assert [kept(n) for n in (1, 2, 1, 3, 1, 2, 0, 0)] == [2, 4, 2, 6, 2, 4, 0, 0]
    assert asked == [1, 2, 3, 2, 0, 0]
