"""Leaving at another time and the end of a hold, in words.

The made trip leaves at 06:00 UTC, 22:00 PST of the day before, and ends by Mountain time.
"""

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from alertd.notices.reports.brief_text import brief_text
from alertd.notices.text import phrases
from alertd.notices.text.departures import best_departure_line, departure_advice, departure_lines
from alertd.notices.text.dispatcher import dispatcher_text
from alertd.plan.model.alternatives import Departure, DeparturePick
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.testing.factories import at_hour

CLEAR, SLOW, READY, CHAIN, HOLD = Advice
Saying = Callable[..., Plan]


def departure(hour: float, advice: Advice = CHAIN, *, arrives: float | None = None, **other: Any) -> Departure:
    values: dict[str, Any] = dict(probability=0.6, unknown_frac=0.0, lost_s=0.0, hangings=1, hours_ok=True)
    arrive_at = at_hour(hour + 3.0 if arrives is None else arrives)
    return Departure(depart_at=at_hour(hour), arrive_at=arrive_at, advice=advice, **(values | other))


def offering(plan: Plan, *picks: Departure, reasons: tuple[str, ...] = ()) -> Plan:
    """The plan, arriving at 09:00 UTC, with every quarter of an hour from 02:00 to 14:00 UTC compared."""
    compared = {d.depart_at: d for d in [*(departure(2.0 + n / 4) for n in range(49)), *picks]}
    return replace(
        plan,
        arrive_at=at_hour(9),
        departures=tuple(compared.values()),
        picks=tuple(
            DeparturePick(
                departure=d,
                leave_later_s=(d.depart_at - at_hour(6)).total_seconds(),
                arrive_later_s=(d.arrive_at - at_hour(9)).total_seconds(),
                reasons=reasons,
            )
            for d in picks
        ),
    )


def test_a_departure_without_chains_is_one_line_in_local_times(saying: Saying) -> None:
    plan = offering(saying(CHAIN), departure(4.5, CLEAR, arrives=9 - 70 / 60, probability=0.06))
    line = (
        "Leave 90 min earlier, 20:30 PST: no chains expected by this forecast (chains 1 in 10), arrives 00:50 MST, "
        "70 min sooner"
    )
    assert departure_lines(plan) == [line]
    assert best_departure_line(plan) == line


def test_other_day_is_named_and_a_same_reason_is_not_repeated(saying: Saying) -> None:
    """10:00 UTC is 02:00 PST of the day after the planned evening; the arrival stays on the day it was."""
    reasons = ("be ready to chain, not expected to (chains 2 in 10 instead of 6 in 10)", "within the hours")
    plan = offering(saying(CHAIN), departure(10.0, READY, arrives=13.0, probability=0.2), reasons=reasons)
    assert departure_lines(plan) == [
        "Leave 4 h 00 min later, Thu 02:00 PST: be ready to chain (chains 2 in 10), arrives 06:00 MST, "
        "4 h 00 min later; within the hours"
    ]


def test_arrivals_within_minutes_are_about_the_same(saying: Saying) -> None:
    plan = offering(saying(CHAIN), departure(7.0, arrives=9.05))
    assert departure_lines(plan)[0].endswith(", about the same")


def test_no_pick_is_not_better_and_no_comparison_is_no_text(saying: Saying) -> None:
    assert departure_lines(offering(saying(CHAIN))) == [
        "No other departure of the next 12 h is better by this forecast"
    ]
    assert departure_lines(replace(saying(CHAIN), departures=(), picks=())) == []


def test_nothing_is_worse_if_the_planned_time_was_not_compared(saying: Saying) -> None:
    plan = offering(saying(CHAIN))
    plan = replace(plan, departures=tuple(d for d in plan.departures if d.depart_at != plan.depart_at))
    (line,) = departure_lines(plan)
    assert "none is called better" in line


def test_missing_or_old_data_makes_no_departure_better(saying: Saying) -> None:
    """No other departure is called better or free of chains."""
    plan = offering(saying(CHAIN, partial=True), departure(4.5, CLEAR, arrives=7.0))
    (line,) = departure_lines(plan)
    assert line == "Some of the forecast is old or missing: no other departure is called better"
    assert best_departure_line(plan) == ""
    assert departure_advice(plan, plan.picks[0].departure) is READY
    assert departure_advice(saying(CHAIN), departure(4.5, CLEAR, unknown_frac=0.01)) is READY
    assert departure_advice(saying(CHAIN), departure(4.5, HOLD, unknown_frac=0.01)) is HOLD
    assert departure_advice(saying(CHAIN), departure(4.5, CLEAR)) is CLEAR


def test_brief_has_the_departure_that_changes_most_once_a_trip(saying: Saying) -> None:
    plan = offering(
        saying(CHAIN), departure(3.0, READY), departure(5.0, CLEAR, probability=0.04), departure(13.0, CLEAR)
    )
    for text in (brief_text("Invented fleet", [plan], (), at_hour(2), "America/Denver"), dispatcher_text(plan)):
        result = " ".join(text.split())
        assert result.count("Leave ") == 1
        assert "Leave 60 min earlier, 21:00 PST: no chains expected by this forecast (chains under 1 in 10)" in result


@pytest.mark.parametrize("lines", [lambda p: [best_departure_line(p)], departure_lines])
def test_no_line_says_that_chains_are_not_needed(saying: Saying, lines: Callable[[Plan], list[str]]) -> None:
    for advice in Advice:
        for line in lines(offering(saying(HOLD), departure(4.5, advice, arrives=7.0, probability=0.0))):
            assert "no chains needed" not in line
            assert "(chains under 1 in 10)" in line  # no forecast promises 0


@pytest.mark.parametrize(
    ("pick", "worth"),
    [
        (departure(4.0, arrives=7.0), False),  # who leaves two hours sooner arrives two hours sooner
        (departure(4.0, arrives=6.6), True),  # and 24 minutes are spared
        (departure(8.0, arrives=10.6), True),
        (departure(4.0, READY, arrives=7.0), True),
    ],
)
def test_the_brief_leaves_out_what_spares_nothing(saying: Saying, pick: Departure, worth: bool) -> None:
    assert bool(best_departure_line(offering(saying(CHAIN), pick))) is worth


def test_legal_departure_is_a_line_if_the_planned_one_is_not(saying: Saying) -> None:
    plan = saying(CHAIN)
    assert plan.hours is not None
    illegal = replace(plan, hours=replace(plan.hours, ok=False))
    assert best_departure_line(offering(illegal, departure(4.0, arrives=7.0)))
    assert not best_departure_line(offering(illegal, departure(4.0, arrives=7.0, hours_ok=None)))


def test_hold_ends_by_the_clock_at_the_trucks_place(saying: Saying) -> None:
    plan = saying(HOLD, CHAIN)
    held, chained = plan.stretches
    noon = (held.chain_up.arrive_at + timedelta(hours=30)).replace(minute=0)
    day = replace(held, hold_until=noon, chain_up=replace(held.chain_up, zone="America/Denver"))
    at = phrases.clock_on(noon, "America/Denver", held.chain_up.arrive_at)
    assert at.endswith(" MST")
    assert len(at) == len("Thu 12:00 MST")
    text = " ".join(dispatcher_text(replace(plan, stretches=(day, chained))).split())
    assert f"until expected to be passable with chains from {at}" in text
    assert text.count("until") == 1
    never = dispatcher_text(replace(plan, stretches=(replace(held, hold_until=None), chained)))
    assert "no end of it within the forecast" in " ".join(never.split())


def test_a_rig_that_is_barred_is_not_told_of_grip(saying: Saying) -> None:
    (held,) = saying(HOLD).stretches
    text = dispatcher_text(replace(saying(HOLD), stretches=(replace(held, barred="made 5"),)))
    assert "HOLD below it, rig may be barred" in " ".join(text.split())
