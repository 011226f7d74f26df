"""The container installs only files with known hashes, in the versions that .ci/run tests."""

import re
import tomllib
from pathlib import Path

import pytest

REPO = Path(__file__).resolve().parents[2]
DEPLOY = REPO / "config" / "deploy"


def locked(name: str) -> dict[str, tuple[str, int]]:
    """Version and number of hashes of each part."""
    text = (DEPLOY / name).read_text(encoding="utf-8").replace("\\\n", " ")
    lines = [line.split() for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#")]
    found = {}
    for first, *rest in lines:
        part, _, version = first.partition("==")
        found[part.partition("[")[0]] = (version, sum(word.startswith("--hash=sha256:") for word in rest))
    return found


def ci_versions() -> dict[str, str]:
    lines = (REPO / ".ci" / "constraints.txt").read_text(encoding="utf-8").splitlines()
    return dict(line.split("==") for line in lines if "==" in line and not line.startswith("#"))


@pytest.mark.parametrize("name", ["requirements.txt", "build-requirements.txt"])
def test_each_part_has_hashes_and_the_tested_version(name: str) -> None:
    parts, known = locked(name), ci_versions()
    assert parts
    assert {part for part, (_, hashes_n) in parts.items() if hashes_n == 0} == set()
    assert {p: v for p, (v, _) in parts.items() if p in known} == {p: known[p] for p in parts if p in known}


def test_each_dependency_of_the_package_is_locked() -> None:
    project = tomllib.loads((REPO / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"]
    needed = [*project["dependencies"], *extras["postgres"], *extras["workers"]]
    names = {re.split(r"[\[<>=~! ]", line)[0] for line in needed} - {"alertd"}
    assert names <= locked("requirements.txt").keys()


def test_container_installs_with_hashes_only() -> None:
    text = (DEPLOY / "Containerfile").read_text(encoding="utf-8")
    installs = re.findall(r"pip (?:install|wheel) ([^\\&\n]*)", text)
    assert len(installs) == 4
    assert all("--require-hashes" in one or "--no-deps" in one for one in installs)
