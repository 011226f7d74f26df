"""Sun and sky."""

import numpy as np
import pytest

from alertd.road import radiation

NOON_EQUINOX = 1773995400.0  # 2026-03-20 08:30 UTC


def test_equinox_sun_rises_in_the_east_and_sets_in_the_west() -> None:
    """20 March 2026, equator, Greenwich: near 06:00 and 18:00 local solar time, 90° and 270° azimuth."""
    midnight = 1773964800.0
    hours = np.arange(0.0, 24.0, 0.05)
    zenith, azimuth = radiation.solar_position(0.0, 0.0, midnight + 3600.0 * hours)
    up = np.flatnonzero(zenith < 90.0)
    assert hours[up[0]] == pytest.approx(6.0, abs=0.25)
    assert azimuth[up[0]] == pytest.approx(90.0, abs=0.5)
    assert azimuth[up[-1]] == pytest.approx(270.0, abs=0.5)
    assert zenith.min() == pytest.approx(0.0, abs=0.5)


def test_arrays_give_what_scalars_give_and_nan_stays_nan() -> None:
    lat = np.array([40.0, -35.0, np.nan])
    zenith, azimuth = radiation.solar_position(lat, -120.0, NOON_EQUINOX)
    alone = [radiation.solar_position(float(x), -120.0, NOON_EQUINOX) for x in lat]
    np.testing.assert_array_equal(zenith, [float(z) for z, _ in alone])
    np.testing.assert_array_equal(azimuth, [float(a) for _, a in alone])
    assert np.isnan(zenith[2])
    assert np.isnan(radiation.clear_sky_wm2(np.nan))
    assert np.isnan(radiation.cloud_transmission_frac(np.nan))
    assert np.isnan(radiation.longwave_wm2(0.0, 5.0, np.nan))


def test_no_sun_below_the_horizon_and_more_of_it_at_height() -> None:
    assert radiation.clear_sky_wm2(np.array([90.0, 95.0, 180.0])).tolist() == pytest.approx([0.0, 0.0, 0.0])
    assert float(radiation.clear_sky_wm2(60.0, 2000.0)) == pytest.approx(1.04 * float(radiation.clear_sky_wm2(60.0)))


def test_cloud_takes_sun_away_and_gives_warmth_back() -> None:
    cloud = np.linspace(0.0, 1.0, 11)
    assert (np.diff(radiation.cloud_transmission_frac(cloud)) < 0.0).all()
    assert (np.diff(radiation.longwave_wm2(-5.0, 3.5, cloud)) > 0.0).all()
    overcast = float(radiation.longwave_wm2(-5.0, 3.5, 1.0))
    assert overcast == pytest.approx(radiation.STEFAN_BOLTZMANN * 268.15**4)  # a black cloud base at air temperature


def test_behind_the_horizon_only_the_diffuse_part_arrives() -> None:
    """Haurwitz at 47.4246 N, 121.4138 W, 2024-12-21 20:00 UTC: 301 W/m² from a sun 19.1° up (pvlib)."""
    zenith, _ = radiation.solar_position(47.4246, -121.4138, 1734811200.0)
    clear = float(radiation.clear_sky_wm2(zenith))
    assert clear == pytest.approx(301.0, abs=1.0)
    open_, shaded = (clear * float(radiation.over_horizon_frac(zenith, h, 0.0, 0.6)) for h in (19.0, 19.3))
    assert (open_, shaded) == pytest.approx((301.0, 120.4), abs=1.0)


def test_horizon_takes_nothing_from_overcast_sky_and_keeps_nan() -> None:
    cloud = np.array([0.0, 0.5, 1.0, np.nan])
    assert radiation.over_horizon_frac(80.0, 30.0, cloud, 0.6)[:3].tolist() == pytest.approx([0.4, 0.7, 1.0])
    assert radiation.over_horizon_frac(30.0, 30.0, cloud, 0.6)[:3].tolist() == [1.0, 1.0, 1.0]
    assert np.isnan(radiation.over_horizon_frac([80.0, 30.0], 30.0, np.nan, 0.6)).all()
