"""Keys that earlier versions used: the file is read, the key has no effect, and one line of the log names it."""

import logging
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from alertd.settings.read import read_settings


@pytest.mark.parametrize("value", ["true", "false"])
def test_station_correction_is_read_with_a_warning(
    value: str, write_config: Callable[..., Path], caplog: pytest.LogCaptureFixture
) -> None:
    plain = read_settings(write_config())
    assert caplog.records == []
    path = write_config(changes={"[forecast]": f"[forecast]\nstation_correction = {value}"})
    with caplog.at_level(logging.WARNING, logger="alertd.settings.read"):
        settings = read_settings(path)
    assert [r.message for r in caplog.records] == [f"{path}: forecast.station_correction is no longer used; remove it"]
    assert replace(settings, where=plain.where) == plain
