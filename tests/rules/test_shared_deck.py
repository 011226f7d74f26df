"""A deck of cases made from the texts of the laws, run through the public functions. The deck lies outside a clone."""

import csv
import re
from ast import literal_eval
from datetime import date
from pathlib import Path
from typing import Final

import pytest

from alertd.rules.requirements import TireDemand, carry_duty, cover, demand_for
from alertd.rules.rig import Axle, AxleRole, Rig
from alertd.rules.ruleset import RuleSet
from alertd.units import POUND_KG

DECK: Final = Path(__file__).parents[3] / "shared/reference/law_cases.csv"
_ROLES: Final = {
    "S": AxleRole.STEER, "D": AxleRole.DRIVE, "G": AxleRole.TAG, "T": AxleRole.TRAILER, "O": AxleRole.DOLLY,
}  # fmt: skip
_RIG = re.compile(r"(?P<axles>.+?) (?P<mass>\d+)lb (?P<kind>\w+) (?P<devices>\[.*\])")
_CARRY = re.compile(r"carry (?P<day>\S+) ?(?P<zone>[\w-]*)(?: posted (?P<posted>\S+))?\s*")

pytestmark = pytest.mark.needs_shared


def _cases() -> list[dict[str, str]]:
    if not DECK.exists():
        return []
    with DECK.open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


def _rig(words: str) -> Rig:
    """A rig in the deck's shorthand: unit | unit, S D G T O for the axle, 1 for single tires, l for a lift axle."""
    found = _RIG.fullmatch(words)
    assert found is not None, words
    axles, unit = [], 0
    for part in found["axles"].split("|"):
        for code in part.split():
            role = _ROLES[code[0]]
            dual = role is not AxleRole.STEER and "1" not in code
            axles.append(Axle(unit=unit, role=role, dual=dual, load_kg=3000.0, lift="l" in code))
        unit += part.split() != ["O"]
    mass_kg = float(found["mass"]) * POUND_KG
    return Rig(
        id="deck", name="deck", axles=tuple(axles), gross_mass_kg=mass_kg, rated_mass_kg=mass_kg, power_w=3e5,
        kind=found["kind"], devices=frozenset(literal_eval(found["devices"])),
    )  # fmt: skip


def _split(rig: Rig, demand: TireDemand) -> tuple[int, int]:
    tires = cover(rig, [demand]).tires
    towed_n = sum(rig.axles[t.axle_idx].unit > 0 for t in tires)
    return len(tires) - towed_n, towed_n


@pytest.mark.parametrize("case", _cases(), ids=lambda c: f"{c['n']} {c['jurisdiction']} {c['level or day']}")
def test_the_answer_is_that_of_the_text(case: dict[str, str], shipped: dict[str, RuleSet]) -> None:
    """Equal where the text is clear; where the deck marks a doubt, never fewer tires than it names."""
    rules, rig, wanted = shipped[case["jurisdiction"]], _rig(case["rig"]), case["by the text"]
    if carry := _CARRY.fullmatch(case["level or day"]):
        zones = {carry["zone"]} if carry["zone"] else set()
        posted = {carry["posted"]} if carry["posted"] else set()
        duty = carry_duty(rules, rig, date.fromisoformat(carry["day"]), zones, posted)
        assert (duty.singles_n if duty and duty.certain else 0) == int(wanted)
        return
    demand = demand_for(rules, rules.level(case["level or day"]), rig)
    if wanted == "barred":
        assert demand.barred
    elif not wanted:  # the texts contradict: whatever is asked, the doubt is shown
        assert demand.doubt
    elif case["strength"] == "doubt":
        assert not demand.barred
        assert all(n >= least for n, least in zip(_split(rig, demand), literal_eval(wanted), strict=True))
    else:
        assert not demand.barred
        assert _split(rig, demand) == literal_eval(wanted)
