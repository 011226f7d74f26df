"""Sources count alike, keep their own hours, and unknown stays unknown."""

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from alertd.forecast.blend import at_heights, pool
from alertd.forecast.series import WEATHER_FIELDS, Forecast, Gap

START = datetime(2026, 1, 12, 0, tzinfo=UTC)
NAN = float("nan")


def forecast(provider: str, temp_c: list[float], start_h: int = 0, hours: int = 4, **changed: Any) -> Forecast:
    """One member for each temperature; dry, half clouded, at 1400 m."""
    shape = (len(temp_c), 2, hours)
    arrays: dict[str, Any] = {name: np.full(shape, 0.5) for name in WEATHER_FIELDS}
    arrays |= {"precip_form": np.zeros(shape, dtype=np.int8), "precip_mmwe_h": np.zeros(shape)}
    arrays["air_temp_c"] = np.broadcast_to(np.array(temp_c)[:, None, None], shape).copy()
    values: dict[str, Any] = {
        "provider": provider, "licence": f"{provider} licence", "issued_at": START, "fetched_at": START,
        "start": START + timedelta(hours=start_h), "lat_deg": np.array([47.0, 47.5]), "lon_deg": np.full(2, -115.0),
        "elevation_m": np.full(2, 1400.0),
    }  # fmt: skip
    return Forecast(**(values | arrays | changed))


def test_sources_with_other_member_counts_weigh_alike() -> None:
    both = pool([forecast("a", [0.0]), forecast("b", [-6.0, -4.0, -2.0])])
    assert both.air_temp_c.shape == (6, 2, 4)
    assert both.air_temp_c[:, 0, 0].tolist() == [0.0, 0.0, 0.0, -6.0, -4.0, -2.0]
    assert (both.provider, both.licence) == ("a + b", "a licence; b licence")


def test_hours_one_source_does_not_cover_are_unknown_in_its_members_only() -> None:
    both = pool([forecast("a", [0.0], start_h=0), forecast("b", [-3.0], start_h=2)])
    assert (both.start, both.hours) == (START, 6)
    np.testing.assert_array_equal(both.air_temp_c[0, 0], [0.0] * 4 + [NAN] * 2)
    np.testing.assert_array_equal(both.air_temp_c[1, 0], [NAN] * 2 + [-3.0] * 4)
    np.testing.assert_array_equal(both.precip_form[:, 0], np.zeros((2, 6)))


def test_unknown_members_stay_unknown() -> None:
    rain = np.array([[[NAN, 1.0, NAN, 0.0]] * 2])
    both = pool([forecast("a", [0.0], precip_mmwe_h=rain), forecast("b", [0.0])])
    np.testing.assert_array_equal(both.precip_mmwe_h[:, 0], [[NAN, 1.0, NAN, 0.0], [0.0] * 4])


def test_a_source_that_failed_is_told_and_the_other_stands() -> None:
    a = forecast("a", [0.0])
    alone = pool([a], failed={"b": "cannot be reached"})
    assert alone.gaps == (Gap(cell_idx=(0, 1), reason="b: cannot be reached"),)
    np.testing.assert_array_equal(alone.air_temp_c, a.air_temp_c)
    assert pool([a]) is a


def test_gaps_ages_and_staleness_are_the_worst_of_all() -> None:
    gap = Gap(cell_idx=(0,), reason="a: hole")
    old = forecast("a", [0.0], issued_at=START - timedelta(hours=9), gaps=(gap,), served_stale=True)
    young = forecast("b", [0.0], issued_at=None, fetched_at=START + timedelta(hours=1))
    both = pool([young, old])
    assert (both.issued_at, both.served_stale, both.gaps) == (START - timedelta(hours=9), True, (gap,))


def test_other_places_or_nothing_are_refused() -> None:
    with pytest.raises(ValueError, match="a and b are for different places"):
        pool([forecast("a", [0.0]), forecast("b", [0.0], lat_deg=np.array([47.0, 48.0]))])
    with pytest.raises(ValueError, match="nothing to pool"):
        pool([])
    with pytest.raises(ValueError, match="does not start on the hours"):
        pool([forecast("a", [0.0]), forecast("b", [0.0], start=START + timedelta(minutes=30))])


def test_trap_12_a_cell_lower_than_the_road_is_brought_to_the_roads_height() -> None:
    """400 m up at 6.5 K/km in dry hours (standard atmosphere, ISO 2533): 2.6 K colder; at 6.0 when it precipitates."""
    road = forecast("a", [0.0])
    rain = np.zeros((1, 2, 4))
    rain[..., 2:] = 1.0
    cell = forecast("b", [0.0], elevation_m=np.full(2, 1000.0), precip_mmwe_h=rain)
    both = pool([road, cell])
    np.testing.assert_allclose(both.air_temp_c[1, 0], [-2.6, -2.6, -2.4, -2.4])
    np.testing.assert_allclose(both.elevation_m, 1400.0)


def test_several_sources_can_be_brought_to_the_roads_height() -> None:
    cells = forecast("a", [0.0], elevation_m=np.full(2, 1000.0))
    both = pool([cells, forecast("b", [-2.0])], elevation_m=np.full(2, 1400.0))
    np.testing.assert_allclose(both.air_temp_c[:, 0, 0], [-2.6, -2.0])
    np.testing.assert_allclose(both.elevation_m, 1400.0)


def test_a_valley_under_clear_sky_is_not_warmed() -> None:
    """Downward only precipitating or saturated hours warm, at 6.0 K/km."""
    rain = np.zeros((1, 2, 4))
    rain[..., 3] = 1.0
    moved = at_heights(forecast("a", [0.0], precip_mmwe_h=rain), np.full(2, 900.0))
    np.testing.assert_allclose(moved.air_temp_c[0, 0], [0.0, 0.0, 0.0, 3.0])


def test_an_unknown_height_moves_nothing_and_is_filled_from_the_other() -> None:
    both = pool([forecast("a", [0.0], elevation_m=np.array([NAN, 1400.0])), forecast("b", [-1.0])])
    np.testing.assert_array_equal(both.elevation_m, [1400.0, 1400.0])
    np.testing.assert_array_equal(both.air_temp_c[:, 0, 0], [0.0, -1.0])
