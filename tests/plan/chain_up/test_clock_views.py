"""A delay on the way has the nearest view: the planned departure, or a quarter of the clock after it."""

from typing import Any

import numpy as np
import pytest

from alertd.plan.chain_up.departure_view import DepartureViews
from alertd.plan.chain_up.route_outcome import chain_search
from alertd.plan.chain_up.search import DELAY_STEP_S
from alertd.plan.chain_up.stop_candidates import stop_candidates
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.hourly_need import HourlyNeed, hourly_need_for
from alertd.road.road_class import RoadClass
from alertd.testing.factories import at_hour, make_rig, make_route, make_rules, make_stop, make_weather

PARAMS = PlanParams()
ROUTE = make_route(120e3, stops=[make_stop(n, m) for n, m in (("a", 20e3), ("b", 40e3), ("c", 90e3))])
OFFSETS_S = [0.0, 0.25, 1.0, 300.0, 449.0, 450.0, 451.0, 600.0, 899.0]


def snow(m: Any, d: Any, h: Any) -> Any:
    return np.where((d >= 60e3) & (d <= 80e3) & (h >= 6 + m % 3), RoadClass.SNOW, RoadClass.DRY)


@pytest.fixture(scope="module")
def need() -> HourlyNeed:
    rules = {"US-XX": make_rules(chance=1.0)}
    corridor = make_weather(ROUTE, snow).corridor
    return hourly_need_for(ROUTE, make_rig(), rules, corridor, PARAMS, at_hour(0).timestamp())


def views_at(need: HourlyNeed, depart_epoch_s: float) -> DepartureViews:
    places = stop_candidates(need.sections, PARAMS)
    return DepartureViews(hourly_need=need, depart_epoch_s=depart_epoch_s, params=PARAMS, places=places)


@pytest.mark.parametrize("off_s", OFFSETS_S)
def test_view_of_a_delay_is_off_by_7_5_minutes_at_most(need: HourlyNeed, off_s: float) -> None:
    """And no other view is nearer, at the first place and at one on the way."""
    depart_s = at_hour(4).timestamp() + off_s
    views = views_at(need, depart_s)
    search = chain_search(views, PARAMS.chain_probability)
    departs_s = np.asarray([float(views.row(n).depart_epoch_s[0]) for n in range(20)])
    assert departs_s[0] == depart_s
    assert np.all(departs_s[1:] % DELAY_STEP_S == 0.0)
    assert np.allclose(departs_s[1:], at_hour(4).timestamp() + DELAY_STEP_S * np.arange(1, 20))
    for place in (0, 2):
        on_time_s = float(views.view(0).reach_s[place])
        for minute in range(round(on_time_s / 60.0), round(on_time_s / 60.0) + 240):
            left_s = depart_s + max(minute * 60.0 - on_time_s, 0.0)  # whole minutes may be early by half of one
            away_s = np.abs(departs_s - left_s)
            assert away_s[search.clock(place, minute)] == pytest.approx(away_s.min())
            assert away_s[search.clock(place, minute)] <= 450.0


@pytest.mark.parametrize("off_s", OFFSETS_S)
def test_trips_of_a_kind_share_the_views_of_delays(need: HourlyNeed, off_s: float) -> None:
    """With each other, and with a departure on the quarter."""
    on_quarter, other = views_at(need, at_hour(4).timestamp()), views_at(need, at_hour(4).timestamp() + off_s)
    for n in (1, 2, 7):
        assert other.view(n) is on_quarter.view(n)
        assert other.leaving_later(n).view(0) is on_quarter.view(n)
        assert other.leaving_later(n).view(1) is on_quarter.view(n + 1)
