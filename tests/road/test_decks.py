"""Bridge decks beside the road: columns of their own, which follow the air where the ground still warms the road."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from alertd.forecast.model import Forecast
from alertd.road.corridor import (
    RoadCells,
    RoadField,
    member_quantiles,
    road_cells,
    run_corridor,
)
from alertd.road.lane import maintenance
from alertd.road.parameters import BRIDGE_DECK, ROAD, deck_of
from alertd.road.road_class import WINTER_CLASSES, RoadClass

START = datetime(2026, 1, 10, 0, tzinfo=UTC)
FIELDS = ("road_class", "surface_temp_c", "air_temp_c", "water_mmwe", "snow_mmwe", "ice_mmwe", "snowfall_mmwe_h")


def forecast(members: int = 1, cells: int = 1, hours: int = 84, **given: Any) -> Forecast:
    """Unless told otherwise: overcast, +6 °C, moist, calm enough to radiate, dry; cells at 1000 m."""
    values = {
        "air_temp_c": 6.0, "rh_frac": 0.95, "pressure_hpa": np.nan, "wind_mps": 2.0, "cloud_frac": 1.0,
        "shortwave_wm2": 0.0, "precip_mmwe_h": 0.0, "precip_prob_frac": np.nan, "freezing_level_m": np.nan,
        "snow_level_m": np.nan, "gust_mps": np.nan, "visibility_m": np.nan,
    }  # fmt: skip
    arrays = {n: np.broadcast_to(given.pop(n, v), (members, cells, hours)).astype(float) for n, v in values.items()}
    elevation = np.broadcast_to(given.pop("elevation_m", 1000.0), (cells,)).astype(float)
    return Forecast(
        provider="stub", licence="none", issued_at=START, fetched_at=START + timedelta(hours=48), start=START,
        lat_deg=np.linspace(47.0, 47.5, cells), lon_deg=np.full(cells, -121.0), elevation_m=elevation,
        precip_form=np.zeros((members, cells, hours), dtype=np.int8), **arrays,
    )  # fmt: skip


def _samples() -> tuple[Any, ...]:
    """Twelve samples in three cells that climb 20 m each: seven columns of cell and band."""
    n = np.arange(12)
    return 250.0 * n, 980.0 + 20.0 * n, n // 4, 47.0 + 0.01 * n, np.full(12, -121.0)


def level(on_deck: Any) -> RoadCells:
    """Twelve samples in one cell at its own height: one column of road."""
    n = np.arange(12)
    return road_cells(250.0 * n, np.full(12, 1000.0), 0 * n, np.full(12, 47.0), np.full(12, -121.0), on_deck=on_deck)


def mask(*samples: int) -> Any:
    return np.isin(np.arange(12), samples)


def weather_of_many_kinds() -> Forecast:
    rng = np.random.default_rng(3)
    shape = (5, 3, 84)
    return forecast(
        members=5,
        cells=3,
        air_temp_c=rng.normal(0.0, 3.0, shape),
        precip_mmwe_h=rng.exponential(0.3, shape),
        cloud_frac=rng.uniform(0.0, 1.0, shape),
    )


def assert_same_columns(a: RoadField, b: RoadField, columns_n: int) -> None:
    for name in FIELDS:
        np.testing.assert_array_equal(getattr(a, name)[:, :columns_n], getattr(b, name)[:, :columns_n])


@pytest.mark.parametrize("elevation_m", [1000.0, np.nan], ids=["cell's height given", "not given"])
def test_bridges_leave_the_road_beside_them_bit_for_bit_equal(elevation_m: float) -> None:
    result = replace(weather_of_many_kinds(), elevation_m=np.full(3, elevation_m))
    q = member_quantiles(5, np.random.default_rng(1))
    without = road_cells(*_samples())
    none, some = (road_cells(*_samples(), on_deck=m) for m in (np.zeros(12, dtype=bool), mask(2, 3, 7)))
    plain = run_corridor(result, without, quantiles=q)
    assert (without.columns_n, none.columns_n, some.columns_n) == (7, 7, 9)
    assert run_corridor(result, none, quantiles=q).road_class.shape == plain.road_class.shape
    assert_same_columns(run_corridor(result, none, quantiles=q), plain, 7)
    assert_same_columns(run_corridor(result, some, quantiles=q), plain, 7)


def test_bridge_samples_have_a_deck_of_the_same_place_and_height() -> None:
    cells, plain = road_cells(*_samples(), on_deck=mask(2, 3, 9)), road_cells(*_samples())
    assert cells.is_deck.tolist() == [False] * 7 + [True] * 2
    assert (cells.beside_of_sample == plain.column_of_sample).all()
    assert (cells.column_of_sample == plain.column_of_sample).tolist() == (~mask(2, 3, 9)).tolist()
    assert cells.column_of_sample[[2, 3, 9]].tolist() == [7, 7, 8]
    for name in ("cell_idx", "lat_deg", "lon_deg", "elevation_m"):
        of_column = getattr(cells, name)
        assert (of_column[cells.column_of_sample] == of_column[cells.beside_of_sample]).all()


def test_a_deck_column_is_the_run_of_a_deck_there() -> None:
    result = weather_of_many_kinds()
    q = member_quantiles(5, np.random.default_rng(1))
    thick = deck_of(ROAD, thickness_m=0.3)
    mixed = run_corridor(result, road_cells(*_samples(), on_deck=mask(*range(12))), quantiles=q, deck=thick)
    alone = run_corridor(result, road_cells(*_samples()), quantiles=q, params=thick)
    for name in FIELDS:
        np.testing.assert_array_equal(getattr(mixed, name)[:, 7:], getattr(alone, name))


def clear_night(hours: int, rh_frac: float) -> Forecast:
    """Two and a half mild overcast days; from hour 60 on the sky is clear and the air at +1 °C, in a breeze."""
    night = np.arange(hours) >= 60
    air_c, cloud = np.where(night, 1.0, 6.0), np.where(night, 0.3, 1.0)
    return forecast(hours=hours, air_temp_c=air_c, cloud_frac=cloud, rh_frac=rh_frac, wind_mps=3.0)


def test_deck_freezes_hours_before_the_road_on_a_clear_night() -> None:
    """The day before the night is mild."""
    cells = level(mask(5))
    nobody = maintenance.SERVICES["none"]
    field = run_corridor(clear_night(84, 0.9), cells, rng=np.random.default_rng(1), service=nobody)
    road, deck = field.surface_temp_c[0]
    freezes = [int(np.argmax(t < 0.0)) for t in (deck, road)]
    assert freezes[0] <= freezes[1] - 3
    assert (deck[60:] < road[60:]).all()
    own, beside = (field.road_class[0, c, 73] for c in (cells.column_of_sample, cells.beside_of_sample))
    assert (own == RoadClass.RIME).tolist() == mask(5).tolist()
    assert not np.isin(beside, WINTER_CLASSES).any()
    assert (beside == own).tolist() == (~mask(5)).tolist()


def test_deck_follows_the_air_within_its_time_constant() -> None:
    """C H / (h1 + h2): 4.7 h at 15 + 10 W/(m² K) (fixtures/physics_checks.csv); here underside 7.5 and a top of about

    4.4 by radiation and 5 to 8 by a breeze in stable air, so 5.9 to 6.9 h. The ground's answer goes with the root of
    time and has no such end.
    """
    field = run_corridor(clear_night(180, 0.6), level(mask(5)), rng=np.random.default_rng(1))

    def falls_to_h(t: Any, left: float) -> int:
        return int(np.argmax((t[59:] - t[-1]) / (t[59] - t[-1]) < left))

    road, deck = field.surface_temp_c[0]
    assert 4.7 <= falls_to_h(deck, np.exp(-1.0)) <= 7.0
    assert falls_to_h(road, 0.1) > 2 * falls_to_h(deck, 0.1)


@pytest.mark.parametrize("name", ["air_temp_c", "rh_frac", "wind_mps", "precip_mmwe_h"])
def test_where_the_weather_is_not_known_neither_deck_nor_road_is(name: str) -> None:
    cells = level(mask(5))
    field = run_corridor(forecast(**{name: np.nan}), cells, rng=np.random.default_rng(1))
    assert (field.road_class == RoadClass.UNKNOWN).all()


def test_unchanged_decks_are_taken_from_the_field_before() -> None:
    result = weather_of_many_kinds()
    q = member_quantiles(5, np.random.default_rng(1))
    cells = road_cells(*_samples(), on_deck=mask(2, 3, 7))
    first = run_corridor(result, cells, quantiles=q)
    colder = result.air_temp_c.copy()
    colder[:, 1] -= 2.0
    after = replace(result, air_temp_c=colder)
    part = run_corridor(after, cells, quantiles=q, previous=first, changed=cells.cell_idx == 1)
    assert_same_columns(part, run_corridor(after, cells, quantiles=q), cells.columns_n)


def test_a_deck_is_the_roads_but_for_its_slab() -> None:
    """0.20 m of concrete, C 2.1e6: 4.2e5 J/(m² K) over 25 W/(m² K) is the reference's 4.7 h."""
    assert BRIDGE_DECK.layer_heat_jm2k.sum() / (15.0 + 10.0) / 3600.0 == pytest.approx(4.667, abs=0.01)
    assert (BRIDGE_DECK.albedo, BRIDGE_DECK.roughness_m) == (ROAD.albedo, ROAD.roughness_m)


def test_road_in_a_tunnel_is_dry_and_mild_whatever_the_weather() -> None:
    told = weather_of_many_kinds()
    air = told.air_temp_c.copy()
    air[:, 1] = np.nan  # a tunnel is dry in hours of unknown weather too
    cells = road_cells(*_samples(), in_tunnel=mask(4, 5, 6))
    assert cells.is_tunnel is not None
    run = run_corridor(replace(told, air_temp_c=air), cells, quantiles=member_quantiles(5, np.random.default_rng(1)))
    inside, outside = cells.is_tunnel, ~cells.is_tunnel
    assert (run.road_class[:, inside] == RoadClass.DRY).all()
    assert (run.grip_class[:, inside] == RoadClass.DRY).all()
    assert (run.surface_temp_c[:, inside] > 5.0).all()
    assert (run.snowfall_mmwe_h[:, inside] == 0.0).all()
    assert (run.road_class[:, outside] != RoadClass.DRY).any()
