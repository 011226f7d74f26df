"""`alertd replay` and `alertd plan --keep`: what they print, refuse in one line, and which status they end with."""

import json
import zlib
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import pytest
from click.testing import Result

from alertd.clock import system_clock
from alertd.store.archive import Archive
from alertd.testing.fake_open_meteo import FakeOpenMeteo

Alertd = Callable[..., Result]
Mistake = Callable[..., str]
WriteConfig = Callable[..., Path]


@pytest.fixture
def rig(demo: Path, tmp_path: Path) -> Path:
    """A rig file of one's own, outside the rigs folder."""
    path = tmp_path / "my-truck.toml"
    path.write_bytes((demo / "rigs" / "quillback-17.toml").read_bytes())
    return path


@pytest.fixture
def kept(
    alertd: Alertd,
    write_config: WriteConfig,
    storm_soon: FakeOpenMeteo,
    soon: datetime,
    demo: Path,
    rig: Path,
    tmp_path: Path,
) -> Path:
    """An archive that holds one plan, made on files and a source that are gone or other by now."""
    config, folder = write_config(forecasts=storm_soon.base_url), tmp_path / "kept"
    made = alertd(
        "plan", demo / "i90-west.gpx", "--rig", rig, "--depart", soon.isoformat(), "--config", config,
        "--keep", folder, "--json",
    )  # fmt: skip
    assert made.exit_code == 0, made.stderr
    assert Archive(folder).plans() == [json.loads(made.stdout)["id"]]
    config.write_text("nothing of what it was", encoding="utf-8")
    rig.unlink()
    storm_soon.__exit__(None, None, None)
    return folder


def test_a_plan_kept_in_a_folder_is_made_again_from_it_alone(alertd: Alertd, kept: Path) -> None:
    (plan_id,) = Archive(kept).plans()
    for args in ([kept], [plan_id, "--archive", kept]):
        result = alertd("replay", *args)
        assert (result.exit_code, result.stdout) == (0, f"{plan_id}: same, byte for byte\n"), result.stderr
    reported = json.loads(alertd("replay", kept, "--json").stdout)
    assert (reported["plan_id"], reported["same"], reported["differences"]) == (plan_id, True, [])


def test_a_different_replay_lists_differences_with_status_3(alertd: Alertd, kept: Path) -> None:
    archive, now = Archive(kept), system_clock()
    (plan_id,) = archive.plans()
    reported = json.loads(archive.get(archive.of_plan(plan_id)))
    reported["trips"][plan_id]["trip"]["driver"] = "Somebody else"
    archive.file_plan(plan_id, archive.put(json.dumps(reported).encode(), now), now)
    result = alertd("replay", plan_id, "--archive", kept)
    assert result.exit_code == 3
    assert "2 fields differ from the plan made with alertd " in result.stdout  # its id comes of all the rest
    assert '  driver: "" -> "Somebody else"' in result.stdout
    as_data = json.loads(alertd("replay", kept, "--json").stdout)
    assert as_data["same"] is False
    assert {"path": "driver", "old": "", "new": "Somebody else"} in as_data["differences"]


def test_what_cannot_be_replayed_is_told_in_one_line(
    mistake: Mistake, kept: Path, tmp_path: Path, write_config: WriteConfig
) -> None:
    unknown = "plan_" + "0" * 32
    (tmp_path / "empty").mkdir()
    none = write_config(changes={'cache = "var/http"': 'cache = "var/http"\narchive = ""'})
    assert mistake("replay", "T-1041").startswith("replay: T-1041 is neither a plan's id nor a folder; ")
    assert f"kept: {unknown} is missing; name the archive that holds it" in mistake(
        "replay", unknown, "--archive", kept
    )
    assert "empty: holds no plan; name an archive of alertd" in mistake("replay", tmp_path / "empty")
    assert "daemon.archive: is empty, so nothing is kept" in mistake("replay", unknown, "--config", none)
    own = mistake("replay", unknown, "--config", write_config())  # beside the store where no setting names it
    assert f"archive {tmp_path}/var/archive: {unknown} is missing" in own
    body = next(p for p in kept.glob("contents/*/*") if zlib.decompress(p.read_bytes()).startswith(b'[{"latitude"'))
    body.write_bytes(b"tampered")
    assert "is damaged or altered; replay from an unaltered copy" in mistake("replay", kept)
    archive = Archive(kept)
    archive.file_plan(unknown, archive.of_plan(archive.plans()[0]), system_clock())
    assert "holds 2 plans; name one: alertd replay plan_" in mistake("replay", kept)


def test_a_plan_that_cannot_be_kept_as_asked_is_an_error(
    mistake: Mistake, write_config: WriteConfig, storm_soon: FakeOpenMeteo, soon: datetime, demo: Path, tmp_path: Path
) -> None:
    (tmp_path / "file").touch()
    line = mistake(
        "plan", demo / "i90-west.gpx", "--rig", "quillback-17", "--depart", soon.isoformat(),
        "--config", write_config(forecasts=storm_soon.base_url), "--keep", tmp_path / "file" / "in-it",
    )  # fmt: skip
    assert "in-it: cannot be written (Not a directory); check the folder" in line
