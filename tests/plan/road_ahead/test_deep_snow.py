"""Snow that closes roads: an ordinary storm is chained for, feet of snow are held for, and more never asks less."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.notices.text.dispatcher import dispatcher_text
from alertd.notices.text.driver_sms import driver_text
from alertd.plan.model.stretches import Advice
from alertd.plan.road_ahead.deep_snow import fresh_snow_mmwe
from alertd.road.road_class import RoadClass
from alertd.rules.posting.hazard import close_rate, ordinary_weather, reopen_rate, run_state
from alertd.testing.factories import make_route, make_rules, make_stop, make_weather

STOPS = [make_stop("a", 20e3, name="Larch Flat"), make_stop("d", 55e3)]
ROUTE = make_route(60e3, grade=0.03, stops=STOPS)
RULES = {"US-XX": make_rules(chance=0.6)}
INCH_MM = 25.4
FOOT_MM = 12 * INCH_MM


def snow(_: Any, d: Any, h: Any) -> Any:
    return np.where((d >= 30e3) & (d <= 45e3), RoadClass.SNOW, RoadClass.DRY) + 0 * h


def storm(rate_mmwe_h: Any, hours: int = 48, lasts_h: int = 48, script: Any = snow, members: int = 10) -> Any:
    """Snow at this rate from the first hour on, lying as it falls."""
    rate = np.where(np.arange(hours) < lasts_h, 1.0, 0.0) * np.asarray(rate_mmwe_h)
    return make_weather(
        ROUTE,
        script,
        hours=hours,
        members=members,
        friction=0.9,
        snowfall_mmwe_h=rate,
        snow_mmwe=np.maximum(np.cumsum(np.broadcast_to(rate, (members, 1, hours)), axis=2), 1.0),
    )


@pytest.mark.parametrize("rate", [1.0, 2.0])
def test_an_ordinary_storm_of_a_day_is_chained_for(planned: Any, rate: float) -> None:
    """Ploughs keep up with about 1 in/h, 2.5 mm of water at 10:1 (parkrecord.com on I-80 in Utah)."""
    plan = planned(ROUTE, storm(rate), rules=RULES, depart_h=30.0)
    assert plan.advice is Advice.CHAIN
    assert plan.stretches[0].snow_closed_frac == 0.0


def test_a_mean_day_of_snow_on_a_great_pass_is_chained_for(planned: Any) -> None:
    """Donner, 2022-23: 730 in on 64 days of snow (regional press citing the state's office), 11.4 in a day at 10:1."""
    rate = 730 * INCH_MM / 64 / 10 / 12
    assert planned(ROUTE, storm(rate, lasts_h=12), rules=RULES, depart_h=12.0).advice is Advice.CHAIN


def test_two_days_at_six_mm_an_hour_are_held_for(planned: Any) -> None:
    """Roads close at several inches an hour (the same source); 2.4 in/h, five feet and more by the second day."""
    plan = planned(ROUTE, storm(6.0), rules=RULES, depart_h=30.0)
    (stretch,) = plan.stretches
    assert plan.advice is stretch.advice is Advice.HOLD
    assert stretch.snow_closed_frac > 0.95
    assert (stretch.grip_short_chained_frac, stretch.hold_until) == (0.0, None)


def test_five_feet_that_lie_already_are_held_for(planned: Any) -> None:
    weather = make_weather(ROUTE, snow, snow_mmwe=5 * FOOT_MM / 10, friction=0.9)
    assert planned(ROUTE, weather, rules=RULES).advice is Advice.HOLD


def test_deep_snow_on_level_road_is_held_for(planned: Any) -> None:
    route = make_route(60e3, stops=STOPS)
    rules = {"US-XX": make_rules(chance=0.1)}
    assert planned(route, storm(6.0), rules=rules, depart_h=30.0).advice is Advice.HOLD
    assert planned(route, storm(0.5), rules=rules, depart_h=8.0).advice is Advice.SLOW


@pytest.mark.parametrize(("members", "advice"), [(2, Advice.CHAIN), (3, Advice.HOLD)])
def test_members_are_counted_and_never_multiplied(planned: Any, members: int, advice: Advice) -> None:
    """hold_probability is 0.3: three of ten members that close the road are enough."""
    rate = np.where(np.arange(10)[:, None, None] < members, 6.0, 1.0)
    assert planned(ROUTE, storm(rate), rules=RULES, depart_h=20.0).advice is advice


def test_the_hold_ends_when_the_snow_of_a_day_has_thinned(planned: Any) -> None:
    """6 mm/h until hour 24: 60 mm of a day are left at hour 38, less later; the road reopens in some hours."""
    plan = planned(ROUTE, storm(6.0, lasts_h=24), rules=RULES, depart_h=26.0)
    (stretch,) = plan.stretches
    assert stretch.advice is Advice.HOLD
    assert stretch.hold_until is not None
    assert "15 14:00" < stretch.hold_until.strftime("%d %H:%M") <= "15 21:00"


@given(st.integers(0, 2**32 - 1))
def test_more_snow_lowers_neither_odds_nor_advice(planned: Any, seed: int) -> None:
    rng = np.random.default_rng(seed)
    rate = rng.gamma(1.0, 2.0, (10, 1, 1))
    more = rate + rng.gamma(0.5, 2.0, (10, 1, 1)) * (rng.random((10, 1, 1)) < 0.5)
    rules = {"US-XX": make_rules(chance=float(rng.uniform(0.05, 0.8)))}
    depart_h = float(rng.integers(1, 30))
    before, after = (planned(ROUTE, storm(r), rules=rules, depart_h=depart_h, compare_h=0.0) for r in (rate, more))
    assert after.advice.rank >= before.advice.rank
    assert after.chain_probability >= before.chain_probability - 1e-6
    for old in before.stretches:
        here = [s for s in after.stretches if s.start_m <= old.end_m and s.end_m >= old.start_m]
        assert max(s.snow_closed_frac for s in here) >= old.snow_closed_frac - 1e-6


def test_fresh_snow_is_what_fell_lately_and_still_lies() -> None:
    fall = np.zeros(10)
    fall[2:5] = 4.0
    lying = np.minimum(np.cumsum(fall), 10.0)
    field = make_weather(ROUTE, snow, hours=10, members=1, snowfall_mmwe_h=fall, snow_mmwe=lying).corridor.field
    column = int(np.searchsorted(ROUTE.distance_m, 35e3))
    assert fresh_snow_mmwe(field, 3)[0, column].tolist() == [0, 0, 4, 8, 10, 8, 4, 0, 0, 0]


def test_every_text_says_that_a_closure_is_our_estimate(planned: Any) -> None:
    plan = planned(ROUTE, storm(6.0), rules=RULES, depart_h=30.0)
    (stretch,) = plan.stretches
    text = driver_text(plan, stretch)
    assert text.startswith("HOLD at Larch Flat")
    assert "deep snow may close the road (our estimate)" in text
    assert "(our estimate, no posted closure)" in " ".join(dispatcher_text(plan).split())
    assert any(r.startswith("Our estimate, not posted: deep snow or a blizzard closes") for r in stretch.reasons)


@pytest.mark.parametrize(("rate", "lasts_h", "depart_h", "held"), [(2.5, 48, 27.0, True), (5.0, 4, 3.0, True)])
def test_a_road_closes_for_more_than_ploughs_clear(
    planned: Any, rate: float, lasts_h: int, depart_h: float, held: bool
) -> None:
    """About 1 in/h by the source above for a whole day and more, and twice as much for three hours."""
    plan = planned(ROUTE, storm(rate, lasts_h=lasts_h), rules=RULES, depart_h=depart_h)
    assert (plan.advice is Advice.HOLD) is held


def test_a_closure_needs_no_cliff() -> None:
    """Neighbouring depths of a day of snow differ by little, from none at 45 mm to nearly all at 90 mm."""
    depths = np.arange(45.0, 90.5, 1.0)
    weather = replace(
        ordinary_weather(1.0),
        **{
            name: np.broadcast_to(np.float32(value), (depths.size, 1, 24)).copy()
            for name, value in (("snowfall_mmwe_h", 1.0), ("uncleared_mmwe", 2.5), ("wind_mps", 3.0), ("glaze", 0.0))
        },
        ice=np.zeros((depths.size, 1, 24), np.float32),
        day_mmwe=np.broadcast_to(depths.astype(np.float32)[:, None, None], (depths.size, 1, 24)).copy(),
        known=np.ones((depths.size, 1, 24), np.bool_),
    )
    closed = run_state(close_rate(weather, 60.0), reopen_rate(weather, 60.0))[:, 0, -1]
    assert closed[0] == 0.0
    assert closed[-1] > 0.95
    assert np.diff(closed).min() >= 0.0
    assert np.diff(closed).max() < 0.2
