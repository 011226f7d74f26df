"""Locates settings and demo data: user-named, in a usual place, or shipped with the program.

The usual places follow the XDG Base Directory Specification. Nothing is written beside shipped settings: commands that
store data need the user's own settings.
"""

import os
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from alertd.errors import ConfigError, InputError
from alertd.settings.model import Settings
from alertd.settings.read import read_settings
from alertd.settings.shipped import data_root, inside_package

if TYPE_CHECKING:
    from alertd.store.store import Store

HERE = Path("config/alertd.toml")
SYSTEM = Path("/etc/alertd/alertd.toml")


def searched_paths() -> tuple[Path, ...]:
    """Return the places of the user's own settings in the order of the search; the first file found is used."""
    own = Path(click.get_app_dir("alertd"))  # in $XDG_CONFIG_HOME, where a relative path is not valid
    own = own if own.is_absolute() else Path.home() / ".config" / "alertd"
    return (HERE, Path(HERE.name), own / HERE.name, SYSTEM)


def settings_path(named: str | None) -> Path:
    """Return the settings file to read. Raises ConfigError when the named file does not exist."""
    if named is not None:
        path = Path(named)
        if path.is_dir():
            raise ConfigError(named, "", "is a folder", "name the settings file in it")
        if not path.is_file():
            raise ConfigError(named, "", "no such file", "name your alertd.toml with --config")
        return path
    return next((path for path in searched_paths() if path.is_file()), data_root() / HERE)


def own_settings(named: str | None) -> Settings:
    """Return the user's own settings, for a command that writes. Raises ConfigError when only shipped ones exist."""
    path = settings_path(named)
    if _is_shipped(named, path):
        raise ConfigError(
            str(HERE) if named is None else named,
            "",
            f"no such file in this folder, and no {' or '.join(str(p) for p in searched_paths()[1:])}"
            if named is None
            else "belongs to the installed program",
            f'make one by `alertd init DIR`, or copy the folder "{data_root() / "config"}" to a folder of your own, '
            "edit alertd.toml in it, and run from there or name that file with --config",
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
    return (named is None and path not in searched_paths()) or path.resolve().is_relative_to(inside_package())


def daemon_store(settings: Settings) -> "Store":
    """Open the daemon's store. Raises InputError when it does not exist; never creates it."""
    if isinstance(settings.store, Path) and not settings.store.exists():
        where = os.path.normpath(settings.store)
        raise InputError(where, "", "no store exists yet", "start the daemon once by `alertd run`, or set daemon.store")
    from alertd.store.store import Store  # most commands need no database library

    return Store(settings.store)
