"""The morning brief: every trip once, nothing left out, nothing called clear that is not known."""

import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.notices.text.dispatcher import brief_text, dispatcher_text
from alertd.plan.make_plan import PlanRequest, TripInput, make_plan
from alertd.plan.model.notes import CarryNote
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.params import PlanParams
from alertd.road.road_class import RoadClass
from alertd.route.model import BridgeSpan
from alertd.testing.factories import at_hour, make_rig, make_route, make_rules, make_stop, make_weather

CLEAR, SLOW, READY, CHAIN, HOLD = Advice
CALM = "NO WINTER ROAD EXPECTED"
HEADS = ("COULD NOT BE PLANNED", "SHORT OF CHAINS", "IN ORDER", CALM, "WINTER ROAD", "CARRY", "CAUTIONS")


def brief(*plans: Plan, not_planned: tuple[tuple[str, str], ...] = ()) -> str:
    return brief_text("Invented fleet", plans, not_planned, at_hour(2), "America/Denver")


def section(text: str, title: str) -> str:
    """The paragraphs under a title, up to the next title."""
    out, inside = [], False
    for line in text.splitlines():
        if line.startswith(HEADS):
            inside = line.startswith(title)
        elif inside:
            out.append(line)
    return "\n".join(out)


PARAMS = PlanParams(compare_h=0.0)


def headlines(text: str) -> list[str]:
    """Trip ids that head a line of their own, in the order read."""
    planned = re.findall(r"^ *\d\d:\d\d [A-Z]+  (\S+)  ", text, re.MULTILINE)
    return planned + re.findall(r"^  (\S+):", section(text, "COULD NOT BE PLANNED"), re.MULTILINE)


def named(plan: Plan, trip_id: str) -> Plan:
    return replace(plan, trip_id=trip_id)


def on_road(script: Any, bridges: Sequence[BridgeSpan] = (), **weather: Any) -> Plan:
    route = make_route(stops=[make_stop("a", 5e3)], bridges=bridges)
    trip = TripInput(id="QT-9", depart_at=at_hour(6), driver="Bram")
    made = make_weather(route, script, **weather)
    return make_plan(PlanRequest(trip, route, make_rig(), {"US-XX": make_rules(chance=0.1)}, made, PARAMS, at_hour(2)))


@given(
    st.lists(st.tuples(st.sampled_from([None, *list(Advice)[1:]]), st.booleans(), st.integers(0, 3)), max_size=8),
    st.integers(0, 3),
)
def test_every_trip_is_headed_exactly_once(saying: Callable[..., Plan], trips: list[Any], missed: int) -> None:
    plans = [
        named(saying(advice, partial=partial, short=short), f"QT-{i}")
        for i, (advice, partial, short) in enumerate(trips)
    ]
    text = brief(*plans, not_planned=tuple((f"NP-{i}", "no such route") for i in range(missed)))
    assert sorted(headlines(text)) == sorted([f"NP-{i}" for i in range(missed)] + [p.trip_id for p in plans])
    assert f"{len(plans) + missed} trip" in text


def test_trip_that_could_not_be_planned_has_its_reason() -> None:
    text = brief(not_planned=(("QT-7", "rig unknown"),))
    assert "QT-7: rig unknown" in section(text, "COULD NOT BE PLANNED")
    assert "1 NOT PLANNED" in text


def test_trips_stand_in_the_order_of_the_next_action(saying: Callable[..., Plan]) -> None:
    text = brief(named(saying(CHAIN, late_min=90), "late"), named(saying(READY), "soon"))
    assert headlines(text) == ["soon", "late"]


def test_trucks_short_of_chains_are_listed_by_number(saying: Callable[..., Plan]) -> None:
    plan = replace(saying(CHAIN, short=2), singles_short=2, singles_carried=2)
    lines = section(brief(plan, named(saying(CHAIN), "full")), "SHORT OF CHAINS")
    assert "QT-1" in lines
    assert "2 short" in lines
    assert "full" not in lines


def test_a_carry_rule_names_its_trucks_even_on_a_clear_road(saying: Callable[..., Plan]) -> None:
    note = CarryNote(
        jurisdiction="US-MT",
        certain=True,
        not_placed=(),
        singles_asked=4,
        singles_short=1,
        section="made 3",
        confidence="statute",
        doubt="",
    )
    text = brief(replace(saying(), carry=(note,), singles_short=1, singles_carried=3))
    assert "US-MT asks 4 chains aboard (made 3): Made rig SHORT" in text
    assert "needs chains for 4 tires, carries 3 single: 1 short" in section(text, "SHORT OF CHAINS").replace(
        "\n   ", ""
    )


def test_a_calm_trip_is_listed_as_such() -> None:
    text = brief(on_road(lambda m, d, h: RoadClass.DRY))
    assert "QT-9" in section(text, CALM)


@pytest.mark.parametrize(
    "plan",
    [
        on_road(lambda m, d, h: RoadClass.UNKNOWN),
        on_road(lambda m, d, h: np.where((d > 20e3) & (d < 21e3) & (m == 0), RoadClass.UNKNOWN, RoadClass.DRY)),
        on_road(lambda m, d, h: RoadClass.DRY, hours=6),
        on_road(lambda m, d, h: RoadClass.DRY, issued_at=at_hour(-10)),
        on_road(lambda m, d, h: RoadClass.DRY, partial=True),
    ],
    ids=["all unknown", "a hole", "past the forecast", "old forecast", "a source failed"],
)
def test_a_partial_plan_is_never_listed_as_without_winter_road(plan: Plan) -> None:
    assert plan.partial
    text = brief(plan)
    assert "QT-9" not in section(text, CALM)
    assert headlines(text) == ["QT-9"]
    assert "be ready to chain" in text


def test_white_road_without_chain_advice_is_not_free_of_winter() -> None:
    """Snow all the way on level road, where chains are seldom posted: no stretch, and still a winter road."""
    plan = on_road(lambda m, d, h: RoadClass.SNOW)
    assert plan.advice is SLOW
    text = brief(plan)
    assert "QT-9" not in section(text, CALM)
    assert "SNOW mi 0-38" in section(text, "WINTER ROAD")


def test_dry_road_with_an_icy_bridge_is_not_free_of_winter() -> None:
    creek = BridgeSpan(name="Larch Creek", start_m=20_050.0, end_m=20_110.0)
    text = brief(
        on_road(lambda m, d, h: RoadClass.DRY, [creek], deck=lambda m, d, h: np.where(m < 4, RoadClass.ICE, 0))
    )
    assert "QT-9" in section(text, "WINTER ROAD")
    assert "QT-9" not in section(text, CALM)
    assert "Bridge deck Larch Creek may carry ice (40%)" in section(text, "CAUTIONS")


def test_words_for_one_trip_say_how_sure_how_old_and_who_decides(saying: Callable[..., Plan]) -> None:
    text = dispatcher_text(saying(CHAIN))
    assert "chains 6 in 10" in text
    assert "Forecast 2 h old" in text
    assert "rules as 2026" in text.replace("of ", "")
    assert "Posted signs and officers decide" in text


def test_lines_fit_a_printed_page(saying: Callable[..., Plan]) -> None:
    text = brief(saying(CHAIN, HOLD, short=3), named(saying(), "QT-2"), not_planned=(("QT-3", "x " * 90),))
    assert [line for line in text.splitlines() if len(line) > 78] == []


def test_the_brief_gives_local_time_with_its_zone(saying: Callable[..., Plan]) -> None:
    """02:00 UTC on 14 January is 19:00 the evening before in Denver."""
    assert "Wed 13 Jan 19:00 MST" in brief(saying())
    assert at_hour(2) + timedelta(hours=-7) == at_hour(-5)


def test_brief_and_office_have_a_line_for_requested_other_ways(saying: Callable[..., Plan]) -> None:
    line = "Another way is better. By way of south: no chains expected (5%), arrives 35 min later"
    plan = replace(named(saying(CHAIN), "QT-7"), route_choice=line)
    assert f"OTHER WAYS asked for QT-7: {line}" in " ".join(brief(plan, saying()).split())
    assert line in " ".join(dispatcher_text(plan).split())
    assert "OTHER WAYS" not in brief(saying(CHAIN))
