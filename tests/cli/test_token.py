"""`alertd token`: made, listed, revoked."""

import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import Result

from alertd.cli.main import main
from alertd.service.tokens import PREFIX, TokenAuthenticator
from alertd.store.store import Store
from alertd.testing.clock import ManualClock


def run(capsys: pytest.CaptureFixture[str], *args: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as ended:
        main(["token", *args])
    out, err = capsys.readouterr()
    return int(ended.value.code or 0), out, err


def test_a_token_is_printed_once_and_opens_what_it_should(
    write_config: Callable[..., Path], capsys: pytest.CaptureFixture[str]
) -> None:
    config = str(write_config())
    status, made, text = run(
        capsys, "new", "--name", "tms", "--scopes", "read, trips", "--days", "30", "--config", config
    )
    assert status == 0
    assert made.startswith(PREFIX)
    assert made.strip() not in text
    _, listed, _ = run(capsys, "list", "--config", config)
    assert "tms  read,trips  until " in listed
    assert made.strip() not in listed
    _, plain, _ = run(capsys, "list", "--json", "--config", config)
    (row,) = json.loads(plain)
    assert (row["name"], row["scopes"], row["holds"], row["last_used_at"]) == ("tms", ["read", "trips"], True, None)
    with Store(_store(config)) as store:
        door = TokenAuthenticator(store, "", ManualClock(datetime.now(UTC)), open_without=True)
        assert [door.allowed(made.strip(), s) for s in ("read", "trips", "posted")] == [True, True, False]
    assert run(capsys, "revoke", row["id"], "--config", config)[0] == 0
    assert "revoked " in run(capsys, "list", "--config", config)[1]


def test_mistakes_are_one_line_with_the_mend(
    write_config: Callable[..., Path], capsys: pytest.CaptureFixture[str]
) -> None:
    config = str(write_config())
    status, out, err = run(capsys, "new", "--name", "tms", "--scopes", "everything", "--config", config)
    assert (status, out) == (1, "")
    assert err == (
        'alertd: token new: scopes: "everything" is no scope; name some of: read, trips, reports, posted, admin\n'
    )
    status, _, err = run(capsys, "revoke", "tok_0", "--config", config)
    assert (status, err.count("\n")) == (1, 1)


def _store(config: str) -> Path:
    from alertd.settings.read import read_settings

    place = read_settings(Path(config)).store
    assert isinstance(place, Path)
    return place


def test_commands_that_change_something_answer_in_json(
    alertd: Callable[..., Result], write_config: Callable[..., Path], tmp_path: Path
) -> None:
    config = write_config()
    made = json.loads(alertd("token", "new", "--name", "a", "--scopes", "read", "--json", "--config", config).stdout)
    assert made.keys() == {"id", "name", "token"}
    gone = json.loads(alertd("token", "revoke", made["id"], "--json", "--config", config).stdout)
    assert gone == {"id": made["id"], "revoked": True}
    copy = json.loads(alertd("backup", tmp_path / "copy.db", "--json", "--config", config).stdout)
    assert copy["bytes"] == (tmp_path / "copy.db").stat().st_size
