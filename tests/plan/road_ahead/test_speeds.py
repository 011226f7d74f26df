"""Speed on grades and the clock."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.plan.model.plan import Plan
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.sections import fold
from alertd.plan.road_ahead.speeds import (
    chained_s,
    crawl_speed_mps,
    elapsed_s,
    free_speed_mps,
    lateness_s,
    posted_cap_mps,
    surface_shares,
    unchained_s,
)
from alertd.plan.road_ahead.timing import free_s
from alertd.road.road_class import RoadClass
from alertd.route.model import LimitSpan
from alertd.route.speed_limits import TruckSpeed, lawful_speeds
from alertd.rules.rig import IdentityKey
from alertd.testing.factories import make_rig, make_route, make_weather
from alertd.units import HORSEPOWER_W, POUND_KG, to_mph, to_mps

PARAMS = PlanParams()
MASS_KG = 80_000 * POUND_KG
POWER_W = 400 * HORSEPOWER_W  # 200 lb/hp

# Speed-distance equations of NCHRP Report 505 App. E at zero acceleration, 200 lb/hp, as mph by grade; recalled FROM
# MEMORY in our reference notes. Another form than ours, so it checks the shape, not the last digit.
TSPM_MPH = {0.04: 31.8, 0.05: 26.9, 0.06: 23.2, 0.07: 20.3, 0.08: 18.1}


PARAMS_MPH = to_mph(PARAMS.cruise_mps)


def speeds(classes, takes_s, *limit) -> list[float]:  # type: ignore[no-untyped-def]
    """mph over a flat mile of each class, all members alike."""
    mile = np.full(len(classes), 1609.344)
    on = surface_shares(np.array([[c + 1 for c in classes]] * 3, dtype=np.int8))
    return [to_mph(1609.344 / s) for s in takes_s(mile / PARAMS.cruise_mps, mile, on, PARAMS, *limit)]


@pytest.mark.parametrize(("grade", "mph"), TSPM_MPH.items())
def test_crawl_speed_is_near_the_published_truck_model(grade: float, mph: float) -> None:
    ours = to_mph(float(crawl_speed_mps(np.array([grade]), MASS_KG, POWER_W, PARAMS)[0]))
    assert ours == pytest.approx(mph, abs=1.5)


@pytest.mark.parametrize("grade", [0.0, 0.02, 0.05, 0.09])
def test_power_balances_resistance_at_the_crawl_speed(grade: float) -> None:
    v = float(crawl_speed_mps(np.array([grade]), MASS_KG, POWER_W, PARAMS)[0])
    theta = np.arctan(grade)
    force = MASS_KG * 9.80665 * (np.sin(theta) + 0.006 * np.cos(theta)) + 0.5 * 1.225 * 6.0 * v**2
    assert force * v == pytest.approx(0.85 * POWER_W, rel=1e-9)


@given(st.floats(-0.09, 0.09), st.floats(-0.09, 0.09))
def test_a_steeper_climb_is_never_faster(a: float, b: float) -> None:
    low, high = crawl_speed_mps(np.array(sorted((a, b))), MASS_KG, POWER_W, PARAMS)
    assert high <= low + 1e-9


def test_downgrades_are_capped() -> None:
    free = free_speed_mps(np.array([-0.07, -0.05, -0.01]), MASS_KG, POWER_W, PARAMS)
    assert [round(to_mph(v)) for v in free] == [35, 45, 62]


def test_unchained_speed_halves_on_packed_snow() -> None:
    """CDL manual 2.6.2 (FMCSA/AAMVA): on packed snow reduce speed by a half or more, on ice to a crawl."""
    mph = speeds([RoadClass.PACKED_SNOW, RoadClass.ICE, RoadClass.DRY], unchained_s)
    assert mph == pytest.approx([PARAMS_MPH / 2, 15, PARAMS_MPH])


def test_chained_speeds_follow_the_trade() -> None:
    """Common practice, no source: never above 30 chained, 20 to 25 on snow or ice, not above 20 on bare pavement."""
    classes = [RoadClass.SNOW, RoadClass.ICE, RoadClass.WET, RoadClass.DRY]
    assert speeds(classes, chained_s, None) == pytest.approx([25, 25, 20, 20])
    assert speeds(classes, chained_s, to_mps(15.0)) == pytest.approx([15, 15, 15, 15])


def test_members_average_times_and_not_speeds() -> None:
    """Half the members on ice at 15 mph and half dry at 62 mph: 2 / (1/15 + 1/62) = 24.2 mph, not 38.5."""
    code = np.array([[RoadClass.ICE + 1], [RoadClass.DRY + 1]], dtype=np.int8)
    takes_s = unchained_s(np.array([1609.344 / to_mps(62.0)]), np.array([1609.344]), surface_shares(code), PARAMS)
    assert to_mph(1609.344 / takes_s[0]) == pytest.approx(24.16, abs=0.01)


def test_time_adds_slowness_not_speed() -> None:
    """100 km at 50 km/h takes 2 h (StVO section 3(4), the German chain limit); half and half is not the mean speed."""
    d = np.linspace(0.0, 100_000.0, 401)
    assert elapsed_s(d, np.full(401, 3.6 / 50.0))[-1] == pytest.approx(7200.0)
    half = np.where(d < 50_000, 3.6 / 100.0, 3.6 / 25.0)
    assert elapsed_s(d, half)[-1] == pytest.approx(3600 * (0.5 + 2.0), rel=0.01)


def test_clock_error_grows_and_never_runs_backwards() -> None:
    elapsed = np.linspace(0.0, 20_000.0, 200)
    z = np.array([-2.0, 0.0, 2.0])
    arrivals = elapsed + lateness_s(elapsed, z, PARAMS)
    assert (np.diff(arrivals, axis=1) >= 0).all()
    assert (arrivals[:, 0] == 0.0).all()
    spread = arrivals[2] - arrivals[1]
    assert spread[-1] == pytest.approx(2 * (600 + 0.1 * 20_000.0))


def posted(*spans: tuple[float, float, float]) -> tuple[LimitSpan, ...]:
    return tuple(LimitSpan(start_m=a, end_m=b, speed_mps=v, source="made") for a, b, v in spans)


def test_lowest_posted_limit_applies_and_none_is_no_limit() -> None:
    route = replace(make_route(1e3), limits=posted((250.0, 750.0, 20.0), (500.0, 900.0, 15.0)))
    assert posted_cap_mps(route, 5, 36_000.0).tolist() == [np.inf, 20.0, 15.0, 15.0, np.inf]
    assert (posted_cap_mps(make_route(1e3), 5, 36_000.0) == np.inf).all()


def test_law_caps_only_the_trucks_that_it_is_for() -> None:
    """California: 55 mph for three axles and more (Vehicle Code section 22406, from memory)."""
    california = TruckSpeed(jurisdiction="US-CA", speed_mps=to_mps(55.0), source="s", axles_least=3)
    route = make_route(2e3, spans=[("US-NV", 0.0, 1e3), ("US-CA", 1_001.0, 2e3)])
    route = replace(route, limits=lawful_speeds(route.jurisdictions, [california]))
    assert np.isinf(posted_cap_mps(route, 2, 30_000.0)).all()
    five = posted_cap_mps(route, 5, 30_000.0)
    assert np.isinf(five[:5]).all()
    assert (five[5:] == to_mps(55.0)).all()


def test_curves_of_the_route_slow_the_clock() -> None:
    straight = make_route(40e3)
    curved = replace(straight, curve_mps=np.full(straight.distance_m.shape, 12.0))
    rig, cells = IdentityKey(make_rig()), make_weather(straight, lambda m, d, h: 0).corridor.cells
    took = [float(free_s(fold(r, cells), rig, PARAMS).sum()) for r in (straight, curved)]
    assert took == [pytest.approx(40e3 / PARAMS.cruise_mps), pytest.approx(40e3 / 12.0)]


def test_plan_obeys_posted_speed_without_counting_winter_cost(planned: Callable[..., Plan]) -> None:
    """60 km, km 20 to 40 at 10 m/s and the rest at 62 mph: a sample stands for half a step on either side, so 20.25 km

    in 2025 s and 39.75 km in 1434 s.
    """
    route = replace(make_route(60e3), limits=posted((20e3, 40e3, 10.0)))
    plan = planned(route, make_weather(route, lambda m, d, h: RoadClass.DRY))
    taken_s = (plan.arrive_at - plan.depart_at).total_seconds()
    assert taken_s == pytest.approx(20_250 / 10.0 + 39_750 / to_mps(62.0), abs=1.0)
    assert plan.arrive_unhindered == plan.arrive_at


def test_posted_limit_above_chain_or_snow_speed_has_no_effect(planned: Callable[..., Plan]) -> None:
    route = make_route(60e3)
    fast = replace(route, limits=posted((0.0, 60e3, to_mps(75.0))))
    one, other = (
        planned(r, make_weather(r, lambda m, d, h: np.where(d > 30e3, RoadClass.SNOW, RoadClass.DRY)))
        for r in (route, fast)
    )
    assert one == other


@pytest.mark.parametrize("members", [3, 31, 32, 200, 1023, 1024, 3000])
def test_shares_of_surfaces_equal_counts_of_each(members: int) -> None:
    """Every member may have the same surface, which fills the packed counts."""
    code = np.random.default_rng(members).integers(0, max(RoadClass) + 2, (members, 40)).astype(np.int8)
    code[:, 0], code[:, 1], code[:, 2] = RoadClass.SNOW + 1, RoadClass.RIME + 1, RoadClass.ICE + 1
    on = surface_shares(code)
    snowy = (RoadClass.SNOW, RoadClass.PACKED_SNOW, RoadClass.SLUSH)
    for share, classes in ((on.snow, snowy), (on.rime, (RoadClass.RIME,)), (on.ice, (RoadClass.ICE, RoadClass.GLAZE))):
        assert np.array_equal(share, np.isin(code, [c + 1 for c in classes]).sum(axis=0) / members)
    assert (on.snow[0], on.rime[1], on.ice[2]) == (1.0, 1.0, 1.0)
