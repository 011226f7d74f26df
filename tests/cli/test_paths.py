"""An installed program keeps nothing in its own folder: what writes needs settings of the user's own."""

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

import alertd as package
from alertd.cli import paths
from alertd.cli.paths import own_settings, searched_paths, settings_path, settings_to_read
from alertd.errors import ConfigError
from alertd.settings.shipped import data_root

ROOT = Path(__file__).resolve().parents[2]
WRITERS = (
    ["run"],
    ["backup", "copy.db"],
    ["token", "new", "--name", "a", "--scopes", "read"],
    ["token", "list"],
    ["token", "revoke", "x"],
    ["gather", "zones"],
    ["gather", "heights"],
    ["parked"],
    ["parked", "resend", "--all"],
    ["parked", "reopen", "spool"],
    ["chainlog"],
    ["score"],
)


@pytest.fixture
def installed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder of a program as a wheel lays it out; the current folder is empty."""
    folder = tmp_path / "site-packages" / "alertd"
    shutil.copytree(ROOT / "config", folder / "_data" / "config")
    monkeypatch.setattr(package, "__file__", str(folder / "__init__.py"))
    (tmp_path / "empty").mkdir()
    monkeypatch.chdir(tmp_path / "empty")
    assert data_root() == folder / "_data"
    return folder


def files(folder: Path) -> set[str]:
    return {os.path.join(at, name) for at, folders, names in os.walk(folder) for name in (*folders, *names)}


@pytest.mark.parametrize("command", WRITERS, ids=" ".join)
@pytest.mark.parametrize("named", [False, True])
def test_no_command_that_writes_uses_shipped_settings(
    command: list[str], named: bool, installed: Path, mistake: Callable[..., str]
) -> None:
    before = files(installed.parents[1])
    option = ["--config", str(installed / "_data/config/alertd.toml")] if named else []
    line = mistake(*command, *option)
    assert line.startswith((option or ["config/alertd.toml"])[-1])
    assert f'copy the folder "{installed / "_data/config"}"' in line
    assert "--config" in line
    assert files(installed.parents[1]) == before


@pytest.mark.parametrize("command", [["check"], ["rules"], ["rules", "US-WA"]], ids=" ".join)
def test_commands_that_only_read_use_shipped_settings(
    command: list[str], installed: Path, alertd: Callable[..., Result]
) -> None:
    before = files(installed)
    assert alertd(*command).exit_code in (0, 3)
    assert files(installed) == before


def test_answers_of_servers_go_to_the_users_own_caches(
    installed: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Path, "home", lambda: tmp_path)
    settings = settings_to_read(None)
    assert (settings.cache, settings.archive) == (tmp_path / ".cache" / "alertd", None)


def test_settings_in_the_current_folder_are_the_users_own(installed: Path, tmp_path: Path) -> None:
    shutil.copytree(installed / "_data" / "config", tmp_path / "empty" / "config")
    for settings in (own_settings(None), settings_to_read(None)):
        assert settings.cache == Path("config/../var/http")


def test_a_checkout_elsewhere_is_shipped_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(ConfigError, match="no such file in this folder"):
        own_settings(None)
    assert own_settings(str(ROOT / "config/alertd.toml")).fleet == "Example fleet"


def test_settings_are_searched_in_the_usual_places(
    installed: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    system, own = tmp_path / "etc" / "alertd.toml", tmp_path / "xdg" / "alertd" / "alertd.toml"
    monkeypatch.setattr(paths, "SYSTEM", system)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "xdg"))  # XDG Base Directory Specification 0.8
    for path in (system, own, Path("alertd.toml"), Path("config/alertd.toml")):
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch()
        assert settings_path(None) == path
    monkeypatch.setenv("XDG_CONFIG_HOME", "xdg")  # "All paths must be absolute", else to be ignored
    monkeypatch.setattr(Path, "home", lambda: tmp_path / "home")
    assert searched_paths()[2] == tmp_path / "home/.config/alertd/alertd.toml"
