"""`alertd report`: what a dispatcher hears by radio goes into the store as the driver's report."""

from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
from click.testing import Result

from alertd.clock import system_clock
from alertd.records.driver_reports import load_reports
from alertd.service.trip_import.save_trip import save_trip
from alertd.sources.files.trips import parse_trip
from alertd.store.store import Store


@pytest.fixture
def config(write_config: Callable[..., Path], tmp_path: Path) -> Path:
    path, began = write_config(), system_clock().replace(microsecond=0) - timedelta(hours=2)
    row = {"id": "T-1", "route": "i90-west", "rig": "quillback-17", "depart": began.isoformat(), "driver": "Ann"}
    (tmp_path / "var").mkdir()
    with Store(tmp_path / "var" / "alertd.db") as store:
        save_trip(store, parse_trip(row, "test"), began)
    return path


def test_work_with_chains_is_reported_for_a_driver(alertd: Callable[..., Result], config: Path, tmp_path: Path) -> None:
    began = system_clock().replace(microsecond=0) - timedelta(hours=1)
    for what, minute in (("hanging-begun", 0), ("chains-on", 30), ("removing-begun", 40), ("chains-off", 50)):
        at = (began + timedelta(minutes=minute)).isoformat()
        for said in ("", ", known already"):
            done = alertd("report", "T-1", what, "--at", at, "--by", "Marit", "--config", config)
            assert done.exit_code == 0, done.stderr
            assert done.stdout.rstrip().endswith(said or "+00:00")
    text = alertd("chainlog", "--config", config).stdout
    assert "hanging 30 min, running 10 min, taking off 10 min" in text
    with Store(tmp_path / "var" / "alertd.db") as store:
        assert len(store.events("T-1", "hanging_begun")) == 1


def test_a_report_that_cannot_be_is_one_line(mistake: Callable[..., str], config: Path) -> None:
    assert "is no trip of the store" in mistake("report", "T-9", "chains-on", "--config", config)
    later = (system_clock() + timedelta(hours=1)).isoformat()
    assert "is in the future" in mistake("report", "T-1", "chains-on", "--at", later, "--config", config)
    assert "at:" in mistake("report", "T-1", "chains-on", "--at", "six", "--config", config)


def test_a_road_seen_by_radio_is_kept_with_its_place(
    alertd: Callable[..., Result], config: Path, tmp_path: Path
) -> None:
    done = alertd("report", "T-1", "road-ice", "--place", "Lookout Pass", "--config", config)
    assert done.exit_code == 0, done.stderr
    with Store(tmp_path / "var" / "alertd.db") as store:
        (kept,) = load_reports(store, "T-1")
    assert (kept.what, kept.road, kept.place) == ("road_seen", "ice", "Lookout Pass")
    assert alertd("report", "T-1", "freezing-rain-falls", "--config", config).exit_code == 0
    with Store(tmp_path / "var" / "alertd.db") as store:
        assert load_reports(store, "T-1")[-1].sight == "freezing_rain_falls"
