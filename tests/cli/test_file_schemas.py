"""The JSON Schemas of rule, rig and limits files, checked by a validator that is not ours."""

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from alertd.cli.rules import file_schema
from alertd.sources.files.laws.ruleset import rule_files

ROOT = Path(__file__).parents[2]
FILES = [("rule", p) for p in rule_files(ROOT / "config/rules")]
FILES += [("limits", ROOT / "config/limits.toml")]
FILES += [("rig", p) for p in sorted((ROOT / "config/rigs").glob("*.toml"))]


def _as_json(path: Path) -> Any:
    return json.loads(json.dumps(tomllib.loads(path.read_text(encoding="utf-8")), default=str))


@pytest.mark.parametrize("kind", ["rule", "rig", "limits"])
def test_schema_is_a_schema(kind: Any) -> None:
    Draft202012Validator.check_schema(file_schema(kind))


@pytest.mark.parametrize(("kind", "path"), FILES, ids=[p.stem for _, p in FILES])
def test_shipped_file_keeps_the_schema(kind: Any, path: Path) -> None:
    Draft202012Validator(file_schema(kind)).validate(_as_json(path))


@pytest.mark.parametrize(
    "name", ["unknown_key", "misspelt_word", "missing_citation", "unknown_trigger", "rank_in_quotes"]
)
def test_mistake_breaks_the_schema_too(name: str) -> None:
    found = _as_json(ROOT / f"fixtures/rules_bad/{name}.toml")
    assert not Draft202012Validator(file_schema("rule")).is_valid(found)
