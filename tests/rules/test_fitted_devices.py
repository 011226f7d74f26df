"""Automatic chains count where the rule file says that the law counts them, and are said not to where it does not."""

from dataclasses import replace
from pathlib import Path

import pytest

from alertd.errors import ConfigError
from alertd.rules.requirements import cover, demand_for
from alertd.rules.rig import Rig
from alertd.rules.ruleset import RuleSet
from alertd.sources.files.laws.ruleset import read_ruleset
from alertd.testing.factories import make_rig

RULES = Path(__file__).resolve().parents[2] / "config" / "rules"
AUTOMATIC = frozenset({"automatic chains"})


def rules(code: str) -> RuleSet:
    return read_ruleset(RULES / f"{code}.toml")


def tires_n(rig: Rig, ruleset: RuleSet) -> dict[str, int]:
    return {level.id: demand_for(ruleset, level, rig).tires_min for level in ruleset.levels}


@pytest.mark.parametrize(
    ("code", "fewer"),
    [
        ("us-ca", True),  # drivers' digest of 2002: one for one on the inside tire
        ("us-id", True),  # Idaho Code 49-948(7): devices of equal effect
        ("us-wa", False),  # WAC 204-24-015 defines them; no text read lets a truck use them instead
        ("us-or", False),
        ("us-co", False),  # from memory alone is no relief
        ("us-mt", False),  # no text on file names them
    ],
)
def test_they_spare_chains_only_where_a_text_was_read(code: str, fewer: bool) -> None:
    plain, ruleset = make_rig(), rules(code)
    fitted = replace(plain, devices=AUTOMATIC)
    before, after = tires_n(plain, ruleset), tires_n(fitted, ruleset)
    assert all(after[level] <= before[level] for level in before)
    assert (after != before) is fewer
    asked = [demand_for(ruleset, level, fitted) for level in ruleset.levels if before[level.id]]
    assert asked
    for demand in asked:
        words = "count for" if fewer else "do not count here"
        assert f"automatic chains as fitted {words}" in demand.doubt
    assert not [d for d in (demand_for(ruleset, lv, plain) for lv in ruleset.levels) if "automatic" in d.doubt]


def test_tires_left_to_chain_are_outside_of_the_fitted_axle() -> None:
    ruleset, fitted = rules("us-ca"), replace(make_rig(), devices=AUTOMATIC)
    level = max(ruleset.levels, key=lambda lv: demand_for(ruleset, lv, make_rig()).tires_min)
    hung = cover(fitted, [demand_for(ruleset, level, fitted)]).tires
    first_drive = fitted.axle_indices(*{a.role for a in fitted.axles if a.role.value == "drive"})[0]
    assert not [t for t in hung if t.axle_idx == first_drive and t.place == "inside"]
    assert [t for t in hung if t.axle_idx == first_drive and t.place == "outside"]


def test_relief_without_a_text_is_refused(tmp_path: Path) -> None:
    good = (RULES / "us-id.toml").read_text(encoding="utf-8")
    for old, new, field in (
        ('section = "49-948(7): devices of equal effect"\n', "", "section"),
        ('"doubt"\ndoubt = "the section names', '"memory"\ndoubt = "the section names', "counts"),
    ):  # fmt: skip
        file = tmp_path / "us-id.toml"
        assert old in good
        file.write_text(good.replace(old, new, 1), encoding="utf-8")
        with pytest.raises(ConfigError, match=rf"fitted_device\[1\]\.{field}"):
            read_ruleset(file)
