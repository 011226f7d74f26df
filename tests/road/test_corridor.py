"""The shared corridor: one run per forecast, states picked at each truck's arrival."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from alertd.forecast.model import Forecast, PrecipForm
from alertd.road import corridor, downscale
from alertd.road.corridor import (
    MemberQuantiles,
    RoadField,
    member_quantiles,
    road_cells,
    run_corridor,
)
from alertd.road.energy_balance import SurfaceState
from alertd.road.humidity import isa_pressure_hpa
from alertd.road.lane import maintenance
from alertd.road.parameters import BRIDGE_DECK, ROAD
from alertd.road.precip_phase import snow_chance
from alertd.road.road_class import LIMITS, RoadClass

START = datetime(2026, 1, 10, 0, tzinfo=UTC)
PAST_H = 48


def forecast(members: int = 1, cells: int = 1, hours: int = 72, **given: Any) -> Forecast:
    """Uniform weather unless told otherwise: overcast, +0 °C, dry, cell at 1000 m; 48 past hours."""
    shape = (members, cells, hours)
    values = {
        "air_temp_c": 0.0, "rh_frac": 0.9, "pressure_hpa": np.nan, "wind_mps": 4.0, "cloud_frac": 1.0,
        "shortwave_wm2": np.nan, "precip_mmwe_h": 0.0, "precip_prob_frac": np.nan, "freezing_level_m": np.nan,
        "snow_level_m": np.nan, "gust_mps": np.nan, "visibility_m": np.nan,
    }  # fmt: skip
    arrays = {n: np.broadcast_to(given.pop(n, v), shape).astype(float) for n, v in values.items()}
    form = np.broadcast_to(given.pop("precip_form", 0), shape).astype(np.int8)
    elevation = np.broadcast_to(given.pop("elevation_m", 1000.0), (cells,)).astype(float)
    return Forecast(
        provider="stub", licence="none", issued_at=START, fetched_at=START + timedelta(hours=PAST_H), start=START,
        lat_deg=np.linspace(47.0, 47.5, cells), lon_deg=np.full(cells, -121.0), elevation_m=elevation,
        precip_form=form, **arrays, **given,
    )  # fmt: skip


def middle(members: int = 1) -> MemberQuantiles:
    """Median ranks, on a road that nobody clears and that no old snow covers."""
    half = np.full(members, 0.5)
    return MemberQuantiles(
        phase=half,
        phase_model=half.copy(),
        friction=half.copy(),
        height_z=np.zeros(members),
        service=np.full(members, 0.8),
    )


def road(*elevations_m: float, cell: int = 0) -> Any:
    z = np.asarray(elevations_m, dtype=float)
    n = z.size
    return road_cells(np.arange(n) * 250.0, z, np.full(n, cell), np.full(n, 47.0), np.full(n, -121.0))


def per_cell(cells: int) -> Any:
    """One column at 1000 m in each cell."""
    n = np.arange(cells)
    return road_cells(n * 250.0, np.full(cells, 1000.0), n, np.full(cells, 47.0), np.full(cells, -121.0))


def classes_at(field: RoadField, hour: int) -> list[RoadClass]:
    return [RoadClass(c) for c in field.road_class[0, :, hour - 1]]


def storm(hours: int = 72, **given: Any) -> Forecast:
    """2 mm/h from hour 50 on, saturated."""
    precip = np.where(np.arange(hours) >= 50, 2.0, 0.0)
    return forecast(hours=hours, precip_mmwe_h=precip, rh_frac=0.97, **given)


def test_one_storm_is_rain_in_the_valley_and_snow_on_the_pass() -> None:
    """+1 °C at 1000 m: +5 °C at the 400 m valley, -4 °C at the 1800 m pass."""
    field = run_corridor(storm(air_temp_c=1.5), road(400.0, 1800.0), quantiles=middle())
    assert classes_at(field, 60) == [RoadClass.WET, RoadClass.SNOW]
    assert field.snowfall_mmwe_h[0, 0, 59] == 0.0
    assert field.snowfall_mmwe_h[0, 1, 59] == pytest.approx(2.0)


def test_a_road_that_was_warm_melts_the_first_of_the_snow() -> None:
    """Ground heat from two days at +6 °C: the reason for past hours."""
    days = np.where(np.arange(72) < 48, np.array([[6.0], [-6.0]]), -1.5)
    field = run_corridor(storm(cells=2, air_temp_c=days), per_cell(2), quantiles=middle())
    warm, cold = field.snow_mmwe[0, :, 51]
    assert warm < cold - 0.3


def test_freezing_rain_glazes_a_cold_road() -> None:
    fc = storm(air_temp_c=-2.0, precip_form=PrecipForm.FREEZING)
    assert classes_at(run_corridor(fc, road(1000.0), quantiles=middle()), 56) == [RoadClass.GLAZE]


def test_thin_snow_on_glaze_grips_like_glaze() -> None:
    """Freezing rain to hour 51, then 0.4 mm w.e. of snow an hour: the name is snow, the friction is that of glaze."""
    hours = np.arange(72)
    precip = np.select([hours < 48, hours < 52], [0.0, 0.5], 0.4)
    form = np.where(hours < 52, PrecipForm.FREEZING, PrecipForm.UNSPECIFIED)
    field = run_corridor(
        forecast(air_temp_c=-3.0, rh_frac=0.97, precip_mmwe_h=precip, precip_form=form),
        road(1000.0),
        quantiles=middle(),
    )
    thin = (field.snow_mmwe[0, 0] >= 0.4) & (field.snow_mmwe[0, 0] < 5.0)
    assert thin.sum() > 6
    assert (field.road_class[0, 0, thin] == RoadClass.SNOW).all()
    assert (field.grip_class[0, 0, thin] == RoadClass.GLAZE).all()
    assert field.grip_class[0, 0, -1] == RoadClass.SNOW


def test_colder_air_never_brings_less_snow() -> None:
    air_c = np.array([3.0, 2.0, 1.0, 0.0, -1.0, -4.0])[:, None]
    field = run_corridor(storm(cells=6, air_temp_c=air_c), per_cell(6), quantiles=middle())
    fell = field.snowfall_mmwe_h[0].sum(axis=1).tolist()
    lay = (field.snow_mmwe + field.ice_mmwe)[0, :, -1].tolist()
    assert fell == sorted(fell)
    assert lay == sorted(lay)
    assert lay[0] == 0.0
    assert lay[-1] > 20.0


def test_members_split_into_snow_and_rain_as_the_chance_says() -> None:
    members = 60
    q = member_quantiles(members, np.random.default_rng(2))
    q = replace(q, height_z=np.zeros(members))
    field = run_corridor(storm(members=members, air_temp_c=1.0), road(1000.0), quantiles=q)
    share = float(field.snowfall_mmwe_h[:, 0, 60].mean()) / 2.0
    assert share == pytest.approx(float(snow_chance(1.0, 0.97, isa_pressure_hpa(1000.0)).mean), abs=0.03)


def test_bare_road_is_unknown_at_first_and_after_a_gap() -> None:
    """Weather gone at hours 20 and 21: at +3 °C what lay unseen before and fell unseen there takes hours to melt."""
    hours = np.arange(72)
    rh = np.where((hours == 20) | (hours == 21), np.nan, 0.9)
    field = run_corridor(forecast(air_temp_c=3.0, rh_frac=rh), road(1000.0), quantiles=middle())
    unknown = np.flatnonzero(field.road_class[0, 0] == RoadClass.UNKNOWN)
    assert list(unknown[:11]) == list(range(11))
    after = list(unknown[11:])
    assert after == list(range(20, 20 + len(after)))
    assert 4 <= len(after) <= 16
    assert list(np.flatnonzero(np.isnan(field.surface_temp_c[0, 0]))) == [20, 21]
    assert any("missing in 2 of 48 past hours" in n for n in field.remarks)


def test_unseen_snow_in_the_cold_leaves_a_bare_road_unknown() -> None:
    """Snow that fell unseen at -5 °C would still lie there days later."""
    precip = np.where(np.arange(72) == 20, np.nan, 0.0)
    field = run_corridor(forecast(air_temp_c=-5.0, precip_mmwe_h=precip), road(1000.0), quantiles=middle())
    assert (field.road_class[0, 0] == RoadClass.UNKNOWN).all()


def without_past(**given: Any) -> Forecast:
    """No past hours: fetched as its first hour begins."""
    return replace(forecast(**given), fetched_at=START)


@pytest.mark.parametrize("cloud", [0.0, 1.0, np.nan])
def test_a_cold_road_without_a_past_is_never_bare(cloud: float) -> None:
    """-4 °C throughout, calm: in clear noons its surface is above +1 °C, and 5 mm w.e. of snow would not melt."""
    members = 21
    fc = without_past(members=members, air_temp_c=-4.0, rh_frac=0.6, cloud_frac=cloud, wind_mps=1.5)
    q = member_quantiles(members, np.random.default_rng(3))
    field = run_corridor(fc, road(1000.0, 1600.0), quantiles=q)
    assert not np.isin(field.road_class, (RoadClass.DRY, RoadClass.MOIST, RoadClass.WET)).any()


@pytest.mark.parametrize("cloud", [0.0, 1.0])
def test_a_warm_road_without_a_past_is_soon_known(cloud: float) -> None:
    field = run_corridor(without_past(air_temp_c=14.0, rh_frac=0.5, cloud_frac=cloud), road(1000.0), quantiles=middle())
    unknown = np.flatnonzero(field.road_class[0, 0] == RoadClass.UNKNOWN)
    assert 0 < unknown.size <= 6
    assert list(unknown) == list(range(unknown.size))


def test_what_melts_by_day_and_freezes_again_is_not_bare() -> None:
    """+3 °C to hour 20, then -6 °C: the melt-water of unseen snow would be ice, though nothing was seen to fall."""
    air_c = np.where(np.arange(72) < 20, 3.0, -6.0)
    field = run_corridor(without_past(air_temp_c=air_c, rh_frac=1.0), road(1000.0), quantiles=middle())
    assert field.road_class[0, 0, 18] != RoadClass.UNKNOWN
    assert not np.isin(field.road_class[0, 0, 30:], (RoadClass.DRY, RoadClass.MOIST, RoadClass.WET)).any()


@pytest.mark.parametrize("kept_h", [0, 12])
def test_a_source_with_past_hours_is_taken_as_before(kept_h: int) -> None:
    """48 known hours in a row, or 12 with the road above +1 °C for 3 of them; an answer kept for hours counts too."""
    for air_c, first_known in ((-10.0, 47), (8.0, 11)):
        fc = replace(forecast(air_temp_c=air_c, rh_frac=0.6), fetched_at=START + timedelta(hours=PAST_H - kept_h))
        field = run_corridor(fc, road(1000.0), quantiles=middle())
        unknown = field.road_class[0, 0] == RoadClass.UNKNOWN
        assert list(np.flatnonzero(unknown)) == list(range(first_known))


def test_more_unseen_snow_leaves_the_road_unknown_for_longer() -> None:
    fc = without_past(air_temp_c=2.0, rh_frac=0.8)
    runs = (
        run_corridor(fc, road(1000.0), quantiles=middle(), limits=replace(LIMITS, unseen_snow_mmwe=m))
        for m in (2, 5, 12)
    )
    hours = [int((f.road_class == RoadClass.UNKNOWN).sum()) for f in runs]
    assert hours == sorted(hours)
    assert 0 < hours[0] < hours[2] < 72


def test_snow_that_is_seen_stands_though_the_past_is_not_known() -> None:
    precip = np.where(np.arange(72) >= 10, 2.0, np.nan)
    field = run_corridor(forecast(air_temp_c=-5.0, precip_mmwe_h=precip), road(1000.0), quantiles=middle())
    assert (field.road_class[0, 0, :10] == RoadClass.UNKNOWN).all()
    assert (field.road_class[0, 0, 12:] == RoadClass.SNOW).all()


def test_hours_before_the_first_known_one_keep_the_start_state() -> None:
    """A source without past hours starts its road when it starts, not after two days of its first hour's sky."""
    late = forecast(air_temp_c=np.where(np.arange(72) >= 40, -3.0, np.nan))
    field = run_corridor(late, road(1000.0), quantiles=middle())
    short = run_corridor(forecast(air_temp_c=-3.0), road(1000.0), quantiles=middle())
    assert field.surface_temp_c[0, 0, 40] == pytest.approx(short.surface_temp_c[0, 0, 0], abs=2.0)
    assert np.isnan(field.surface_temp_c[0, 0, :40]).all()


@pytest.mark.parametrize("name", ["air_temp_c", "rh_frac", "wind_mps", "precip_mmwe_h"])
def test_weather_that_never_came_is_unknown_everywhere(name: str) -> None:
    field = run_corridor(forecast(**{name: np.nan}), road(1000.0, 1500.0), quantiles=middle())
    assert (field.road_class == RoadClass.UNKNOWN).all()
    assert np.isnan(field.snow_mmwe).all()


@pytest.mark.parametrize(
    "name", ["pressure_hpa", "shortwave_wm2", "cloud_frac", "freezing_level_m", "snow_level_m", "precip_prob_frac"]
)
def test_fields_that_can_be_derived_may_be_missing(name: str) -> None:
    field = run_corridor(forecast(**{name: np.nan}), road(1000.0, 1500.0), quantiles=middle())
    assert (field.road_class[..., PAST_H:] != RoadClass.UNKNOWN).all()
    assert np.isfinite(field.surface_temp_c).all()


def test_missing_cloud_is_never_warmer_than_any_cloud() -> None:
    def surface(cloud: float) -> Any:
        fc = forecast(cloud_frac=cloud, wind_mps=1.5, rh_frac=0.7)
        return run_corridor(fc, road(1000.0), quantiles=middle()).surface_temp_c[0, 0]

    result = np.minimum(surface(0.0), surface(1.0))
    assert (surface(np.nan) <= result + 1e-4).all()


def test_too_few_past_hours_are_said() -> None:
    late = replace(forecast(), fetched_at=START + timedelta(hours=5))
    field = run_corridor(late, road(1000.0), quantiles=middle())
    assert any("5 past hours instead of 48" in n and "not known" in n for n in field.notes)
    assert run_corridor(forecast(), road(1000.0), quantiles=middle()).notes == ()


def test_a_cell_of_unknown_height_is_said_and_widens_the_members() -> None:
    q = member_quantiles(20, np.random.default_rng(0))

    def spread(elevation_m: float) -> tuple[float, tuple[str, ...]]:
        field = run_corridor(forecast(members=20, elevation_m=elevation_m), road(1000.0), quantiles=q)
        return float(field.air_temp_c[:, 0, 10].std()), field.remarks

    known, unknown = spread(1000.0), spread(np.nan)
    assert known[0] == pytest.approx(0.0, abs=1e-6)
    assert unknown[0] > 0.5
    assert any("height" in n for n in unknown[1])


def test_height_error_grows_with_the_height_difference() -> None:
    """2.0 K per km in saturated air (a valley and a summit station, 1.9 measured): 1 K at 500 m; 3.0 in dry air."""
    q = member_quantiles(200, np.random.default_rng(0))
    field = run_corridor(forecast(members=200, hours=24), road(1000.0, 1500.0), quantiles=q)
    near, far = field.air_temp_c[:, :, 5].std(axis=0)
    assert near == pytest.approx(0.0, abs=1e-5)
    assert far == pytest.approx(1.0, rel=0.03)


def test_samples_share_columns_by_cell_and_height_band() -> None:
    z = np.array([1000.0, 1010.0, 1049.0, 1051.0, 1010.0, 1020.0])
    cells = road_cells(
        np.arange(6) * 250.0, z, np.array([0, 0, 0, 0, 1, 1]), np.full(6, 47.0), np.linspace(-121, -120, 6)
    )
    assert cells.columns_n == 3
    assert cells.column_of_sample.tolist() == [0, 0, 0, 1, 2, 2]
    assert cells.elevation_m.tolist() == pytest.approx([1019.6667, 1051.0, 1015.0], abs=1e-3)
    assert cells.cell_idx.tolist() == [0, 0, 1]


def test_a_long_route_needs_few_columns() -> None:
    d = np.arange(0.0, 600_000.0, 250.0)
    z = 1000.0 + 600.0 * np.sin(d / 30_000.0)
    cells = road_cells(d, z, (d // 10_000).astype(int), 47.0 + d * 0.0, -121.0 + d * 0.0)
    assert cells.columns_n < d.size / 4
    assert np.abs(cells.elevation_m[cells.column_of_sample] - z).max() <= 50.0


def test_a_column_does_not_depend_on_its_neighbours() -> None:
    fc = storm(air_temp_c=0.5)
    both = run_corridor(fc, road(900.0, 1500.0), quantiles=middle())
    alone = run_corridor(fc, road(1500.0), quantiles=middle())
    np.testing.assert_array_equal(both.snow_mmwe[:, 1], alone.snow_mmwe[:, 0])


def test_same_inputs_give_the_same_field() -> None:
    fc = forecast(members=10, air_temp_c=0.3, precip_mmwe_h=1.0, rh_frac=0.97)
    a, b = (run_corridor(fc, road(1000.0, 1600.0), rng=np.random.default_rng(9)) for _ in range(2))
    np.testing.assert_array_equal(a.road_class, b.road_class)
    np.testing.assert_array_equal(a.surface_temp_c, b.surface_temp_c)


def test_unchanged_columns_can_come_from_the_field_before() -> None:
    before = storm(cells=3, air_temp_c=0.5)
    t = before.air_temp_c.copy()
    t[:, 1] -= 2.0
    after = replace(before, air_temp_c=t)
    first = run_corridor(before, per_cell(3), quantiles=middle())
    part = run_corridor(after, per_cell(3), quantiles=middle(), previous=first, changed=np.array([False, True, False]))
    whole = run_corridor(after, per_cell(3), quantiles=middle())
    for name in ("road_class", "surface_temp_c", "snow_mmwe", "snowfall_mmwe_h"):
        np.testing.assert_array_equal(getattr(part, name), getattr(whole, name))


def test_the_size_of_the_blocks_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    members, n = 5, 30
    air_c = np.linspace(-3.0, 3.0, n)[:, None]
    fc = forecast(members=members, cells=n, hours=30, air_temp_c=air_c, precip_mmwe_h=1.0, rh_frac=0.97)
    q = member_quantiles(members, np.random.default_rng(9))
    whole = run_corridor(fc, per_cell(n), quantiles=q)
    monkeypatch.setattr(corridor, "BLOCK_COLUMNS", 7 * members)
    monkeypatch.setattr(downscale, "BLOCK_VALUES", 2 * 7 * 30)
    parts = run_corridor(fc, per_cell(n), quantiles=q)
    for name in ("road_class", "surface_temp_c", "snow_mmwe", "snowfall_mmwe_h"):
        np.testing.assert_array_equal(getattr(parts, name), getattr(whole, name))


def test_quantiles_or_a_generator_are_asked_for() -> None:
    with pytest.raises(ValueError, match="quantiles, or an rng"):
        run_corridor(forecast(), road(1000.0))
    with pytest.raises(ValueError, match="3 members, the forecast has 1"):
        run_corridor(forecast(), road(1000.0), quantiles=middle(3))


def test_what_is_shared_between_trucks_cannot_be_written_to() -> None:
    cells = road(1000.0)
    field = run_corridor(forecast(), cells, quantiles=middle())
    for array in (field.road_class, field.snow_mmwe, cells.elevation_m, field.quantiles.friction):
        with pytest.raises(ValueError, match="read-only"):
            array[...] = 0


def test_a_serviced_road_is_bare_sooner_and_never_worse() -> None:
    """Common practice, no source: a ploughed and salted road is bare hours before one that nobody clears."""
    stores = dict.fromkeys(("water_mmwe", "supercooled_mmwe", "hoar_mmwe", "deferred_jm2"), np.zeros(2))
    state = SurfaceState(
        layer_temp_c=np.full((3, 2), -4.0),
        snow_mmwe=np.full(2, 4.0),
        ice_mmwe=np.full(2, 3.0),
        packed_mmwe=np.full(2, 1.0),
        glaze_mmwe=np.full(2, 1.5),
        **stores,
    )
    service = maintenance.Service(half_life_h=1.0, night_factor=2.0)
    by_day, by_night = maintenance.kept_an_hour(service, START.timestamp(), 2, np.array([180.0, 0.0]))[0]
    assert (by_day, by_night) == (0.5, pytest.approx(0.5**0.5))
    kept = np.array([0.5, 1.0])
    after = maintenance.serviced(state, kept)
    assert after.snow_mmwe.tolist() == [2.0, 4.0]
    slow = 0.5 ** (1.0 / maintenance.PACKED_FACTOR)
    assert after.packed_mmwe.tolist() == [slow, 1.0]
    assert after.glaze_mmwe.tolist() == [1.5, 1.5]
    assert after.ice_mmwe.tolist() == [1.5 + slow + 0.25, 3.0]
    cold = maintenance.serviced(state._replace(layer_temp_c=np.full((3, 2), -12.0)), kept)
    assert cold.ice_mmwe.tolist() == [1.5 + slow + 0.5, 3.0]


def test_coded_freezing_rain_glazes_most_members_at_once() -> None:
    """A source that reports freezing rain knows of cold ground; the share of members is our assumption."""
    ranks = np.array([0.1, 0.3, 0.5, 0.7, 0.9])
    assert maintenance.glazes_above_zero(ranks, ROAD).tolist() == [True, True, True, False, False]
    assert maintenance.glazes_above_zero(ranks, BRIDGE_DECK).all()
    weather = storm(air_temp_c=-1.0, precip_form=PrecipForm.FREEZING)
    field = run_corridor(weather, road(1000.0), quantiles=middle())
    assert (field.road_class[0, 0, 50:62] == RoadClass.GLAZE).all()
