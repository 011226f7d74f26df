"""Sources count by their members, speak where they reach, and what they should know and do not stays unknown."""

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.forecast.model import WEATHER_FIELDS, Forecast, Gap, PrecipForm
from alertd.forecast.pool import at_heights, known_span, pool

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


def test_counts_give_each_source_its_members() -> None:
    """An ensemble of four: six members repeat it, two are picked evenly."""
    ensemble = forecast("e", [-4.0, -3.0, -2.0, -1.0])
    more = pool([forecast("a", [0.0]), ensemble], counts=[2, 6])
    assert more.air_temp_c[:, 0, 0].tolist() == [0.0, 0.0, -4.0, -4.0, -3.0, -2.0, -2.0, -1.0]
    fewer = pool([forecast("a", [0.0]), ensemble], counts=[1, 2])
    assert fewer.air_temp_c[:, 0, 0].tolist() == [0.0, -4.0, -2.0]


def test_hours_that_one_source_does_not_reach_are_the_others() -> None:
    both = pool([forecast("a", [0.0], start_h=0), forecast("b", [-3.0], start_h=2)])
    assert (both.start, both.hours) == (START, 6)
    np.testing.assert_array_equal(both.air_temp_c[0, 0], [0.0] * 4 + [-3.0] * 2)
    np.testing.assert_array_equal(both.air_temp_c[1, 0], [0.0] * 2 + [-3.0] * 4)
    np.testing.assert_array_equal(both.precip_form[:, 0], np.zeros((2, 6)))


def test_borrowed_hour_comes_whole_from_one_member_with_its_form() -> None:
    freezing = np.full((1, 2, 4), PrecipForm.FREEZING, dtype=np.int8)
    wet = np.full((1, 2, 4), 2.0)
    b = forecast("b", [-3.0], start_h=2, precip_form=freezing, precip_mmwe_h=wet)
    both = pool([forecast("a", [0.0]), b])
    assert both.precip_form[0, 0].tolist() == [0, 0, 0, 0, 1, 1]
    assert both.precip_mmwe_h[0, 0].tolist() == [0, 0, 0, 0, 2, 2]


def test_no_source_is_drawn_out_past_the_end_of_all() -> None:
    """Nobody knows hours 4 and 5 of cell 1."""
    short = np.full((1, 2, 2), -3.0)
    short[0, 1] = NAN
    late = forecast("b", [-3.0], start_h=4, hours=2, air_temp_c=short, outside=(1,))
    both = pool([forecast("a", [0.0]), late])
    np.testing.assert_array_equal(both.air_temp_c[:, 0], [[0.0] * 4 + [-3.0] * 2] * 2)
    np.testing.assert_array_equal(both.air_temp_c[:, 1], [[0.0] * 4 + [NAN] * 2] * 2)


def test_what_a_source_reaches_and_does_not_know_stays_unknown() -> None:
    """A hole between hours it knows, in any field the road needs, is its own silence and raises caution."""
    for name in ("precip_mmwe_h", "wind_mps"):
        holed = np.array([[[1.0, NAN, 1.0, 0.0]] * 2])
        both = pool([forecast("a", [0.0], **{name: holed}), forecast("b", [0.0])])
        np.testing.assert_array_equal(np.isnan(getattr(both, name)[:, 0]), [[False, True, False, False], [False] * 4])


def test_trap_2_layer_that_a_source_leaves_out_stays_unknown() -> None:
    """Its place is in its area, so an answer is missing; the other source does not stand in for it."""
    nothing = np.full((1, 2, 4), NAN)
    both = pool([forecast("a", [0.0], precip_mmwe_h=nothing), forecast("b", [0.0], start_h=-2, hours=8)])
    assert np.isnan(both.precip_mmwe_h[0]).all()
    assert np.isfinite(both.precip_mmwe_h[1]).all()


def test_trap_2_early_layer_end_limits_reach_and_is_never_zero() -> None:
    """After its last hour of precipitation its members have the other's, 0.7 mm/h."""
    ends = np.array([[[0.2, 0.2, NAN, NAN]] * 2])
    both = pool(
        [forecast("a", [0.0], precip_mmwe_h=ends), forecast("b", [-5.0], precip_mmwe_h=np.full((1, 2, 4), 0.7))]
    )
    np.testing.assert_array_equal(both.precip_mmwe_h[0, 0], [0.2, 0.2, 0.7, 0.7])
    np.testing.assert_array_equal(both.air_temp_c[0, 0], [0.0, 0.0, -5.0, -5.0])


def abroad(name: str, temp_c: list[float]) -> Forecast:
    """A source whose area ends before cell 1."""
    there = np.broadcast_to(np.array(temp_c)[:, None, None], (len(temp_c), 2, 4)).copy()
    there[:, 1] = NAN
    return forecast(name, temp_c, air_temp_c=there, outside=(1,))


def test_outside_a_sources_area_the_pool_is_that_of_the_others() -> None:
    """Counts 4, 2 and 2: its four members abroad go to the others two and two."""
    both = pool([abroad("a", [0.0]), forecast("b", [-2.0]), forecast("c", [-4.0])], counts=[4, 2, 2])
    assert both.air_temp_c[:, 0, 0].tolist() == [0.0] * 4 + [-2.0] * 2 + [-4.0] * 2
    assert both.air_temp_c[:, 1, 0].tolist() == [-2.0, -2.0, -4.0, -4.0, -2.0, -2.0, -4.0, -4.0]
    assert both.outside == ()
    alone = pool([abroad("a", [0.0]), abroad("d", [1.0])])
    assert np.isnan(alone.air_temp_c[:, 1]).all()
    assert alone.outside == (1,)


def test_who_lends_also_lends_what_it_does_not_know() -> None:
    """Abroad, source b failed for the cell: half of what the absent source's members get is unknown, as b's share is
    among the others."""
    failed = np.full((1, 2, 4), -2.0)
    failed[:, 1] = NAN
    both = pool([abroad("a", [0.0]), forecast("b", [-2.0], air_temp_c=failed), forecast("c", [-4.0])], counts=[4, 2, 2])
    np.testing.assert_array_equal(both.air_temp_c[:, 1, 0], [NAN, NAN, -4.0, -4.0, NAN, NAN, -4.0, -4.0])


@given(st.lists(st.lists(st.sampled_from([0.0, 1.0, NAN]), min_size=4, max_size=4), min_size=2, max_size=4))
def test_unknown_share_is_not_less_than_among_sources_in_reach(rows: list[list[float]]) -> None:
    """With equal members. Property over holes, early ends and wholly missing layers in two to four sources."""
    sources = [forecast(str(i), [0.0], precip_mmwe_h=np.array([[row] * 2])) for i, row in enumerate(rows)]
    n = 12  # divides by every number of sources that may reach an hour
    both = pool(sources, counts=[n] * len(sources))
    reached = np.array([known_span(s)[0] for s in sources])
    silent = np.isnan(np.array(rows)) & reached
    share = np.isnan(both.precip_mmwe_h[:, 0]).mean(axis=0)
    expected = np.where(reached.any(axis=0), silent.sum(axis=0) / np.maximum(reached.sum(axis=0), 1), 1.0)
    np.testing.assert_allclose(share, expected)


def test_each_source_keeps_its_own_name_licence_and_age() -> None:
    late = forecast("b", [0.0], issued_at=START - timedelta(hours=9), served_stale=True, issue_every_h=6.0)
    both = pool([forecast("a", [0.0]), late])
    assert [(c.provider, c.licence, c.issued_at) for c in both.credits] == [
        ("a", "a licence", START),
        ("b", "b licence", START - timedelta(hours=9)),
    ]
    assert [c.served_stale for c in both.credits] == [False, True]
    assert (both.credits[1].age_h(START), both.credits[1].overdue_h(START)) == (9.0, 3.0)
    (own,) = forecast("a", [0.0]).credits
    assert own == both.credits[0]
    assert forecast("", [0.0]).credits == ()


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


def test_trap_12_lower_cell_is_moved_to_the_roads_height() -> None:
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


def test_unknown_height_moves_nothing_and_is_filled_from_others() -> None:
    both = pool([forecast("a", [0.0], elevation_m=np.array([NAN, 1400.0])), forecast("b", [-1.0])])
    np.testing.assert_array_equal(both.elevation_m, [1400.0, 1400.0])
    np.testing.assert_array_equal(both.air_temp_c[:, 0, 0], [0.0, -1.0])


def test_of_hints_the_gravest_of_any_source_counts() -> None:
    """On the union of hours; None where no source has any."""
    codes = np.array([[1, 3, 0, 0]] * 2, dtype=np.int8)
    first = forecast("a", [0.0], obscured=codes, ground_temp_c=np.full((2, 4), -1.0))
    later = forecast("b", [0.0], start_h=1, obscured=np.full((2, 4), 2, dtype=np.int8))
    pooled = pool([first, later])
    assert pooled.obscured is not None
    assert pooled.obscured[0].tolist() == [1, 3, 2, 2, 2]
    np.testing.assert_array_equal(pooled.ground_temp_c, [[-1.0] * 4 + [NAN]] * 2)
    assert pooled.snow_depth_m is None
