"""Where the settings and the demo's data lie: named by the user, in the folder at hand, or shipped with the program.

Nothing is ever written beside shipped settings: commands that keep something need settings of the user's own.
"""

from dataclasses import replace
from pathlib import Path

import alertd
from alertd.errors import ConfigError, InputError
from alertd.settings.model import Settings, read_settings
from alertd.store.store import Store

HERE = Path("config/alertd.toml")


def data_root() -> Path:
    """The folder that holds config/ and fixtures/: inside an installed wheel, else the checkout."""
    inside = _inside_package()
    return inside if inside.is_dir() else inside.parent.parent


def settings_path(named: str | None) -> Path:
    """The settings file to read. Raises ConfigError when the one named is not there."""
    if named is not None:
        path = Path(named)
        if path.is_dir():
            raise ConfigError(named, "", "is a folder", "name the settings file in it")
        if not path.is_file():
            raise ConfigError(named, "", "no such file", "name your alertd.toml with --config")
        return path
    return HERE if HERE.is_file() else data_root() / HERE


def own_settings(named: str | None) -> Settings:
    """The user's own settings, for a command that writes. Raises ConfigError where there are only shipped ones."""
    path = settings_path(named)
    if _is_shipped(named, path):
        raise ConfigError(
            str(HERE) if named is None else named,
            "",
            "no such file in this folder" if named is None else "belongs to the installed program",
            f'copy the folder "{data_root() / "config"}" to a place of your own, edit alertd.toml in it, '
            "and run from there or name that file with --config",
        )
    return read_settings(path)


def settings_to_read(named: str | None) -> Settings:
    """Settings for a command that keeps nothing but answers of servers; beside shipped ones not even these.

    The cache is then in the user's folder of caches, ~/.cache (XDG Base Directory Specification).
    """
    path = settings_path(named)
    settings = read_settings(path)
    if not _is_shipped(named, path):
        return settings
    return replace(settings, cache=Path.home() / ".cache" / "alertd", archive=None)


def demo_path() -> Path:
    return data_root() / "fixtures" / "demo"


def _inside_package() -> Path:
    return Path(alertd.__file__).resolve().parent / "_data"


def _is_shipped(named: str | None, path: Path) -> bool:
    return (named is None and path is not HERE) or path.resolve().is_relative_to(_inside_package())


def daemon_store(settings: Settings) -> Store:
    """The store, open. Raises InputError where no daemon has made one, and never makes one."""
    if isinstance(settings.store, Path) and not settings.store.exists():
        raise InputError(
            str(settings.store), "", "there is no store yet", "run the daemon once, or name it in daemon.store"
        )
    return Store(settings.store)
