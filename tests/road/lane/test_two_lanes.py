"""Service clears the lane that a truck drives on. It eases no duty by law and hides no glaze: properties of any sky."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from alertd.forecast.model import Forecast, PrecipForm
from alertd.road.corridor import RoadField, member_quantiles, road_cells, run_corridor
from alertd.road.friction import friction_mu
from alertd.road.lane.maintenance import SERVICES, Service
from alertd.road.road_class import WINTER_CLASSES, RoadClass

START = datetime(2026, 1, 10, tzinfo=UTC)
MEMBERS, PLACES, HOURS = 20, 4, 72
QUANTILES = member_quantiles(MEMBERS, np.random.default_rng(3))
BEST = replace(SERVICES["motorway"], serviced_frac=1.0)


def any_sky(seed: int) -> Forecast:
    """Air of -8 to +4 °C with a daily wave, showers of rain, snow and freezing rain, wind and broken cloud."""
    rng = np.random.default_rng(seed)
    shape = (MEMBERS, PLACES, HOURS)
    hours = np.arange(HOURS)
    air_c = rng.uniform(-8.0, 4.0, (1, PLACES, 1)) + rng.uniform(0.0, 4.0) * np.sin(hours / 24.0 * 2.0 * np.pi)
    wet = rng.random((1, PLACES, HOURS)) < rng.uniform(0.0, 0.6)
    unknown = np.full(shape, np.nan)
    freezing = np.where(rng.random((1, PLACES, HOURS)) < 0.3, PrecipForm.FREEZING, PrecipForm.UNSPECIFIED)
    return Forecast(
        provider="stub", licence="none", issued_at=START, fetched_at=START + timedelta(hours=48), start=START,
        lat_deg=np.linspace(46.0, 47.0, PLACES), lon_deg=np.full(PLACES, -121.0), elevation_m=np.full(PLACES, 900.0),
        air_temp_c=air_c + rng.normal(0.0, 0.7, shape), rh_frac=rng.uniform(0.7, 1.0, shape), pressure_hpa=unknown,
        wind_mps=np.broadcast_to(rng.uniform(0.0, 14.0, (1, 1, HOURS)), shape).copy(),
        cloud_frac=rng.uniform(0.0, 1.0, shape), shortwave_wm2=unknown,
        precip_mmwe_h=np.where(wet, rng.exponential(1.0, shape), 0.0), precip_prob_frac=unknown,
        freezing_level_m=unknown, snow_level_m=unknown, gust_mps=unknown, visibility_m=unknown,
        precip_form=np.broadcast_to(freezing, shape).astype(np.int8),
    )  # fmt: skip


def field_of(sky: Forecast, service: Service) -> RoadField:
    n = np.arange(PLACES)
    cells = road_cells(n * 1000.0, np.full(PLACES, 900.0), n, sky.lat_deg, sky.lon_deg)
    return run_corridor(sky, cells, quantiles=QUANTILES, service=service)


@pytest.mark.parametrize("seed", range(6))
def test_service_eases_no_law_and_hides_no_glaze(seed: int) -> None:
    sky = any_sky(seed)
    none, best = field_of(sky, SERVICES["none"]), field_of(sky, BEST)
    after = slice(48, None)  # before it old snow lies on the uncleared roads alone
    law, driven = best.untouched_class[..., after], best.grip_class[..., after]
    # No winter class of the lane that nobody clears is missing where the law looks.
    by_none = none.untouched_class[..., after]
    old_snow = (QUANTILES.service >= 2.0 / 3.0)[:, None, None]
    assert ((law == by_none) | old_snow).all()
    glaze = none.grip_class[..., after] == RoadClass.GLAZE
    assert ((driven == RoadClass.GLAZE) | ~glaze | old_snow).all()
    mu_driven, mu_none = (friction_mu(x, 0.5) for x in (driven, none.grip_class[..., after]))
    assert (mu_driven[glaze & ~old_snow] <= mu_none[glaze & ~old_snow]).all()


def test_the_skies_hold_what_they_are_to_test() -> None:
    fields = [field_of(any_sky(seed), BEST) for seed in range(6)]
    assert sum(int((f.grip_class == RoadClass.GLAZE).sum()) for f in fields) > 100
    assert any(
        np.isin(f.untouched_class, WINTER_CLASSES).mean() > np.isin(f.road_class, WINTER_CLASSES).mean() for f in fields
    )


@pytest.mark.parametrize("seed", [1, 4])
def test_an_unseen_day_never_proves_a_bare_road(seed: int) -> None:
    """A day that is not known proves nothing, and leaves fewer hours proven after it than a known one of any warmth."""
    sky = any_sky(seed)
    late = replace(sky, fetched_at=START)
    bare = field_of(late, SERVICES["none"]).road_class
    certain = (bare >= RoadClass.DRY) & (bare < RoadClass.RIME)
    gone = sky.air_temp_c.copy()
    gone[..., :24] = np.nan  # whatever it was, it is not known
    unseen = field_of(replace(late, air_temp_c=gone), SERVICES["none"]).road_class
    proven = (unseen >= RoadClass.DRY) & (unseen < RoadClass.RIME)
    assert not proven[..., :24].any()
    assert proven.sum() <= certain.sum()
