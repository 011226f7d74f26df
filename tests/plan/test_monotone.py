"""What may never get milder: more snow, a forecast that only raises odds, a rig with more chains."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.notices.model import NoticeKind
from alertd.notices.triggers.plan_changes import plan_notices
from alertd.plan.make_plan import make_plan
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.params import PlanParams
from alertd.plan.request import PlanRequest, TripInput
from alertd.road.road_class import RoadClass
from alertd.rules.rig import Rig
from alertd.testing.factories import (
    IMMEDIATE_POLICY,
    at_hour,
    make_rig,
    make_route,
    make_rules,
    make_stop,
    make_weather,
)

PARAMS = PlanParams(compare_h=0.0)
STOPS = [make_stop(n, m) for n, m in (("a", 5e3), ("b", 42e3), ("c", 71e3), ("d", 110e3))]
ROUTE = make_route(120e3, grade=0.03, stops=STOPS)
BLOCK_M, MEMBERS = 10e3, 10


def plan_of(snowy: np.ndarray, chance: float, rig: Rig | None = None, now_h: float = 2.0) -> Plan:
    """snowy: (member, block), at every hour."""

    def script(_: Any, d: Any, h: Any) -> Any:
        block = np.minimum(d[0, :, 0] // BLOCK_M, snowy.shape[1] - 1).astype(int)
        return np.where(snowy[:, block][:, :, None], RoadClass.SNOW, RoadClass.DRY) + 0 * h

    weather = make_weather(ROUTE, script, members=MEMBERS, friction=0.9)
    rules = {"US-XX": make_rules(chance=chance)}
    return make_plan(
        PlanRequest(
            TripInput(id="QT-1", depart_at=at_hour(6)), ROUTE, rig or make_rig(), rules, weather, PARAMS, at_hour(now_h)
        )
    )


def advice_along(plan: Plan, at_m: float) -> Advice:
    here = (s.advice for s in plan.stretches if s.start_m - 1.0 <= at_m <= s.end_m + 1.0)
    return max((Advice.CLEAR, *here), key=lambda a: a.rank)


@st.composite
def storms(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray, float]:
    """Snow in some members and blocks of 10 km, the same with more of it, and the odds of a posting on snow."""
    seed = draw(st.integers(0, 2**32 - 1))
    rng = np.random.default_rng(seed)
    base = rng.random((MEMBERS, 12)) < rng.choice([0.0, 0.2, 0.5, 0.9], (1, 12))
    more = base | (rng.random((MEMBERS, 12)) < draw(st.sampled_from([0.02, 0.1, 0.4])))
    return base, more, draw(st.sampled_from([0.2, 0.4, 0.6, 1.0]))


@given(storms())
def test_more_snow_lowers_the_advice_nowhere_on_the_road(case: tuple[np.ndarray, np.ndarray, float]) -> None:
    """Wherever the road is by itself likely enough to be said; a shower that few members see there may go unnamed once

    likelier road beside it says the same.
    """
    base, more, chance = case
    before, after = plan_of(base, chance), plan_of(more, chance)
    for block in range(12):
        at_m = (block + 0.5) * BLOCK_M
        if base[:, block].mean() * chance >= PARAMS.ready_probability:
            assert advice_along(after, at_m).rank >= advice_along(before, at_m).rank


@given(storms())
def test_later_forecast_with_only_higher_odds_eases_nothing(case: tuple[np.ndarray, np.ndarray, float]) -> None:
    """Nobody is told that it looks better, and what was said still stands at least as strongly."""
    base, more, chance = case
    before, after = plan_of(base, chance), plan_of(more, chance, now_h=3.0)
    _, facts = plan_notices(before, None, at_hour(2), IMMEDIATE_POLICY)
    notices, still = plan_notices(after, facts, at_hour(3), IMMEDIATE_POLICY)
    assert NoticeKind.EASED not in {n.kind for n in notices}
    assert not [n for n in notices if "EASED" in n.text]
    for was in facts:
        meets = [s for s in still if s.start_m <= was.end_m and s.end_m >= was.start_m]
        assert max(s.advice.rank for s in meets) >= was.advice.rank


@given(storms(), st.integers(0, 8), st.integers(0, 4), st.integers(0, 6), st.integers(0, 4))
def test_a_rig_with_more_chains_is_never_worse_off(
    case: tuple[np.ndarray, np.ndarray, float], singles: int, doubles: int, more: int, more_doubles: int
) -> None:
    """Not shorter of chains, not held where it was not, and not slower than the chains it lacked would have made it."""
    base, _, chance = case
    few = plan_of(base, chance, make_rig(singles=singles, doubles=doubles))
    many = plan_of(base, chance, make_rig(singles=singles + more, doubles=doubles + more_doubles))
    assert many.singles_short <= few.singles_short
    assert many.advice.rank <= few.advice.rank
    assert many.cost_s <= few.cost_s + 1e-6


def test_odds_that_cross_a_threshold_raise_the_word() -> None:
    """0.15 is worth being ready (PlanParams): 2 of ten members on a certain posting.

    By hand: an ordinary chain-up is 40 and 20 min, and 20 miles at 25 instead of 45 mph, 81 min. A driver caught at the
    sign loses 30 min, and in 15 of 100 cases 2 h and a fifth of a fine of 6.4 truck hours, 60 min. So chaining ahead is
    worth it from 81 / (81 + 60) = 0.58 on, 6 of ten members.
    """
    words = []
    for members in (1, 2, 4, 5, 6, 10):
        snowy = np.zeros((MEMBERS, 12), dtype=bool)
        snowy[:members, 5] = True
        words.append(plan_of(snowy, 1.0).advice)
    assert words == [Advice.CLEAR, Advice.READY, Advice.READY, Advice.READY, Advice.CHAIN, Advice.CHAIN]


@pytest.mark.parametrize("members", [5, 10])
def test_the_odds_of_a_stretch_are_its_members(members: int) -> None:
    snowy = np.zeros((MEMBERS, 12), dtype=bool)
    snowy[:members, 5] = True
    (stretch,) = plan_of(snowy, 1.0).stretches
    assert stretch.probability == pytest.approx(members / 10)
