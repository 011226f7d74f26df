"""Writes the reference pages of settings and commands from the code: `python -m alertd.cli.reference`."""

import inspect
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import click
from pydantic import BaseModel

from alertd.cli.main import cli
from alertd.settings.file_model import SettingsFile

ROOT: Final = Path(__file__).resolve().parents[2]
GUIDE: Final = ROOT / "shared" / "guide"
_NOTE: Final = "<!-- Written by `python -m alertd.cli.reference`. Change the code or config/alertd.toml instead. -->"
_RETIRED: Final = {"station_correction"}  # accepted, without effect
_TABLE: Final = re.compile(r"(?:# )?\[\[?([\w.]+)\]\]?$")
_KEY: Final = re.compile(r"(# )?(\w+) = ([^#]*?)\s*(?:# (.*))?$")
_INTRO: Final = """
The settings file is `config/alertd.toml`. Paths are relative to it. `alertd check` reads it and names each mistake. A
running daemon reads it again on SIGHUP; see [what changes at once](operations/service.md#reload-stop-and-clock). Keep
secrets out of it: name a file, or write `credential:NAME` for a systemd credential
([secrets](operations/service.md#secrets)).
"""


def settings_page(toml: str) -> str:
    """The page of all settings: keys, types and defaults from the models, meanings from `toml` or the models."""
    comments = _comments(toml)
    parts = [
        "# Settings\n",
        _NOTE,
        _INTRO,
    ]
    for table, model, is_list in _tables():
        head = f"[[{table}]]" if is_list else f"[{table}]"
        parts.append(f"## `{head}`\n")
        if about := comments.get((table, "")):
            parts.append(about + "\n")
        parts.append("| key | value | default | meaning |\n|---|---|---|---|")
        schema = model.model_json_schema()
        for key, field in model.model_fields.items():
            if _nested(field.annotation) is not None or key in _RETIRED:
                continue
            value = _value(schema["properties"][key], schema)
            meaning = comments.get((table, key)) or field.description or ""
            default = "required" if field.is_required() else f"`{_toml(field.get_default(call_default_factory=True))}`"
            parts.append(f"| `{key}` | {value} | {default} | {_cell(meaning)} |")
        parts.append("")
    return "\n".join(parts)


def cli_page(group: click.Group) -> str:
    """The page of all commands with their arguments and options."""
    parts = [
        "# Commands\n",
        _NOTE,
        "\nExit status: 0 done; 1 bad input or settings; 2 usage; 3 done on stale or partial data, or a replay that"
        "\ndiffers.\n",
    ]
    for name, command in _commands("alertd", group):
        context = click.Context(command, info_name=name)
        usage = " ".join(command.collect_usage_pieces(context))
        parts += [f"## `{name}`\n", f"    {name} {usage}\n", inspect.cleandoc(command.help or "") + "\n"]
        options = [r for p in command.params if (r := p.get_help_record(context))]
        if options:
            parts += ["| option | meaning |", "|---|---|"]
            parts += [f"| `{left}` | {_cell(right)} |" for left, right in options]
            parts.append("")
    return "\n".join(parts)


def _commands(name: str, command: click.Command) -> Iterator[tuple[str, click.Command]]:
    if isinstance(command, click.Group):
        context = click.Context(command, info_name=name)
        for sub in command.list_commands(context):
            found = command.get_command(context, sub)
            if found is not None:
                yield from _commands(f"{name} {sub}", found)
        if not command.invoke_without_command:
            return
    yield name, command


def _tables() -> Iterator[tuple[str, type[BaseModel], bool]]:
    """(table, its model, whether it repeats), nested tables after the table that holds them."""
    for name, field in SettingsFile.model_fields.items():
        model = _nested(field.annotation)
        if model is None:
            continue
        yield name, model, str(field.annotation).startswith("list[")
        for key, below in model.model_fields.items():
            inner = _nested(below.annotation)
            if inner is not None:
                yield f"{name}.{key}", inner, False


def _nested(annotation: Any) -> type[BaseModel] | None:
    for kind in (annotation, *getattr(annotation, "__args__", ())):
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            return kind
    return None


def _comments(toml: str) -> dict[tuple[str, str], str]:
    """Comments by (table, key): those before a key, on its line, and indented below it. Key "" is the table."""
    tables = {name: model for name, model, _ in _tables()}
    found: dict[tuple[str, str], list[str]] = {}
    table, key, before = "", "", list[str]()
    for line in toml.splitlines():
        if match := _TABLE.fullmatch(line):
            table, key = match[1], ""
            found[table, key], before = before, []
        elif table and (match := _KEY.fullmatch(line)) and (not match[1] or match[2] in tables[table].model_fields):
            key = match[2]
            found[table, key], before = [*before, *([match[4]] if match[4] else [])], []
        elif line.startswith("#"):
            before.append(line.lstrip("# "))
        elif line.strip().startswith("#"):
            found[table, key].append(line.strip().lstrip("# "))
        elif not line:
            found.setdefault((table, ""), []).extend(before)
            before = []
    return {at: " ".join(lines) for at, lines in found.items()}


def _value(field: dict[str, Any], schema: dict[str, Any]) -> str:
    """What a key takes, in words."""
    if "anyOf" in field:
        return _value(field["anyOf"][0], schema)
    if "$ref" in field:
        return _value(schema["$defs"][field["$ref"].rpartition("/")[2]], schema)
    if "enum" in field:
        return " or ".join(f'`"{word}"`' for word in field["enum"])
    kind = field.get("type")
    if kind == "array":
        return f"list of {_value(field['items'], schema)}"
    if kind == "object":
        return "table of numbers"
    if kind in ("integer", "number"):
        return f"{'whole number' if kind == 'integer' else 'number'}{_bounds(field)}"
    return {"boolean": "`true` or `false`"}.get(str(kind), "text")


def _bounds(field: dict[str, Any]) -> str:
    low, over = field.get("minimum"), field.get("exclusiveMinimum")
    high, under = field.get("maximum"), field.get("exclusiveMaximum")
    words = [
        f"from {low:g}" if low is not None else f"above {over:g}" if over is not None else "",
        f"to {high:g}" if high is not None else f"below {under:g}" if under is not None else "",
    ]
    return "".join(f", {word}" if not n else f" {word}" for n, word in enumerate(w for w in words if w))


def _toml(value: object) -> str:
    return "" if value is None else json.dumps(value, ensure_ascii=False)


def _cell(text: str) -> str:
    return text.replace("|", "\\|")


def pages() -> dict[Path, str]:
    """Every generated page by its path."""
    toml = (ROOT / "config" / "alertd.toml").read_text(encoding="utf-8")
    return {GUIDE / "settings.md": settings_page(toml), GUIDE / "reference" / "cli.md": cli_page(cli)}


def main() -> None:
    for path, text in pages().items():
        path.write_text(text.rstrip() + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
