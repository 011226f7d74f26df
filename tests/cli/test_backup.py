"""The backup command as a person runs it."""

from collections.abc import Callable
from pathlib import Path

from click.testing import CliRunner

from alertd.cli.main import cli
from alertd.settings.read import read_settings
from alertd.store.store import Store


def test_the_settings_store_is_copied_once_and_not_over_the_copy(write_config: Callable[..., Path]) -> None:
    config = write_config()
    place = read_settings(config).store
    assert isinstance(place, Path)
    place.parent.mkdir(parents=True)
    Store(place).close()
    copy = config.parent / "night.db"
    command = ["backup", str(copy), "--config", str(config)]
    done = CliRunner().invoke(cli, command)
    assert (done.exit_code, done.output) == (0, f"{copy}: {copy.stat().st_size:,} bytes, checked\n")
    again = CliRunner().invoke(cli, command)
    assert again.exit_code == 1
    assert again.output.startswith(f"alertd: backup {copy}: the file exists")
    assert again.output.count("\n") == 1
