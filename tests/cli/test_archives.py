"""`alertd score --archive` and `alertd record`: what they print, and one line for each bad file."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

EXAMPLE = Path(__file__).resolve().parents[2] / "fixtures" / "archive"


def shortened(folder: Path, runs: int) -> Path:
    """The first forecasts of the example, and its observations."""
    folder.mkdir()
    lines = (EXAMPLE / "forecasts.csv").read_text(encoding="utf-8").splitlines()
    issues = sorted({line.split(",")[6] for line in lines[1:]})[:runs]
    kept = [lines[0], *(line for line in lines[1:] if line.split(",")[6] in issues)]
    (folder / "forecasts.csv").write_text("\n".join(kept) + "\n", encoding="utf-8")
    (folder / "observations.csv").write_bytes((EXAMPLE / "observations.csv").read_bytes())
    return folder


def test_archive_is_scored_by_lead_time(alertd: Callable[..., Result], tmp_path: Path) -> None:
    folder = shortened(tmp_path / "archive", 2)
    done = alertd("score", "--archive", folder, "--json")
    assert done.exit_code == 0, done.stderr
    found = json.loads(done.stdout)
    assert (found["forecasts"], found["places"], found["station_reports"]) == (2, ["Quillback Pass"], 480)
    air, snow, ice = found["events"]
    assert [e["event"] for e in (air, snow, ice)] == ["air below 0 °C", "snow falling", "ice on the road"]
    assert [row["lead_h"] for row in air["by_lead"]] == [12, 24, 48, 72]
    assert [row["cases"] for row in air["by_lead"]] == [14, 14, 14, 14], "seven hours a forecast"
    for row in air["by_lead"]:
        assert 0.0 <= row["brier"]["value"] < 0.25, "a forecast that follows the truth beats a coin"
        assert sum(b["cases"] for b in row["bins"]) == row["cases"]
        assert not row["enough"]
    assert found["confidence"] == {"level": 0.9, "block_days": 3}


def test_archive_text_states_what_is_true(alertd: Callable[..., Result], tmp_path: Path) -> None:
    done = alertd("score", "--archive", shortened(tmp_path / "archive", 1))
    assert done.exit_code == 0, done.stderr
    assert done.stdout.startswith("1 forecasts for Quillback Pass; 480 station reports")
    assert done.stdout.count("TOO FEW") == 13, "twelve rows and the legend"
    assert "What counts as true: Stations within 10 km" in done.stdout


@pytest.mark.slow
def test_example_archive_has_skill_at_each_lead_time(alertd: Callable[..., Result]) -> None:
    found = json.loads(alertd("score", "--archive", EXAMPLE, "--json").stdout)
    for row in found["events"][0]["by_lead"]:
        assert row["cases"] == 105
        assert row["skill_over_climatology"]["low"] > 0.0, "the invented error is small"


CHANGES = [
    ("forecasts.csv", "air_temp_c", "air_c", "air_temp_c: this column is missing; add it to the first line"),
    ("forecasts.csv", "cloud_percent", "clouds", "clouds: this column is not known"),
    ("forecasts.csv", ",94,", ",wet,", 'rh_percent: "wet" is wrong; write a number from 0 to 110'),
    ("forecasts.csv", "2027-01-04T03:00Z", "2027-01-04T03:30Z", "hour_utc: is not a whole hour"),
    ("forecasts.csv", "2027-01-04T03:00Z", "2027-01-04T02:00Z", "hour_utc: is there twice"),
    ("forecasts.csv", "2027-01-04T03:00Z", "2027-01-04T03:00", "hour_utc: \"2027-01-04T03:00\" is no time"),
    ("forecasts.csv", "2027-01-04T03:00Z", "2028-01-04T03:00Z", "this forecast spans"),
    ("forecasts.csv", "Quillback Pass,47.4,", "Quillback Pass,,", "lat_deg: is empty"),
    ("observations.csv", ",none,", ",fair,", 'weather: "fair" is not known; write "none", or one or more of rain'),
    ("observations.csv", ",dry,", ",icy,", 'road_state: "icy" is not known; write one of dry'),
    ("observations.csv", "\nQBP,47.4", "\nQBP", "does not have 12 cells"),
]  # fmt: skip


@pytest.mark.parametrize(("file", "before", "after", "line"), CHANGES)
def test_a_bad_file_is_one_line(
    mistake: Callable[..., str], tmp_path: Path, file: str, before: str, after: str, line: str
) -> None:
    folder = shortened(tmp_path / "archive", 2)
    path = folder / file
    path.write_text(path.read_text(encoding="utf-8").replace(before, after, 1), encoding="utf-8")
    said = mistake("score", "--archive", folder)
    assert str(path) in said
    assert line in said


def test_a_folder_that_is_no_archive_is_one_line(mistake: Callable[..., str], tmp_path: Path) -> None:
    assert "is no archive" in mistake("score", "--archive", tmp_path)
    assert "no such folder" in mistake("score", "--archive", tmp_path / "nowhere")
    (tmp_path / "forecasts.csv").write_text("place\n", encoding="utf-8")
    assert "observations.csv: no such file" in mistake("score", "--archive", tmp_path)


def test_archive_takes_no_period(alertd: Callable[..., Result], tmp_path: Path) -> None:
    done = alertd("score", "--archive", tmp_path, "--from", "2027-01-01")
    assert done.exit_code == 2
    assert "leave out --from" in done.stderr


def test_record_names_what_is_missing(
    mistake: Callable[..., str], write_config: Callable[..., Path], tmp_path: Path
) -> None:
    config = write_config()
    assert "record.passes: names no pass" in mistake("record", "--once", "--config", config)
    assert '"Nowhere" is not known' in mistake("record", "--once", "--pass", "Nowhere", "--config", config)


def test_record_once_keeps_a_round_that_scores(
    alertd: Callable[..., Result], write_config: Callable[..., Path], tmp_path: Path
) -> None:
    """The only source is down: the round is kept, the status says so, and a score leaves it out."""
    folder = tmp_path / "recording"
    done = alertd("record", "--once", "--pass", "Lookout Pass", "--dir", folder, "--config", write_config(), "--json")
    assert done.exit_code == 3, done.stderr
    kept = json.loads(done.stdout)
    assert (kept["places_n"], kept["bytes_new"] > 0) == (1, True)
    assert any("Lookout Pass" in line for line in kept["failed"])
    scored = alertd("score", "--archive", folder)
    assert scored.exit_code == 0, scored.stderr
    assert "1 of them had no answer of any source" in scored.stdout
    assert scored.stdout.count("Nothing can be said") == 3
