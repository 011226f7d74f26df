"""Where the settings and the demo's data lie: named by the user, in the folder at hand, or shipped with the program."""

from pathlib import Path

import alertd
from alertd.errors import ConfigError


def shipped() -> Path:
    """The folder that holds config/ and fixtures/: inside an installed wheel, else the checkout."""
    package = Path(alertd.__file__).resolve().parent
    inside = package / "_data"
    return inside if inside.is_dir() else package.parent


def settings_path(named: str | None) -> Path:
    """The settings file to use. Raises ConfigError when the one named is not there."""
    if named is not None:
        path = Path(named)
        if path.is_dir():
            raise ConfigError(named, "", "is a folder", "name the settings file in it")
        if not path.is_file():
            raise ConfigError(named, "", "no such file", "name your alertd.toml with --config")
        return path
    here = Path("config/alertd.toml")
    return here if here.is_file() else shipped() / "config" / "alertd.toml"


def demo_path() -> Path:
    return shipped() / "fixtures" / "demo"
