"""Plans to speak of: a real one, and edits of it that stand for what later forecasts would say."""

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from alertd.plan.make_plan import make_plan
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice, Stretch
from alertd.plan.params import PlanParams
from alertd.plan.request import PlanRequest, TripInput
from alertd.road.road_class import RoadClass
from alertd.route.model import Summit
from alertd.testing.factories import at_hour, make_rig, make_route, make_rules, make_stop, make_weather


@pytest.fixture(scope="session")
def two_passes() -> Plan:
    """CHAIN over Larch Pass at km 40 to 50 and over Tarn Pass at km 120 to 130; leaves at 06:00 UTC."""
    stops = [
        make_stop(n, m, milepost=f"I-90 MP {n}") for n, m in (("1", 30e3), ("2", 60e3), ("3", 110e3), ("4", 140e3))
    ]
    summits = [
        Summit(distance_m=m, elevation_m=1400.0, prominence_m=300.0, name=n)
        for n, m in (("Larch Pass", 45e3), ("Tarn Pass", 125e3))
    ]
    route = make_route(160e3, stops=stops, summits=summits)
    weather = make_weather(
        route,
        lambda m, d, h: np.where(
            ((d >= 40e3) & (d <= 50e3)) | ((d >= 120e3) & (d <= 130e3)), RoadClass.SNOW, RoadClass.DRY
        ),
    )
    trip = TripInput(id="QT-1", depart_at=at_hour(6), driver="Odalys Fenwright", dispatcher="office")
    plan = make_plan(PlanRequest(trip, route, make_rig(), {"US-XX": make_rules()}, weather, PlanParams(), at_hour(2)))
    assert [s.advice for s in plan.stretches] == [Advice.CHAIN, Advice.CHAIN]
    return plan


@pytest.fixture(scope="session")
def saying(two_passes: Plan) -> Callable[..., Plan]:
    """The plan with an advice for each pass (None: no stretch), the first hang moved and its stop renamed."""

    def plan(
        larch: Advice | None = None,
        tarn: Advice | None = None,
        *,
        late_min: float = 0,
        stop_id: str = "1",
        short: int = 0,
        partial: bool = False,
    ) -> Plan:
        stretches: list[Stretch] = []
        for advice, stretch in zip((larch, tarn), two_passes.stretches, strict=True):
            if advice is not None:
                stretches.append(replace(stretch, advice=advice))
        if larch is not None:
            first = stretches[0]
            at = first.chain_up.arrive_at + timedelta(minutes=late_min)
            stretches[0] = replace(
                first,
                chain_up=replace(first.chain_up, arrive_at=at, stop_id=stop_id),
                hanging=replace(first.hanging, singles_short=short),
            )
        advice = max((s.advice for s in stretches), key=lambda a: a.rank, default=Advice.CLEAR)
        return replace(two_passes, stretches=tuple(stretches), advice=advice, partial=partial)

    return plan
