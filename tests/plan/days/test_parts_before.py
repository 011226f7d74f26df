"""Parts of a sleeper berth rest that were taken before the road ahead begins, 49 CFR 395.1(g)(1)(ii)."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from alertd.plan.days.day_law import day_law, state_of
from alertd.plan.days.labels import STEP_MIN, RoadTable, Stand
from alertd.plan.days.search import RestSearch
from alertd.plan.hours.laws import US, Duty
from alertd.plan.hours.legal import violations
from alertd.plan.hours.limits import HoursUsed, Spell
from alertd.plan.hours.notes import stood_words
from tests.plan.hours.test_legal import FRESH, START, day

COLUMNS = 60 * 96 // STEP_MIN
LAW = day_law((US,), FRESH)


def road(hours: float) -> RoadTable:
    """A dry road of so many hours with a place to rest every half hour."""
    edges = round(2 * hours)
    one = np.ones((edges, COLUMNS), dtype=np.int64)
    none = np.zeros((edges + 1, COLUMNS), dtype=np.int64)
    yes = np.ones(edges + 1, dtype=np.bool_)
    return RoadTable(
        drive=30 * one, work=0 * one, price=0 * one, rest_price=none, break_price=none, can_rest=yes, changes=~yes
    )


def ahead(text: str, hours: float) -> tuple[list[tuple[Stand, int]], tuple[Spell, ...]]:
    """The stands of the best plan for so many hours of road after the spells of `text`, and all spells."""
    before = day(text)
    state = state_of(FRESH, US, START, before)
    found = RestSearch(table=road(hours), law=LAW, state=state).best()
    assert found is not None
    spells, at_s, at_m, place = list(before), before[-1].end_s, before[-1].end_m, 0
    for stand in (*found.stands, None):
        until = round(2 * hours) if stand is None else stand.place
        for duty, takes_s, rolls_m in (
            (Duty.DRIVING, 1_800.0 * (until - place), 45_000.0 * (until - place)),
            (Duty.OFF, 0.0 if stand is None else 60.0 * stand.minutes, 0.0),
        ):
            if takes_s > 0.0:
                ends_s, ends_m = at_s + takes_s, at_m + rolls_m
                spells.append(Spell(duty=duty, start_s=at_s, end_s=ends_s, start_m=at_m, end_m=ends_m))
                at_s, at_m = ends_s, ends_m
        place = until
    return [(x.stand, x.minutes) for x in found.stands], tuple(spells)


@pytest.mark.parametrize(
    ("text", "hours", "slept"),
    [
        # 7 h in the berth after 8 h of driving: 3 h of driving are left. Then 3 h complete the rest, and 11 - 3 = 8 h
        # more are free. 11 h of road take one stand of 3 h instead of a rest of 10 h.
        ("D8 O7", 11.0, 180),
        ("D7 O8", 10.0, 120),  # 8 and 2: 4 h, 2 h, then 11 - 4 = 7 h, of which 6 are needed
        ("D5 O5 D1", 10.0, 420),  # FMCSA, question 6: 5 h off duty, completed by 7 h in the berth
    ],
)
def test_a_part_before_is_completed(text: str, hours: float, slept: int) -> None:
    stands, spells = ahead(text, hours)
    assert [m for s, m in stands if s is Stand.SPLIT_SECOND] == [slept]
    assert not [s for s, _ in stands if s is Stand.REST]
    assert violations(spells, FRESH, US, START) == ()


def test_a_pair_before_counts_from_the_end_of_its_first_part() -> None:
    # FMCSA, question 8: 8 h, 7 h in the berth, 3 h, 3 h off duty: 8 of 11 h are left, without any rest.
    state = state_of(FRESH, US, START, day("D8 O7 D3 O3"))
    assert (state.driven, state.began) == (180, -180)  # the 3 h of driving; the window began 3 h ago without the part
    stands, spells = ahead("D8 O7 D3 O3", 8.0 - 0.5)
    assert [s for s, _ in stands if s is not Stand.BREAK] == []
    assert violations(spells, FRESH, US, START) == ()


def test_less_than_two_hours_credit_nothing() -> None:
    state = state_of(FRESH, US, START, day("D5 O1.9 D1"))
    assert (state.part, state.completes) == (0, 0)


def test_a_stand_of_unknown_duty_is_said_and_not_credited() -> None:
    before = day("D5 W3 D1")
    assert state_of(FRESH, US, START, before).part == 0
    (words,) = stood_words(before, US, 1e6)
    assert "Stood 3.0 h" in words
    assert "counted as on duty" in words
    assert "395.1(g)(1)(ii)" in words
    assert stood_words(day("D5 W1.9 D1"), US, 1e6) == ()


def test_hours_before_departure_count_with_a_part() -> None:
    used = HoursUsed(drive_h=2.0, on_duty_since=datetime(2027, 1, 14, 3, 0, tzinfo=UTC), since_break_h=2.0)
    state = state_of(used, US, START + timedelta(0), day("D4 O7"))
    assert (state.driven, state.began, state.part, state.completes) == (360, -840, 420, 180)
