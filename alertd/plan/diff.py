"""Compares the JSON of two plans field by field."""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One differing field.

    path: e.g. `stretches[0].advice`, lists counted from 0 as in JSON.

    A side without the field has ABSENT.
    """

    path: str
    old: Any
    new: Any


ABSENT = "(absent)"


def differences(old_json: str, new_json: str) -> tuple[Difference, ...]:
    """Every differing field, in the order of the text; empty exactly when the two texts are equal."""
    if old_json == new_json:
        return ()
    found = tuple(_differ("", json.loads(old_json), json.loads(new_json)))
    return found or (Difference(path="", old=old_json, new=new_json),)


def _differ(path: str, old: Any, new: Any) -> Iterator[Difference]:
    if isinstance(old, dict) and isinstance(new, dict):
        for name in sorted(old.keys() | new.keys()):
            yield from _differ(f"{path}.{name}".lstrip("."), old.get(name, ABSENT), new.get(name, ABSENT))
    elif isinstance(old, list) and isinstance(new, list):
        for i in range(max(len(old), len(new))):
            yield from _differ(f"{path}[{i}]", old[i] if i < len(old) else ABSENT, new[i] if i < len(new) else ABSENT)
    elif old != new or type(old) is not type(new):
        yield Difference(path=path, old=old, new=new)
