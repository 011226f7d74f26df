"""Other ways beside the planned one: which is called better, and that none is called clear on partial data."""

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from typing import Any

import numpy as np
import pytest

from alertd.plan.describe.alternatives import with_alternatives
from alertd.plan.model.notes import ClosureNote
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.params import PlanParams
from alertd.plan.serialize import with_id
from alertd.road.road_class import RoadClass
from alertd.testing.factories import make_route, make_rules, make_stop, make_weather
from alertd.units import to_mps

PARAMS = PlanParams()
STOPS = [make_stop(n, m) for n, m in (("a", 5e3), ("b", 25e3), ("c", 55e3))]


@pytest.fixture(scope="module")
def over_the_pass(planned: Callable[..., Plan]) -> Plan:
    """60 km with snow at km 30 to 40: plan to chain, 60 % in each member."""
    route = make_route(60e3, stops=STOPS)
    weather = make_weather(route, lambda m, d, h: np.where((d >= 30e3) & (d <= 40e3), RoadClass.SNOW, RoadClass.DRY))
    plan = planned(route, weather)
    assert plan.advice is Advice.CHAIN
    return plan


def dry(planned: Callable[..., Plan], length_m: float, **over: Any) -> Plan:
    route = make_route(length_m, stops=STOPS)
    return planned(route, make_weather(route, lambda m, d, h: RoadClass.DRY, **over))


def choice(plan: Plan, *others: tuple[str, Plan]) -> str:
    return with_alternatives(plan, others, (), PARAMS).route_choice


def test_chance_of_any_chaining_counts_members_over_the_way(planned: Callable[..., Plan]) -> None:
    """Of 10 members 2 have snow at km 10, other 2 at km 50, none both; posted 60 %: (2 + 2) of 10 at 0.6 are 24 %."""

    def showers(m: Any, d: Any, h: Any) -> Any:
        first = (m < 2) & (d >= 10e3) & (d <= 12e3)
        second = (m >= 8) & (d >= 50e3) & (d <= 52e3)
        return np.where(first | second, RoadClass.SNOW, RoadClass.DRY) + 0 * h

    route = make_route(60e3, stops=STOPS)
    plan = planned(route, make_weather(route, showers, members=10))
    assert plan.chain_probability == pytest.approx(0.24)
    assert [s.probability for s in plan.stretches] == []
    assert plan.advice is Advice.SLOW
    whole = planned(route, make_weather(route, lambda m, d, h: RoadClass.SNOW), rules={"US-XX": make_rules(chance=0.7)})
    assert whole.chain_probability == pytest.approx(0.7)


def test_dry_way_half_an_hour_longer_beats_a_pass_with_chains(
    planned: Callable[..., Plan], over_the_pass: Plan
) -> None:
    """The pass is 60 min of work and slow running in 60 of 100, else 10 km of snow at half of 62 mph.

    200 km at 62 mph are 7216 s. The difference to the mean is by hand.
    """
    around = dry(planned, 200e3)
    chained_s = 20e3 / to_mps(20.0) + 10e3 / to_mps(25.0) + 30e3 / to_mps(62.0) + 3600.0
    unchained_s = 10e3 / to_mps(31.0) + 50e3 / to_mps(62.0)
    later_min = round((200e3 / to_mps(62.0) - 0.6 * chained_s - 0.4 * unchained_s) / 60.0)
    assert later_min == 25
    plan = with_alternatives(over_the_pass, [("south", around)], (), PARAMS)
    assert plan.route_choice == (
        f"Another way is better. By way of south: no chains expected (chains under 1 in 10), "
        f"arrives {later_min} min later, 87 mi more"
    )
    (other,) = plan.other_routes
    assert (other.name, other.length_m, other.advice, other.singles_needed) == ("south", 200e3, Advice.CLEAR, 0)
    assert (other.chain_probability, other.cost_s, other.partial) == (0.0, 0.0, False)
    assert other.arrive_at == around.arrive_at
    assert plan.stretches == over_the_pass.stretches
    assert plan.id != over_the_pass.id
    assert plan == with_id(plan)


@pytest.mark.parametrize(
    ("later_min", "begins", "says"),
    [
        (35, "Another way is better.", "arrives 35 min later"),
        (60, "Another way is better.", "arrives 60 min later"),
        (61, "Less chaining for more time on another way: dispatch decides.", "arrives 61 min later"),
        (130, "Less chaining for more time on another way: dispatch decides.", "arrives 2 h 10 min later"),
        (-130, "Another way is better.", "arrives 2 h 10 min earlier"),
        (4, "Another way is better.", "arrives at about the same time"),
    ],
)
def test_less_chaining_is_better_up_to_an_hour_then_dispatch(
    later_min: int, begins: str, says: str, planned: Callable[..., Plan], over_the_pass: Plan
) -> None:
    """Later than the mean of both arrivals over the pass."""
    assert over_the_pass.arrivals is not None
    mean_at = over_the_pass.arrivals.expected_at
    around = replace(dry(planned, 60e3), arrive_at=mean_at + timedelta(minutes=later_min))
    assert (
        choice(over_the_pass, ("B", around))
        == f"{begins} By way of B: no chains expected (chains under 1 in 10), {says}"
    )


@pytest.mark.parametrize("changed", [{"advice": Advice.HOLD}, {"singles_short": 2}])
def test_drivable_way_beats_an_undrivable_one_however_long(
    changed: dict[str, Any], planned: Callable[..., Plan], over_the_pass: Plan
) -> None:
    around = replace(dry(planned, 60e3), arrive_at=over_the_pass.arrive_at + timedelta(hours=5))
    assert choice(replace(over_the_pass, **changed), ("B", around)).startswith("Another way is better.")
    worse = replace(around, **changed)
    assert choice(over_the_pass, ("B", worse)).startswith("The planned way is the better one.")


def test_the_same_advice_is_a_matter_of_time(over_the_pass: Plan) -> None:
    def result(later_min: int) -> str:
        both = over_the_pass.arrivals
        assert both is not None
        later = replace(both, expected_at=both.expected_at + timedelta(minutes=later_min))
        return choice(over_the_pass, ("B", replace(over_the_pass, arrivals=later)))

    what = "By way of B: plan to chain (chains 6 in 10), 4 tires, arrives"
    assert result(-15) == f"Another way is quicker. {what} 15 min earlier"
    assert result(-14) == f"The ways ask about the same. {what} 14 min earlier"
    assert result(15) == f"The planned way is the better one. {what} 15 min later"


def test_partly_unknown_way_is_never_better_or_clear(planned: Callable[..., Plan], over_the_pass: Plan) -> None:
    route = make_route(30e3, stops=STOPS)
    for weather in (
        make_weather(route, lambda m, d, h: RoadClass.UNKNOWN),
        make_weather(route, lambda m, d, h: np.where(d < 1e3, RoadClass.UNKNOWN, RoadClass.DRY) + 0 * h),
        make_weather(route, lambda m, d, h: RoadClass.DRY, partial=True),
    ):
        unsure = planned(route, weather)
        text = choice(replace(over_the_pass, advice=Advice.HOLD), ("B", unsure))
        assert text.startswith(
            "No other way is known well enough to compare. By way of B: road not wholly known, be ready"
        )
        assert "no chains expected" not in text
        (other,) = with_alternatives(over_the_pass, [("B", unsure)], (), PARAMS).other_routes
        assert other.partial
        assert other.advice is not Advice.CLEAR
    known = dry(planned, 90e3)
    assert "By way of C:" in choice(over_the_pass, ("B", unsure), ("C", known))


def test_planned_way_that_is_partly_unknown_is_not_the_better(
    planned: Callable[..., Plan], over_the_pass: Plan
) -> None:
    route = make_route(30e3, stops=STOPS)
    unsure = planned(route, make_weather(route, lambda m, d, h: RoadClass.UNKNOWN))
    assert unsure.advice.rank < over_the_pass.advice.rank
    text = choice(unsure, ("B", over_the_pass))
    assert text.startswith("The planned way is not wholly known, so none is called better. By way of B: plan to chain")
    assert choice(unsure, ("B", dry(planned, 60e3))).startswith(
        "Another way is better. By way of B: no chains expected"
    )


def test_of_several_the_best_is_named_with_what_it_lacks(planned: Callable[..., Plan], over_the_pass: Plan) -> None:
    around = dry(planned, 100e3)
    short = replace(over_the_pass, singles_short=2)
    assert "By way of C: no chains" in choice(short, ("B", short), ("C", around), ("D", dry(planned, 110e3)))
    assert choice(over_the_pass, ("B", short)).endswith("arrives at about the same time, 2 chains SHORT")


def test_way_that_could_not_be_planned_is_named_at_no_cost(over_the_pass: Plan) -> None:
    plan = with_alternatives(over_the_pass, (), [("B", "no such file")], PARAMS)
    assert plan.cautions[-1] == "Other way B could not be planned: no such file"
    assert (plan.route_choice, plan.other_routes) == ("", ())


def test_a_way_round_a_closed_road_is_better_however_long(planned: Callable[..., Plan]) -> None:
    road = dry(planned, 60e3)
    shut = ClosureNote(
        what="Road closed (slide)", source="DOT", where="", start_m=20e3, end_m=30e3, zone="America/Denver",
        enter_at=road.depart_at, begins_at=road.depart_at, ends_at=None, met=True, held=True, posted=True,
    )  # fmt: skip
    closed = replace(road, advice=Advice.HOLD, closures=(shut,))
    round_it = dry(planned, 200e3)
    assert choice(closed, ("round", round_it)).startswith("Another way is better. By way of round: no chains expected")
    assert (
        "By way of straight: HOLD for Road closed (slide)"
        in with_alternatives(round_it, [("straight", closed)], (), PARAMS).other_routes[0].reason
    )
