"""A place to chain that was sent to the driver stays, unless it may be in the snow or another is clearly better."""

from typing import Any

import numpy as np
import pytest

from alertd.notices.text.driver_sms import driver_text
from alertd.plan.make_plan import make_plan
from alertd.plan.model.plan import Plan
from alertd.plan.params import PlanParams
from alertd.plan.request import PlanRequest, TripInput
from alertd.road.road_class import RoadClass
from alertd.testing.factories import at_hour, make_rig, make_route, make_rules, make_stop, make_weather

RIG = make_rig()
PARAMS = PlanParams(compare_h=0.0)


def plan(sent: str, snow_from_m: float = 60e3, far_m: float = 44e3, members: int = 10) -> Plan:
    """Snow to km 80 in so many of ten members, stops at `far_m` and km 55; snow_from_m: in the members beyond 8."""
    stops = [make_stop("far", far_m, milepost="MP 45"), make_stop("near", 55e3, milepost="MP 33")]
    route = make_route(120e3, stops=[*stops, make_stop("off", 85e3)])
    weather = make_weather(
        route,
        lambda m, d, h: (
            np.where((d >= np.where(m < members, snow_from_m, 60e3)) & (d <= 80e3), RoadClass.SNOW, RoadClass.DRY)
            + 0 * h
        ),
    )
    trip = TripInput(id="T", depart_at=at_hour(6), sent_stops=frozenset({sent} if sent else ()))
    return make_plan(PlanRequest(trip, route, RIG, {"US-XX": make_rules(chance=1.0)}, weather, PARAMS, at_hour(2)))


def chain_up(p: Plan) -> Any:
    (stretch,) = p.stretches
    return stretch.chain_up


def test_first_choice_is_the_nearest_stop_before_the_snow() -> None:
    assert (chain_up(plan("")).stop_id, chain_up(plan("")).instead_of) == ("near", "")


def test_sent_stop_stays_while_the_other_saves_little() -> None:
    """11 km chained on bare road more: 14 min slower and 5.5 min of wear, less than the 25 min of `kept_s`."""
    assert (chain_up(plan("far")).stop_id, chain_up(plan("far")).instead_of) == ("far", "")


def test_reason_names_the_sent_place_where_it_alone_decides() -> None:
    """Both stops are alike but for their distance and that one was sent."""
    reason = chain_up(plan("far")).reason
    assert "not the place already sent to the driver" in reason
    assert "a worse place to stand" not in reason
    assert chain_up(plan("near")).reason == chain_up(plan("")).reason


def test_sent_stop_in_the_snow_changes_with_a_reason() -> None:
    """Three of ten members have snow from km 50 on, twice the odds at which a plan says be ready."""
    up = chain_up(plan("near", snow_from_m=50e3, members=3))
    assert (up.stop_id, up.instead_of, up.instead_why) == ("far", "Stop near (MP 33)", "it may lie in the snow")
    assert up.reason.startswith("was Stop near (MP 33): it may lie in the snow; ")


def test_clearly_better_stop_replaces_a_sent_one_with_a_reason() -> None:
    """45 km chained on bare road more: an hour."""
    p = plan("far", far_m=10e3)
    up = chain_up(p)
    assert (up.stop_id, up.instead_of) == ("near", "Stop far (MP 45)")
    assert "Was Stop far (MP 45): another place is clearly better now." in driver_text(p, p.stretches[0])


@pytest.mark.parametrize("sent", ["", "far"])
def test_snow_in_too_few_members_moves_nobody(sent: str) -> None:
    assert chain_up(plan(sent, snow_from_m=50e3, members=1)).stop_id == (sent or "near")
