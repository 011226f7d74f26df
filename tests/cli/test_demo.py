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
    assert result.stdout.count("verified") > 10
    assert "Posted signs and officers decide" in result.stdout


def test_a_folder_that_cannot_be_made_is_told(mistake: Callable[..., str], tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    line = mistake("demo", "--keep", tmp_path / "file" / "in-it")
    assert line == f"--keep: {tmp_path}/file/in-it cannot be created (Not a directory); name another folder"
