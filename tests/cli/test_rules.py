"""`alertd rules`: law, age and doubts for one rig, on the terminal, as JSON and as a picture."""

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree

import pytest
from click.testing import Result

from alertd.cli.rules import find_ruleset
from alertd.errors import InputError
from alertd.plan.model.plan import POSTED_SIGNS_DECIDE
from alertd.rules.tire_text import tires_line
from alertd.sources.files.laws.ruleset import read_rulesets, rule_files
from alertd.sources.files.rig import read_rig

ROOT = Path(__file__).parents[2]
CONFIG = ROOT / "config/alertd.toml"
CODES = sorted(p.stem.upper() for p in rule_files(ROOT / "config/rules"))


def _flat(text: str) -> str:
    return " ".join(text.split())


def test_without_code_every_file_is_listed_with_its_age(alertd: Callable[..., Result]) -> None:
    result = alertd("rules", "--config", CONFIG)
    assert result.exit_code == 0
    for code, ruleset in read_rulesets(ROOT / "config/rules").items():
        (line,) = [row for row in result.stdout.splitlines() if row.startswith(f"{code} ")]
        assert ruleset.text_date.isoformat() in line
        assert ruleset.review_by.isoformat() in line
    assert [r["code"] for r in json.loads(alertd("rules", "--json", "--config", CONFIG).stdout)] == CODES


@pytest.mark.parametrize("code", CODES)
def test_rule_set_shows_citation_ages_doubts_and_who_decides(code: str, alertd: Callable[..., Result]) -> None:
    result = alertd("rules", code.lower(), "--rig", "doubles-4x2", "--config", CONFIG)
    assert result.exit_code == 0, result.output
    expected, rules = _flat(result.stdout), read_rulesets(ROOT / "config/rules")[code]
    assert _flat(rules.citation) in expected
    assert f"text of {rules.text_date}" in expected
    assert f"read {rules.reviewed_on}" in expected
    assert POSTED_SIGNS_DECIDE in expected
    for words in (
        *rules.doubts,
        *rules.notes,
        *(lv.legal_name for lv in rules.levels),
        *(f.amount for f in rules.fines),
    ):
        assert _flat(words) in expected


def test_washington_rules_list_tires_chains_aboard_and_gear(
    alertd: Callable[..., Result],
) -> None:
    expected = _flat(
        alertd("rules", "WA", "--rig", "tractor-6x4-van-53", "--level", "over-10000-gvw", "--config", CONFIG).stdout
    )
    assert (
        "tires 5: 4 drive: outside dual left+right, both drive axles; trailer: 1 right outside, rear axle" in expected
    )
    assert "5 singles SHORT" in expected
    assert "chains for 5 tires plus 2 spare" in expected
    assert "rear drive axle [C][ ]-----[ ][C]" in expected
    assert "FROM MEMORY, no source" in expected
    assert "not chaining where posted: $500" in expected
    assert "Traction advisory" not in expected


def test_spain_says_that_a_truck_may_not_drive_at_yellow(alertd: Callable[..., Result]) -> None:
    expected = _flat(alertd("rules", "ES", "--level", "yellow", "--config", CONFIG).stdout)
    assert (
        "BARRED this rig may not pass: trucks over 3,500 kg and articulated vehicles may not drive at yellow"
        in expected
    )


def test_german_rules_are_in_km_as_law_and_swiss_ones_as_advice(alertd: Callable[..., Result]) -> None:
    assert "at most 50 km/h (law: StVO section 3(4)" in _flat(alertd("rules", "DE", "--config", CONFIG).stdout)
    assert "at most 50 km/h (advice, not law: " in _flat(alertd("rules", "CH", "--config", CONFIG).stdout)
    assert "at most 25 mph" in _flat(alertd("rules", "US-CA", "--config", CONFIG).stdout)


def test_json_says_the_same_tires_with_the_text_each_stands_on(alertd: Callable[..., Result]) -> None:
    out = json.loads(alertd("rules", "US-ID", "--rig", "doubles-6x4", "--json", "--config", CONFIG).stdout)
    (level,) = out["levels"]
    assert (level["tires_min"], len(level["tires"]), level["singles_short"]) == (6, 6, 6)
    assert all(row["sections"] == [level["section"]] for row in level["because"])
    assert level["tires"] in level["choices"]
    # A section that nothing shows to be changed is not old, whatever the year of the copy that was read.
    assert out["aged"] == []
    assert [c["seen_standing_on"] for c in out["clauses"]] == ["2022-06-09"]
    assert out["authority"] == POSTED_SIGNS_DECIDE


def test_a_rig_file_of_ones_own_can_be_named(alertd: Callable[..., Result], tmp_path: Path) -> None:
    text = (ROOT / "config/rigs/tractor-6x4-van-53.toml").read_text(encoding="utf-8")
    own = tmp_path / "own.toml"
    own.write_text(text.replace("singles = 0, doubles = 0", "singles = 1, doubles = 2"), encoding="utf-8")
    expected = _flat(alertd("rules", "WA", "--rig", own, "--level", "over-10000-gvw", "--config", CONFIG).stdout)
    assert "1 singles, 2 doubles: enough" in expected
    assert "all 4, front drive axle" in expected


def test_picture_is_that_of_the_level_that_asks_most(alertd: Callable[..., Result], tmp_path: Path) -> None:
    path = tmp_path / "axles.svg"
    assert alertd("rules", "US-CA", "--rig", "doubles-6x4", "--svg", path, "--config", CONFIG).exit_code == 0
    drawn = ElementTree.fromstring(path.read_text(encoding="utf-8"))
    rig = read_rig(ROOT / "config/rigs/doubles-6x4.toml")
    out = json.loads(alertd("rules", "US-CA", "--rig", "doubles-6x4", "--json", "--config", CONFIG).stdout)
    most = max(out["levels"], key=lambda lv: len(lv["tires"]))
    desc = drawn.find("{http://www.w3.org/2000/svg}desc")
    assert most["tires_words"] in desc.text
    assert "no tires" not in desc.text
    assert tires_line(rig, ()) == "no tires"


def test_past_review_the_status_is_that_of_stale_data(alertd: Callable[..., Result], tmp_path: Path) -> None:
    config = shutil.copytree(ROOT / "config", tmp_path / "config")
    path = config / "rules/us-id.toml"
    text = path.read_text(encoding="utf-8")
    old = text.replace("reviewed_on = 2026-11-25", "reviewed_on = 2022-06-25").replace(
        "review_by = 2027", "review_by = 2022"
    )
    path.write_text(old, encoding="utf-8")
    result = alertd("rules", "US-ID", "--config", config / "alertd.toml")
    assert result.exit_code == 3
    assert "was due for review on 2022-10-01" in _flat(result.stdout)


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (("ZZ",), 'no rules of "ZZ" on file; write one of: AT, '),
        (("WA", "--rig", "lorry"), '"lorry" is not known; name a rig file, or one of: bobtail-4x2'),
        (("WA", "--level", "R-9"), '"R-9" is not a level of Washington; write one of: traction-advisory'),
        (("AK", "--svg", "x.svg"), "Alaska has no level to draw"),
        (("WA", "--svg", "no/such/folder/x.svg"), "cannot be written"),
    ],
)
def test_mistake_is_one_line_that_names_the_choices(
    arguments: tuple[str, ...], expected: str, mistake: Callable[..., str]
) -> None:
    assert expected in mistake("rules", *arguments, "--config", CONFIG)


def test_state_letters_suffice_and_a_country_is_not_a_state() -> None:
    rulesets = read_rulesets(ROOT / "config/rules")
    assert find_ruleset(rulesets, "ca").jurisdiction == "US-CA"
    assert find_ruleset(rulesets, "bc").jurisdiction == "CA-BC"
    assert find_ruleset(rulesets, "de").jurisdiction == "DE"
    with pytest.raises(InputError):
        find_ruleset(rulesets, "US")


@pytest.mark.parametrize("kind", ["rule", "rig", "limits"])
def test_schema_in_shared_is_that_of_the_files_read(kind: str, alertd: Callable[..., Result]) -> None:
    """To write it anew: alertd rules --schema rule > shared/rule-file.schema.json"""
    shipped = (ROOT / f"shared/{kind}-file.schema.json").read_text(encoding="utf-8")
    assert alertd("rules", "--schema", kind).stdout == shipped


def test_diff_names_rigs_roads_and_the_first_day(alertd: Callable[..., Result]) -> None:
    """SB24-100, signed 20 May 2024: more corridors for commercial vehicles."""
    result = alertd("rules", "diff", "US-CO", "2024-05-19", "2024-09-01", "--config", CONFIG)
    assert result.exit_code == 0, result.output
    assert "from 2024-05-20: US-285: New Mexico line to MP 250: 4 chains aboard, before 0" in result.stdout
    none = alertd("rules", "diff", "US-CO", "2024-05-20", "2024-09-01", "--config", CONFIG)
    assert "no change on file" in none.stdout


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (("diff",), "no CODE given"),
        (("diff", "US-CO", "2024-05-19"), "1 dates given"),
        (("diff", "US-CO", "2024-09-01", "2024-05-19"), "the second date is not after the first"),
        (("diff", "US-CO", "soon", "later"), "write each date as 2027-01-31"),
        (("US-CO", "--date", "soon"), '"soon" is no date'),
        (("US-CO", "US-WA"), "2 codes given"),
    ],
)
def test_mistakes_of_dates_are_one_line(arguments: tuple[str, ...], expected: str, mistake: Callable[..., str]) -> None:
    assert expected in mistake("rules", *arguments, "--config", CONFIG)


def test_date_selects_the_law_of_that_day(alertd: Callable[..., Result]) -> None:
    old, new = (
        json.loads(alertd("rules", "US-CO", "--date", day, "--json", "--config", CONFIG).stdout)
        for day in ("2024-01-10", "2027-01-10")
    )
    assert [len(c["roads"]) for c in old["carry"]] == [1]
    assert [len(c["roads"]) for c in new["carry"]] == [1, 7]


def test_doubts_list_the_unread_decree_first_with_its_page(alertd: Callable[..., Result]) -> None:
    rows = json.loads(alertd("rules", "--doubts", "--json", "--date", "2026-11-28", "--config", CONFIG).stdout)
    assert (rows[0]["jurisdiction"], rows[0]["sure"]) == ("ES", "unread")
    assert all(row["page"] and row["question"] for row in rows)
    sure = [row["sure"] for row in rows]
    assert sure.index("memory") < sure.index("press")
    text = alertd("rules", "--doubts", "--date", "2026-11-28", "--config", CONFIG).stdout
    assert "RD 518/2026" in text
    assert "WAC 204-24-050(2)" in text
