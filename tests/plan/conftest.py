"""A trip planned on made pavement, in one call."""

from collections.abc import Callable, Mapping
from typing import Any

import pytest

from alertd.plan.make_plan import make_plan
from alertd.plan.model.plan import Plan
from alertd.plan.params import PlanParams
from alertd.plan.request import PlanRequest, TripInput, Weather
from alertd.route.model import Route
from alertd.rules.rig import Rig
from alertd.rules.ruleset import RuleSet
from alertd.testing.factories import at_hour, make_rig, make_rules


@pytest.fixture(scope="session")
def planned() -> Callable[..., Plan]:
    def plan(
        route: Route,
        weather: Weather,
        *,
        rig: Rig | None = None,
        rules: Mapping[str, RuleSet] | None = None,
        depart_h: float = 6.0,
        now_h: float = 2.0,
        compare_h: float = 0.0,  # comparing departures is three quarters of the work of a plan
        **params: Any,
    ) -> Plan:
        trip = TripInput(id="QT-1", depart_at=at_hour(depart_h), driver="Odalys", dispatcher="office")
        laws = {"US-XX": make_rules()} if rules is None else rules
        return make_plan(
            PlanRequest(
                trip, route, rig or make_rig(), laws, weather, PlanParams(compare_h=compare_h, **params), at_hour(now_h)
            )
        )

    return plan
