"""The hours laws over several days, checked with worked examples.

Sources, paragraph by paragraph:

- 49 CFR 395.3(a)(1) 10 h off duty, (a)(2) 14 h, (a)(3)(i) 11 h, (a)(3)(ii) 30 min after 8 h (85 FR 33396), (b) 60 and
  70 h, (c) 34 h restart; 395.1(g)(1)(i) and (ii) sleeper berth. The text of the paragraphs is from memory.
- Official answers of the FMCSA, "Frequently Asked Questions Relating to 2020 Changes to Hours of Service Regulations",
  fmcsa.dot.gov, 19 November 2020, questions 4 (a pair is excluded from the 14 h), 6 (5 h and 7 h pair up) and 8 (7 h in
  the berth, 3 h off duty, then 7 h in the berth or 10 h), as read there; and of 395.2, question 7 (less than 2 h never
  counts). They give the rule; hours and places of the cases that name them are ours.
- Regulation (EC) 561/2006, Articles 4(g), 4(h) and 4(i), 6(1) to 6(3), 7, 8(2), 8(4) and 8(6), from memory.

Every other case is worked by hand here, and no publication is known that has it. Each case says its arithmetic.
"""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

import pytest

from alertd.plan.hours.laws import EU, US, Duty
from alertd.plan.hours.legal import violations
from alertd.plan.hours.limits import HoursUsed, Spell

START = datetime(2027, 1, 14, 6, 0, tzinfo=UTC)
FRESH = HoursUsed(drive_h=0.0, on_duty_since=START, cycle_h=0.0, since_break_h=0.0)
DUTIES = {"D": Duty.DRIVING, "W": Duty.ON_DUTY, "O": Duty.OFF}


def day(text: str) -> tuple[Spell, ...]:
    """Spells from e.g. "D8 O0.5 D3 O10": duty and hours."""
    spells, at_s, at_m = [], 0.0, 0.0
    for part in text.split():
        takes_s = 3600.0 * float(part[1:])
        end_m = at_m + (25.0 * takes_s if part[0] == "D" else 0.0)
        spells.append(Spell(duty=DUTIES[part[0]], start_s=at_s, end_s=at_s + takes_s, start_m=at_m, end_m=end_m))
        at_s, at_m = at_s + takes_s, end_m
    return tuple(spells)


def kinds(text: str, law: object = US, used: HoursUsed = FRESH) -> Sequence[str]:
    return sorted(v.kind for v in violations(day(text), used, law, START))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("D8 O0.5 D3 O10 D8 O0.5 D3", []),  # 395.3(a)(3)(i): 11 h driving after each 10 h off duty
        ("D8 O0.5 D3.1 O10 D1", ["driving"]),  # 11.1 h
        ("D8 O0.5 D3 O9.9 D1", ["driving", "window"]),  # 9.9 h off duty is no rest: 12 h driving, 22.4 h elapsed
        ("D5 W4 D5 O10 D1", []),  # 14 h elapsed at the end of driving, 395.3(a)(2); W4 interrupts driving
        ("D5 W4.1 D5 O10 D1", ["window"]),  # 14.1 h
        ("D8.1 O0.5 D1", ["break"]),  # 395.3(a)(3)(ii): more than 8 h without 30 min
        ("D8 W0.5 D3", []),  # on duty, not driving interrupts since 29 Sep 2020 (85 FR 33396)
    ],
)
def test_49_cfr_395_3_daily_limits(text: str, found: list[str]) -> None:
    assert kinds(text) == found


@pytest.mark.parametrize(
    ("text", "found"),
    [
        # 7 h in the berth and 3 h off pair up. Before and between: D8 + D3 = 11 h, elapsed 11 h without the berth.
        # After the second part all counts from the end of the berth: D3 + D8 = 11 h, elapsed 11 h without the 3 h.
        ("D8 O7 D3 O3 D8", []),
        ("D8 O7 D3.5 O3 D7", ["driving"]),  # 11.5 h before the pair is complete
        ("D8 O7 D3 O3 D8 O0.5 D0.5", ["driving"]),  # 3 + 8.5 h since the end of the berth
        ("D5 O3 D5 W1 O7 D5", []),  # the short part first: 10 h and 11 h elapsed, then D5 + D5, elapsed 11 h
        ("D8 O7 D3 O2.5 D1", ["driving", "window"]),  # 9.5 h in sum is no pair: 12 h driving, 21.5 h elapsed
        ("D8 O6.5 D3 O3.5 D1", ["driving", "window"]),  # neither part has 7 h
    ],
)
def test_49_cfr_395_1_g_split_sleeper(text: str, found: list[str]) -> None:
    assert kinds(text) == found


@pytest.mark.parametrize(
    ("text", "cycle_h", "found"),
    [
        ("D8 O0.5 D2", 60.0, []),  # 70 h reached exactly, 395.3(b)(2)
        ("D8 O0.5 D2.1", 60.0, ["cycle"]),
        ("D8 O34 D8 O0.5 D3", 62.0, []),  # 395.3(c): 34 h off duty restart the cycle
        ("D8 O33 D8 O0.5 D3", 62.0, ["cycle"]),
    ],
)
def test_49_cfr_395_3_b_and_c_cycle(text: str, cycle_h: float, found: list[str]) -> None:
    used = HoursUsed(drive_h=0.0, on_duty_since=START, cycle_h=cycle_h, since_break_h=0.0)
    assert kinds(text, US, used) == found


@pytest.mark.parametrize(
    ("text", "short_rests", "found"),
    [
        ("D4.5 O0.75 D4.5 O11 D4.5", None, []),  # Articles 6(1), 7 and 8(2): 9 h, 45 min after 4.5 h, 11 h
        ("D4.5 O0.75 D4.6 O11 D1", None, ["break", "driving"]),  # 9.1 h, and 4.6 h since the break
        ("D4.5 O0.5 D1", None, ["break"]),  # 30 min alone are no break
        ("D2 O0.25 D2.5 O0.5 D4.5 O11 D1", None, []),  # Article 7: 15 and then at least 30 min
        ("D4.5 O0.75 D4.5 O9 D4.5", 0, []),  # Article 8(4): a reduced rest of 9 h, up to three times
        ("D4.5 O0.75 D4.5 O9 D4.5", 3, ["day", "driving"]),  # none is left: no rest at all
        ("D4.5 O0.75 D4 W4 O11 D1", None, ["day"]),  # 13.25 h to the rest: 11 h do not end within 24 h, Article 8(2)
        ("D4.5 O0.75 D4 W4 O9 D1", 0, []),  # but 9 h do: 22.25 h
    ],
)
def test_regulation_561_2006_days(text: str, short_rests: int | None, found: list[str]) -> None:
    used = HoursUsed(drive_h=0.0, on_duty_since=START, since_break_h=0.0, week_drive_h=0.0, short_rests=short_rests)
    assert kinds(text, EU, used) == found


@pytest.mark.parametrize(("week_h", "found"), [(47.0, []), (47.1, ["week"])])
def test_regulation_561_2006_article_6_2_week(week_h: float, found: list[str]) -> None:
    used = HoursUsed(drive_h=0.0, on_duty_since=START, since_break_h=0.0, week_drive_h=week_h)
    assert kinds("D4.5 O0.75 D4.5", EU, used) == found  # 56 h


def test_duty_day_before_departure_counts() -> None:
    used = HoursUsed(drive_h=3.0, on_duty_since=START - timedelta(hours=4), since_break_h=3.0)
    assert kinds("D5 O0.5 D3", US, used) == []  # 11 h, elapsed 12.5 h
    assert kinds("D5 O3 D3", US, used) == ["window"]  # 11 h, elapsed 15 h


@pytest.mark.parametrize(
    ("text", "long_days", "found"),
    [
        ("D4.5 O0.75 D4.5 O0.75 D1", 0, []),  # Article 6(1): 10 h, at most twice a week
        ("D4.5 O0.75 D4.5 O0.75 D1", 2, ["driving"]),
        ("D4.5 O0.75 D4.5 O0.75 D1 O11 D4.5 O0.75 D4.5 O0.75 D1", 1, ["driving"]),  # a third one
        ("D4.5 O0.75 D4.5 O0.75 D1.1", 0, ["driving"]),  # 10.1 h
        ("D4.5 O0.75 D4.5 O0.75 D1", None, ["driving"]),  # earlier use not given: none is left
    ],
)
def test_regulation_561_2006_article_6_1_longer_days(text: str, long_days: int | None, found: list[str]) -> None:
    used = HoursUsed(drive_h=0.0, on_duty_since=START, since_break_h=0.0, long_days=long_days)
    assert kinds(text, EU, used) == found


@pytest.mark.parametrize(
    ("text", "since_h", "reduced", "found"),
    [
        # Article 8(6): a weekly rest begins at the latest six 24-hour periods after the last one ended: 144 h.
        ("D4 O45 D4", 140.0, None, []),  # begins after 144 h
        ("D4.1 O45 D4", 140.0, None, ["weekly rest"]),  # after 144.1 h
        ("D4 O44 D4", 140.0, None, ["weekly rest"]),  # Article 4(h): 44 h are no regular weekly rest
        ("D4 O24 D4", 140.0, False, []),  # a reduced one of 24 h, the last one was regular
        ("D4 O24 D4", 140.0, True, ["weekly rest"]),  # but not two in a row
        ("D4 O24 D4 O11 D4", 140.0, False, []),
    ],
)
def test_regulation_561_2006_article_8_6_weekly_rest(
    text: str, since_h: float, reduced: bool | None, found: list[str]
) -> None:
    used = HoursUsed(
        drive_h=0.0, on_duty_since=START, since_break_h=0.0, weekly_rest_ended_at=START - timedelta(hours=since_h),
        weekly_rest_reduced=reduced,
    )  # fmt: skip
    assert kinds(text, EU, used) == found


def test_regulation_561_2006_article_8_4_short_rests() -> None:
    # Three short rests between two weekly rests; after a weekly rest there are three again.
    used = HoursUsed(drive_h=0.0, on_duty_since=START, since_break_h=0.0, short_rests=0)
    day_of = "D4.5 O0.75 D4 "
    assert kinds(f"{day_of}O9 {day_of}O9 {day_of}O9 {day_of}O11 D1", EU, used) == []
    assert kinds(f"{day_of}O9 {day_of}O9 {day_of}O9 {day_of}O9 D1", EU, used) == ["day", "driving"]
    assert kinds(f"{day_of}O9 {day_of}O9 {day_of}O9 {day_of}O45 {day_of}O9 D1", EU, used) == []


def test_regulation_561_2006_article_4_i_a_week_begins_on_monday() -> None:
    # Sunday 17 January 2027, 20:00. 50 h this week and 36 h in the last: at midnight 54 h of 56 h and 90 h of 90 h. On
    # Monday the 54 h are last week's: 3.25 h later 57.25 h of the fortnight's 90 h.
    sunday = datetime(2027, 1, 17, 20, 0, tzinfo=UTC)
    used = HoursUsed(drive_h=0.0, on_duty_since=sunday, since_break_h=0.0, week_drive_h=50.0, fortnight_drive_h=86.0)
    assert violations(day("D4 O0.75 D4"), used, EU, sunday) == ()
    used = HoursUsed(drive_h=0.0, on_duty_since=sunday, since_break_h=0.0, week_drive_h=53.0, fortnight_drive_h=88.0)
    found = violations(day("D4 O0.75 D4"), used, EU, sunday)
    assert sorted(v.kind for v in found) == ["fortnight", "week"]  # 57 h of 56 h, and 92 h of 90 h, before midnight


@pytest.mark.parametrize(
    ("text", "found"),
    [
        # 8 h in the berth and 2 h off pair up like 7 and 3, 395.1(g)(1)(ii). D6 + D5 = 11 h, elapsed 11 h.
        ("D6 O8 D5 O2 D6", []),
        ("D6 O2 D5 O8 D6", []),
        ("D6 O8 D5 O1.5 D1", ["driving", "window"]),  # 1.5 h are no part
        # 7 h, 8 h in the berth, 4 h, 2 h off: 7 h of driving in 10 h are left, counted from the end of the berth.
        ("D7 O8 D4 O2 D7", []),
        ("D7 O8 D4 O2 D4 W3 D3", []),  # elapsed 4 + 10 h
        ("D7 O8 D4 O2 D4 W3.1 D3", ["window"]),
        ("D7 O8 D4 O2 D7.1", ["driving"]),
    ],
)
def test_49_cfr_395_1_g_split_sleeper_8_2(text: str, found: list[str]) -> None:
    assert kinds(text) == found


@pytest.mark.parametrize(
    ("text", "found"),
    [
        # FMCSA, question 6: 5 h off duty and later 7 h in the berth pair up, and neither counts in the 14 h. Before the
        # pair is complete D5 + D6 = 11 h in 11 h elapsed; then from the end of the 5 h: D6 + D5 = 11 h.
        ("D5 O5 D6 O7 D5", []),
        ("D5 O5 D6 O7 D5.1", ["driving"]),
        # FMCSA, question 8: after 7 h and 3 h, another 7 h in the berth pair with the 3 h. From their end: D8 + D3.
        ("D8 O7 D3 O3 D8 O7 D3", []),
        ("D8 O7 D3 O3 D8 O7 D3.1", ["driving"]),
        ("D8 O7 D3 O3 D8 O10 D8", []),  # question 8: or 10 h off duty, and the 3 h stay out of the 14 h
        # FMCSA on 395.2, question 7: less than 2 h are no part. 11 h of driving, elapsed 5 + 1.9 + 5 + 8.1 + 1 = 21 h.
        ("D5 O1.9 D5 O8.1 D1", ["window"]),
        ("D5 O2 D5 O8 D1", []),  # but 2 h and 8 h are: from the end of the 2 h D5 + D1
    ],
)
def test_49_cfr_395_1_g_answers_of_the_fmcsa(text: str, found: list[str]) -> None:
    assert kinds(text) == found
