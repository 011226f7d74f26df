"""Whether to chain ahead or to be ready and decide at the sign: prices against each other, by hand."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from alertd.plan.chain_up.prices import ChainPrices, prices_for
from alertd.plan.make_plan import make_plan
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.params import PlanParams
from alertd.plan.request import PlanRequest, TripInput
from alertd.road.road_class import RoadClass
from alertd.testing.factories import at_hour, make_rig, make_route, make_rules, make_stop, make_weather

PARAMS = PlanParams(compare_h=0.0)
ROUTE = make_route(120e3, grade=0.03, stops=[make_stop(n, m) for n, m in (("a", 5e3), ("b", 42e3), ("d", 110e3))])


def plan_of(members: int, params: PlanParams = PARAMS, chance: float = 1.0, friction: float = 0.9) -> Plan:
    """Snow at km 50 to 60 in so many of ten members."""
    weather = make_weather(
        ROUTE,
        lambda m, d, h: np.where((d >= 50e3) & (d <= 60e3) & (m < members), RoadClass.SNOW, RoadClass.DRY) + 0 * h,
        members=10,
        friction=friction,
    )
    rules = {"US-XX": make_rules(chance=chance)}
    return make_plan(
        PlanRequest(TripInput(id="QT-1", depart_at=at_hour(6)), ROUTE, make_rig(), rules, weather, params, at_hour(2))
    )


def test_the_price_of_a_missed_chain_up_changes_the_advice() -> None:
    """At 40 of 100, 2 h for a truck that is turned back leave it at "be ready"; ten times that does not."""
    assert plan_of(4).advice is Advice.READY
    assert plan_of(4, replace(PARAMS, missed_s=10.0 * PARAMS.missed_s)).advice is Advice.CHAIN
    assert plan_of(4, replace(PARAMS, fine_usd=10.0 * PARAMS.fine_usd)).advice is Advice.CHAIN


def test_cheap_misses_leave_the_choice_to_the_sign() -> None:
    """At 60 of 100 chains are planned; where the sign costs a driver nothing extra, only certainty would do."""
    free = replace(PARAMS, missed_s=0.0, fine_usd=0.0, sign_wait_s=0.0)
    assert plan_of(6).advice is Advice.CHAIN
    assert plan_of(6, free).advice is Advice.READY


def test_no_price_eases_a_likely_or_certain_control() -> None:
    """From `chain_probability` on the prices do not matter: a certain demand of the law is never eased."""
    free = replace(PARAMS, missed_s=0.0, fine_usd=0.0, sign_wait_s=0.0, recovery_usd=0.0, stuck_s=0.0)
    assert plan_of(7, free).advice is Advice.CHAIN
    assert plan_of(10, free).advice is Advice.CHAIN


def test_the_prices_of_a_rig_by_hand() -> None:
    """Four tires: 40 min to hang, 20 to remove, 20 miles in 48 instead of 26 2/3 min. USD 90.78 an hour.

    Caught at the sign: 30 min, and 15 of 100 times 2 h and a fifth of USD 579. Slipped: 45 min, and 15 of 1,000 times
    4 h and USD 5,000.
    """
    prices = prices_for(make_rig(), PlanParams())
    minutes = [x / 60.0 for x in (prices.ahead_s, prices.sign_s, prices.slip_s)]
    sign = 30 + 0.15 * (120 + 0.2 * 579 / 90.78 * 60)
    assert minutes == pytest.approx([40 + 20 + 48 - 80 / 3, sign, 45 + 0.015 * (240 + 5000 / 90.78 * 60)])


CHANCE = arrays(np.float64, 8, elements=st.floats(0.0, 1.0))


@given(CHANCE, CHANCE, arrays(np.bool_, 8), arrays(np.bool_, 8), st.floats(600.0, 6e3), st.floats(0.0, 3e4))
def test_more_need_or_less_grip_never_makes_chaining_worth_less(
    need: np.ndarray, more: np.ndarray, slips: np.ndarray, also: np.ndarray, sign_s: float, slip_s: float
) -> None:
    prices = ChainPrices(ahead_s=4000.0, sign_s=sign_s, slip_s=slip_s)
    base = prices.worth(np.maximum(need, slips), slips)
    raised = prices.worth(np.maximum(np.maximum(need, more), slips | also), slips | also)
    assert raised >= base - 1e-9
    with_recourse = need * (4000.0 + sign_s) + (1.0 - need) * slips * (4000.0 + slip_s)
    if slip_s >= sign_s:  # never less than the mean cost of a driver who is safe once chained at the sign
        assert base * 4000.0 >= with_recourse.mean() - 1e-6
