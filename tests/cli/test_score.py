"""`alertd score`: what it says of a store without a plan, and without a store."""

import json
from collections.abc import Callable
from pathlib import Path

from click.testing import Result

from alertd.notices.reports.posting_fit import fit_json, fit_lines
from alertd.rules.posting.fit import PostingRecord, fit_posting
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
    fitted = alertd("score", "--config", config, "--fit")
    assert (fitted.exit_code, fitted.stdout.count("Nothing can be fitted")) == (0, 1)
    assert json.loads(alertd("score", "--config", config, "--fit", "--json").stdout)["zones"] == []


def test_fitted_coefficients_are_marked_as_estimates() -> None:
    rows = [PostingRecord(zone="US-WA Example", level="R", day=str(n), probability=0.5, posted=True) for n in range(4)]
    text = "\n".join(fit_lines(fit_posting(rows)))
    assert "OUR ESTIMATE" in text
    assert "US-WA Example   TOO FEW DAYS" in text
    assert fit_json(fit_posting(rows))["estimate"] is True
