"""What a wheel, an sdist and a container image take from a checkout: the shipped files, and nobody's secrets."""

import shutil
import subprocess
import tarfile
import tomllib
import zipfile
from pathlib import Path

import pytest

REPO = Path(__file__).resolve().parents[2]
BUILT_OF = (
    "pyproject.toml",
    "README.md",
    "LICENSE",
    ".gitignore",
    "alertd",
    "config",
    "fixtures/demo",
    "fixtures/skies",
    "shared/kit",
    "shared/webhook-event.schema.json",
)
CARRIED = ("config", "fixtures/demo", "fixtures/skies", "shared/kit", "shared/webhook-event.schema.json")
PLANTED = (
    "config/secrets/tms.txt",
    "config/tms-secret.txt",
    "config/fleet.toml",
    "config/alertd-links.key",
    "config/rules/secrets/token.txt",
    "config/rules/token.txt",
    "config/rules/own/fleet.toml",
    "config/feeds/paid.toml",
    "config/routes/ours.gpx",
    "fixtures/demo/var/alertd.db",
    "fixtures/demo/token.txt",
    "alertd/secrets/token.txt",
    "var/alertd.db",
    "secrets/token.txt",
    ".env",
    "alertd-links.key",
)
CANARY = b"canary-of-a-secret-file-4417"


@pytest.fixture(scope="module")
def checkout(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of what is built, in which an operator keeps secrets."""
    root = tmp_path_factory.mktemp("checkout")
    for name in BUILT_OF:
        source, to = REPO / name, root / name
        if source.is_dir():
            shutil.copytree(source, to, ignore=shutil.ignore_patterns("__pycache__", "_data", "var"))
        else:
            to.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(source, to)
    for name in PLANTED:
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(CANARY)
    return root


def shipped() -> set[str]:
    """Names in the checkout of what the wheel carries beside the code: named files, and all files of rules."""
    settings = tomllib.loads((REPO / "pyproject.toml").read_text(encoding="utf-8"))
    wheel = settings["tool"]["hatch"]["build"]["targets"]["wheel"]
    assert wheel["include"] == ["/alertd", "/config/rules/*.toml"]
    rules = {path.relative_to(REPO).as_posix() for path in (REPO / "config" / "rules").glob("*.toml")}
    return set(wheel["force-include"]) | rules


def test_the_wheel_holds_the_named_files_and_no_planted_one(checkout: Path, tmp_path: Path) -> None:
    wheel = pytest.importorskip("hatchling.builders.wheel", reason="hatchling is not installed")
    (built,) = wheel.WheelBuilder(str(checkout)).build(directory=str(tmp_path), versions=["standard"])
    with zipfile.ZipFile(built) as packed:
        names = packed.namelist()
        assert not [name for name in names if CANARY in packed.read(name)]
    data = {name.removeprefix("alertd/_data/") for name in names if name.startswith("alertd/_data/")}
    assert data == shipped()
    assert {"alertd/web/pages/static/style.css", "alertd/translations/es.po", "alertd/py.typed"} <= set(names)
    assert not [name for name in names if not name.startswith(("alertd/", "alertd-"))]
    assert "alertd/testing/fake_open_meteo.py" in names  # of the demo
    assert not {"alertd/testing/factories.py", "alertd/testing/server.py"} & set(names)


def test_the_sdist_holds_no_planted_file_and_builds_the_wheel(checkout: Path, tmp_path: Path) -> None:
    sdist = pytest.importorskip("hatchling.builders.sdist", reason="hatchling is not installed")
    (built,) = sdist.SdistBuilder(str(checkout)).build(directory=str(tmp_path), versions=["standard"])
    with tarfile.open(built) as packed:
        files = {m.name.partition("/")[2]: packed.extractfile(m) for m in packed if m.isfile()}
        assert not [name for name, content in files.items() if content and CANARY in content.read()]
    assert shipped() <= files.keys()
    assert {"pyproject.toml", "README.md", "LICENSE", "alertd/__init__.py"} <= files.keys()


def test_every_file_of_the_configuration_is_named() -> None:
    """Only files of the repository. An operator's own files stay out, and so do the unit and the Containerfile."""
    asked = ["git", "-C", str(REPO), "ls-files", *CARRIED, ":!config/deploy"]
    git = shutil.which("git")
    listed = subprocess.run(asked, capture_output=True, text=True, check=False) if git else None
    if listed is None or listed.returncode or not listed.stdout:
        pytest.skip("not a git checkout")
    assert shipped() == set(listed.stdout.split())


def test_the_ignore_files_keep_secrets_out_of_the_image() -> None:
    lines = (REPO / ".containerignore").read_text(encoding="utf-8").splitlines()
    assert (REPO / ".dockerignore").read_text(encoding="utf-8").splitlines() == lines
    rules = [line for line in lines if line and not line.startswith("#")]
    assert rules[0] == "*", "only what is named goes in"
    after = rules[max(n for n, rule in enumerate(rules) if rule.startswith("!")) + 1 :]
    assert {"**/secrets", "**/*.key", "**/*.db", "**/.env"} <= set(after), "the last rule that matches counts"
    copied = (REPO / "config/deploy/Containerfile").read_text(encoding="utf-8")
    assert "COPY . " not in copied


def test_the_image_is_built_of_all_that_the_wheel_names() -> None:
    copied = (REPO / "config/deploy/Containerfile").read_text(encoding="utf-8")
    lines = [line.split()[1:-1] for line in copied.splitlines() if line.startswith("COPY ") and "--from" not in line]
    sources = [source for line in lines for source in line]
    allowed = (REPO / ".containerignore").read_text(encoding="utf-8").splitlines()
    for name in shipped():
        assert [source for source in sources if name == source or name.startswith(f"{source}/")], name
        assert [rule for rule in allowed if rule[:1] == "!" and name.startswith(rule[1:])], name


def test_git_ignores_where_secrets_are_kept() -> None:
    rules = (REPO / ".gitignore").read_text(encoding="utf-8").splitlines()
    assert {"secrets/", "*.key", "*.db", ".env"} <= set(rules)
