"""Icy bridges are named; a short one asks for chains by grip alone, never by what would be posted on the road."""

from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest

from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.road.road_class import RoadClass
from alertd.route.model import BridgeSpan
from alertd.testing.factories import make_route, make_rules, make_stop, make_weather

CREEK = BridgeSpan(name="Larch Creek", start_m=30_020.0, end_m=30_120.0)  # between two samples
VIADUCT = BridgeSpan(name="Tarn Viaduct", start_m=20_000.0, end_m=22_000.0)


def over(
    planned: Any,
    *bridges: BridgeSpan,
    deck: Any = RoadClass.ICE,
    icy: float = 0.4,
    road: Any = RoadClass.DRY,
    grade: Any = 0.0,
    friction: Any = 0.5,
    rules: Any = None,
) -> Plan:
    """A road whose decks are `deck` in this share of ten members and as the road in the others."""
    route = make_route(bridges=bridges, grade=grade, stops=[make_stop("on", 10e3), make_stop("off", 45e3)])
    weather = make_weather(
        route,
        lambda m, d, h: np.where(d >= 0, road, 0),
        deck=lambda m, d, h: np.where(m < round(icy * 10), deck, road),
        friction=friction,
    )
    return planned(route, weather, rules=rules)


def bridge_lines(plan: Plan) -> list[str]:
    return [c for c in plan.cautions if c.startswith("Bridge deck")]


def test_icy_deck_on_an_ice_free_road_is_named_with_its_chance(planned: Any) -> None:
    plan = over(planned, CREEK)
    assert bridge_lines(plan) == [
        "Bridge deck Larch Creek may carry ice (4 in 10) while the road beside does not: slow down before it"
    ]
    (note,) = plan.bridges
    assert (note.name, note.start_m, note.probability, note.road_unknown) == ("Larch Creek", 30_020.0, 0.4, False)
    assert note.surfaces == (("ice", 0.4),)
    assert plan.depart_at < note.arrive_at < plan.arrive_at


@pytest.mark.parametrize(
    ("deck", "icy", "road"),
    [
        (RoadClass.ICE, 0.1, RoadClass.DRY),  # below the odds at which a plan says be ready
        (RoadClass.ICE, 1.0, RoadClass.SNOW),  # the road is told of itself
        (RoadClass.WET, 1.0, RoadClass.DRY),
        (RoadClass.UNKNOWN, 1.0, RoadClass.DRY),
    ],
)
def test_deck_no_worse_than_its_road_or_rarely_icy_is_not_named(
    planned: Any, deck: RoadClass, icy: float, road: RoadClass
) -> None:
    plan = over(planned, CREEK, deck=deck, icy=icy, road=road)
    assert (plan.bridges, bridge_lines(plan)) == ((), [])


def test_a_deck_is_named_though_the_road_beside_it_is_not_known(planned: Any) -> None:
    plan = over(planned, CREEK, icy=1.0, road=RoadClass.UNKNOWN)
    (line,) = bridge_lines(plan)
    assert "(almost certain) while the road beside does not or is not known" in line
    assert plan.partial


def test_unnamed_bridge_is_shown_by_place_and_classes_by_words(planned: Any) -> None:
    unnamed = BridgeSpan(name="", start_m=30_020.0, end_m=30_120.0)
    deck = np.array([3, 3, 5, 0, 0, 0, 0, 0, 0, 0])[:, None, None]  # two members with rime, one with ice
    (line,) = bridge_lines(over(planned, unnamed, deck=deck, icy=1.0))
    assert line.startswith("Bridge deck at km 30.0 may carry frost or ice (3 in 10)")


def test_many_bridges_are_one_line_that_counts_them(planned: Any) -> None:
    decks = [BridgeSpan(name=f"Deck {n}", start_m=n * 1e3, end_m=n * 1e3 + 60.0) for n in range(5, 45)]
    plan = over(planned, *decks, icy=0.9)
    (line,) = bridge_lines(plan)
    assert line == (
        "Bridge decks may carry ice on 40 bridges, likeliest Deck 5 (9 in 10), Deck 6 (9 in 10), Deck 7 (9 in 10), "
        "while the road beside does not: slow down before each"
    )
    assert len(plan.bridges) == 40


LIKELY = {"US-XX": make_rules(chance=0.9)}


def test_ice_on_a_short_deck_asks_no_chains_on_an_unposted_road(planned: Any) -> None:
    plan = over(planned, CREEK, icy=1.0, rules=LIKELY)
    assert (plan.advice, plan.stretches) == (Advice.SLOW, ())
    assert bridge_lines(plan)
    same = over(planned, CREEK, icy=1.0, road=RoadClass.ICE, rules=LIKELY)
    assert same.advice is Advice.CHAIN


def test_ice_on_a_short_deck_asks_no_chains_without_a_rule_file(planned: Any) -> None:
    assert over(planned, CREEK, icy=1.0, rules={}).stretches == ()


def test_ice_on_a_long_bridge_is_posted_as_any_road(planned: Any) -> None:
    plan = over(planned, VIADUCT, icy=1.0, rules=LIKELY)
    (stretch,) = plan.stretches
    assert (stretch.start_m, stretch.end_m, stretch.advice) == (20e3, 22e3, Advice.CHAIN)


def test_a_deck_too_steep_for_its_ice_asks_for_chains_by_grip(planned: Any) -> None:
    """6 % with 42.5 % of the load driven asks 0.16 (physics.md section 8); ice gives 0.15 at most."""
    plan = over(planned, CREEK, icy=0.8, grade=0.06, rules={"US-XX": make_rules(chance=0.0)})
    (stretch,) = plan.stretches
    assert stretch.grip_short_frac == pytest.approx(0.8)
    assert stretch.start_m == stretch.end_m == 30_000.0
    assert dict(stretch.surfaces)["ice"] == pytest.approx(0.8)


def test_a_deck_of_unknown_state_is_be_ready_on_a_grade(planned: Any) -> None:
    plan = over(planned, CREEK, deck=RoadClass.UNKNOWN, icy=1.0, grade=0.06)
    assert plan.partial
    assert plan.advice is Advice.READY


def _plain(bridges: Sequence[BridgeSpan]) -> Any:
    route = make_route(bridges=bridges, stops=[make_stop("on", 10e3), make_stop("off", 45e3)])
    snow = make_weather(
        route, lambda m, d, h: np.where((d > 2e4) & (d < 4e4) & (m < 6), RoadClass.SNOW, RoadClass.WET), deck=None
    )
    return route, snow


def test_a_bridge_whose_deck_is_as_its_road_changes_nothing(planned: Any) -> None:
    assert planned(*_plain([CREEK, VIADUCT])) == planned(*_plain([]))
