from datetime import date, timedelta

import pytest

from alertd.rules.law import RuleSet, Season

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
def test_season_holds_on_its_first_and_last_day_and_not_beside_them(
    name: str, season: Season, first: date, last: date
) -> None:
    one = timedelta(days=1)
    assert [season.contains(d) for d in (first - one, first, last, last + one)] == [False, True, True, False]


def test_season_that_wraps_the_year_holds_on_new_years_day_and_leap_day() -> None:
    season = Season(start=(11, 1), end=(4, 1))
    assert season.contains(date(2027, 1, 1))
    assert season.contains(date(2028, 2, 29))


def test_every_shipped_rule_file_says_what_it_stands_on_and_when_it_was_read(shipped: dict[str, RuleSet]) -> None:
    assert len(shipped) == 25
    for ruleset in shipped.values():
        assert ruleset.citation
        assert ruleset.sources
        assert ruleset.text_date <= ruleset.reviewed_on < ruleset.review_by
        assert any("live text" in d for d in ruleset.doubts)
        for level in ruleset.levels:
            assert all(d.section for d in level.demands)


def test_reading_is_overdue_only_after_review_by(shipped: dict[str, RuleSet]) -> None:
    ruleset = shipped["US-MT"]
    assert not ruleset.review_overdue(ruleset.review_by)
    assert ruleset.review_overdue(ruleset.review_by + timedelta(days=1))


def test_zone_without_points_is_told_not_placed(shipped: dict[str, RuleSet]) -> None:
    not_placed = {z.id for z in shipped["US-WA"].unplaced_zones}
    assert "us12-white" in not_placed
    assert not {"i90-snoqualmie", "us2-stevens"} & not_placed
    assert len(not_placed) == 10
