"""How deep the snow may lie: water equivalent of the median member, density by the air, and its range."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from alertd.plan.model.stretches import Stretch
from alertd.road.road_class import RoadClass
from alertd.testing.factories import make_route, make_stop, make_weather

ROUTE = make_route(60e3, stops=[make_stop("on", 10e3), make_stop("off", 45e3)])


def lying(planned: Any, snow_mmwe: Any, *, air_c: float = -5.0, unknown_members: int = 0) -> Stretch:
    """Snow between km 20 and 30, of this water equivalent in each of ten members."""
    made = make_weather(
        ROUTE,
        lambda m, d, h: np.where(
            m < unknown_members, RoadClass.UNKNOWN, np.where((d >= 20e3) & (d <= 30e3), RoadClass.SNOW, RoadClass.DRY)
        ),
    )
    field = made.corridor.field
    snow = np.where(field.snow_mmwe > 0.0, np.reshape(snow_mmwe, (-1, 1, 1)), field.snow_mmwe).astype(np.float32)
    air = np.where(np.isnan(field.air_temp_c), np.nan, air_c).astype(np.float32)
    corridor = replace(made.corridor, field=replace(field, snow_mmwe=snow, air_temp_c=air))
    return max(planned(ROUTE, replace(made, corridor=corridor)).stretches, key=lambda s: s.new_snow_mmwe)


@pytest.mark.parametrize(("air_c", "ratio"), [(-10.0, 14.5), (-5.0, 9.6), (-2.0, 7.7), (0.0, 6.7), (1.0, 6.3)])
def test_depth_is_water_times_the_air_ratio_plus_minus_40_pct(planned: Any, air_c: float, ratio: float) -> None:
    """Ratios of the relation of Anderson 1976 after LaChapelle as tabulated in the physics reference, section 4."""
    s = lying(planned, 10.0, air_c=air_c)
    assert s.new_snow_mmwe == pytest.approx(10.0)
    assert (s.snow_depth_low_m, s.snow_depth_high_m) == pytest.approx((0.006 * ratio, 0.014 * ratio), rel=0.01)


def test_depth_is_that_of_the_median_member(planned: Any) -> None:
    s = lying(planned, [1, 2, 3, 4, 10, 10, 20, 30, 40, 50])
    assert s.new_snow_mmwe == pytest.approx(10.0)
    assert s.snow_depth_low_m < 0.096 < s.snow_depth_high_m


def test_members_that_know_nothing_do_not_thin_the_snow(planned: Any) -> None:
    s = lying(planned, 10.0, unknown_members=6)
    assert s.new_snow_mmwe == pytest.approx(10.0)
    assert s.unknown_frac == pytest.approx(0.6)


def test_where_nothing_is_known_no_depth_is_given(planned: Any) -> None:
    s = lying(planned, 10.0, unknown_members=10)
    assert (s.new_snow_mmwe, s.snow_depth_low_m, s.snow_depth_high_m) == (0.0, 0.0, 0.0)
