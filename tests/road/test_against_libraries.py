"""Our wet bulb and sun against libraries that are not needed to run: metpy 1.7 and pvlib 0.16, skipped when absent."""

import numpy as np
import pytest

from alertd.road.humidity import wet_bulb_c
from alertd.road.radiation import solar_position


@pytest.mark.parametrize(("driest", "within_k"), [(0.7, 0.02), (0.5, 0.031)])
def test_wet_bulb_of_winter_air_agrees_with_metpy(driest: float, within_k: float) -> None:
    """Air -25..3 °C at 660..1013 hPa. MetPy follows a saturated parcel down (Normand's rule), we take the balance of
    ASHRAE at constant pressure: two definitions that part by 0.03 K in the driest corner."""
    calc = pytest.importorskip("metpy.calc", reason="metpy is not installed", exc_type=ImportError)
    units = pytest.importorskip("metpy.units", reason="metpy is not installed", exc_type=ImportError).units
    grid = np.meshgrid(np.linspace(-25.0, 3.0, 8), np.linspace(driest, 1.0, 5), [660.0, 800.0, 1013.0])
    t, rh, p = (x.ravel() for x in grid)
    air = t * units.degC
    dew = calc.dewpoint_from_relative_humidity(air, rh * units.dimensionless)
    theirs = calc.wet_bulb_temperature(p * units.hPa, air, dew).to("degC").m
    assert np.abs(wet_bulb_c(t, rh, p) - theirs).max() < within_k


def test_the_sun_stands_where_pvlib_puts_it() -> None:
    """NREL SPA as pvlib computes it: geometric zenith within 0.02° over ten years; azimuth where the sun is not near
    the vertical."""
    spa = pytest.importorskip("pvlib.solarposition", reason="pvlib is not installed", exc_type=ImportError)
    pandas = pytest.importorskip("pandas", reason="pvlib is not installed", exc_type=ImportError)
    epoch = np.sort(np.random.default_rng(3).uniform(1.70e9, 2.02e9, 3000))
    times = pandas.DatetimeIndex(pandas.to_datetime(epoch, unit="s", utc=True))
    for lat, lon in ((47.4, -121.4), (64.0, -147.0), (-33.0, -70.0)):
        result = spa.get_solarposition(times, lat, lon)
        zenith, azimuth = solar_position(lat, lon, epoch)
        assert np.abs(zenith - result["zenith"]).max() < 0.02
        turned = (azimuth - result["azimuth"] + 180.0) % 360.0 - 180.0
        assert np.abs(turned[(zenith > 5.0) & (zenith < 175.0)]).max() < 0.2
