"""A driver gets a text only for a change of what he does, and never less than a graver order.

What a driver does with each text is common practice, no source.
"""

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, time, timedelta
from typing import Any

import pytest

from alertd.notices.model import Audience, NoticeKind
from alertd.notices.policy import Policy
from alertd.notices.sent_state import SentFact, facts_from_plain, facts_to_plain
from alertd.notices.surfaces import spans
from alertd.notices.triggers.driver_orders import has_other_tires
from alertd.notices.triggers.plan_changes import plan_notices
from alertd.plan.model.notes import ClosureNote, PositionFix
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.sources.files.translations import load_translator
from alertd.testing.factories import at_hour, make_surface
from alertd.units import MILE_M

_, SLOW, READY, CHAIN, HOLD = Advice
Saying = Callable[..., Plan]
POLICY = Policy(
    ease_after=timedelta(0), least_gap=timedelta(0), chain_cleared_probability=2.0, chain_cleared_worth=9.0,
    ready_cleared_probability=2.0, quiet_yields=timedelta(hours=9),
)  # fmt: skip
WAITS = at_hour(4.5)  # the trip leaves at 06:00
ROLLING = at_hour(6.1)
POSITION = PositionFix(at=ROLLING, distance_m=5e3, offset_m=0.0)


class Log:
    """The texts of one trip under the usual policy, with what was sent kept as the store keeps it."""

    def __init__(self) -> None:
        self.facts: tuple[SentFact, ...] | None = None
        self.fleet: list[NoticeKind] = []

    def driver(self, plan: Plan, now: datetime = WAITS) -> list[str]:
        notices, facts = plan_notices(plan, self.facts, now, POLICY)
        self.facts = facts_from_plain(facts_to_plain(facts))
        self.fleet += [n.kind for n in notices if n.audience is Audience.FLEET]
        return [n.text for n in notices if n.audience is Audience.DRIVER or n.passed_on]


@pytest.mark.parametrize("now", [WAITS, ROLLING], ids=["waits", "rolling"])
def test_relief_of_readiness_is_for_the_fleet_alone(saying: Saying, now: datetime) -> None:
    """The driver stays ready: the same order again is no news, and a graver one is."""
    log = Log()
    assert len(log.driver(saying(READY))) == 1
    assert log.driver(saying(), now) == []
    assert log.driver(saying(READY), now) == []
    assert log.fleet == [NoticeKind.PLAN, NoticeKind.EASED, NoticeKind.WORSE]
    assert log.driver(saying(), now) == []
    assert len(log.driver(saying(CHAIN), now)) == 1


def test_readiness_elsewhere_after_silent_relief_is_sent(saying: Saying) -> None:
    log = Log()
    log.driver(saying(READY))
    log.driver(saying())
    assert len(log.driver(saying(READY, stop_id="9"))) == 1


def test_relief_of_an_order_to_chain_is_sent(saying: Saying) -> None:
    log = Log()
    log.driver(saying(CHAIN))
    assert log.driver(saying(), ROLLING)[0].startswith("PASS ON WHEN PARKED to Odalys Fenwright: EASED")
    assert len(log.driver(saying(READY), ROLLING)) == 1


def test_snow_that_moves_behind_the_same_stop_is_no_news(saying: Saying) -> None:
    """Neither is it relief: the driver still goes to that stop for that pass."""
    log = Log()
    log.driver(saying(READY))
    (s,) = saying(READY).stretches
    moved = replace(saying(), stretches=(replace(s, start_m=s.end_m + 3e3, end_m=s.end_m + 9e3),), advice=READY)
    assert log.driver(moved) == []
    assert log.fleet == [NoticeKind.PLAN]


def test_a_later_hour_at_the_same_place_waits_for_its_own_text(saying: Saying) -> None:
    """Under way; an earlier hour is sent."""
    log = Log()
    log.driver(saying(CHAIN))
    assert log.driver(saying(CHAIN, late_min=70), ROLLING) == []
    assert len(log.driver(saying(CHAIN, late_min=-70), ROLLING)) == 1


@pytest.mark.parametrize(("now", "other"), [("a all 4", False), ("a all 4 + c left", True), ("b all 4", True)])
def test_tires_are_others_unless_all_of_them_were_sent(saying: Saying, now: str, other: bool) -> None:
    (fact,) = plan_notices(saying(CHAIN), None, WAITS, POLICY)[1]
    assert has_other_tires(replace(fact, tires=now), replace(fact, tires="a all 4 + b outside duals")) is other


def icy(plan: Plan, *surfaces: Any) -> Plan:
    return replace(plan, surfaces=surfaces, advice=SLOW)


def test_all_the_ice_ahead_is_one_text(saying: Saying) -> None:
    runs = [make_surface(start_m=a, end_m=b, enter_h=h) for a, b, h in ((0.0, 20e3, 6.2), (60e3, 80e3, 7.0))]
    (text,) = Log().driver(icy(saying(), *runs))
    assert text.startswith("ICE mi 0-13, mi 37-50 of this trip, 23:12-")


def test_ice_is_not_sent_again_for_a_later_hour_under_way(saying: Saying) -> None:
    log, run = Log(), make_surface(start_m=60e3, end_m=80e3, enter_h=7.0)
    under_way = {"position": POSITION}
    log.driver(icy(saying(), run))
    later = make_surface(start_m=60e3, end_m=80e3, enter_h=9.0)
    assert log.driver(replace(icy(saying(), later), **under_way), ROLLING) == []
    longer = make_surface(start_m=30e3, end_m=80e3, enter_h=9.0)
    assert len(log.driver(replace(icy(saying(), longer), **under_way), ROLLING)) == 1


def test_runs_a_short_way_apart_are_one_and_many_are_a_span() -> None:
    runs = [make_surface(start_m=a * MILE_M, end_m=b * MILE_M) for a, b in ((0, 10), (14, 20), (40, 50), (60, 70))]
    assert spans(runs[:3]) == "mi 0-20, mi 40-50"
    assert spans(runs) == "mi 0-70 in places"
    assert spans(runs, load_translator("es")).endswith(" por tramos")


ICE = ClosureNote(
    what="Ice over a long way", source="our forecast", where="", start_m=10e3, end_m=60e3, zone="America/Denver",
    enter_at=at_hour(6.2), begins_at=at_hour(1), ends_at=at_hour(9), met=True, held=True, posted=False, kind="ice",
    probability=0.6,
)  # fmt: skip
GUSTS = replace(ICE, what="Gusts too strong for this rig", start_m=20e3, end_m=30e3, kind="wind")


def held(plan: Plan, *notes: ClosureNote) -> Plan:
    return replace(plan, closures=notes, advice=HOLD if notes else plan.advice)


def test_a_later_end_of_a_hold_is_sent_near_the_announced_one(saying: Saying) -> None:
    log = Log()
    assert len(log.driver(held(saying(), ICE))) == 1
    assert log.driver(held(saying(), replace(ICE, ends_at=at_hour(14)))) == []
    assert len(log.driver(held(saying(), replace(ICE, ends_at=at_hour(14))), at_hour(7.1))) == 1


def test_a_second_reason_to_hold_is_sent_as_the_first_ends(saying: Saying) -> None:
    """The end of the first is no relief while the second holds the truck."""
    log = Log()
    log.driver(held(saying(), ICE))
    assert log.driver(held(saying(), ICE, GUSTS)) == []
    (text,) = log.driver(held(saying(), GUSTS))
    assert "Gusts too strong for this rig" in text
    assert "ENDED" not in text
    assert [t[:10] for t in log.driver(saying())] == ["HOLD ENDED"]


def test_a_reason_before_the_place_of_a_hold_is_sent(saying: Saying) -> None:
    log = Log()
    log.driver(held(saying(), GUSTS))
    assert len(log.driver(held(saying(), GUSTS, ICE))) == 1


def test_orders_beyond_a_hold_come_with_its_release(saying: Saying) -> None:
    """Until its relief is sent a driver who has not left obeys the hold; then both come together."""
    slow = replace(
        POLICY,
        ease_after=timedelta(minutes=20),
        ease_alone_after=timedelta(minutes=20),
        quiet_from=time(0),
        quiet_to=time(0),
    )
    facts = plan_notices(held(saying(), ICE), None, at_hour(4.2), slow)[1]
    texts = []
    for hour in (4.5, 4.7, 5.0):
        plan = saying(READY)
        newer = tuple(replace(s, issued_at=at_hour(hour), fetched_at=at_hour(hour)) for s in plan.sources)
        notices, facts = plan_notices(replace(plan, sources=newer), facts, at_hour(hour), slow)
        texts.append([n.text[:5] for n in notices if n.audience is Audience.DRIVER])
    assert texts == [[], [], ["HOLD ", "BE RE"]]


def passed_on(plan: Plan, facts: tuple[SentFact, ...], hour: float, policy: Policy) -> tuple[list[str], Any]:
    """The driver's texts, on a forecast that is new at this hour, without the words to the office."""
    newer = tuple(replace(s, issued_at=at_hour(hour), fetched_at=at_hour(hour)) for s in plan.sources)
    notices, facts = plan_notices(replace(plan, sources=newer), facts, at_hour(hour), policy)
    return [n.text.partition(": ")[2] for n in notices if n.passed_on], facts


def test_a_text_after_departure_says_whether_the_hold_ended(saying: Saying) -> None:
    """The departure passes while the truck holds. An order without these words reads as a release."""
    slow = replace(POLICY, ease_after=timedelta(minutes=20), ease_alone_after=timedelta(minutes=20))
    facts = plan_notices(held(saying(), ICE), None, at_hour(5.5), slow)[1]
    texts, facts = passed_on(saying(CHAIN), facts, 6.1, slow)
    assert [t.startswith("HOLD STILL APPLIES until you hear that it ended. Then: PLAN TO CHAIN") for t in texts] == [
        True
    ]
    texts, facts = passed_on(saying(CHAIN), facts, 6.6, slow)
    assert [t[:10] for t in texts] == ["HOLD ENDED"]
    assert passed_on(saying(HOLD), facts, 6.8, slow)[0][0].startswith("HOLD at")


def test_relief_of_a_held_stretch_says_that_the_hold_ended(saying: Saying) -> None:
    log = Log()
    log.driver(saying(HOLD))
    (text,) = log.driver(saying(CHAIN))
    assert text.startswith("HOLD ENDED, ask before you go. PLAN TO CHAIN")
    log = Log()
    log.driver(held(saying(HOLD), ICE))
    assert [t for t in log.driver(held(saying(CHAIN), ICE)) if "ENDED" in t] == []


def test_snow_that_moves_back_is_no_news_past_the_stop(saying: Saying) -> None:
    """The truck has passed the stop, so none is listed for the road of the first message any more."""
    log = Log()
    log.driver(saying(READY))
    (s,) = saying(READY).stretches
    tires = "drive axle all 4"
    moved = replace(s, start_m=s.start_m - 5e3, end_m=s.start_m - 4e3, tires_short_words=tires)
    assert len(log.driver(replace(saying(), stretches=(moved,), advice=READY))) == 1
    here = replace(s, chain_up=replace(s.chain_up, stop_id="", name="present place"))
    past = replace(saying(), stretches=(here,), advice=READY, position=replace(POSITION, distance_m=38e3))
    assert log.driver(past, ROLLING) == []
