from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest

from alertd.rules.clause import last_season_start
from alertd.rules.duties import Season
from alertd.rules.ruleset import RuleSet
from alertd.sources.files.boundaries import read_boundaries
from alertd.sources.files.laws.ruleset import rule_files

CONFIG = Path(__file__).parents[2] / "config"
RULES = CONFIG / "rules"
OUTLINES = sorted((CONFIG / "boundaries").glob("*json"))

# Inclusive windows: chain_laws_us reference section 14.5, from WAC 204-24-050 as quoted by WSDOT, SB24-100 s.1,
# MCA 61-9-436 and the BC ministry page.
WINDOWS = [
    ("WA", Season(start=(11, 1), end=(4, 1)), date(2026, 11, 1), date(2027, 4, 1)),
    ("CO", Season(start=(9, 1), end=(5, 31)), date(2026, 9, 1), date(2027, 5, 31)),
    ("MT", Season(start=(10, 1), end=(4, 30)), date(2026, 10, 1), date(2027, 4, 30)),
    ("BC", Season(start=(10, 1), end=(3, 31)), date(2026, 10, 1), date(2027, 3, 31)),
    ("AK", Season(start=(5, 1), end=(9, 15)), date(2026, 5, 1), date(2026, 9, 15)),
]


@pytest.mark.parametrize(("name", "season", "first", "last"), WINDOWS, ids=[w[0] for w in WINDOWS])
def test_season_includes_its_first_and_last_day_only(name: str, season: Season, first: date, last: date) -> None:
    one = timedelta(days=1)
    assert [season.contains(d) for d in (first - one, first, last, last + one)] == [False, True, True, False]


def test_season_over_new_year_includes_new_year_and_leap_day() -> None:
    season = Season(start=(11, 1), end=(4, 1))
    assert season.contains(date(2027, 1, 1))
    assert season.contains(date(2028, 2, 29))


def test_every_rule_file_gives_its_basis_and_reading_date(shipped: dict[str, RuleSet]) -> None:
    assert shipped["US-WA"].level("over-10000-gvw").posted_by
    for ruleset in shipped.values():
        assert ruleset.citation
        assert ruleset.sources
        assert ruleset.text_date <= ruleset.reviewed_on < ruleset.review_by
        assert any("live text" in d for d in ruleset.doubts)
        for level in ruleset.levels:
            assert all(d.section for d in level.demands)


def test_each_rule_file_is_read(shipped: dict[str, RuleSet]) -> None:
    assert sorted(code.lower() for code in shipped) == sorted(path.stem for path in rule_files(RULES))


def test_each_land_with_rules_has_an_outline(shipped: dict[str, RuleSet]) -> None:
    outlined = {land.code for path in OUTLINES for land in read_boundaries(path).lands}
    assert set(shipped) <= outlined


def test_reading_is_overdue_only_after_review_by(shipped: dict[str, RuleSet]) -> None:
    ruleset = shipped["US-MT"]
    assert not ruleset.review_overdue(ruleset.review_by)
    assert ruleset.review_overdue(ruleset.review_by + timedelta(days=1))


def test_zone_without_points_is_told_not_placed(shipped: dict[str, RuleSet]) -> None:
    assert {z.id for z in shipped["CA-BC"].unplaced_zones} == {"signed", "mountain"}
    assert all(shipped[code].unplaced_zones == () for code in ("US-WA", "US-CO", "US-MT"))


def test_text_not_current_into_the_last_winter_season_is_told(shipped: dict[str, RuleSet]) -> None:
    """A rule set without clauses, as an operator may write one."""
    fresh = replace(shipped["US-MT"], text_date=date(2025, 7, 1), clauses=())
    assert fresh.freshness(date(2026, 11, 25)) == ()
    older = replace(fresh, text_date=date(2025, 6, 30))
    assert older.freshness(date(2026, 11, 25)) == ("is of 2025-06-30, older than the last winter season",)
    assert len(older.freshness(date(2027, 10, 2))) == 2  # review is overdue as well


@pytest.mark.parametrize(
    ("day", "start"),
    [
        (date(2026, 7, 1), date(2025, 7, 1)),
        (date(2026, 6, 30), date(2024, 7, 1)),
        (date(2027, 1, 10), date(2025, 7, 1)),
    ],
)
def test_last_season_is_the_one_before_the_season_of_the_day(day: date, start: date) -> None:
    assert last_season_start(day) == start


def test_moving_season_end_uses_the_years_date_else_its_latest() -> None:
    season = Season(start=(11, 1), end=(5, 3), ends=(date(2026, 4, 13), date(2027, 4, 5)))
    assert [season.contains(date(2026, 4, d)) for d in (13, 14)] == [True, False]
    assert [season.contains(date(2027, 4, d)) for d in (5, 6)] == [True, False]
    assert [season.contains(date(2033, 5, d)) for d in (3, 4)] == [True, False]
    assert season.contains(date(2026, 11, 1))


def _easter(year: int) -> date:
    """Gregorian Easter Sunday, anonymous algorithm (Meeus, Astronomical Algorithms, 2nd ed., chapter 8)."""
    a, b, c = year % 19, year // 100, year % 100
    d, e = b // 4, b % 4
    g = (8 * b + 13) // 25
    h = (19 * a + b - d - g + 15) % 30
    i, k = c // 4, c % 4
    m = (32 + 2 * e + 2 * i - h - k) % 7
    n = (a + 11 * h + 19 * m) // 433
    month = (h + m - 7 * n + 90) // 25
    return date(year, month, (h + m - 7 * n + 33 * month + 19) % 32)


def test_norway_lists_the_monday_after_second_easter_day(shipped: dict[str, RuleSet]) -> None:
    assert _easter(2000) == date(2000, 4, 23)
    ends = shipped["NO"].carry[0].season.ends
    assert len(ends) >= 6
    assert list(ends) == [_easter(e.year) + timedelta(days=8) for e in ends]


def test_every_level_has_an_estimate_and_none_alarms_on_plains(
    shipped: dict[str, RuleSet],
) -> None:
    """No level asks for readiness on every snowy plain."""
    # 0.15 is the probability from which a plan says "be ready"
    for ruleset in shipped.values():
        assert {e.level for e in ruleset.estimates} == {lv.id for lv in ruleset.levels}
        for e in ruleset.estimates:
            demands = [d for d in ruleset.level(e.level).demands if not d.rig_class.asks_facts]
            asks = any(d.layouts != ((),) or d.barred for d in demands)
            assert e.min_abs_grade > 0 or e.probability <= 0.1 or not asks


def test_stricter_reading_is_said_where_it_is_used(shipped: dict[str, RuleSet]) -> None:
    for ruleset in shipped.values():
        for thing in (d for lv in ruleset.levels for d in lv.demands):
            assert thing.doubt or thing.confidence not in ("doubt", "memory")
        assert ruleset.text_date_note or (ruleset.text_date.month, ruleset.text_date.day) != (1, 1)
