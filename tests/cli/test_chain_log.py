"""`alertd chainlog`: a driver's chain time from the daemon's store."""

import csv
import io
import json
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
from click.testing import Result

from alertd.clock import system_clock
from alertd.records.driver_reports import save_report
from alertd.service.trip_import.save_trip import save_trip
from alertd.sources.files.trips import parse_trip
from alertd.sources.requests.driver_reports import parse_report
from alertd.store.store import Store


@pytest.fixture
def config(write_config: Callable[..., Path], tmp_path: Path) -> Path:
    """Settings whose store holds one hanging of 75 minutes, yesterday."""
    path, began = write_config(), system_clock().replace(microsecond=0) - timedelta(days=1)
    row = {"id": "T-1", "route": "i90-west", "rig": "quillback-17", "depart": began.isoformat(), "driver": "Ann"}
    (tmp_path / "var").mkdir()
    with Store(tmp_path / "var" / "alertd.db") as store:
        save_trip(store, parse_trip(row, "test"), began)
        for what, minutes in (("chains_on", 60), ("chains_off", 135)):
            at = (began + timedelta(minutes=minutes)).isoformat()
            save_report(store, "T-1", parse_report({"what": what, "at": at, "place": "Cinder Ford"}, "test"))
    return path


def test_it_is_printed_for_people_programs_and_spreadsheets(alertd: Callable[..., Result], config: Path) -> None:
    text = alertd("chainlog", "--config", config)
    assert text.exit_code == 0, text.stderr
    assert "Ann: 75 min" in text.stdout
    assert json.loads(alertd("chainlog", "--config", config, "--json").stdout)["drivers"][0]["minutes"] == 75
    _, row = csv.reader(io.StringIO(alertd("chainlog", "--config", config, "--csv").stdout))
    assert (row[0], row[5]) == ("Ann", "75")
    nobody = alertd("chainlog", "--config", config, "--driver", "Bram")
    assert nobody.stdout == "no chains were reported\n"


def test_invalid_day_and_missing_store_are_one_line_errors(
    mistake: Callable[..., str], write_config: Callable[..., Path], config: Path
) -> None:
    line = mistake("chainlog", "--config", config, "--from", "yesterday")
    assert line == 'chainlog: from: "yesterday" is not a date and time; give 2027-01-14, or a time with its zone'


def test_no_store_is_made(mistake: Callable[..., str], write_config: Callable[..., Path], tmp_path: Path) -> None:
    assert "no store exists yet" in mistake("chainlog", "--config", write_config())
    assert not (tmp_path / "var").exists()
