"""`alertd score`: what it says of a store without a plan, and without a store."""

import json
from collections.abc import Callable
from pathlib import Path

from click.testing import Result

from alertd.store.store import Store


def test_a_store_without_plans_is_told_and_nothing_is_claimed(
    alertd: Callable[..., Result], mistake: Callable[..., str], write_config: Callable[..., Path], tmp_path: Path
) -> None:
    config = write_config()
    assert "no store exists yet" in mistake("score", "--config", config)
    (tmp_path / "var").mkdir()
    Store(tmp_path / "var" / "alertd.db").close()
    text = alertd("score", "--config", config)
    assert text.exit_code == 0, text.stderr
    assert text.stdout.count("Nothing can be said yet") == 2
    assert text.stdout.count("What counts as true") == 2
    plain = json.loads(
        alertd("score", "--config", config, "--json", "--from", "2026-01-01", "--to", "2026-01-31").stdout
    )
    assert [s["whole"]["pod"] for s in plain] == [None, None]
