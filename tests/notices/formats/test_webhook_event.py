"""Webhook bodies hold to their schema, for made trips and for the demo's."""

import json
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from jsonschema import Draft202012Validator, ValidationError

from alertd.notices.formats.webhook_event import brief_event
from alertd.notices.triggers.plan_changes import plan_notices
from alertd.plan.controls.closures import Closure
from alertd.plan.describe.alternatives import with_alternatives
from alertd.plan.make_plan import make_plan
from alertd.plan.model.notes import PositionFix
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.params import PlanParams
from alertd.plan.request import PlanRequest, TripInput, Weather
from alertd.planning.planner import create_planner
from alertd.road.road_class import RoadClass
from alertd.route.model import BridgeSpan, Route
from alertd.rules.ruleset import RuleSet
from alertd.service.cycle import brief_slot, make_brief, run_cycle
from alertd.settings.read import read_settings
from alertd.sources.files.laws.ruleset import read_rulesets
from alertd.sources.files.rig import read_rigs
from alertd.store.store import Store
from alertd.testing.clock import ManualClock
from alertd.testing.event_schema import strict_event_schema
from alertd.testing.factories import IMMEDIATE_POLICY, at_hour, make_rig, make_route, make_stop, make_weather
from alertd.testing.fake_open_meteo import FakeOpenMeteo

ROOT = Path(__file__).parents[3]
SCHEMA = strict_event_schema()
SCHEMA_CHECK = Draft202012Validator(SCHEMA, format_checker=Draft202012Validator.FORMAT_CHECKER)
RIGS = read_rigs(ROOT / "config/rigs")
LARGEST_BYTES = 24_000  # a receiver must take 64 kB; growth beyond this is to be noticed


def bodies(plan: Plan, before: Any = None, hour: float = 3.0) -> list[dict[str, Any]]:
    notices, _ = plan_notices(plan, before, at_hour(hour), IMMEDIATE_POLICY)
    return [json.loads(n.body) for n in notices]


def test_the_schema_is_itself_valid() -> None:
    Draft202012Validator.check_schema(SCHEMA)


@pytest.mark.parametrize("hour", [3.0, 7.0])
def test_every_event_of_a_trip_is_valid(saying: Callable[..., Plan], hour: float) -> None:
    first = saying(Advice.CHAIN, Advice.HOLD, short=2, partial=True)
    _, facts = plan_notices(first, None, at_hour(hour), IMMEDIATE_POLICY)
    events = [*bodies(first, None, hour), *bodies(saying(), facts, hour)]
    assert {e["type"] for e in events} == {"trip.plan", "trip.message"}
    assert {e["data"]["kind"] for e in events} == {"plan", "eased"}
    for event in events:
        SCHEMA_CHECK.validate(event)


def test_a_plan_of_an_unknown_road_is_valid() -> None:
    route = make_route(grade=-0.05, stops=[make_stop("a", 5e3, spaces=None)])
    weather = make_weather(route, lambda m, d, h: RoadClass.UNKNOWN, issued_at=None)
    trip = TripInput(id="QT-1", depart_at=at_hour(6))
    plan = make_plan(PlanRequest(trip, route, make_rig(singles=0), {}, weather, PlanParams(compare_h=0.0), at_hour(2)))
    for event in bodies(plan):
        SCHEMA_CHECK.validate(event)


def test_a_plan_that_meets_closures_is_valid() -> None:
    posted, warning = (
        Closure(start_m=20e3, end_m=30e3, begins_at=at_hour(1), ends_at=end, what="Road closed (slide)", source="DOT")
        for end in (None, at_hour(9))
    )
    route = make_route()
    trip = TripInput(id="QT-1", depart_at=at_hour(6), closures=(posted, warning), warnings_known=True)
    weather = make_weather(route, lambda m, d, h: RoadClass.DRY)
    plan = make_plan(PlanRequest(trip, route, make_rig(), {}, weather, PlanParams(compare_h=0.0), at_hour(2)))
    assert [c.held for c in plan.closures] == [True, True]
    for event in bodies(plan):
        SCHEMA_CHECK.validate(event)


def test_plan_over_icy_bridges_is_valid_and_names_the_likeliest(saying: Callable[..., Plan]) -> None:
    spans = [BridgeSpan(name=f"Deck {n}", start_m=1e3 * n, end_m=1e3 * n + 60.0) for n in range(5, 55)]
    route = make_route(bridges=spans)
    weather = make_weather(
        route, lambda m, d, h: RoadClass.DRY, deck=lambda m, d, h: np.where(m < np.where(d > 40e3, 9, 4), 5, 0)
    )
    trip = TripInput(id="QT-1", depart_at=at_hour(6))
    plan = make_plan(PlanRequest(trip, route, make_rig(), {}, weather, PlanParams(compare_h=0.0), at_hour(2)))
    for event in bodies(plan):
        SCHEMA_CHECK.validate(event)
        assert len(json.dumps(event).encode()) < LARGEST_BYTES
    result = next(e["data"]["plan"] for e in bodies(plan) if e["type"] == "trip.plan")
    assert [b["name"] for b in result["bridges"]] == [f"Deck {n}" for n in range(41, 51)]
    assert any("on 50 bridges" in c for c in result["cautions"])


def test_a_plan_that_counts_from_a_position_is_valid(saying: Callable[..., Plan]) -> None:
    plan = replace(saying(Advice.CHAIN), position=PositionFix(at=at_hour(6), distance_m=10e3, offset_m=-3.0))
    event = next(e for e in bodies(plan, None, 7.0) if e["type"] == "trip.plan")
    SCHEMA_CHECK.validate(event)
    assert event["data"]["plan"]["position"] == {
        "at": "2027-01-14T06:00:00Z", "distance_m": 10e3, "offset_m": -3.0, "old": False,
    }  # fmt: skip


def test_a_plan_with_other_ways_is_valid(saying: Callable[..., Plan]) -> None:
    plan = with_alternatives(saying(Advice.CHAIN), [("south", saying())], [("north", "no such file")], PlanParams())
    event = next(e for e in bodies(plan) if e["type"] == "trip.plan")
    SCHEMA_CHECK.validate(event)
    assert [o["name"] for o in event["data"]["plan"]["other_routes"]] == ["south"]
    assert "By way of south: " in event["data"]["plan"]["route_choice"]


def test_a_brief_is_valid() -> None:
    event = brief_event("ntc_" + "0" * 32, "Invented fleet", "2027-01-14", "words", at_hour(2))
    SCHEMA_CHECK.validate(event)


@pytest.mark.parametrize("path", [(), ("data",), ("data", "plan"), ("data", "plan", "stretches", 0)])
def test_a_field_that_the_schema_does_not_know_is_refused(saying: Callable[..., Plan], path: tuple[Any, ...]) -> None:
    event = next(e for e in bodies(saying(Advice.CHAIN)) if e["type"] == "trip.plan")
    SCHEMA_CHECK.validate(event)
    place = event
    for key in path:
        place = place[key]
    place["extra"] = 1
    with pytest.raises(ValidationError):
        SCHEMA_CHECK.validate(event)


def test_no_number_is_written_as_minus_zero(saying: Callable[..., Plan]) -> None:
    notices, _ = plan_notices(saying(Advice.CHAIN), None, at_hour(3))
    assert [n for n in notices if "-0.0" in n.body.replace('-0.0"', "")] == []


async def test_the_demos_events_are_valid_and_small(tmp_path: Path) -> None:
    """The invented storm, with a trip whose rig is not on file: all four event types."""
    clock = ManualClock(at_hour(10.5))
    trips = tmp_path / "trips.csv"
    trips.write_text(
        (ROOT / "fixtures/demo/trips.csv").read_text(encoding="utf-8").replace("quillback-44", "no-such-rig"),
        encoding="utf-8",
    )
    with FakeOpenMeteo(now_utc=clock()) as forecasts, Store(tmp_path / "a.db") as store:
        settings = read_settings(ROOT / "fixtures/demo/alertd.toml")
        settings = replace(
            settings,
            forecast=settings.forecast.with_keys(open_meteo_url=forecasts.base_url),
            store=tmp_path / "a.db",
            cache=tmp_path / "http",
            trips=trips,
            channels=(),
        )
        async with create_planner(settings, clock) as planning:
            slot = brief_slot(clock(), planning)
            assert slot is not None
            outcome = await run_cycle(planning, store, clock())
            brief = make_brief(planning, outcome, clock(), slot)
        notices = [brief, *(n for trip in store.trips() for n in store.notices(trip.id))]
    assert (len(outcome.plans), len(outcome.not_planned)) == (3, 1)
    events = [json.loads(n.body) for n in notices]
    for event in events:
        SCHEMA_CHECK.validate(event)
    assert {e["type"] for e in events} == {"trip.plan", "trip.message", "trip.not_planned", "fleet.brief"}
    assert max(len(n.body.encode()) for n in notices) < LARGEST_BYTES


@cache
def over_three_states() -> tuple[Route, Weather, dict[str, RuleSet]]:
    stops = [make_stop(str(km), km * 1e3) for km in (20, 70, 120, 170)]
    route = make_route(
        200e3, grade=0.05, stops=stops, spans=[("US-MT", 0, 50e3), ("US-ID", 50e3, 150e3), ("US-WA", 150e3, 200e3)]
    )
    weather = make_weather(
        route,
        lambda m, d, h: np.where((d % 100e3 > 30e3) & (d % 100e3 < 60e3), RoadClass.PACKED_SNOW, RoadClass.WET),
        snowfall_mmwe_h=2.0,
    )
    return route, weather, read_rulesets(ROOT / "config/rules")


@pytest.mark.parametrize("rig_id", sorted(RIGS))
def test_events_stay_small_for_every_rig_over_three_states(rig_id: str) -> None:
    """Two passes over borders, as on Interstate 90 from Montana to Washington, with every control likely."""
    route, weather, rules = over_three_states()
    trip = TripInput(id="QT-1", depart_at=at_hour(6))
    plan = make_plan(PlanRequest(trip, route, RIGS[rig_id], rules, weather, PlanParams(), at_hour(2)))
    assert plan.stretches
    for event in bodies(plan):
        SCHEMA_CHECK.validate(event)
        assert len(json.dumps(event, ensure_ascii=False, separators=(",", ":")).encode()) < LARGEST_BYTES
