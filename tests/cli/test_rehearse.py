"""`alertd rehearse`: a described day with the operator's trips, offline, as text and as JSON lines."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

PROJECT = Path(__file__).resolve().parents[2]
DEMO = PROJECT / "fixtures" / "demo" / "alertd.toml"
TRIPS = (
    "id,route,rig,driver,dispatcher,depart,drive_hours_used\n"
    "R-1,i90-west,quillback-17,Odalys Fenwright,Marit Oddleifson,2027-01-14T04:45:00-07:00,0.0\n"
)


@pytest.fixture
def trips(tmp_path: Path) -> Path:
    path = tmp_path / "trips.csv"
    path.write_text(TRIPS)
    return path


@pytest.mark.slow
def test_a_storm_day_tells_the_driver_and_ends(alertd: Callable[..., Result], trips: Path, tmp_path: Path) -> None:
    options = ["--config", DEMO, "--trips", trips, "--at-m", 1400, "--from", "2027-01-14T02:00:00-07:00"]
    done = alertd("rehearse", "storm", *options, "--hours", 3, "--keep", tmp_path / "kept", "--json")
    assert done.exit_code == 0, done.stderr
    rows = [json.loads(line) for line in done.stdout.splitlines()]
    assert rows[0]["sky"].startswith("Snow storm")
    drivers = [r for r in rows if r.get("audience") == "driver"]
    assert any(r["text"].startswith(("PLAN TO CHAIN", "HOLD", "BE READY")) for r in drivers)
    assert all("igns" in r["text"] for r in drivers)
    plans = [r for r in rows if "advice" in r]
    assert plans[0]["advice"] in ("chain", "hold", "ready")
    assert sum(n["count"] for n in rows[-1]["notices"]) == len([r for r in rows if "audience" in r])
    assert (tmp_path / "kept" / "rehearsal.db").exists()


@pytest.mark.slow
def test_a_dry_day_sends_no_chain_notice(alertd: Callable[..., Result], trips: Path) -> None:
    options = ["--config", DEMO, "--trips", trips, "--at-m", 1400, "--from", "2027-01-14T04:00:00-07:00"]
    done = alertd("rehearse", "dry", *options, "--hours", 1)
    assert done.exit_code == 0, done.stderr
    assert "PLAN TO CHAIN" not in done.stdout
    assert "messages by reader and kind" in done.stdout
    assert "R-1" in done.stdout.partition("arrivals")[2]


def test_an_unknown_sky_names_the_shipped_ones(mistake: Callable[..., str], trips: Path) -> None:
    line = mistake("rehearse", "hurricane", "--config", DEMO, "--trips", trips)
    assert '"hurricane" is no file and no shipped sky' in line
    assert "storm" in line


def test_a_rehearsal_without_trips_says_so(mistake: Callable[..., str], tmp_path: Path) -> None:
    empty = tmp_path / "trips.csv"
    empty.write_text(TRIPS.splitlines()[0] + "\n")
    assert "holds no trip" in mistake("rehearse", "dry", "--config", DEMO, "--trips", empty)
