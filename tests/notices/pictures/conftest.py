"""The rule files and rigs as shipped, for the pictures of axles; plans to draw come from the folder above."""

from pathlib import Path

import pytest

from alertd.rules.law import RuleSet
from alertd.rules.rig import Rig
from alertd.sources.rigfile import read_rigs
from alertd.sources.rulefile import read_rulesets

CONFIG = Path(__file__).parents[3] / "config"


@pytest.fixture(scope="session")
def shipped() -> dict[str, RuleSet]:
    return read_rulesets(CONFIG / "rules")


@pytest.fixture(scope="session")
def rigs() -> dict[str, Rig]:
    return read_rigs(CONFIG / "rigs")
