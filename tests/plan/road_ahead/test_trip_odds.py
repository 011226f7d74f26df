"""The chance of chains over several passes and lands, against a formula for two normal variables and a simulation."""

from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.hourly_need import hourly_need_for
from alertd.plan.road_ahead.trip_odds import PASS, STORM, any_of, trip_odds
from alertd.road.road_class import RoadClass
from alertd.testing.factories import at_hour, make_rig, make_route, make_rules, make_weather


@pytest.mark.parametrize(("passes", "correlation"), [((0, 0), PASS), ((0, 1), STORM)])
def test_two_even_chances_follow_sheppards_formula(passes: tuple[int, int], correlation: float) -> None:
    """P(both below the median) = 1/4 + arcsin(rho) / (2 pi) (W. F. Sheppard, 1899)."""
    neither = 0.25 + np.arcsin(correlation) / (2.0 * np.pi)
    assert any_of(np.asarray([[0.5, 0.5]]), np.asarray(passes))[0] == pytest.approx(1.0 - neither, abs=2e-3)


def test_many_states_follow_a_simulation() -> None:
    chance, passes, n = np.asarray([0.2, 0.3, 0.6, 0.1]), np.asarray([0, 0, 1, 2]), 200_000
    rng = np.random.default_rng(1)
    storm, of_pass, own = rng.standard_normal((n, 1)), rng.standard_normal((n, 3)), rng.standard_normal((n, 4))
    state = np.sqrt(STORM) * storm + np.sqrt(PASS - STORM) * of_pass[:, passes] + np.sqrt(1.0 - PASS) * own
    posted = state < [NormalDist().inv_cdf(p) for p in chance]
    assert any_of(chance[None], passes)[0] == pytest.approx(posted.any(axis=1).mean(), abs=5e-3)


@given(
    arrays(np.float64, (1, 4), elements=st.floats(0.0, 1.0)),
    st.integers(0, 3),
    st.floats(0.0, 1.0),
    st.sampled_from([(0, 0, 1, 1), (0, 1, 2, 3), (0, 0, 0, 1)]),
)
def test_the_chance_rises_with_each_and_stays_below_their_sum(
    chance: np.ndarray, which: int, more: float, passes: tuple[int, ...]
) -> None:
    at, raised = np.asarray(passes), chance.copy()
    raised[0, which] = max(raised[0, which], more)
    assert any_of(raised, at)[0] >= any_of(chance, at)[0] - 1e-9
    assert any_of(chance, at)[0] <= chance.sum() + 2e-3
    assert any_of(chance, at)[0] >= chance.max() - 5e-3


def test_a_border_on_one_pass_adds_little_and_a_second_pass_more() -> None:
    """Two states that post the same half of the time on one pass, and on two; on one land and pass nothing adds."""
    d = np.arange(0.0, 120e3 + 125.0, 250.0)
    up_down = np.where((d > 10e3) & (d <= 25e3), 0.04, np.where((d > 25e3) & (d <= 40e3), -0.04, 0.0))
    two = up_down + np.where((d > 70e3) & (d <= 85e3), 0.04, np.where((d > 85e3) & (d <= 100e3), -0.04, 0.0))

    def odds(grade: np.ndarray, lands: list[tuple[str, float, float]], snow: tuple[tuple[float, float], ...]) -> float:
        route = make_route(120e3, grade=grade, spans=lands)
        weather = make_weather(route, lambda m, d, h: RoadClass.DRY + 0 * (m + d + h))
        rules = {"US-XX": make_rules(), "US-YY": make_rules("US-YY")}
        hourly_need = hourly_need_for(route, make_rig(), rules, weather.corridor, PlanParams(), at_hour(0).timestamp())
        middle = hourly_need.sections.middle_m
        white = np.logical_or.reduce([(middle > a) & (middle < b) for a, b in snow])
        return float(trip_odds(hourly_need, np.where(white, 0.5, 0.0)[None, :]))

    one, border = [("US-XX", 0.0, 120e3)], [("US-XX", 0.0, 25e3), ("US-YY", 25e3, 120e3)]
    alone = odds(up_down, one, ((12e3, 38e3),))
    assert alone == 0.5
    at_border, at_two = odds(up_down, border, ((12e3, 38e3),)), odds(two, one, ((12e3, 38e3), (72e3, 98e3)))
    assert 0.5 < at_border < at_two < 0.75
    assert at_border == pytest.approx(0.75 - np.arcsin(PASS) / (2 * np.pi), abs=2e-3)
    assert at_two == pytest.approx(0.75 - np.arcsin(STORM) / (2 * np.pi), abs=2e-3)
