"""What the terminal says of a plan without a stretch."""

import io

from rich.console import Console

from alertd.cli.show import show_plan
from alertd.plan.closures import Closure
from alertd.plan.make import TripInput, make_plan
from alertd.plan.params import PlanParams
from alertd.plan.result import Advice, PositionFix
from alertd.road.state import RoadClass
from alertd.route.line import BridgeSpan
from alertd.testing.made import at_hour, make_rig, make_route, make_rules, make_weather


def shown(surface: RoadClass, deck: RoadClass | None = None, fix: PositionFix | None = None) -> str:
    route = make_route(bridges=[BridgeSpan(name="Larch Creek", start_m=20_050.0, end_m=20_110.0)])
    weather = make_weather(route, lambda m, d, h: surface, deck=lambda m, d, h: surface if deck is None else deck)
    trip = TripInput(id="T-1", depart_at=at_hour(6), fix=fix)
    plan = make_plan(trip, route, make_rig(), {"US-XX": make_rules(chance=0.1)}, weather, PlanParams(), at_hour(3))
    assert plan.advice is Advice.CLEAR
    out = io.StringIO()
    show_plan(plan, Console(file=out, width=100))
    return out.getvalue()


def test_a_white_road_without_chain_advice_is_called_a_winter_road() -> None:
    text = shown(RoadClass.SNOW)
    assert "WINTER ROAD up to 99% likely" in text
    assert "NO WINTER ROAD" not in text


def test_a_dry_road_is_not() -> None:
    assert "NO WINTER ROAD EXPECTED" in shown(RoadClass.DRY)


def test_a_bridge_that_ices_alone_makes_a_winter_road_of_a_dry_one() -> None:
    text = shown(RoadClass.DRY, deck=RoadClass.ICE)
    assert "WINTER ROAD up to 99% likely" in text
    assert "NO WINTER ROAD" not in text
    assert "Bridge deck Larch Creek may carry ice (99%)" in text


def test_a_truck_under_way_is_shown_where_it_was_seen_and_the_road_from_there() -> None:
    """06:30 UTC is 22:30 the evening before by Pacific time, the clock of the start; 40 km are 25 miles."""
    text = shown(RoadClass.DRY, fix=PositionFix(at=at_hour(6.5), distance_m=40e3, offset_m=5.0))
    assert "seen 22:30 PST, 25 mi on the way: the rest of the way from there" in text
    assert "time     22:30 PST" in text  # the strip begins there, by the clock of the start


def test_a_trip_that_meets_a_closed_road_is_told_to_hold_and_not_that_its_road_is_unknown() -> None:
    shut = Closure(
        start_m=20e3, end_m=30e3, begins_at=at_hour(1), ends_at=at_hour(9), what="Road closed (slide)", source="DOT"
    )
    route = make_route()
    trip = TripInput(id="T-1", depart_at=at_hour(6), closures=(shut,))
    weather = make_weather(route, lambda m, d, h: RoadClass.DRY)
    plan = make_plan(trip, route, make_rig(), {"US-XX": make_rules(chance=0.1)}, weather, PlanParams(), at_hour(3))
    out = io.StringIO()
    show_plan(plan, Console(file=out, width=100))
    text = out.getvalue()
    assert "HOLD: Road closed (slide) by DOT, mi 12 to 19, until Thu 01:00 PST" in text
    assert "BE READY TO CHAIN" not in text
    assert "NO WINTER ROAD" not in text
