"""Settings across fields: no pair out of order, and no number that turns a warning off."""

import asyncio
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from alertd.cli.main import cli
from alertd.daemon.reload import reload_settings
from alertd.errors import ConfigError
from alertd.settings.model import Settings
from alertd.settings.read import read_settings

WriteConfig = Callable[..., Path]
NOTICES, DAEMON, FORECAST = "[notices]", "[daemon]", "members = 31"


def set_in(part: str, lines: str) -> dict[str, str]:
    """Changes of the demo's settings that add lines to a part; it has no [plan] of its own."""
    return {
        "plan": {DAEMON: f"[plan]\n{lines}\n\n{DAEMON}"},
        "notices": {NOTICES: f"{NOTICES}\n{lines}"},
        "daemon": {DAEMON: f"{DAEMON}\n{lines}"},
        "forecast": {FORECAST: f"{FORECAST}\n{lines}"},
    }[part]


@pytest.mark.parametrize(
    ("part", "lines", "expected"),
    [
        ("plan", "ready_probability = 0.9", "plan.ready_probability: 0.9 is above 0.3: "),
        ("plan", "ready_probability = 0.31", "plan.ready_probability: 0.31 is above 0.3: "),
        ("plan", "chain_probability = 0.95", "plan.chain_probability: 0.95 is above 0.7: "),
        ("plan", "hold_probability = 0.9", "plan.hold_probability: 0.9 is above 0.5: "),
        ("plan", "chain_probability = 0.1", "plan.ready_probability: 0.15 is above chain_probability = 0.1: "),
        ("plan", "hold_probability = 0.45\nchain_probability = 0.42", "plan.hold_probability: 0.45 is above chain_"),
        ("plan", "ready_probability = 0.0", "plan.ready_probability: 0.0 is wrong"),
        ("plan", "chained_mph = 15.0", "plan.chained_bare_mph: 20 is above chained_mph = 15: "),
        (
            "plan",
            "ready_probability = 0.1",
            "notices.ready_cleared_probability: 0.1 is not below plan.ready_probability",
        ),
        (
            "notices",
            "chain_cleared_probability = 0.7",
            "notices.chain_cleared_probability: 0.7 is not below plan.chain_",
        ),
        (
            "notices",
            "chain_cleared_probability = 0.05",
            "notices.ready_cleared_probability: 0.1 is above chain_cleared_",
        ),
        ("notices", "early_h = 0.5", "notices.approach_min: 45 is above early_h = 0.5: "),
        ("notices", "approach_min = 90.0\nquiet_yields_h = 1.0", "notices.approach_min: 90 is above quiet_yields_h"),
        ("notices", "escalate_min = 2.0", "notices.escalate_min: 2 is below 5"),
        ("notices", 'outlook_at = "23:30"', "notices.outlook_at: 23:30 is in the quiet hours 21:00 to 02:00"),
        (
            "daemon",
            "plan_every_min = 300\nlook_ahead_h = 4.0",
            "daemon.plan_every_min: 300 is above daemon.look_ahead_h",
        ),
        ("daemon", "look_ahead_h = 2.0", "notices.early_h: 3 is above daemon.look_ahead_h = 2: "),
        ("forecast", "stale_h = 0.25", "daemon.plan_every_min: 30 is above forecast.stale_h = 0.25: "),
        ("plan", "posted_believed_h = 0.25", "daemon.plan_every_min: 30 is above plan.posted_believed_h = 0.25: "),
        ("daemon", "keep_days = { plans = 90 }", "daemon.keep_days.plans: 90 is above trips = 60: "),
        ("daemon", "keep_days = { reports = 30 }", "daemon.keep_days.trips: 60 is above reports = 30: "),
    ],
)
def test_settings_out_of_order_are_refused(write_config: WriteConfig, part: str, lines: str, expected: str) -> None:
    path = write_config(changes=set_in(part, lines))
    with pytest.raises(ConfigError) as caught:
        read_settings(path)
    text = str(caught.value)
    assert f"{path.name}: {expected}" in text
    assert "; write " in text
    assert "\n" not in text


@pytest.mark.parametrize("command", ["check", "run", "plan"])
def test_every_command_refuses_an_inverted_setting(write_config: WriteConfig, command: str) -> None:
    """`ready_probability = 0.9` passed, and the plan then said that no grade asks for chains."""
    path = write_config(changes=set_in("plan", "ready_probability = 0.9"))
    more = ["x.gpx", "--rig", "r", "--depart", "t"] if command == "plan" else []
    result: Result = CliRunner().invoke(cli, [command, "--config", str(path), *more], prog_name="alertd")
    assert result.exit_code == 1
    assert "plan.ready_probability: 0.9 is above 0.3" in result.output
    assert "Traceback" not in result.output


def test_a_reload_keeps_the_old_settings(write_config: WriteConfig, caplog: pytest.LogCaptureFixture) -> None:
    old = read_settings(write_config())
    write_config(changes=set_in("plan", "ready_probability = 0.9"))

    async def try_out(new: Settings) -> None:
        raise AssertionError("settings out of order are not tried out")

    assert asyncio.run(reload_settings(old, try_out)) is None
    assert "plan.ready_probability: 0.9 is above 0.3" in caplog.text


def test_settings_at_their_bounds_are_taken(write_config: WriteConfig) -> None:
    lines = "ready_probability = 0.3\nchain_probability = 0.7\nhold_probability = 0.5"
    plan = read_settings(write_config(changes=set_in("plan", lines))).plan
    assert (plan.ready_probability, plan.chain_probability, plan.hold_probability) == (0.3, 0.7, 0.5)
