"""The rule files as shipped, and the rigs of the reference's shorthand."""

from dataclasses import replace
from pathlib import Path

import pytest

from alertd.rules.rig import Rig
from alertd.rules.ruleset import RuleSet
from alertd.sources.files.laws.ruleset import read_rulesets
from alertd.sources.files.rig import read_rigs

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="session")
def shipped() -> dict[str, RuleSet]:
    return read_rulesets(ROOT / "config/rules")


@pytest.fixture(scope="session")
def presets() -> dict[str, Rig]:
    return read_rigs(ROOT / "config/rigs")


@pytest.fixture(scope="session")
def rigs() -> dict[str, Rig]:
    """ST2 … TS6: straight trucks, bobtails, tractor-semitrailers and doubles, by axles as the trade counts them."""
    preset = read_rigs(ROOT / "config/rigs")
    single_drive = preset["tractor-4x2-semi"]
    return {
        "ST2": preset["straight-truck-4x2"],
        "ST3": preset["straight-truck-6x4"],
        "BT2": replace(single_drive, id="bobtail-4x2", axles=single_drive.axles[:2]),
        "BT3": preset["bobtail-6x4"],
        "TS4": single_drive,
        "TS5": preset["tractor-6x4-van-53"],
        "DB5": preset["doubles-4x2"],
        "TS6": preset["tractor-6x4-tridem"],
        "DB6": preset["doubles-6x4"],
    }
