"""The command with what is posted: a feed's file tried on an answer, and plans by hand that know of the daemon's."""

import json
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

from click.testing import Result

from alertd.clock import system_clock
from alertd.records.closures import save_closure
from alertd.sources.requests.closures import parse_closure
from alertd.store.store import Store
from alertd.testing.fake_open_meteo import FakeOpenMeteo

ROOT = Path(__file__).resolve().parents[2]
EXAMPLE, FEEDS = ROOT / "config" / "feeds" / "example.toml", ROOT / "fixtures" / "feeds"


def test_a_feed_file_is_tried_on_a_saved_answer(alertd: Callable[..., Result]) -> None:
    tried = alertd("check", "--feed", EXAMPLE, "--try", FEEDS / "conditions.json")
    assert tried.exit_code == 0, tried.stderr
    lines = tried.stdout.splitlines()
    assert lines[0].startswith("4 posted controls of US-ID")
    assert "  17: chains-required" in lines
    assert "  18: NOT UNDERSTOOD, counts as be ready for the strictest level" in lines
    assert any("NOT PLACED" in line for line in lines)
    assert lines[-1] == "left out: 1 that its words say to ignore"
    reported = json.loads(alertd("check", "--feed", EXAMPLE, "--try", FEEDS / "conditions.json", "--json").stdout)
    assert [c["level"] for c in reported["controls"]] == ["chains-required", "", "none", "closed"]


def test_an_answer_that_does_not_fit_is_one_line(mistake: Callable[..., str], tmp_path: Path) -> None:
    wrong = tmp_path / "answer.json"
    wrong.write_text("{}", encoding="utf-8")
    output = mistake("check", "--feed", EXAMPLE, "--try", wrong)
    assert output.startswith(f'{EXAMPLE}: answer.json: has no list where read.list = "controls" looks')
    assert "cannot be read" in mistake("check", "--feed", EXAMPLE, "--try", tmp_path / "none.json")


def test_the_two_options_go_together(alertd: Callable[..., Result]) -> None:
    result = alertd("check", "--feed", EXAMPLE)
    assert result.exit_code == 2
    assert "--feed and --try go together" in result.stderr


def test_check_names_a_mistake_in_a_feed_file(
    alertd: Callable[..., Result], write_config: Callable[..., Path], tmp_path: Path
) -> None:
    config = write_config()
    text = config.read_text(encoding="utf-8").replace("[places]", '[places]\nfeeds = "feeds"', 1)
    config.write_text(text, encoding="utf-8")
    (tmp_path / "feeds").mkdir()
    wrong = EXAMPLE.read_text(encoding="utf-8").replace('level = "chains-required"', 'level = "R2"')
    (tmp_path / "feeds" / "mine.toml").write_text(wrong, encoding="utf-8")
    result = alertd("check", "--config", config)
    assert result.exit_code == 1
    (line,) = [x for x in result.stdout.splitlines() if "mine.toml" in x]
    assert 'word[1].level: "R2" is not a level of US-ID; write one of: chains-required, closed, none, ignore' in line


def test_plan_by_hand_reads_and_names_the_daemons_closures(
    alertd: Callable[..., Result], write_config: Callable[..., Path], soon: datetime, demo: Path, tmp_path: Path
) -> None:
    """Km 50 of the demo's road is closed all day; the plan holds, and which store it was read from is said."""
    body = {
        "id": "C-1", "from": [47.4746, -115.8257], "to": [47.4561, -115.6967], "what": "slide", "source": "the office",
        "begins_at": (soon - timedelta(hours=1)).isoformat(), "ends_at": (soon + timedelta(hours=20)).isoformat(),
    }  # fmt: skip
    with FakeOpenMeteo(now_utc=system_clock()) as forecasts:
        config = write_config(forecasts=forecasts.base_url)
        args = ("plan", demo / "i90-west.gpx", "--rig", "quillback-17", "--depart", soon.isoformat(), "--no-compare")
        without = alertd(*args, "--config", config, "--json")
        assert (without.stderr, json.loads(without.stdout)["closures"]) == ("", [])
        (tmp_path / "var").mkdir(exist_ok=True)
        with Store(tmp_path / "var" / "alertd.db") as store:
            save_closure(store, parse_closure(body, "test"), system_clock())
        held = alertd(*args, "--config", config, "--json")
        plan = json.loads(held.stdout)
        assert plan["advice"] == "hold"
        assert [c["what"] for c in plan["closures"]] == ["Road closed (slide)"]
        assert held.stderr.startswith("alertd: planned with 1 closure and 0 posted controls, with the daemon's store")
        (tmp_path / "var" / "alertd.db").write_bytes(b"not a database" * 100)
        broken = alertd(*args, "--config", config, "--json")
        cautions = json.loads(broken.stdout)["cautions"]
        assert any(c.startswith("Closures and posted controls of the daemon are not known") for c in cautions)
