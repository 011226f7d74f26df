"""The forecast's weather at the road's own height."""

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest

from alertd.forecast.model import Forecast
from alertd.road import humidity
from alertd.road.downscale import AIR, AirParams, ColumnPlaces, Ranks, RoadWeather, weather_at_road

START = datetime(2026, 1, 10, tzinfo=UTC)
HOURS = 24


def at_road(
    elevation_m: float = 1500.0,
    *,
    cell_elevation_m: float = 1000.0,
    lat_deg: float = 47.0,
    rank: float = 0.5,
    params: AirParams = AIR,
    **given: Any,
) -> RoadWeather:
    """One member, one column, uniform weather unless told otherwise: +1 °C, half covered, dry, day and night."""
    values = {
        "air_temp_c": 1.0, "rh_frac": 0.7, "pressure_hpa": np.nan, "wind_mps": 4.0, "cloud_frac": 0.5,
        "shortwave_wm2": np.nan, "precip_mmwe_h": 0.0, "precip_prob_frac": np.nan, "freezing_level_m": np.nan,
        "snow_level_m": np.nan, "gust_mps": np.nan, "visibility_m": np.nan,
    }  # fmt: skip
    shape = (1, 1, HOURS)
    arrays = {n: np.broadcast_to(given.get(n, v), shape).astype(float) for n, v in values.items()}
    one = np.ones(1)
    forecast = Forecast(
        provider="stub", licence="none", issued_at=START, fetched_at=START, start=START, lat_deg=lat_deg * one,
        lon_deg=-121.0 * one, elevation_m=cell_elevation_m * one,
        precip_form=np.broadcast_to(given.get("precip_form", 0), shape).astype(np.int8), **arrays,
    )  # fmt: skip
    place = ColumnPlaces(
        cell_idx=np.zeros(1, dtype=np.int64),
        lat_deg=lat_deg * one,
        lon_deg=-121.0 * one,
        elevation_m=elevation_m * one,
        cell_elevation_m=cell_elevation_m * one,
    )
    ranks = Ranks(phase=rank * one, phase_model=0.5 * one, height_z=0.0 * one)
    return weather_at_road(forecast, place, ranks, params)


def test_a_given_freezing_level_sets_the_slope() -> None:
    """+4 °C at 1000 m, 0 °C level at 1800 m: 5 K/km."""
    f = at_road(1500.0, air_temp_c=4.0, freezing_level_m=1800.0).forcing
    assert f.air_temp_c[:, 0].tolist() == pytest.approx([1.5] * HOURS)


def test_dry_mixed_air_uses_the_seasonal_lapse_rate() -> None:
    """Liston & Elder 2006: January 4.4 K/km; south of the equator January is July, 8.1."""
    north, south = (at_road(1500.0, lat_deg=lat).forcing.air_temp_c[0, 0] for lat in (47.0, -45.0))
    assert (1.0 - north, 1.0 - south) == pytest.approx((2.2, 4.05))


def test_a_valley_is_warmed_by_day_and_not_in_a_clear_calm_night() -> None:
    """121 W: night around 08 UTC, noon around 20 UTC."""
    t = at_road(400.0, cloud_frac=0.1, wind_mps=1.0).forcing.air_temp_c[:, 0]
    assert t[8] == 1.0
    assert t[20] > 3.0


def test_given_pressure_moves_to_the_road_missing_is_standard() -> None:
    given = at_road(1500.0, pressure_hpa=870.0, air_temp_c=1.0).forcing.pressure_hpa[0, 0]
    missing = at_road(1500.0).forcing.pressure_hpa[0, 0]
    assert given == pytest.approx(float(humidity.pressure_at_height_hpa(870.0, 1.0, 0.7, 1000.0, 1500.0)))
    assert missing == pytest.approx(float(humidity.isa_pressure_hpa(1500.0)), rel=0.005)
    assert abs(given - missing) > 15.0


def test_given_sun_is_used_and_derived_sun_peaks_at_local_noon() -> None:
    given = at_road(shortwave_wm2=123.0).forcing.shortwave_wm2[:, 0]
    derived = at_road().forcing.shortwave_wm2[:, 0]
    assert (given == 123.0).all()
    # 121 W and an equation of time of -7 min: solar noon at 20:11 UTC, in the hour that begins at 20.
    assert int(np.argmax(derived)) in (19, 20)
    assert derived[19] == pytest.approx(derived[20], rel=0.05)
    assert derived[8] == 0.0


def test_horizon_hides_only_the_sun_below_it() -> None:
    """At 47 N on 10 January the sun is 21° up at noon: 15° hides morning and evening, 30° the whole day's."""

    def sunshine(horizon_deg: float, **given: Any) -> Any:
        return at_road(params=replace(AIR, horizon_deg=horizon_deg), **given).forcing.shortwave_wm2[:, 0]

    for given in ({"shortwave_wm2": 100.0}, {}):
        clear = {"cloud_frac": 0.0, **given}
        free, hills, walls = (sunshine(h, **clear) for h in (0.0, 15.0, 30.0))
        assert walls.tolist() == pytest.approx((0.4 * free).tolist())
        assert hills[20] == free[20]
        assert hills[17] == pytest.approx(0.4 * free[17])
        assert sunshine(30.0, cloud_frac=1.0, **given).tolist() == sunshine(0.0, cloud_frac=1.0, **given).tolist()
        assert (sunshine(30.0, cloud_frac=np.nan, **given) <= sunshine(30.0, cloud_frac=0.0, **given)).all()


def test_a_given_snow_level_far_below_the_road_means_more_snow() -> None:
    """+1.5 °C, wet: undecided by itself. Snow level 500 m under the road: snow for the middle member."""

    def snow(**given: float) -> float:
        wet = {"precip_mmwe_h": 2.0, "rh_frac": 0.95, "air_temp_c": 1.5}
        return float(at_road(1000.0, **wet, **given).forcing.snow_mmwe_h[0, 0])

    assert snow(snow_level_m=500.0) == pytest.approx(2.0)
    assert snow(snow_level_m=2500.0) == 0.0
    assert snow(snow_level_m=2500.0) <= snow() <= snow(snow_level_m=500.0)


def test_rain_and_snow_add_up_to_what_falls() -> None:
    for rank in (0.05, 0.5, 0.6, 0.95):
        f = at_road(1000.0, precip_mmwe_h=2.0, rh_frac=0.95, rank=rank).forcing
        assert float(f.rain_mmwe_h[0, 0] + f.snow_mmwe_h[0, 0]) == pytest.approx(2.0)


def test_cloud_is_less_opaque_when_nothing_falls() -> None:
    dry, wet = (at_road(1000.0, cloud_frac=1.0, rh_frac=0.9, precip_mmwe_h=p).forcing for p in (0.0, 1.0))
    assert dry.longwave_wm2[0, 0] < wet.longwave_wm2[0, 0]


def test_values_beyond_their_range_do_not_reach_the_road() -> None:
    f = at_road(precip_mmwe_h=-0.2, cloud_frac=1.3, shortwave_wm2=-5.0, rh_frac=1.4).forcing
    result = at_road(precip_mmwe_h=0.0, cloud_frac=1.0, shortwave_wm2=0.0, rh_frac=1.0).forcing
    for got, want in zip(f, result, strict=True):
        np.testing.assert_array_equal(got, want)


def test_unknown_hours_are_marked_and_filled_without_nan() -> None:
    t = np.where(np.arange(HOURS) == 7, np.nan, 1.0)
    w = at_road(air_temp_c=t, precip_mmwe_h=1.0)
    assert list(np.flatnonzero(~w.known[:, 0])) == [7]
    assert all(np.isfinite(x).all() for x in w.forcing)
    assert float(w.forcing.rain_mmwe_h[7, 0] + w.forcing.snow_mmwe_h[7, 0]) == 0.0
