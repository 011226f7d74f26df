"""Locates settings and demo data: user-named, in the current folder, or shipped with the program.

Nothing is written beside shipped settings: commands that store data need the user's own settings.
"""

from dataclasses import replace
from pathlib import Path

from alertd.errors import ConfigError, InputError
from alertd.settings.model import Settings
from alertd.settings.read import read_settings
from alertd.settings.shipped import data_root, inside_package
from alertd.store.store import Store

HERE = Path("config/alertd.toml")


def settings_path(named: str | None) -> Path:
    """Return the settings file to read. Raises ConfigError when the named file does not exist."""
    if named is not None:
        path = Path(named)
        if path.is_dir():
            raise ConfigError(named, "", "is a folder", "name the settings file in it")
        if not path.is_file():
            raise ConfigError(named, "", "no such file", "name your alertd.toml with --config")
        return path
    return HERE if HERE.is_file() else data_root() / HERE


def own_settings(named: str | None) -> Settings:
    """Return the user's own settings, for a command that writes. Raises ConfigError when only shipped ones exist."""
    path = settings_path(named)
    if _is_shipped(named, path):
        raise ConfigError(
            str(HERE) if named is None else named,
            "",
            "no such file in this folder" if named is None else "belongs to the installed program",
            f'copy the folder "{data_root() / "config"}" to a folder of your own, edit alertd.toml in it, '
            "and run from there or name that file with --config",
        )
    return read_settings(path)


def settings_to_read(named: str | None) -> Settings:
    """Return settings for a command that stores only cached HTTP responses.

    With shipped settings the cache is in the user's cache folder, ~/.cache (XDG Base Directory Specification).
    """
    path = settings_path(named)
    settings = read_settings(path)
    if not _is_shipped(named, path):
        return settings
    return replace(settings, cache=Path.home() / ".cache" / "alertd", archive=None)


def demo_path() -> Path:
    """Return the folder of the demo's data."""
    return data_root() / "fixtures" / "demo"


def _is_shipped(named: str | None, path: Path) -> bool:
    return (named is None and path is not HERE) or path.resolve().is_relative_to(inside_package())


def daemon_store(settings: Settings) -> Store:
    """Open the daemon's store. Raises InputError when it does not exist; never creates it."""
    if isinstance(settings.store, Path) and not settings.store.exists():
        raise InputError(str(settings.store), "", "no store exists yet", "run the daemon once, or set daemon.store")
    return Store(settings.store)
