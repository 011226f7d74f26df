"""Places to look for and closures by snow, in every text: they fit, say what they are, and do not flap."""

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from alertd.i18n import ENGLISH, LANGUAGES, Language
from alertd.notices.next_action import ActionKind, ChainStatus, next_action
from alertd.notices.plan_diff import describe_changes
from alertd.notices.text import gsm7
from alertd.notices.text.driver_sms import driver_text
from alertd.notices.triggers.plan_changes import plan_notices
from alertd.notices.triggers.scheduled import approach_text, off_text
from alertd.plan.model.notes import PositionFix
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice, Stretch
from alertd.rules.requirements import cover, demand_for
from alertd.rules.tire_text import tire_runs, tires_code, tires_short_text
from alertd.sources.files.laws.ruleset import read_rulesets
from alertd.sources.files.rig import read_rigs
from alertd.sources.files.translations import load_translator
from alertd.testing.event_schema import strict_event_schema
from alertd.testing.factories import IMMEDIATE_POLICY, at_hour

ROOT = Path(__file__).parents[3]
SCHEMA = strict_event_schema()
MILE_M = 1609.344
AT_M, EDGE_M = 210 * MILE_M, 213 * MILE_M

every_language = pytest.mark.parametrize("language", LANGUAGES)


def searched(plan: Plan, at_m: float = AT_M, edge_m: float = EDGE_M) -> Plan:
    """The first stretch with places to look for, its snow from `edge_m` on."""
    first, *others = plan.stretches
    place = {"stop_id": f"unlisted-{at_m / 1000:.0f}", "kind": "search", "milepost": "", "listed": False}
    up = replace(first.chain_up, **place, name="first safe place", distance_m=at_m, edge_m=edge_m)
    off = replace(first.chain_off, **place, name="first safe place", distance_m=edge_m + 2e4, edge_m=edge_m + 1.9e4)
    first = replace(first, chain_up=up, chain_off=off, start_m=edge_m, end_m=edge_m + 1.9e4)
    return replace(plan, stretches=(first, *others))


def closed(stretch: Stretch) -> Stretch:
    return replace(stretch, advice=Advice.HOLD, snow_closed_frac=1.0)


@every_language
def test_texts_with_places_to_look_for_fit_two_segments(two_passes: Plan, language: Language) -> None:
    translator, plan = load_translator(language), searched(two_passes)
    rules = read_rulesets(ROOT / "config/rules")
    for rig in read_rigs(ROOT / "config/rigs").values():
        bare = replace(rig, singles_carried=0)
        every = [cover(bare, [demand_for(law, x, rig)]) for law in rules.values() for x in law.levels]
        hanging = max(every, key=lambda h: len(tires_short_text(tire_runs(rig, h.tires), translator)))
        stretch = replace(
            plan.stretches[0],
            hanging=hanging,
            tires_short_words=tires_code(rig, hanging.tires),
            tire_runs=tire_runs(rig, hanging.tires),
        )
        for advice in (Advice.READY, Advice.CHAIN, Advice.HOLD):
            for s in (replace(stretch, advice=advice), closed(stretch)):
                for text in (driver_text(plan, s, translator), approach_text(plan, s, at_hour(5), translator)):
                    assert gsm7.segments(text) <= 2, text
                    assert "210" in text[: gsm7.SINGLE_SEPTETS]
                    assert "213" in text[: gsm7.SINGLE_SEPTETS]
    off = off_text(plan, plan.stretches[0].chain_off, translator)
    assert gsm7.segments(off) <= 2
    assert "225" in off


@every_language
def test_a_closure_we_expect_is_said_as_ours(two_passes: Plan, language: Language) -> None:
    ours = {"en": "our estimate", "es": "estimación nuestra", "fr": "notre estimation"}
    stretch = closed(two_passes.stretches[0])
    text = driver_text(replace(two_passes, stretches=(stretch,)), stretch, load_translator(language))
    assert gsm7.to_gsm7(ours[language]) in text


def test_slick_and_barred_roads_keep_their_own_reasons(two_passes: Plan) -> None:
    held = replace(two_passes.stretches[0], advice=Advice.HOLD, grip_short_chained_frac=0.6, snow_closed_frac=0.2)
    assert "may be too slick even chained" in driver_text(two_passes, held)
    assert "rig may be barred" in driver_text(two_passes, replace(closed(held), barred="no trailers"))


def test_events_with_places_to_look_for_match_the_schema(two_passes: Plan) -> None:
    plan = searched(two_passes)
    plan = replace(plan, stretches=(closed(plan.stretches[0]), *plan.stretches[1:]), advice=Advice.HOLD)
    notices, _ = plan_notices(plan, None, at_hour(3), IMMEDIATE_POLICY)
    for n in notices:
        Draft202012Validator(SCHEMA).validate(json.loads(n.body))


def test_the_next_step_says_what_to_look_for(two_passes: Plan) -> None:
    plan = searched(two_passes)
    step = next_action(plan, ChainStatus(on_at=None), None, plan.depart_at, ENGLISH)
    assert step.step is ActionKind.HANG
    later = replace(plan, stretches=(two_passes.stretches[1], plan.stretches[0]))
    first = later.stretches[0].chain_up.arrive_at
    second = replace(later.stretches[1], chain_up=replace(later.stretches[1].chain_up, arrive_at=first + timedelta(1)))
    then = next_action(
        replace(later, stretches=(later.stretches[0], second)), ChainStatus(on_at=None), None, plan.depart_at, ENGLISH
    ).then
    assert any("safe place from mi 210 on, before mi 213 (none listed)" in line for line in then)


def test_a_place_to_look_for_is_news_once_the_snow_has_moved(two_passes: Plan) -> None:
    """One candidate instead of its neighbour is none while the snow begins where it did."""
    result = searched(two_passes)
    _, facts = plan_notices(result, None, at_hour(2), IMMEDIATE_POLICY)
    assert plan_notices(searched(two_passes, AT_M - 4e3), facts, at_hour(3), IMMEDIATE_POLICY)[0] == ()
    assert describe_changes(result, searched(two_passes, AT_M - 4e3)) == ()
    nearer = searched(two_passes, AT_M - 16e3, EDGE_M - 15e3)
    assert plan_notices(nearer, facts, at_hour(3), IMMEDIATE_POLICY)[0] != ()
    assert any(line.startswith("chain up at") for line in describe_changes(result, nearer))


def test_a_truck_past_its_listed_stop_is_not_called_again(two_passes: Plan, saying: Callable[..., Plan]) -> None:
    """Chains may be on; that the plan has only a place to look for ahead is no news to it."""
    plan = saying(Advice.CHAIN)
    _, facts = plan_notices(plan, None, at_hour(2), IMMEDIATE_POLICY)
    s = plan.stretches[0]
    up = replace(s.chain_up, stop_id="unlisted-9", kind="search", listed=False, edge_m=s.start_m)
    fix = PositionFix(at=at_hour(6.5), distance_m=s.start_m - 2e3, offset_m=0.0)
    now = replace(plan, stretches=(replace(s, chain_up=up),), position=fix)
    assert plan_notices(now, facts, at_hour(6.5), IMMEDIATE_POLICY)[0] == ()
