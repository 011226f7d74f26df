"""README, DEVELOPERS and the guide against the repository: links, commands, paths and generated pages."""

import re
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from alertd.cli.main import cli
from alertd.cli.reference import pages
from alertd.testing.map import module_lines

ROOT = Path(__file__).resolve().parents[2]
TOP = ("README.md", "DEVELOPERS.md", "CHANGELOG.md")
DOCUMENTS = [
    *(ROOT / name for name in TOP),
    *sorted(p for folder in ("shared", "config", "fixtures") for p in (ROOT / folder).rglob("*.md")),
]
NAMES = [str(path.relative_to(ROOT)) for path in DOCUMENTS]
MADE_BY_OPERATORS = {"config/routes/"}
TOP_LEVEL = {*TOP, "LICENSE", "pyproject.toml", "alertd", "config", "tests", "fixtures", "shared"}


def links(text: str) -> Iterator[str]:
    """Targets of links and pictures that lie in the repository; code blocks are left out."""
    prose = re.sub(r"^```.*?^```$|^ {4}[^\n]*$", "", text, flags=re.MULTILINE | re.DOTALL)
    for target in re.findall(r"\]\(([^)\s]+)\)|<img [^>]*src=\"([^\"]+)\"", prose):
        if (link := "".join(target)) and not re.match(r"[a-z]+:", link):
            yield link


def anchors(text: str) -> set[str]:
    """The anchors that a Markdown page gives its headings: small letters, hyphens for spaces, no other signs."""
    heads = re.findall(r"^#+ (.+)$", text, flags=re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-") for head in heads}


@pytest.mark.parametrize("path", DOCUMENTS, ids=NAMES)
def test_relative_links_resolve(path: Path) -> None:
    for link in links(path.read_text(encoding="utf-8")):
        name, _, anchor = link.partition("#")
        target = (path.parent / name).resolve() if name else path
        assert target.exists(), link
        assert target.is_relative_to(ROOT), link
        if anchor:
            assert anchor in anchors(target.read_text(encoding="utf-8")), link


def test_readme_is_short() -> None:
    assert len((ROOT / "README.md").read_text(encoding="utf-8").splitlines()) <= 110


def test_readme_has_one_test_command() -> None:
    """`.ci/run` looks for it by this expression."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    (command,) = re.findall(r"^    python3 -m venv .*pytest$", readme, flags=re.MULTILINE)
    assert "-c .ci/constraints.txt" in command
    assert len(re.findall(r"^    python3 -m venv .*alertd demo$", readme, flags=re.MULTILINE)) == 1


@pytest.mark.parametrize("path", DOCUMENTS, ids=NAMES)
def test_named_commands_exist(path: Path) -> None:
    """Every `alertd WORD` in code is a command, and every `alertd GROUP WORD` one of the group."""
    text = path.read_text(encoding="utf-8")
    for code in re.findall(r"`(alertd [^`]+)`|^    (?:\S*/)?(alertd [^\n]+)$", text, flags=re.MULTILINE):
        words = "".join(code).split()[1:]
        if not re.fullmatch(r"[a-z][a-z-]*", words[0]):
            continue
        command = cli.get_command(click.Context(cli), words[0])
        assert command is not None, code
        if isinstance(command, click.Group) and words[1:] and re.fullmatch(r"[a-z]+", words[1]):
            assert words[1] in command.commands, code


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md", "shared/guide/design/architecture.md"])
def test_named_paths_exist(name: str) -> None:
    text = (ROOT / name).read_text(encoding="utf-8")
    for path in re.findall(r"`((?:alertd|tests|shared|config|fixtures|\.ci)/[^`<>*\s]+)`", text):
        assert (ROOT / path).exists() or path in MADE_BY_OPERATORS, path


@pytest.mark.parametrize("path", pages(), ids=lambda path: path.name)
def test_generated_pages_are_current(path: Path) -> None:
    """To renew: python -m alertd.cli.reference"""
    assert path.read_text(encoding="utf-8") == pages()[path].rstrip() + "\n"


def test_every_setting_has_a_meaning() -> None:
    settings = next(text for path, text in pages().items() if path.name == "settings.md")
    assert re.findall(r"^\| `(\w+)` .*\|  \|$", settings, flags=re.MULTILINE) == []


def test_every_module_has_a_docstring() -> None:
    lines = dict(module_lines())
    assert len(lines) > 300
    assert [name for name, line in lines.items() if not line.strip()] == []
    assert [name for name, line in lines.items() if len(line) >= 120] == []


def test_module_lines_of_one_package() -> None:
    names = [name for name, _ in module_lines("plan.chain_up")]
    assert names[0] == "alertd.plan.chain_up"
    assert "alertd.plan.chain_up.search" in names
    assert all(name.startswith("alertd.plan.chain_up") for name in names)


def test_top_level_names_are_few() -> None:
    tracked = {p.name for p in ROOT.iterdir() if not p.name.startswith(".")}
    ours = tracked - {"var", "dist", "build", "PKG-INFO"}
    assert {name for name in ours if not name.endswith(".egg-info")} <= TOP_LEVEL
