"""The deck beside a rule file: cases of the text that the rules must answer."""

from dataclasses import replace
from pathlib import Path

import pytest

from alertd.errors import ConfigError
from alertd.rules.cases import wrong_cases
from alertd.rules.ruleset import RuleSet
from alertd.sources.files.laws.rule_cases import cases_beside, read_cases
from alertd.sources.files.laws.ruleset import rule_files

ROOT = Path(__file__).parents[2]
RULES = ROOT / "config/rules"
DECKS = sorted(RULES.glob("*.cases.toml"))


def test_each_rule_file_has_a_deck_and_each_deck_its_file() -> None:
    assert not set(DECKS) & set(rule_files(RULES))
    assert set(DECKS) == {cases_beside(path) for path in rule_files(RULES)}


@pytest.mark.parametrize("path", DECKS, ids=lambda p: p.name)
def test_the_rules_answer_every_case(path: Path, shipped: dict[str, RuleSet]) -> None:
    code = path.name.split(".")[0].upper()
    assert wrong_cases(shipped[code], read_cases(path)) == ()


def test_a_wrong_answer_is_named_with_both_figures(shipped: dict[str, RuleSet]) -> None:
    one = read_cases(RULES / "us-wa.cases.toml")[0]
    bad = [
        replace(one, tires=(8, 1)), replace(one, clause="carry"),
        replace(one, level="none"), replace(one, place="moon"), replace(one, tires=None, barred=True),
    ]  # fmt: skip
    lines = wrong_cases(shipped["US-WA"], bad)
    assert len(lines) == len(bad)
    assert "the rules ask 4 + 1 tires, the case 8 + 1 tires" in lines[0]
    for line, part in zip(lines[1:], ('clause "placement"', "no level", "no zone", "barred"), strict=True):
        assert part in line


def test_a_case_asks_one_thing(tmp_path: Path) -> None:
    deck = tmp_path / "us-wa.cases.toml"
    deck.write_text('[[case]]\naxles = "S D"\nrated_lb = 9000\nlevel = "b"\ndate = 2027-01-10\nbasis = "c"\n')
    with pytest.raises(ConfigError, match="give one of tires, aboard, barred"):
        read_cases(deck)
