"""What the terminal says of a plan without a stretch, of other departures and of a hold."""

import io
import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
from rich.console import Console

from alertd.cli.plan import show_plan
from alertd.plan.controls.closures import Closure
from alertd.plan.make_plan import make_plan
from alertd.plan.model.alternatives import Departure, DeparturePick
from alertd.plan.model.notes import PositionFix
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.params import PlanParams
from alertd.plan.request import PlanRequest, TripInput
from alertd.road.road_class import RoadClass
from alertd.route.model import BridgeSpan
from alertd.testing.factories import at_hour, make_rig, make_route, make_rules, make_weather


def shown(surface: RoadClass, deck: RoadClass | None = None, fix: PositionFix | None = None) -> str:
    route = make_route(bridges=[BridgeSpan(name="Larch Creek", start_m=20_050.0, end_m=20_110.0)])
    weather = make_weather(route, lambda m, d, h: surface, deck=lambda m, d, h: surface if deck is None else deck)
    trip = TripInput(id="T-1", depart_at=at_hour(6), fix=fix)
    plan = make_plan(
        PlanRequest(trip, route, make_rig(), {"US-XX": make_rules(chance=0.1)}, weather, PlanParams(), at_hour(3))
    )
    assert plan.stretches == ()
    out = io.StringIO()
    show_plan(plan, Console(file=out, width=100))
    return out.getvalue()


def test_white_road_without_chain_advice_is_a_winter_road() -> None:
    text = shown(RoadClass.SNOW)
    assert "WINTER ROAD, NO CHAINS EXPECTED   winter road almost certain" in text
    assert "Winter road (snow almost certain), mi 0-38" in text
    assert "NO WINTER ROAD" not in text


def test_ice_is_named_with_its_place_hours_and_speed() -> None:
    text = shown(RoadClass.GLAZE)
    assert "HOLD: do not start. Ice over a long way, mi 0-38." in text
    assert "GLAZE mi 0-38, 22:00-00:29 PST, almost certain: max 15 mph." in text


def test_a_dry_road_is_not() -> None:
    assert "NO WINTER ROAD EXPECTED" in shown(RoadClass.DRY)


def test_icy_bridge_makes_a_dry_road_a_winter_road() -> None:
    text = shown(RoadClass.DRY, deck=RoadClass.ICE)
    assert "WINTER ROAD, NO CHAINS EXPECTED   winter road almost certain" in text
    assert "Winter road on bridges, see cautions" in text
    assert "NO WINTER ROAD" not in text
    assert "Bridge deck Larch Creek may carry ice (almost certain)" in text


def test_strip_gives_the_odds_of_ice_where_most_members_are_dry() -> None:
    """A strip of dry road alone under a headline of ice reads as clear."""
    route = make_route()
    weather = make_weather(
        route, lambda m, d, h: np.where((m < 4) & (d > 30e3) & (d < 50e3), RoadClass.ICE, RoadClass.DRY) + 0 * h
    )
    trip = TripInput(id="T-1", depart_at=at_hour(6))
    laws = {"US-XX": make_rules(chance=0.0)}
    plan = make_plan(PlanRequest(trip, route, make_rig(), laws, weather, PlanParams(), at_hour(3)))
    out = io.StringIO()
    show_plan(plan, Console(file=out, width=100))
    lines = out.getvalue().splitlines()
    road, odds = (
        next(x for x in lines if x.startswith(f"   {label}  ") and "Winter" not in x) for label in ("road", "odds")
    )
    assert set(road.split()[1]) == {"·"}
    assert 18 <= odds.count("4") <= 23  # 20 of 60 km on 64 places
    assert "odds: frost, ice or snow there, in 10" in out.getvalue()


def test_truck_under_way_is_shown_where_it_was_seen() -> None:
    """06:30 UTC is 22:30 the evening before by Pacific time, the clock of the start; 40 km are 25 miles."""
    text = shown(RoadClass.DRY, fix=PositionFix(at=at_hour(6.5), distance_m=40e3, offset_m=5.0))
    assert "seen 22:30 PST, 25 mi on the way: the rest of the way from there" in text
    assert "time     22:30 PST" in text  # the strip begins there, by the clock of the start


# Other departures: the made trip leaves at 06:00 UTC, 22:00 PST of Wednesday 13 January

LETTERS = {".": Advice.CLEAR, "?": Advice.CLEAR, "-": Advice.READY, "=": Advice.CHAIN, "#": Advice.HOLD}


def chained() -> Plan:
    route = make_route(grade=0.05)
    weather = make_weather(route, lambda m, d, h: RoadClass.SNOW)
    trip = TripInput(id="T-1", depart_at=at_hour(6))
    plan = make_plan(PlanRequest(trip, route, make_rig(), {"US-XX": make_rules()}, weather, PlanParams(), at_hour(3)))
    assert plan.advice is Advice.CHAIN
    return plan


def comparing(quarters: str, first_at: datetime, picked: Sequence[int] = ()) -> Plan:
    """A plan with a departure a letter, a quarter of an hour apart; a blank is beyond the forecast."""
    compared = {
        i: Departure(
            depart_at=first_at + timedelta(minutes=15 * i),
            arrive_at=first_at + timedelta(minutes=15 * i + 90),
            advice=LETTERS[letter],
            probability=0.1,
            unknown_frac=0.2 if letter == "?" else 0.0,
            lost_s=0.0,
            hangings=0,
            hours_ok=True,
        )
        for i, letter in enumerate(quarters)
        if letter != " "
    }
    picks = tuple(
        DeparturePick(departure=compared[i], leave_later_s=-3600.0, arrive_later_s=-3600.0, reasons=()) for i in picked
    )
    return replace(chained(), departures=tuple(compared.values()), picks=picks)


def printed(plan: Plan) -> str:
    out = io.StringIO()
    show_plan(plan, Console(file=out, width=100))
    return out.getvalue()


def test_chains_that_stay_on_are_ordered_once() -> None:
    plan = chained()
    first = replace(plan.stretches[0], end_m=20e3)
    later = replace(first, start_m=40e3, end_m=50e3, advice=Advice.READY, probability=0.3)
    text = printed(replace(plan, stretches=(first, later)))
    assert text.count("PLAN TO CHAIN  ") == 1
    assert "BE READY TO CHAIN  " not in text  # the chains are on there already
    _, block = text.split(" CHAINS STAY ON ")
    block = block.split("   height ")[0]
    assert "hang     at the place named above, mile " in block
    assert not re.search(r"^   (tires|take off|speed|costs) ", block, re.MULTILINE)
    other = replace(later, chain_up=replace(later.chain_up, stop_id="b", distance_m=35e3))
    assert "BE READY TO CHAIN  " in printed(replace(plan, stretches=(first, other)))


def test_other_departures_are_a_strip_of_strictest_half_hours() -> None:
    """From 05:15 UTC, 21:15 PST: the first half hour holds one quarter, then 21:30, 22:00 with the planned one, ..."""
    text = printed(comparing("." + ".-" + "=?" + "?." + "  " + "#=" + ".-", at_hour(5.25), picked=[1]))
    lines = text.splitlines()
    (i,) = [n for n, line in enumerate(lines) if line.startswith("   leaving  ")]
    assert lines[i][12:] == "·-=? #-"
    assert lines[i + 1][12:].rstrip() == " *^"
    assert lines[i + 2].split() == ["time", "Wed", "21:00", "PST"]
    legend = " ".join(" ".join(lines[i + 3 : i + 5]).split())
    assert "? some road not known, = plan to chain, # hold" in legend
    assert "blank where the forecast does not reach" in legend
    assert "LEAVING AT ANOTHER TIME" in text
    line = "Leave 60 min earlier, 21:30 PST: no chains expected by this forecast (chains 1 in 10), arrives"
    assert line in " ".join(text.split())


def test_old_forecast_leaves_no_half_hour_free_of_chains() -> None:
    plan = replace(comparing("......" * 4, at_hour(5), picked=[1]), partial=True)
    text = printed(plan)
    (strip,) = [line for line in text.splitlines() if line.startswith("   leaving  ")]
    assert set(strip[12:]) == {"-"}
    assert "no chains expected" not in text
    assert "no other departure is called better" in text


def test_without_a_comparison_the_terminal_has_no_block_for_it() -> None:
    assert "LEAVING" not in printed(replace(chained(), departures=(), picks=()))


def test_a_hold_has_its_end_on_the_terminal() -> None:
    plan = chained()
    (stretch,) = plan.stretches
    held = replace(stretch, advice=Advice.HOLD, hold_until=at_hour(20))
    until = "expected to be passable with chains from 12:00 PST"
    stood = replace(held, chain_up=replace(held.chain_up, arrive_at=at_hour(16)))
    assert f"until    {until}" in printed(replace(plan, stretches=(stood,)))
    endless = printed(replace(plan, stretches=(replace(held, hold_until=None),)))
    assert "until    no end of it within the forecast" in endless
    assert "until    " not in printed(plan)


def test_closed_road_is_hold_and_not_an_unknown_road() -> None:
    shut = Closure(
        start_m=20e3, end_m=30e3, begins_at=at_hour(1), ends_at=at_hour(9), what="Road closed (slide)", source="DOT"
    )
    route = make_route()
    trip = TripInput(id="T-1", depart_at=at_hour(6), closures=(shut,))
    weather = make_weather(route, lambda m, d, h: RoadClass.DRY)
    plan = make_plan(
        PlanRequest(trip, route, make_rig(), {"US-XX": make_rules(chance=0.1)}, weather, PlanParams(), at_hour(3))
    )
    out = io.StringIO()
    show_plan(plan, Console(file=out, width=100))
    text = out.getvalue()
    assert "HOLD: do not start. Road closed (slide) by DOT, mi 12-19." in text
    assert "Maybe passable from Thu 01:00 PST: look again before you go." in " ".join(text.split())
    assert "Road closed (slide) by DOT, mi 12 to 19, until Thu 01:00 PST: hold below it" in text
    assert "BE READY TO CHAIN" not in text
    assert "NO WINTER ROAD" not in text


def test_narrow_terminal_gets_no_line_that_it_would_wrap() -> None:
    """80 characters is the width of a terminal unless somebody made it wider."""
    route = make_route()
    weather = make_weather(route, lambda m, d, h: RoadClass.SNOW)
    trip = TripInput(id="T-1", depart_at=at_hour(6))
    plan = make_plan(
        PlanRequest(trip, route, make_rig(), {"US-XX": make_rules(chance=0.9)}, weather, PlanParams(), at_hour(3))
    )
    narrow, wide = io.StringIO(), io.StringIO()
    show_plan(plan, Console(file=narrow, width=80, force_terminal=True, color_system=None))
    show_plan(plan, Console(file=wide, width=100))
    plain = re.sub(r"\x1b\[[0-9;]*m", "", narrow.getvalue())
    assert max(map(len, plain.splitlines())) <= 80
    fields = {line[3:12].strip() for line in wide.getvalue().splitlines() if line.startswith("   ")}
    assert fields <= {line[3:12].strip() for line in plain.splitlines()} | {"leaving", "time"}
