"""`alertd parked` on a store, as a person uses it."""

import json
import shutil
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from alertd.clock import system_clock
from alertd.notices.channel_state import ChannelState
from alertd.notices.model import Audience, Notice, NoticeKind, notice_id
from alertd.settings.read import read_settings
from alertd.store.store import Store


@pytest.fixture
def config(tmp_path: Path) -> Path:
    root = Path(__file__).resolve().parents[2] / "fixtures/demo"
    for name in ("alertd.toml", "receiver-secret.txt"):
        shutil.copy(root / name, tmp_path / name)
    return tmp_path / "alertd.toml"


def _parked(config: Path, now: datetime) -> int:
    settings = read_settings(config)
    settings.store.parent.mkdir(parents=True, exist_ok=True)
    with Store(settings.store) as store:
        notice = Notice(
            id=notice_id(NoticeKind.DATA, Audience.FLEET, "x"),
            kind=NoticeKind.DATA,
            audience=Audience.FLEET,
            trip_id="",
            plan_id="",
            created_at=now,
            expires_at=now + timedelta(hours=6),
            text="x",
            body="{}",
        )
        store.record_notices([notice], {Audience.FLEET: ["receiver"]}, now)
        [row] = store.outbox.of_notice(notice.id)
        store.outbox.mark_parked(row.id, now, "receiver: answered 410")
        store.channels.keep(ChannelState(target="receiver", state="disabled", since=now, why="receiver: answered 410"))
        return row.id


def test_list_reopen_and_resend(alertd, config: Path) -> None:
    number = _parked(config, system_clock())
    listed = alertd("parked", "--config", config)
    assert listed.exit_code == 0
    assert "receiver is disabled since" in listed.stdout
    assert f"{number}  " in listed.stdout
    assert "can be sent again. receiver: answered 410" in listed.stdout
    plain = json.loads(alertd("parked", "--config", config, "--json").stdout)
    assert [(row["number"], row["usable"]) for row in plain["notices"]] == [(number, True)]
    assert [row["state"] for row in plain["targets"]] == ["disabled"]
    assert alertd("parked", "--config", config, "reopen", "receiver").stdout == "receiver is open again\n"
    assert alertd("parked", "resend", number, "--config", config).stdout == "1 put back in line\n"
    assert alertd("parked", "--config", config).stdout == "nothing is parked\n"


@pytest.mark.parametrize(
    ("args", "problem"),
    [
        (["resend"], "says not which notices"),
        (["resend", "1", "--all"], "says not which notices"),
        (["resend", "77"], "77: is not parked"),
        (["resend", "--since", "monday"], "not a time with an offset"),
        (["resend", "--since", "2027-01-14T04:45"], "not a time with an offset"),
        (["reopen", "nobody"], "no channel of the settings"),
    ],
)
def test_a_mistake_is_one_line(mistake, config: Path, args: list[str], problem: str) -> None:
    _parked(config, system_clock())
    assert problem in mistake("parked", "--config", config, *args)


def test_without_a_store_there_is_nothing_to_list(mistake, config: Path) -> None:
    assert "no store exists yet" in mistake("parked", "--config", config)
