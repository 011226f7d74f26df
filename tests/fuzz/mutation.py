"""Damages the bytes of a kept file: bits, cells, lines and, in JSON, whole branches are changed, left out or doubled.

A damage is a list of plain numbers, so that hypothesis can shrink it and a seed can repeat it.
"""

import copy
import json
import random
import re
from typing import Any, Final, NamedTuple

TOKENS: Final = (
    b"", b"0", b"-1", b"1e999", b"-0.0", b"nan", b"NaN", b"inf", b"-inf", b"9" * 30, b"9" * 5000, b"1_0", b"0x10",
    b"null", b"true", b"[]", b"{}", b'""', b'"', b"'", b"]]>", b"<", b"&#0;", b"&x;", b"\x00", b"\xff\xfe",
    b"\xed\xa0\x80", b"\xef\xbb\xbf", "\u0665".encode(), "\u202e".encode(), b"\r", b"\n\n", b"\t", b"=", b",", b";",
    b"#", b"[[a]]", b"a.b", b"../../x", b"0001-01-01T00:00:00+14:00", b"9999-12-31T23:59:59-14:00",
    b"2027-02-30T00:00:00Z", b"24:00", b"PT6H", b"NOW/P9999999999D", b"P1Y", b"180.1", b"-90.5", b"\xc2\xb0F",
    b"wmoUnit:K", b"(" * 400, b"[" * 3000, b'{"a":' * 1500,
)  # fmt: skip
VALUES: Final[tuple[Any, ...]] = (
    None, True, 0, -1, 10**20, 10**400, 1.5e308, -0.0, "", "x", "NaN", "\ud800", "\x00", "a\nb", "9" * 5000, [], {},
    [None], [[]], {"a": {}}, "0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-14:00", "2027-01-14T05:00:00",
    "NOW/P9999999999D", "PT1H/PT1H", "2027-01-14T05:00:00+00:00/PT0H", "°F", "wmoUnit:K", 1e-320, 91.0, -181.0,
    [1e308, 1e308], "1e999",
)  # fmt: skip
_CELL: Final = re.compile(rb"[^\s,;:<>{}\[\]()=\"']+")
KINDS_N: Final = 8


class Damage(NamedTuple):
    """One change. kind: which; at_frac: where, 0 to 1; pick: of the tokens or values."""

    kind: int
    at_frac: float
    pick: int


def drawn(draw: random.Random) -> list[Damage]:
    """One to six random changes."""
    many = draw.choice((1, 1, 2, 3, 6))
    return [Damage(draw.randrange(KINDS_N), draw.random(), draw.randrange(10_000)) for _ in range(many)]


def damaged(data: bytes, changes: list[Damage]) -> bytes:
    """`data` with all changes, one after another."""
    for change in changes:
        data = _changed(data, change)
    return data


def _changed(data: bytes, change: Damage) -> bytes:
    kind, at = change.kind, int(change.at_frac * len(data))
    if kind in (5, 6, 7):
        return _branch_changed(data, change)
    if kind == 0:  # a cell, a number or a word
        cells = list(_CELL.finditer(data))
        if not cells:
            return data
        cell = cells[min(int(change.at_frac * len(cells)), len(cells) - 1)]
        return data[: cell.start()] + TOKENS[change.pick % len(TOKENS)] + data[cell.end() :]
    if kind == 1:  # a line, left out, doubled or moved to the end
        lines = data.splitlines(keepends=True)
        if not lines:
            return data
        n = min(int(change.at_frac * len(lines)), len(lines) - 1)
        line = lines.pop(n)
        lines[n:n] = [[], [line, line], []][change.pick % 3]
        return b"".join(lines) + (line if change.pick % 3 == 2 else b"")
    if kind == 2:  # a token put in between
        return data[:at] + TOKENS[change.pick % len(TOKENS)] + data[at:]
    if kind == 3:  # the end is missing, or a piece
        return data[:at] if change.pick % 2 else data[:at] + data[at + 1 + change.pick % 64 :]
    byte = bytes([change.pick % 256])
    return data[:at] + byte + data[at + 1 :]


def _branch_changed(data: bytes, change: Damage) -> bytes:
    try:
        whole = json.loads(data)
    except (ValueError, RecursionError):
        return _changed(data, change._replace(kind=0))
    places = list(_places(whole))
    if not places:
        return data
    node, key = places[min(int(change.at_frac * len(places)), len(places) - 1)]
    if change.kind == 5:
        node[key] = copy.deepcopy(VALUES[change.pick % len(VALUES)])
    elif change.kind == 6:
        del node[key]
    elif isinstance(node, list):
        node.insert(key, copy.deepcopy(node[key]))
    else:
        node[f"{key}2"] = copy.deepcopy(node[key])
    try:
        return json.dumps(whole).encode()
    except (ValueError, RecursionError):  # a number of more digits than Python writes
        return data


def _places(node: Any, depth: int = 0) -> Any:
    if depth > 40 or not isinstance(node, dict | list):
        return
    for key in list(node) if isinstance(node, dict) else range(len(node)):
        yield node, key
        yield from _places(node[key], depth + 1)
