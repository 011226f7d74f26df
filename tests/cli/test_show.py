"""What the terminal says of a plan without a stretch."""

import io

from rich.console import Console

from alertd.cli.show import show_plan
from alertd.plan.make import TripInput, make_plan
from alertd.plan.params import PlanParams
from alertd.plan.result import Advice
from alertd.road.state import RoadClass
from alertd.route.line import BridgeSpan
from alertd.testing.made import at_hour, make_rig, make_route, make_rules, make_weather


def shown(surface: RoadClass, deck: RoadClass | None = None) -> str:
    route = make_route(bridges=[BridgeSpan(name="Larch Creek", start_m=20_050.0, end_m=20_110.0)])
    weather = make_weather(route, lambda m, d, h: surface, deck=lambda m, d, h: surface if deck is None else deck)
    trip = TripInput(id="T-1", depart_at=at_hour(6))
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
