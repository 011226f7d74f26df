"""A road sensor near 0 °C hides no freezing hour: a true road, a forecast that errs, and the sensor of the true road.

The true road is the model's own under other weather. The sweep thus shows what a reading does to states, not how well
roads are forecast: tests/benchmarks/score_road_temperature.py scores that at stations.
"""

from functools import lru_cache
from itertools import product

import numpy as np
import pytest

from alertd.forecast.model import Forecast
from alertd.road.corridor import RoadField, run_corridor
from alertd.road.lane.maintenance import SERVICES
from alertd.road.nearby import NOTHING_NEAR, Nearby, SurfaceReading
from alertd.road.road_class import WINTER_CLASSES
from tests.road.test_corridor import PAST_H, START, forecast, middle, road

HOURS = 84
PLACE = road(1000.0)
LOCAL_H = {"noon": 12, "dusk": 17, "midnight": 0, "dawn": 8}  # of the reading, at 121° W
ERRORS = np.array(list(product((-1.5, 0.0, 1.5), (-0.5, 0.0, 0.5)))).T[:, :, None, None]  # of air [K] and cloud
MEANS_C = (-0.5, 1.0, 2.5)


def sky(mean_c: float, air_k: np.ndarray, cloud: np.ndarray) -> Forecast:
    """A daily wave of 3 K about the mean, warmest at 15 h local, and light rain before the day of the reading."""
    hours = np.arange(HOURS)
    air_c = mean_c + 3.0 * np.cos((hours - 8.0 - 15.0) / 24.0 * 2.0 * np.pi)
    rain = np.where((hours >= 40) & (hours < 46), 0.4, 0.0)
    return forecast(
        members=air_k.size, hours=HOURS, air_temp_c=air_c + air_k, rh_frac=0.92, wind_mps=2.0,
        cloud_frac=0.5 + cloud, precip_mmwe_h=rain,
    )  # fmt: skip


def run(weather: Forecast, nearby: Nearby = NOTHING_NEAR) -> RoadField:
    ranks = middle(weather.air_temp_c.shape[0])
    return run_corridor(weather, PLACE, quantiles=ranks, service=SERVICES["none"], nearby=nearby)


def frozen(field: RoadField) -> np.ndarray:
    """(member, hour)."""
    return np.isin(field.road_class[:, 0], WINTER_CLASSES) | (field.surface_temp_c[:, 0] <= 0.0)


@lru_cache
def true_and_wrong(mean_c: float) -> tuple[RoadField, RoadField]:
    return run(sky(mean_c, *np.zeros((2, 1, 1, 1)))), run(sky(mean_c, *ERRORS))


def hidden(mean_c: float, local_h: int) -> tuple[np.ndarray, np.ndarray]:
    """Truly frozen hours that are missed in 12 h after the reading, (member, hour): without it, and with it."""
    at = PAST_H + (local_h + 8) % 24
    true, plain = true_and_wrong(mean_c)
    sensor = SurfaceReading(
        surface_c=float(true.surface_temp_c[0, 0, at]), depth_c=float("nan"),
        epoch_s=START.timestamp() + 3600.0 * (at + 1), lat_deg=47.0, lon_deg=-121.0, elevation_m=1000.0,
    )  # fmt: skip
    moved = run(sky(mean_c, *ERRORS), Nearby(readings=(sensor,)))
    return tuple((~frozen(field) & frozen(true))[:, at + 1 : at + 13] for field in (plain, moved))


@pytest.mark.parametrize("when", LOCAL_H)
def test_a_reading_hides_no_freezing_hour(when: str) -> None:
    without, with_it = np.stack([hidden(mean_c, LOCAL_H[when]) for mean_c in MEANS_C], axis=1)
    assert with_it.sum() <= without.sum()
    assert (with_it & ~without).sum() <= 1
