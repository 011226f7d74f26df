"""Officers' sheets, the reading list by trips, company practice and the facts of rigs, on the command line."""

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from click.testing import Result

from alertd.cli.checking.law import asked_facts, fact_findings, practice_findings
from alertd.cli.law import reading_list
from alertd.cli.officer import officer_sheet
from alertd.errors import ConfigError, InputError
from alertd.rules.rig import RigFacts
from alertd.settings.read import read_settings
from alertd.sources.files.laws.practice import read_practices
from alertd.sources.files.laws.ruleset import read_rulesets
from alertd.sources.files.rig import read_rigs

ROOT = Path(__file__).parents[2]
CONFIG = ROOT / "config/alertd.toml"
JANUARY = date(2027, 1, 10)
RULESETS = read_rulesets(ROOT / "config/rules")
RIGS = read_rigs(ROOT / "config/rigs")
VAN = RIGS["tractor-6x4-van-53"]


def test_the_sheet_names_clause_tires_paper_fine_and_turn(alertd: Callable[..., Result]) -> None:
    """RCW 47.36.250 and WAC 204-24-050 as on file: 5 tires, 7 chains aboard, the bill of lading, $500."""
    run = alertd("rules", "US-WA", "--sheet", "--place", "i90-snoqualmie", "--level", "Traction tires required",
                 "--date", "2027-01-10", "--config", CONFIG)  # fmt: skip
    assert run.exit_code == 0, run.output
    said = " ".join(run.stdout.split())
    for words in (
        "7 single chains", "4 + 1", "axle 5, trailer", "RCW 47.36.250(1)(b)", "paper: bill of lading", "$500",
        "turned back", "FROM MEMORY", "Posted signs and officers decide",
    ):  # fmt: skip
        assert words in said


def test_the_sheet_prints_as_a_page_and_as_json(alertd: Callable[..., Result], tmp_path: Path) -> None:
    page = tmp_path / "sheet.html"
    run = alertd("rules", "US-OR", "--sheet", "--place", "i5-siskiyou", "--html", page, "--json", "--config", CONFIG)
    assert run.exit_code == 0, run.output
    assert (json.loads(run.stdout)["power_n"], json.loads(run.stdout)["towed_n"]) == (4, 2)
    assert "inspection sites MP 1 northbound" in page.read_text(encoding="utf-8")


def test_an_unknown_place_or_level_names_the_known_ones(mistake: Callable[..., str]) -> None:
    assert "i90-snoqualmie" in mistake("rules", "US-WA", "--sheet", "--place", "moon", "--config", CONFIG)
    assert "over-10000-gvw" in mistake("rules", "US-WA", "--sheet", "--level", "moon", "--config", CONFIG)
    assert "add --sheet" in mistake("rules", "US-WA", "--place", "i90-snoqualmie", "--config", CONFIG)


def test_every_file_gives_a_sheet_to_every_preset() -> None:
    for rules in RULESETS.values():
        for rig in RIGS.values():
            sheet = officer_sheet(rules, rig, JANUARY, None, None)
            assert len(sheet.tires) == sheet.power_n + sheet.towed_n
            assert sheet.duties or not rules.notes


def test_the_reading_list_is_ranked_by_trips() -> None:
    rows = reading_list(RULESETS, JANUARY, {"US-MT": 3, "US-WA": 1})
    assert rows[0]["jurisdiction"] == "US-WA"  # Montana's clauses were read in their text or on the agency's page
    assert rows[0]["sure"] == "memory"
    assert [r["trips"] for r in rows] == sorted((r["trips"] for r in rows), reverse=True)
    assert all(r["page"] and r["question"] for r in rows)


def test_a_rig_is_asked_only_for_facts_that_decide_a_duty() -> None:
    """CRS 42-4-235: a plate or placards decide below 16,001 lb alone; RCW 47.36.250: oversize bars at any weight."""
    light = replace(RIGS["straight-truck-4x2"], rated_mass_kg=6_000.0)
    assert set(asked_facts(RULESETS["US-CO"], light)) >= {"apportioned", "placarded", "tow_truck"}
    assert not {"apportioned", "placarded"} & set(asked_facts(RULESETS["US-CO"], VAN))
    assert asked_facts(RULESETS["US-WA"], VAN) == ("oversize",)
    assert asked_facts(RULESETS["US-WA"], replace(VAN, facts=RigFacts(oversize=False))) == ()
    assert asked_facts(RULESETS["US-ID"], VAN) == ()


def test_check_asks_for_the_facts_of_planned_routes() -> None:
    """The demo's trips run through Washington, Idaho and Montana: oversize alone matters there."""
    found = fact_findings(read_settings(ROOT / "fixtures/demo/alertd.toml"))
    assert found
    assert all("oversize" in line and "US-WA" in line and "placarded" not in line for line in found)


PRACTICE = """[[ask]]
why = "all drive tires in Washington"
jurisdictions = ["US-WA"]
layouts = [[{ group = "drive", axles = "all", per_axle = "all tires" }]]
"""


def _settings(tmp_path: Path, practice: str) -> Path:
    config = shutil.copytree(ROOT / "config", tmp_path / "config")
    (config / "practice.toml").write_text(practice, encoding="utf-8")
    path = config / "alertd.toml"
    text = path.read_text(encoding="utf-8")
    assert 'practice = ""' in text
    path.write_text(text.replace('practice = ""', 'practice = "practice.toml"'), encoding="utf-8")
    return path


def test_practice_that_asks_more_is_read_and_good(tmp_path: Path) -> None:
    found = practice_findings(read_settings(_settings(tmp_path, PRACTICE)))
    assert [(wrong, "more than the law in US-WA" in line) for wrong, line in found] == [(False, True)]


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('axles = "all", per_axle = "all tires"', 'axles = "one", per_axle = "one tire"', "asks no more than the law"),
        ("layouts =", "aboard = 1\nlayouts =", "1 aboard is less than the law of US-WA"),
        ("layouts =", 'rigs = ["moon"]\nlayouts =', "no rig moon on file"),
    ],
)
def test_practice_that_asks_less_is_wrong(tmp_path: Path, old: str, new: str, words: str) -> None:
    found = practice_findings(read_settings(_settings(tmp_path, PRACTICE.replace(old, new))))
    assert any(wrong and words in line for wrong, line in found), found


def test_practice_names_only_what_is_on_file(tmp_path: Path) -> None:
    path = tmp_path / "practice.toml"
    path.write_text(PRACTICE.replace("US-WA", "US-XX"), encoding="utf-8")
    with pytest.raises(ConfigError, match='"US-XX" is not on file'):
        read_practices(path, RULESETS)
    path.write_text(PRACTICE.replace("layouts", 'levels = ["moon"]\nlayouts'), encoding="utf-8")
    with pytest.raises(ConfigError, match='"moon" is not on file'):
        read_practices(path, RULESETS)
    with pytest.raises(InputError):
        officer_sheet(RULESETS["US-WA"], VAN, JANUARY, "moon", None)
