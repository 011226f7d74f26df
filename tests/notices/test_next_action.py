"""What comes next for a driver: never clear on what is old or missing, and nothing graver left untold."""

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

from alertd.notices.next_action import PLAN_STALE_AFTER, ActionKind, next_action
from alertd.notices.triggers.scheduled import ChainStatus
from alertd.plan.model.notes import ClosureNote
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice, ChainsNote
from alertd.testing.factories import at_hour

HOUR = timedelta(hours=1)
NOT_ON = ChainStatus()


def test_first_stretch_leads_and_the_second_is_beside_it(saying: Callable[..., Plan]) -> None:
    plan = saying(Advice.CHAIN, Advice.HOLD)
    step = next_action(plan, NOT_ON, None, plan.made_at)
    assert (step.step, step.number, step.stop) == (ActionKind.HANG, 1, plan.stretches[0].chain_up)
    assert len(step.then) == 1
    assert step.then[0].startswith("HOLD, ")
    assert "Tarn Pass" in step.then[0]


def test_chains_on_lead_to_removal_and_off_to_the_next_stretch(saying: Callable[..., Plan]) -> None:
    plan = saying(Advice.CHAIN, Advice.CHAIN)
    first, second = plan.stretches
    on_at = first.chain_up.arrive_at
    step = next_action(plan, ChainStatus(on_at=on_at), None, first.enter_at)
    assert (step.step, step.stop) == (ActionKind.TAKE_OFF, first.chain_off)
    off_at = first.chain_off.arrive_at
    step = next_action(plan, NOT_ON, off_at, off_at)
    assert (step.step, step.stop) == (ActionKind.HANG, second.chain_up)


def test_chains_hung_early_belong_to_the_first_stretch(saying: Callable[..., Plan]) -> None:
    plan = saying(Advice.CHAIN, Advice.CHAIN)
    step = next_action(plan, ChainStatus(on_at=plan.made_at), None, plan.made_at)
    assert step.stop == plan.stretches[0].chain_off


def test_nothing_to_chain_is_said_on_a_whole_and_fresh_plan_only(saying: Callable[..., Plan]) -> None:
    clear = replace(saying(), advice=Advice.CLEAR, partial=False)
    assert next_action(clear, NOT_ON, None, clear.made_at).step is ActionKind.DRIVE
    assert next_action(replace(clear, partial=True), NOT_ON, None, clear.made_at).step is ActionKind.READY
    late = clear.made_at + PLAN_STALE_AFTER + timedelta(minutes=1)
    assert next_action(clear, NOT_ON, None, late).step is ActionKind.READY
    assert next_action(replace(clear, advice=Advice.READY), NOT_ON, None, clear.made_at).step is ActionKind.READY


def test_closed_road_before_the_first_stretch_is_hold_first(saying: Callable[..., Plan]) -> None:
    plan = saying(Advice.CHAIN)
    at = plan.stretches[0].chain_up.arrive_at - timedelta(minutes=10)
    closed = ClosureNote(
        what="avalanche work", source="road authority", where="", start_m=20e3, end_m=25e3, zone="America/Denver",
        enter_at=at, begins_at=at - HOUR, ends_at=None, met=True, held=True, posted=True,
    )  # fmt: skip
    step = next_action(replace(plan, closures=(closed,)), NOT_ON, None, plan.made_at)
    assert (step.step, step.closure, step.stop) == (ActionKind.HOLD, closed, None)
    assert len(step.then) == 1


def test_a_trip_past_its_late_arrival_has_arrived_by_the_plan(saying: Callable[..., Plan]) -> None:
    plan = saying(Advice.CHAIN)
    assert next_action(plan, NOT_ON, None, plan.arrive_late + HOUR).step is ActionKind.ARRIVED


def worn(plan: Plan, **note: object) -> Plan:
    first, *rest = plan.stretches
    on = ChainsNote(since=first.enter_at, off=first.chain_off)
    return replace(plan, stretches=(replace(first, chained=True), *rest), chains=replace(on, **note))


def test_with_chains_on_the_plan_says_where_they_come_off(saying: Callable[..., Plan]) -> None:
    plan = worn(saying(Advice.CHAIN, Advice.CHAIN))
    assert plan.chains is not None
    on = ChainStatus(on_at=plan.chains.since)
    step = next_action(plan, on, None, plan.chains.since)
    assert (step.step, step.stop, step.number) == (ActionKind.TAKE_OFF, plan.chains.off, 1)
    past = replace(plan, stretches=plan.stretches[1:])  # on bare road, chains still on
    assert next_action(past, on, None, plan.chains.since).stop == plan.chains.off


def test_a_hold_or_missing_chains_come_before_the_take_off(saying: Callable[..., Plan]) -> None:
    held = worn(saying(Advice.HOLD, Advice.CHAIN))
    assert held.chains is not None
    on = ChainStatus(on_at=held.chains.since)
    assert next_action(held, on, None, held.made_at).step is ActionKind.HOLD
    more = worn(saying(Advice.CHAIN), missing_n=2)
    step = next_action(more, on, None, more.made_at)
    assert step.step is ActionKind.HANG
    assert step.stretch is not None
    assert step.stretch.chained


def test_doubted_chains_do_not_take_the_place_of_hanging(saying: Callable[..., Plan]) -> None:
    plan = saying(Advice.CHAIN)
    plan = replace(plan, chains=ChainsNote(since=plan.made_at, off=None, doubt="ran too fast"))
    assert next_action(plan, ChainStatus(on_at=plan.made_at), None, plan.made_at).step is ActionKind.HANG


def test_an_arrival_that_is_known_is_the_last_step(saying: Callable[..., Plan]) -> None:
    plan = replace(saying(), partial=True, arrived_at=at_hour(9))
    step = next_action(plan, NOT_ON, None, at_hour(12))
    assert (step.step, step.at) == (ActionKind.ARRIVED, at_hour(9))
