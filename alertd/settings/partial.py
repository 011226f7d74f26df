"""Reads as much of a settings file as is valid, so that one check shows every mistake."""

import re
from pathlib import Path
from typing import Any, Final

from alertd.errors import ConfigError
from alertd.settings.model import Settings
from alertd.settings.read import settings_from
from alertd.settings.shipped import data_root
from alertd.sources.files.toml import read_table

_MOST_ROUNDS: Final = 50
_STEP: Final = re.compile(r"([^.\[\]]+)|\[(\d+)\]")


def read_partial_settings(path: Path) -> tuple[Settings | None, tuple[ConfigError, ...]]:
    """Return the settings without their wrong keys, and every mistake; None where nothing can be read.

    Nothing runs with such settings: they only name the other files that a check reads.
    """
    mistakes: dict[str, ConfigError] = {}
    changed: set[str] = set()  # keys removed or filled in; a further error of one of them is no mistake of the file
    try:
        table = read_table(path)
        for _ in range(_MOST_ROUNDS):
            try:
                return settings_from(path, table), tuple(mistakes.values())
            except ConfigError as exc:
                found = [exc, *(other for other in exc.others if isinstance(other, ConfigError))]
            mistakes |= {str(one): one for one in found if one.field not in changed}
            left_out = [_leave_out(table, one.field, changed) for one in reversed(found) if one.where == str(path)]
            if not any(left_out):
                break
    except ConfigError as exc:
        mistakes[str(exc)] = exc
    return None, tuple(mistakes.values())


def _shipped_value(steps: list[str | int]) -> Any:
    """What the shipped settings have for a key, "-" where they have none."""
    value: Any = read_table(data_root() / "config" / "alertd.toml")
    try:
        for step in steps:
            value = value[step]
    except (KeyError, IndexError, TypeError):
        return "-"
    return value


def _leave_out(table: dict[str, Any], field: str, changed: set[str]) -> bool:
    """Remove a wrong key, or fill in a missing value; False where neither changes the table.

    field: as `forecast.sources[1]`, lists counted from 1. A key that was changed already goes with its table.
    """
    steps: list[str | int] = [int(n) - 1 if n else key for key, n in _STEP.findall(field)]
    filled = f"{field} filled in"
    if field in changed and filled in changed:
        steps = steps[:-1]
    if not steps:
        return False
    holder: Any = table
    try:
        for step in steps[:-1]:
            holder = holder[step]
    except (KeyError, IndexError, TypeError):
        return False
    last = steps[-1]
    if isinstance(holder, list) and isinstance(last, int) and last < len(holder):
        del holder[last]
    elif isinstance(holder, dict) and last in holder:
        del holder[last]
        changed |= {field} if field not in changed else {field, filled}
    elif isinstance(holder, dict) and isinstance(last, str):
        holder[last] = {} if holder is table else _shipped_value(steps)
        changed |= {field, filled}
    else:
        return False
    return True
