"""`alertd demo`: runs offline to the end, and clears nothing that is not its own."""

from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result


@pytest.mark.slow  # the golden test runs the same demo
def test_demo_runs_offline_and_keeps_the_given_folders_store(alertd: Callable[..., Result], tmp_path: Path) -> None:
    (tmp_path / "alertd.db").write_bytes(b"a fleet's own store")
    result = alertd("demo", "--keep", tmp_path)
    assert result.exit_code == 0, result.output
    assert (tmp_path / "alertd.db").read_bytes() == b"a fleet's own store"
    assert (tmp_path / "demo.db").is_file()
    assert "REFUSED" not in result.stdout
    assert result.stdout.count("verified") >= 6  # of each trip and kind of message
    assert "Posted signs and officers decide" in result.stdout


@pytest.mark.slow
def test_demo_runs_on_the_stand_in_of_the_weather_service(alertd: Callable[..., Result], tmp_path: Path) -> None:
    """The same storm by raw forecast cells, with the past by stations; the plan is made again from its archive."""
    result = alertd("demo", "--source", "nws", "--keep", tmp_path)
    assert result.exit_code == 0, result.output
    text = " ".join(result.stdout.split())
    assert "PLAN TO CHAIN" in text or "HOLD BELOW IT" in text
    assert "past hours from stations KMLP (6,030 ft)" in text
    assert "forecast nws, under 1 h old. US National Weather Service, public domain" in text
    assert "Winter Storm Warning" in text
    plan_id = text.rpartition("alertd replay ")[2].split()[0]
    assert alertd("replay", plan_id, "--archive", tmp_path / "demo-archive").exit_code == 0


def test_the_served_demo_has_one_source_only(alertd: Callable[..., Result]) -> None:
    result = alertd("demo", "--serve", "--source", "nws")
    assert result.exit_code == 2
    assert "--serve runs on open-meteo only" in result.output


def test_a_folder_that_cannot_be_made_is_told(mistake: Callable[..., str], tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    line = mistake("demo", "--keep", tmp_path / "file" / "in-it")
    assert line == f"--keep: {tmp_path}/file/in-it cannot be created (Not a directory); name another folder"
