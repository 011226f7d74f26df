"""Cores of stretches, and the road around them where few members need chains."""

from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.i18n import ENGLISH
from alertd.notices.sent_state import fact_of
from alertd.notices.text import phrases
from alertd.notices.text.driver_sms import driver_text
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.chain_need import NeedRun, find_runs, stretch_probability
from alertd.plan.road_ahead.sections import fold
from alertd.plan.serialize import plan_json
from alertd.road.road_class import RoadClass
from alertd.route.stops import StopKind
from alertd.testing.factories import make_route, make_rules, make_stop, make_weather

MILE_M = 1609.344
PARAMS = PlanParams()
ROAD = make_route(60e3)
SECTIONS = fold(ROAD, make_weather(ROAD, lambda _, d, h: RoadClass.DRY, hours=1).corridor.cells)
AT_KM = SECTIONS.start_m / 1e3


def showers_before_a_core(members: int) -> np.ndarray:
    """Certain need at km 40 to 50; so many of 20 members also have a shower, each on its own 2 km from km 10 on."""
    need = np.zeros((20, SECTIONS.count))
    need[:, (AT_KM >= 40) & (AT_KM <= 50)] = 1.0
    for member in range(members):
        need[member, (10 + 2 * member <= AT_KM) & (12 + 2 * member >= AT_KM)] = 1.0
    return need


def km(run: NeedRun) -> tuple[float, ...]:
    start, end = AT_KM, SECTIONS.end_m / 1e3
    return tuple(float(x) for x in (start[run.fringe_first], start[run.first], end[run.last], end[run.fringe_last]))


def test_showers_far_ahead_are_no_part_of_the_core() -> None:
    (core,) = [r for r in find_runs(showers_before_a_core(14), SECTIONS, PARAMS) if not r.showers]
    # Three of twenty members are the first 0.15: the third one's shower begins at km 14.
    assert km(core) == (14.0, 40.0, 50.0, 50.0)


def test_fewer_showers_than_are_worth_a_word_give_no_fringe() -> None:
    need = showers_before_a_core(14)
    need[:18, AT_KM < 40] = 0.0
    (core,) = find_runs(need, SECTIONS, PARAMS)
    assert km(core) == (40.0, 40.0, 50.0, 50.0)


def test_showers_without_a_core_are_one_run() -> None:
    (run,) = find_runs(showers_before_a_core(14)[:, AT_KM < 40], SECTIONS, PARAMS)
    assert run.showers
    assert km(run)[1:3] == (10.0, 38.0)


@st.composite
def needs(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray]:
    """Random need of 12 members on blocks of 2 km, and the same with more."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    block = (AT_KM // 2).astype(int)
    need = (rng.random((12, 31)) < rng.choice([0.0, 0.05, 0.3], (1, 31))) * draw(st.sampled_from([0.3, 0.6, 1.0]))
    more = np.maximum(need, (rng.random((12, 31)) < draw(st.sampled_from([0.01, 0.1]))) * rng.random((12, 31)))
    return need[:, block], more[:, block]


@given(needs())
def test_more_need_extends_cores_and_loses_no_named_road(case: tuple[np.ndarray, np.ndarray]) -> None:
    need, more = case
    before, after = (find_runs(x, SECTIONS, PARAMS) for x in (need, more))
    for run in (r for r in before if not r.showers):
        around = [r for r in after if not r.showers and r.first <= run.first and run.last <= r.last]
        assert len(around) == 1
        assert stretch_probability(more, around[0].first, around[0].last) >= stretch_probability(
            need, run.first, run.last
        )
    for run in (r for r in before if r.showers):
        assert [r for r in after if r.fringe_first <= run.last and run.first <= r.fringe_last]


@given(needs())
def test_runs_are_in_order_and_apart(case: tuple[np.ndarray, np.ndarray]) -> None:
    runs = find_runs(case[0], SECTIONS, PARAMS)
    assert all(r.fringe_first <= r.first <= r.last <= r.fringe_last for r in runs)
    assert all(a.fringe_last < b.fringe_first for a, b in pairwise(runs))


# Two chain-up areas at miles 66 and 70 of a road of 110, a storm on the grade at miles 72 to 80.
AREAS = [
    make_stop(name, mile * MILE_M, kind=StopKind.CHAIN_UP_AREA)
    for name, mile in (("low", 66), ("high", 70), ("far", 84))
]


def stormy(shower_members: int, grade: float = 0.05) -> Plan:
    d = np.arange(0.0, 110 * MILE_M + 125.0, 250.0)
    route = make_route(d[-1], grade=np.where((d > 68 * MILE_M) & (d < 80 * MILE_M), grade, 0.0), stops=AREAS)

    def script(m: Any, d: Any, h: Any) -> Any:
        storm = (d >= 72 * MILE_M) & (d <= 80 * MILE_M)
        shower = (d >= 48 * MILE_M) & (d <= 71 * MILE_M) & ((d / MILE_M).astype(int) % 20 == m) & (m < shower_members)
        return np.where(storm, RoadClass.SNOW, np.where(shower, RoadClass.GLAZE, RoadClass.WET)) + 0 * h

    return plan_of(route, make_weather(route, script, members=20, friction=0.9))


def plan_of(route: Any, weather: Any, **changes: Any) -> Plan:
    from alertd.plan.make_plan import make_plan
    from alertd.plan.request import PlanRequest, TripInput
    from alertd.testing.factories import at_hour, make_rig

    params = replace(PlanParams(compare_h=0.0), **changes)
    trip = TripInput(id="QT-1", depart_at=at_hour(6))
    rules = {"US-XX": make_rules(chance=0.9)}
    return make_plan(PlanRequest(trip, route, make_rig(), rules, weather, params, at_hour(2)))


@pytest.mark.parametrize("members", [0, 1, 8, 20])
def test_no_listed_area_is_passed_over_for_showers(members: int) -> None:
    """The area is on a 5 % grade beside the road, and 2 miles before the storm: it is level by purpose."""
    stretch = max(stormy(members).stretches, key=lambda s: s.advice.rank)
    assert stretch.start_m == pytest.approx(72 * MILE_M, abs=300.0)
    assert (stretch.chain_up.stop_id, stretch.chain_off.stop_id) == ("high", "far")
    assert "on a grade" not in stretch.chain_up.reason
    assert stretch.advice is Advice.CHAIN


def test_the_fringe_is_said_and_is_no_order() -> None:
    plan = stormy(20)
    (stretch,) = plan.stretches
    # Four of twenty members at odds of 0.9 are the first 0.15: the fourth one's shower begins at mile 51.
    assert stretch.white_from_m == pytest.approx(51 * MILE_M, abs=500.0)
    assert stretch.white_to_m is None
    assert [r for r in stretch.reasons if r.startswith("May be white from mile 51: chains needed before the stretch")]
    assert phrases.may_be_white(stretch) == "may be white from mi 51"
    assert "ay be white from mi 51" in driver_text(plan, stretch, ENGLISH)
    assert '"white_from_m"' in plan_json(plan)
    fact = fact_of(stretch)
    assert (fact.start_m, fact.edge_m, fact.core_start_m) == (stretch.white_from_m, stretch.start_m, stretch.start_m)
    (bare,) = stormy(0).stretches
    assert (bare.white_from_m, bare.white_to_m, phrases.may_be_white(bare)) == (None, None, "")


def test_showers_alone_are_never_chained_for() -> None:
    """Each of ten members has snow on its own 2 km of 20: the driver chains on sight, not for 20 km of bare road."""
    route = make_route(80e3, stops=[make_stop("a", 20e3), make_stop("d", 70e3)])

    def script(m: Any, d: Any, h: Any) -> Any:
        return np.where(np.floor((d - 30e3) / 2e3) == m, RoadClass.SNOW, RoadClass.DRY) + 0 * h

    (stretch,) = plan_of(route, make_weather(route, script, friction=0.9)).stretches
    assert stretch.advice is Advice.READY
    assert stretch.probability == pytest.approx(0.9)
    assert [r for r in stretch.reasons if r.startswith("Showers: ")]
