"""What is said when a plan changes: nothing twice, nothing lost, no relief on a partial plan."""

import json
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alertd.notices.model import Audience, Notice, NoticeKind
from alertd.notices.policy import Policy
from alertd.notices.sent_state import SentFact, facts_from_plain, facts_to_plain
from alertd.notices.text.dispatcher import dispatcher_text
from alertd.notices.triggers.escalation import gravest
from alertd.notices.triggers.plan_changes import plan_notices
from alertd.plan.model.notes import PositionFix
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice, ChainsNote
from alertd.plan.serialize import canonical
from alertd.testing.factories import IMMEDIATE_POLICY, at_hour

CLEAR, SLOW, READY, CHAIN, HOLD = Advice
Saying = Callable[..., Plan]
BEFORE = at_hour(3)  # the trip leaves at 06:00
ROLLING = at_hour(6)


class Talk:
    """A trip's plans one after another, with what stands as said kept as the store keeps it, as JSON."""

    def __init__(self, policy: Policy = IMMEDIATE_POLICY) -> None:
        self.policy = policy
        self.facts: tuple[SentFact, ...] | None = None
        self.notices: list[Notice] = []

    def hear(self, plan: Plan, now: Any = BEFORE) -> tuple[Notice, ...]:
        notices, facts = plan_notices(plan, self.facts, now, self.policy)
        self.facts = facts_from_plain(json.loads(canonical(facts_to_plain(facts))))
        assert self.facts == facts
        self.notices += notices
        return notices

    def driver(self, plan: Plan, now: Any = BEFORE) -> list[str]:
        return [n.text for n in self.hear(plan, now) if n.audience is Audience.DRIVER]


def kinds(notices: Sequence[Notice]) -> list[tuple[str, str]]:
    return [(n.kind.value, n.audience.value) for n in notices]


def test_a_first_plan_says_each_stretch_once(saying: Saying) -> None:
    notices = Talk().hear(saying(CHAIN, READY))
    assert kinds(notices) == [("plan", "driver"), ("plan", "driver"), ("plan", "dispatcher"), ("plan", "fleet")]
    assert len({n.id for n in notices}) == 4
    assert len({n.text for n in notices}) == 4


def test_a_first_clear_plan_goes_to_the_fleet_alone(saying: Saying) -> None:
    assert kinds(Talk().hear(saying())) == [("plan", "fleet")]


@pytest.mark.parametrize("partial", [False, True])
def test_the_same_plan_again_says_nothing(saying: Saying, partial: bool) -> None:
    talk = Talk()
    talk.hear(saying(CHAIN, READY, partial=partial))
    assert talk.hear(saying(CHAIN, READY, partial=partial)) == ()


def test_worse_is_said_for_that_stretch_alone(saying: Saying) -> None:
    talk = Talk()
    talk.hear(saying(READY, READY))
    notices = talk.hear(saying(READY, CHAIN))
    assert kinds(notices) == [("worse", "driver"), ("worse", "dispatcher"), ("worse", "fleet")]
    assert "Tarn Pass" in notices[0].text


@pytest.mark.parametrize("change", [{"stop_id": "9"}, {"short": 2}, {"late_min": 60}, {"late_min": -60}])
def test_another_stop_chains_short_or_an_hour_is_said(saying: Saying, change: dict[str, Any]) -> None:
    talk = Talk()
    talk.hear(saying(CHAIN))
    assert len(talk.driver(saying(CHAIN, **change))) == 1


@pytest.mark.parametrize("minutes", [1, 59, -59, 59.9])
def test_less_than_an_hour_is_not_said(saying: Saying, minutes: float) -> None:
    talk = Talk()
    talk.hear(saying(CHAIN))
    assert talk.hear(saying(CHAIN, late_min=minutes)) == ()


def test_small_moves_add_up_to_one_that_is_said(saying: Saying) -> None:
    """Also when another stretch was news in between: of this one the reader still holds the first time."""
    talk = Talk()
    talk.hear(saying(CHAIN, READY))
    assert talk.hear(saying(CHAIN, READY, late_min=40)) == ()
    assert len(talk.driver(saying(CHAIN, CHAIN, late_min=40))) == 1
    assert len(talk.driver(saying(CHAIN, CHAIN, late_min=70))) == 1


def test_relief_comes_on_a_whole_plan_and_never_on_a_partial_one(saying: Saying) -> None:
    talk = Talk()
    talk.hear(saying(CHAIN))
    assert talk.hear(saying(partial=True)) == ()
    assert talk.hear(saying(READY, partial=True)) == ()
    notices = talk.hear(saying())
    assert kinds(notices) == [("eased", "driver"), ("eased", "dispatcher"), ("eased", "fleet")]
    assert "keep chains aboard" in notices[0].text
    assert "clear" not in notices[0].text.lower()
    assert talk.hear(saying()) == ()


def test_relief_withheld_by_a_partial_plan_follows_other_news(saying: Saying) -> None:
    """The partial plan has news of one pass and milder words for the other, which must wait and not get lost."""
    talk = Talk()
    talk.hear(saying(CHAIN, READY))
    assert len(talk.driver(saying(READY, CHAIN, partial=True))) == 1
    eased = [n for n in talk.hear(saying(READY, CHAIN)) if n.kind is NoticeKind.EASED]
    assert [n.audience for n in eased] == [Audience.DRIVER, Audience.DISPATCHER, Audience.FLEET]
    assert "Larch Pass" in eased[0].text


def test_from_hold_to_chain_the_driver_is_told_to_chain(saying: Saying) -> None:
    """ "Looks better" alone would leave a driver without the instruction that now holds."""
    talk = Talk()
    talk.hear(saying(HOLD))
    (text,) = talk.driver(saying(CHAIN))
    assert text.startswith("HOLD ENDED, ask before you go. PLAN TO CHAIN at Stop 1")


def test_the_same_words_after_others_are_said_again(saying: Saying) -> None:
    """X, relief, X, relief, X: the third X must not be taken for a repeat of the second."""
    talk = Talk()
    for _ in range(3):
        assert len(talk.driver(saying(CHAIN))) == 1
        assert len(talk.driver(saying())) == 1
    assert len({n.id for n in talk.notices}) == len(talk.notices)


def test_a_stop_that_flips_back_is_said_again(saying: Saying) -> None:
    talk = Talk()
    for stop_id in "121212":
        assert len(talk.driver(saying(CHAIN, stop_id=stop_id))) == 1
    assert len({n.id for n in talk.notices}) == len(talk.notices)


def test_equal_content_has_equal_ids_whenever_it_is_said(saying: Saying) -> None:
    """A cycle that crashed before it was stored says the same thing later, under the same ids."""
    facts = Talk()
    facts.hear(saying(READY))
    first, _ = plan_notices(saying(CHAIN), facts.facts, BEFORE, IMMEDIATE_POLICY)
    again, _ = plan_notices(saying(CHAIN), facts.facts, at_hour(4), IMMEDIATE_POLICY)
    assert [n.id for n in first] == [n.id for n in again]
    other, _ = plan_notices(saying(HOLD), facts.facts, BEFORE, IMMEDIATE_POLICY)
    assert not {n.id for n in first} & {n.id for n in other}


def test_once_rolling_the_drivers_words_go_to_the_dispatcher(saying: Saying) -> None:
    """49 CFR 392.80: reading a text at the wheel is texting."""
    talk = Talk()
    talk.hear(saying(READY))
    notices = talk.hear(saying(CHAIN), ROLLING)
    assert kinds(notices) == [("worse", "dispatcher"), ("worse", "fleet")]
    assert notices[0].text.startswith("PASS ON WHEN PARKED to Odalys Fenwright: PLAN TO CHAIN")


def test_a_notice_outlives_its_use_by_no_more_than_an_hour(saying: Saying) -> None:
    plan = saying(CHAIN)
    driver = Talk().hear(plan)[0]
    assert (driver.expires_at - plan.stretches[0].chain_up.arrive_at).total_seconds() == 3600
    now = max(plan.stretches[0].leave_at, plan.stretches[0].chain_up.arrive_at + timedelta(hours=1))
    late = Talk().hear(plan, now)[0]
    assert (late.expires_at - now).total_seconds() == 900


def test_a_pass_that_lies_behind_the_truck_is_no_news_to_people(saying: Saying) -> None:
    plan = saying(CHAIN)
    notices = Talk().hear(plan, plan.stretches[0].leave_at + timedelta(hours=1))
    assert [n.audience for n in notices] == [Audience.FLEET]


def test_words_that_do_not_fit_a_text_are_still_said(saying: Saying) -> None:
    """A rig with more tires to chain than two messages hold must not silence the fleet."""
    plan = saying(CHAIN)
    tires = " + ".join(f"{n}th trailer outside duals" for n in range(4, 14))
    plan = replace(plan, stretches=(replace(plan.stretches[0], tires_short_words=tires),))
    (text,) = Talk().driver(plan)
    assert "plan to chain" in text
    assert "Stop 1, I-90 EB, mile 1" in " ".join(text.split())


def held(plan: Plan, until_h: float | None) -> Plan:
    until = None if until_h is None else at_hour(until_h)
    return replace(plan, stretches=(replace(plan.stretches[0], hold_until=until), *plan.stretches[1:]))


def test_driver_who_waits_for_an_hour_is_notified_when_it_moves(saying: Saying) -> None:
    """By an hour or more, small moves added up, or out of the forecast; sooner is no news."""
    talk = Talk()
    talk.hear(held(saying(HOLD), 14))
    assert talk.hear(held(saying(HOLD), 14.5)) == ()
    assert talk.hear(held(saying(HOLD), 12)) == ()
    assert kinds(talk.hear(held(saying(HOLD), 15)))[0] == ("worse", "driver")
    assert talk.hear(held(saying(HOLD), 15.5)) == ()
    assert kinds(talk.hear(held(saying(HOLD), None)))[0] == ("worse", "driver")
    assert talk.hear(held(saying(HOLD), 20)) == ()


PLANS = st.lists(
    st.tuples(
        st.sampled_from([None, READY, CHAIN, HOLD]),
        st.sampled_from([None, READY, CHAIN, HOLD]),
        st.sampled_from([0, 30, 65]),
        st.sampled_from(["1", "2"]),
        st.booleans(),
        st.booleans(),
    ),
    min_size=1,
    max_size=12,
)


@settings(max_examples=3 * settings().max_examples)
@given(PLANS)
def test_every_rise_is_said_and_relief_only_after_a_rise(saying: Saying, sequence: list[Any]) -> None:
    """An oracle of what a reader holds of each pass: it may fall by relief alone, and never lies below the plan."""
    talk = Talk()
    held = {"Larch Pass": CLEAR, "Tarn Pass": CLEAR}
    for larch, tarn, late_min, stop_id, partial, rolling in sequence:
        plan = saying(larch, tarn, late_min=late_min, stop_id=stop_id, partial=partial)
        notices = talk.hear(plan, ROLLING if rolling else BEFORE)
        person = Audience.DISPATCHER if rolling else Audience.DRIVER
        words = [n.text for n in notices if n.audience is person and n.text.count("\n") == 0]
        for place, now in (("Larch Pass", larch or CLEAR), ("Tarn Pass", tarn or CLEAR)):
            of_it = [t for t in words if place in t]
            assert len(of_it) <= 1
            if now.rank > held[place].rank:
                assert len(of_it) == 1
                assert "EASED" not in of_it[0]
                held[place] = now
            elif now.rank < held[place].rank:
                assert bool(of_it) is not partial
                held[place] = held[place] if partial else now
            assert held[place].rank >= now.rank
        assert sum(n.audience is Audience.FLEET for n in notices) == bool(notices)
    assert len({n.id for n in talk.notices}) == len(talk.notices)
    assert not [n for n in talk.notices if n.kind is NoticeKind.EASED and "all clear" in n.text.lower()]


# Trucks that were seen on their way; the passes lie at km 40 to 50 and 120 to 130


def seen(plan: Plan, distance_m: float) -> Plan:
    return replace(plan, position=PositionFix(at=ROLLING, distance_m=distance_m, offset_m=0.0))


@pytest.mark.parametrize("distance_m", [45e3, 60e3], ids=["in it", "past it"])
def test_what_a_truck_is_in_or_past_did_not_get_better(saying: Saying, distance_m: float) -> None:
    talk = Talk()
    talk.hear(saying(CHAIN, CHAIN))
    assert talk.hear(seen(saying(None, CHAIN), distance_m), ROLLING) == ()


def test_relief_ahead_of_a_truck_under_way_is_still_given(saying: Saying) -> None:
    talk = Talk()
    talk.hear(saying(CHAIN, CHAIN))
    result = talk.hear(seen(saying(CHAIN), 20e3), ROLLING)
    assert kinds(result) == [("eased", "dispatcher"), ("eased", "fleet")]
    assert "Tarn Pass now looks better" in result[0].text


def test_announced_stop_behind_the_truck_is_no_news(saying: Saying) -> None:
    """Past it, the chains hang or the driver looks for a place; a rise, or chains short, is told all the same."""
    talk = Talk()
    talk.hear(saying(CHAIN, CHAIN))
    assert talk.hear(seen(saying(CHAIN, CHAIN, stop_id="", late_min=90), 35e3), ROLLING) == ()
    assert kinds(talk.hear(seen(saying(HOLD, CHAIN, stop_id=""), 35e3), ROLLING))[0] == ("worse", "dispatcher")
    assert kinds(talk.hear(seen(saying(HOLD, CHAIN, stop_id="", short=2), 35e3), ROLLING))[0] == ("worse", "dispatcher")


def test_unannounced_snow_is_sent_though_no_stop_is_left(saying: Saying) -> None:
    talk = Talk()
    talk.hear(saying())
    assert kinds(talk.hear(seen(saying(CHAIN, stop_id=""), 35e3), ROLLING))[0] == ("worse", "dispatcher")


def test_a_later_hour_at_the_stop_ahead_is_told(saying: Saying) -> None:
    talk = Talk()
    talk.hear(saying(CHAIN))
    assert kinds(talk.hear(seen(saying(CHAIN, late_min=61), 10e3), ROLLING))[0] == ("changed", "dispatcher")


def place_at(plan: Plan, distance_m: float, stop_id: str = "9", tires_more: int = 0) -> Plan:
    first = plan.stretches[0]
    up = replace(first.chain_up, stop_id=stop_id, distance_m=distance_m)
    hanging = replace(first.hanging, singles_n=first.hanging.singles_n + tires_more)
    return replace(plan, stretches=(replace(first, chain_up=up, hanging=hanging), *plan.stretches[1:]))


def test_a_place_nearer_the_snow_is_other_news_not_worse(saying: Saying) -> None:
    """Stop 1 is at km 30, the snow begins at km 40: km 36 spares chained miles, km 20 must not be missed."""
    for at_m, tires_more, kind in ((36e3, 0, "changed"), (20e3, 0, "worse"), (36e3, 2, "worse")):
        talk = Talk()
        talk.hear(saying(CHAIN))
        notices = talk.hear(place_at(saying(CHAIN), at_m, tires_more=tires_more))
        assert kinds(notices) == [(kind, "driver"), (kind, "dispatcher"), (kind, "fleet")]


def test_a_driver_who_hangs_chains_is_sent_no_other_place(saying: Saying) -> None:
    """Other tires are news still; a place for the next pass is none of the present work."""
    talk = Talk()
    talk.hear(saying(CHAIN))
    hangs = replace(place_at(saying(CHAIN, late_min=70), 36e3), hanging_since=ROLLING)
    assert talk.hear(seen(hangs, 30e3), ROLLING) == ()
    first = replace(hangs.stretches[0], tires_short_words="drive axle 2 all 4")
    assert talk.hear(seen(replace(hangs, stretches=(first,)), 30e3), ROLLING) != ()


def test_a_listed_place_that_is_lost_is_worse_news(saying: Saying) -> None:
    talk = Talk()
    talk.hear(saying(CHAIN))
    assert kinds(talk.hear(place_at(saying(CHAIN), 36e3, stop_id="")))[0] == ("worse", "driver")


def test_a_mere_change_needs_no_confirmation_of_its_own(saying: Saying) -> None:
    """Unconfirmed, it replaces what it changes: a reminder must not name the place of before."""
    talk = Talk()
    first = talk.hear(saying(CHAIN))[0]
    plan = place_at(saying(CHAIN), 36e3)
    later = replace(talk.hear(plan)[0], created_at=first.created_at + timedelta(minutes=1))
    now = first.created_at + timedelta(minutes=2)
    assert gravest(plan, [first, later], (), now) == later
    assert gravest(plan, [first, later], (first.id,), now) is None


def test_the_office_is_told_where_the_truck_was_seen(saying: Saying) -> None:
    """10 km are 6 miles; the truck was seen at 06:00 UTC, 22:00 the evening before by the clock of the start."""
    plan = seen(saying(CHAIN), 10e3)
    assert "seen 22:00 PST, 6 mi on the way" in " ".join(dispatcher_text(plan).split())
    assert "seen" not in dispatcher_text(saying(CHAIN))


def test_truck_at_the_chain_up_place_is_not_notified_again(saying: Callable[..., Plan]) -> None:
    """Each new plan puts the hanging off while it stands there; one that is elsewhere is late."""
    first = saying(Advice.CHAIN)
    _, facts = plan_notices(first, None, at_hour(5), IMMEDIATE_POLICY)
    late = saying(Advice.CHAIN, late_min=70)
    place_m = late.stretches[0].chain_up.distance_m
    for at_m, result in ((place_m + 200.0, False), (place_m - 9e3, True)):
        seen = replace(late, position=PositionFix(at=at_hour(7), distance_m=at_m, offset_m=0.0))
        assert bool(plan_notices(seen, facts, at_hour(7), IMMEDIATE_POLICY)[0]) is result
    lost = replace(late, position=PositionFix(at=at_hour(4), distance_m=place_m - 9e3, offset_m=0.0, old=True))
    assert plan_notices(lost, facts, at_hour(7), IMMEDIATE_POLICY)[0] == ()


def test_chained_more_tires_and_more_snow_are_news_and_no_more(saying: Callable[..., Plan]) -> None:
    first = saying(Advice.CHAIN)
    _, facts = plan_notices(first, None, at_hour(5), IMMEDIATE_POLICY)
    (stretch,) = first.stretches
    on = ChainsNote(since=at_hour(6.5), off=stretch.chain_off)
    here = replace(stretch.chain_up, stop_id="", name="present place")
    plan = replace(first, stretches=(replace(stretch, chained=True, chain_up=here),), chains=on)
    assert plan_notices(plan, facts, at_hour(7), IMMEDIATE_POLICY)[0] == ()
    more = replace(plan.stretches[0], tires_short_words="all of them")
    short = replace(plan, stretches=(more,), chains=replace(on, missing_n=2))
    texts = [n.text for n in plan_notices(short, facts, at_hour(7), IMMEDIATE_POLICY)[0]]
    assert any("STAY CHAINED to" in t for t in texts)
    both = saying(Advice.CHAIN, Advice.CHAIN)
    second = replace(both.stretches[1], chained=True, chain_up=here)
    further = replace(plan, stretches=(*plan.stretches, second))
    texts = [
        n.text
        for n in plan_notices(further, facts, at_hour(7), IMMEDIATE_POLICY)[0]
        if n.audience is not Audience.FLEET
    ]
    assert texts
    assert not any("PLAN TO CHAIN" in t for t in texts)


def test_a_trip_that_has_arrived_says_nothing_more(saying: Callable[..., Plan]) -> None:
    _, facts = plan_notices(saying(Advice.CHAIN), None, at_hour(5), IMMEDIATE_POLICY)
    arrived = replace(saying(), arrived_at=at_hour(9))
    assert plan_notices(arrived, facts, at_hour(10), IMMEDIATE_POLICY) == ((), facts)


@pytest.mark.parametrize(("providers", "expected_h"), [(("nws",), 2.0), (("nws", "met-norway"), 1.0)])
def test_relief_of_one_source_lasts_longer(saying: Saying, providers: tuple[str, ...], expected_h: float) -> None:
    """Two sources that agree give relief after an hour; one alone after two, since it may err plausibly."""
    (note,) = saying(CHAIN).sources

    def seen(larch: Any, hour: float) -> Plan:
        sources = tuple(replace(note, provider=name, issued_at=at_hour(hour)) for name in providers)
        return replace(saying(larch), sources=sources)

    talk = Talk(replace(IMMEDIATE_POLICY, ease_after=timedelta(hours=1), ease_alone_after=timedelta(hours=2)))
    talk.hear(seen(CHAIN, 0.0), at_hour(0))
    eased = None
    for quarter in range(1, 13):
        hour = quarter / 4
        if any(n.kind is NoticeKind.EASED for n in talk.hear(seen(None, hour), at_hour(hour))):
            eased = hour
            break
    assert eased == 0.25 + expected_h


def test_no_relief_and_no_time_of_it_while_the_clock_is_in_doubt(saying: Saying) -> None:
    """Relief is timed by the clock; while that is in doubt, the row keeps the time it has and begins none."""
    (note,) = saying(CHAIN).sources

    def seen(larch: Any, hour: float) -> Plan:
        return replace(saying(larch), sources=(replace(note, issued_at=at_hour(hour)),))

    sure = replace(IMMEDIATE_POLICY, ease_after=timedelta(hours=1), ease_alone_after=timedelta(hours=2))
    talk = Talk(sure)
    talk.hear(seen(CHAIN, 0.0), at_hour(0))
    talk.policy = replace(sure, may_ease=False)
    talk.hear(seen(None, 1.0), at_hour(1))
    assert talk.facts is not None
    assert [f.milder_since for f in talk.facts] == [None]
    talk.policy = sure
    talk.hear(seen(None, 2.0), at_hour(2))
    talk.policy = replace(sure, may_ease=False)
    assert talk.hear(seen(None, 5.0), at_hour(5)) == ()
    talk.policy = sure
    assert NoticeKind.EASED in {n.kind for n in talk.hear(seen(None, 5.5), at_hour(5.5))}
