"""What users and programs see, byte for byte: a restructuring must not change any of it.

Change on purpose: run this file as a script (`python tests/acceptance/test_golden.py`) and review the difference.
"""

import asyncio
import hashlib
import json
import sqlite3
import tempfile
from collections.abc import Iterator
from io import StringIO
from pathlib import Path
from typing import Any

import click
import pytest
from rich.console import Console

from alertd.cli.main import cli
from alertd.cli.offline.demo import run_demo
from alertd.notices.model import NoticeKind
from alertd.service.metrics import Metrics
from alertd.settings.file_model import SettingsFile
from alertd.store.plans.plan_text import full_text
from alertd.store.store import Store

GOLDEN = Path(__file__).resolve().parents[2] / "fixtures" / "golden"


def _lines(rows: Iterator[dict[str, Any]]) -> list[str]:
    return [json.dumps(row, sort_keys=True, ensure_ascii=False) for row in rows]


def _demo_rows(folder: Path) -> Iterator[dict[str, Any]]:
    """Each notice of the demo's morning with its text and the digest of its body, and the digest of each plan."""
    asyncio.run(run_demo(Console(file=StringIO(), width=120), folder))
    with sqlite3.connect(f"file:{folder / 'demo.db'}?mode=ro", uri=True) as store:
        notices = store.execute("SELECT id, kind, audience, trip_id, plan_id, text, body FROM notices ORDER BY id")
        for id_, kind, audience, trip, plan, text, body in notices.fetchall():
            digest = hashlib.sha256(body.encode()).hexdigest()
            yield {
                "notice": id_, "kind": kind, "audience": audience, "trip": trip, "plan": plan, "text": text,
                "body_sha256": digest,
            }  # fmt: skip
        for id_, body in store.execute("SELECT id, body FROM plans ORDER BY id").fetchall():
            yield {"plan": id_, "sha256": hashlib.sha256(full_text(body).encode()).hexdigest()}


def _setting_keys(schema: dict[str, Any], node: dict[str, Any], at: str = "") -> Iterator[str]:
    """Every key that the settings file may have, dotted; `[]` marks a table that may come several times."""
    if "$ref" in node:
        node = schema["$defs"][node["$ref"].rsplit("/", 1)[1]]
    for option in node.get("anyOf", ()):
        yield from _setting_keys(schema, option, at)
    if node.get("type") == "array":
        yield from _setting_keys(schema, node.get("items", {}), f"{at}[]")
    for key, inner in node.get("properties", {}).items():
        name = f"{at}.{key}" if at else key
        yield name
        yield from _setting_keys(schema, inner, name)


def _commands(command: click.Command, at: str = "alertd") -> Iterator[dict[str, Any]]:
    options = sorted(o for p in command.params for o in (*p.opts, *p.secondary_opts))
    yield {"command": at, "options": options}
    if isinstance(command, click.Group):
        for name in sorted(command.commands):
            yield from _commands(command.commands[name], f"{at} {name}")


def _interface_rows(folder: Path) -> Iterator[dict[str, Any]]:
    """Settings keys, tables, metric names, notice kinds and commands. OpenAPI and schemas are files of `shared/`."""
    schema = SettingsFile.model_json_schema()
    yield from ({"setting": key} for key in sorted(set(_setting_keys(schema, schema))))
    with Store(folder / "new.db"):
        pass
    with sqlite3.connect(folder / "new.db") as store:
        for (sql,) in store.execute("SELECT sql FROM sqlite_master WHERE sql IS NOT NULL ORDER BY name").fetchall():
            yield {"table": " ".join(sql.split())}
    for family in sorted(Metrics().registry.collect(), key=lambda m: m.name):
        yield {"metric": family.name, "type": family.type}
    yield from ({"notice kind": kind.value} for kind in sorted(NoticeKind))
    yield from _commands(cli)


WRITERS = {"demo.jsonl": _demo_rows, "interface.jsonl": _interface_rows}


@pytest.mark.parametrize("name", WRITERS)
def test_golden(name: str, tmp_path: Path) -> None:
    recorded = (GOLDEN / name).read_text(encoding="utf-8").splitlines()
    assert _lines(WRITERS[name](tmp_path)) == recorded


def main() -> None:
    GOLDEN.mkdir(parents=True, exist_ok=True)
    for name, rows in WRITERS.items():
        with tempfile.TemporaryDirectory() as folder:
            (GOLDEN / name).write_text("\n".join(_lines(rows(Path(folder)))) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
