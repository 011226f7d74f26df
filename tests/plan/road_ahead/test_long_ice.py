"""Ice over a long way asks to wait, in one run or in several: common practice, no source."""

from typing import Any

import numpy as np
import pytest

from alertd.plan.model.stretches import Advice
from alertd.road.road_class import RoadClass
from alertd.testing.factories import make_route, make_weather

MEMBERS = 30
DRY_GAP_KM = 12.0


def plan_on(planned: Any, run_km: float, runs_n: int, members_n: int, ice: RoadClass = RoadClass.GLAZE) -> Any:
    """Runs of ice of a length, a dry gap after each."""
    period_km = run_km + DRY_GAP_KM
    route = make_route(runs_n * period_km * 1e3 + 10e3)

    def road(m: Any, d: Any, h: Any) -> Any:
        iced = (m < members_n) & (d % (period_km * 1e3) < run_km * 1e3) & (d < runs_n * period_km * 1e3)
        return np.where(iced, ice, RoadClass.DRY) + 0 * h

    return planned(route, make_weather(route, road, members=MEMBERS, friction=0.9))


@pytest.mark.parametrize(("run_km", "runs_n"), [(40.0, 1), (15.0, 3)])
def test_glaze_over_more_than_twenty_miles_is_a_hold(planned: Any, run_km: float, runs_n: int) -> None:
    """40 and 45 km of glaze in four of ten members."""
    plan = plan_on(planned, run_km, runs_n, members_n=12)
    assert plan.advice is Advice.HOLD
    (hold,) = plan.closures
    assert hold.kind == "ice"


@pytest.mark.parametrize(("run_km", "runs_n", "members_n"), [(15.0, 1, 12), (15.0, 3, 6), (6.0, 3, 12)])
def test_little_or_unlikely_glaze_is_no_hold(planned: Any, run_km: float, runs_n: int, members_n: int) -> None:
    assert plan_on(planned, run_km, runs_n, members_n).advice is not Advice.HOLD


def test_patches_of_refrozen_water_are_slowed_down_for(planned: Any) -> None:
    assert plan_on(planned, 30.0, 3, 12, RoadClass.ICE).advice is not Advice.HOLD
